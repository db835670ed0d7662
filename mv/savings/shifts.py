"""Where does a series step away from its own level, and by how much?

A scan for one shift at a time: every window of several lengths, and every "from here to the end",
is held against the rest of the series.  Dependence from day to day is taken out first (first-order
autoregression, estimated from differences so that the shifts sought don't spoil it), which makes
the score of a window a plain standardised contrast (generalised least squares for a mean shift in
first-order autoregressive noise).  The largest score above the threshold is noted, taken off, and
the scan starts again.

The threshold is a property of the scan, not of one test: thousands of windows are looked at.  It is
set by simulation (`tests/benchmarks/event_finder.py` prints false alarms and hits).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np


@dataclass(frozen=True)
class Scan:
    """What is looked for in a series of one kind."""

    windows: tuple[int, ...]
    """Lengths of windows, rows."""
    edge: int
    """Rows at either end in which nothing can start or end."""
    step: int
    """Rows that a lasting step must have on either side."""
    rows: int
    """Rows under which nothing is looked for."""
    threshold: float
    """Score from which a shift is told; by simulation, see the benchmark."""


DAYS = Scan((7, 10, 14, 21, 30, 42, 60, 84, 120, 170), 7, 14, 60, 4.05)
NIGHTS = Scan((14, 21, 30, 42, 60, 84, 120, 170), 7, 14, 60, 4.6)
WEEKS = Scan((4, 6, 8, 13, 20), 2, 4, 20, 4.6)
RHO_FREE, RHO_SLOPE = 0.5, 1.5
"""The threshold rises by RHO_SLOPE times what the day-to-day correlation exceeds RHO_FREE."""
MOST = 4
"""Shifts told of one series, the strongest first."""
WINSOR = 4.0
"""Innovations beyond this many robust standard deviations are drawn in, so that single odd days
are no shifts."""
RHO_MOST = 0.85
"""Largest day-to-day correlation taken out; a series closer to a random walk has no level."""


@dataclass(frozen=True)
class Shift:
    """One window in which a series stands off its level."""

    first: int
    """First row."""
    last: int
    """Last row, inclusive."""
    open_end: bool
    """Whether it goes on to the end of the series."""
    size: float
    """Mean difference to the rest, unit of the series."""
    standard_error: float
    score: float
    """|size| ÷ standard error."""


def find_shifts(
    values: np.ndarray, *, least: float, scan: Scan = DAYS, most: int = MOST
) -> list[Shift]:
    """Find shifts of a series, the strongest first.

    Parameters
    ----------
    values : series in order of time, (n,), finite; rows that are missing simply aren't there.
    least : smallest |size| worth telling, unit of the series.
    scan : lengths, margins and threshold.

    Returns
    -------
    Shifts; empty where the series is too short or nothing stands out.
    """
    rest = np.asarray(values, dtype=float).copy()
    found: list[Shift] = []
    if len(rest) < scan.rows:
        return found
    while len(found) < most:
        best = _strongest(rest, *day_to_day(rest), scan)
        if best is None:
            break
        best, rho = _judged(rest, best, scan)
        if best is None or best.score < scan.threshold + RHO_SLOPE * max(0.0, rho - RHO_FREE):
            break
        rest[best.first : best.last + 1] -= best.size
        if abs(best.size) >= least:
            found.append(best)
        else:
            break
    return sorted(found, key=lambda s: -s.score)


def day_to_day(values: np.ndarray) -> tuple[float, float]:
    """Lag-1 correlation and standard deviation of the innovations, from differences.

    With V_k the robust variance of x_t − x_{t−k}: V_1 = 2γ(1−ρ), V_2 = 2γ(1−ρ²), so
    ρ = V_2/V_1 − 1.  A level shift touches k differences and leaves the rest as they are.
    """
    first, second = _robust_variance(values, 1), _robust_variance(values, 2)
    if first <= 0:
        return 0.0, 0.0
    rho = min(max(second / first - 1, 0.0), RHO_MOST)
    return rho, math.sqrt(first * (1 + rho) / 2)


def _robust_variance(values: np.ndarray, lag: int) -> float:
    steps = values[lag:] - values[:-lag]
    median = np.median(steps)
    # mean of squares within the bulk: half the steps say more than the median of them alone
    spread = 1.4826 * float(np.median(np.abs(steps - median)))
    if spread == 0:
        return float(np.var(steps))
    drawn = np.clip(steps - median, -3 * spread, 3 * spread)
    return float(np.mean(drawn**2)) / 0.9932  # of a normal variance, what the clipping leaves


def _judged(values: np.ndarray, candidate: Shift, scan: Scan) -> tuple[Shift, float]:
    """The same window with correlation and noise estimated once it is taken off."""
    rest = values.copy()
    rest[candidate.first : candidate.last + 1] -= candidate.size
    rest = rest - np.median(rest)
    spread = 1.4826 * float(np.median(np.abs(rest)))
    drawn = np.clip(rest, -3.5 * spread, 3.5 * spread) if spread > 0 else rest
    rho = min(max(float(drawn[1:] @ drawn[:-1]) / float(drawn @ drawn), 0.0), RHO_MOST)
    noise = rest[1:] - rho * rest[:-1]
    spread = 1.4826 * float(np.median(np.abs(noise - np.median(noise))))
    noise = np.clip(noise, -WINSOR * spread, WINSOR * spread)
    return _strongest(values, rho, float(noise.std()), scan, only=candidate), rho


def _strongest(
    values: np.ndarray, rho: float, sigma: float, scan: Scan, *, only: Shift | None = None
) -> Shift | None:
    n = len(values)
    if sigma <= 0:
        return None
    centre = values - np.median(values)
    noise = centre[1:] - rho * centre[:-1]
    noise = noise - np.median(noise)
    noise = np.clip(noise, -WINSOR * sigma, WINSOR * sigma)
    noise = noise - noise.mean()
    # row t of `noise` is day t + 1; sums[t] holds noise up to day t
    sums = np.concatenate(([0.0, 0.0], np.cumsum(noise)))
    plain = np.concatenate(([0.0], noise))
    best: Shift | None = None
    total = n - 1

    def consider(first: np.ndarray, end: np.ndarray, closed: bool) -> None:
        """Windows [first, end): score (1−ρL)-filtered indicator against filtered noise."""
        nonlocal best
        inner = sums[end] - sums[first + 1]
        score = plain[first] + (1 - rho) * inner
        length = (end - first - 1).astype(float)
        square = 1 + (1 - rho) ** 2 * length
        mean = 1 + (1 - rho) * length
        if closed:
            score = score - rho * plain[end]
            square = square + rho**2
            mean = mean - rho
        square = square - mean**2 / total
        z = score / (sigma * np.sqrt(square))
        i = int(np.argmax(np.abs(z)))
        if best is None or abs(z[i]) > best.score:
            size = float(score[i] / square[i])
            best = Shift(
                first=int(first[i]),
                last=int(end[i]) - 1,
                open_end=not closed,
                size=size,
                standard_error=float(sigma / math.sqrt(square[i])),
                score=float(abs(z[i])),
            )

    if only is not None:
        end = n if only.open_end else only.last + 1
        consider(np.array([only.first]), np.array([end]), closed=not only.open_end)
        return best
    for window in scan.windows:
        if window > n // 2:
            break
        first = np.arange(scan.edge, n - window - scan.edge)
        if len(first):
            consider(first, first + window, closed=True)
    first = np.arange(scan.step, n - scan.step)
    consider(first, np.full(len(first), n), closed=False)
    return best
