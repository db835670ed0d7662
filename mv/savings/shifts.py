"""Where does a series step away from its own level, and by how much?

A scan for one shift at a time: every window of several lengths, and every "from here to the end",
is held against the rest of the series.  Dependence from day to day is taken out first (first-order
autoregression, estimated from differences so that the shifts sought don't spoil it), which makes
the score of a window a plain standardised contrast (generalised least squares for a mean shift in
first-order autoregressive noise).  The largest score above the threshold is noted, taken off, and
the scan starts again.

The threshold is a property of the scan, not of one test: thousands of windows are looked at, short
ones more often than long ones.  A window of length L competes by its score less √(2(1 + ln(n/L)))
(Dümbgen & Spokoiny 2001, from memory), and what must be left is set by simulation
(`tests/benchmarks/event_finder.py` prints false alarms and hits).
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache

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
    """Excess score from which a shift is told; by simulation, see the benchmark."""


DAYS = Scan((7, 10, 14, 21, 30, 42, 60, 84, 120, 170), 7, 14, 60, 1.6)
NIGHTS = Scan((14, 21, 30, 42, 60, 84, 120, 170), 7, 14, 60, 2.1)
WEEKS = Scan((4, 6, 8, 13, 20), 2, 4, 20, 2.1)
MOST = 4
"""Shifts told of one series, the strongest first."""
WINSOR = 4.0
"""Innovations beyond this many robust standard deviations are drawn in, so that single odd days
are no shifts."""
TOLD_LEAST = 0.2
"""Share of a window's information that must be left once the fitted terms are taken off; below
it the shift can't be told from season or operating days."""
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
    excess: float
    """Score above what the best of all windows of its length reaches by chance."""


def find_shifts(
    values: np.ndarray,
    *,
    least: float,
    scan: Scan = DAYS,
    most: int = MOST,
    design: np.ndarray | None = None,
) -> list[Shift]:
    """Find shifts of a series, the strongest first.

    Parameters
    ----------
    values : series in order of time, (n,), finite; rows that are missing simply aren't there.
    least : smallest |size| worth telling, unit of the series.
    scan : lengths, margins and threshold.
    design : what was fitted to the series, (n, p), where it is the residuals of a fit: a shift
        that season or operating days resemble shows less in them, and is judged accordingly.

    Returns
    -------
    Shifts; empty where the series is too short or nothing stands out.
    """
    rest = np.asarray(values, dtype=float).copy()
    found: list[Shift] = []
    if len(rest) < scan.rows:
        return found
    x = np.ones((len(rest), 1)) if design is None else np.asarray(design, dtype=float)
    while len(found) < most:
        best = _strongest(rest, x, day_to_day(rest), scan)
        if best is None:
            break
        best = _judged(rest, x, best, scan)
        if best is None or best.excess < scan.threshold:
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


def _judged(values: np.ndarray, x: np.ndarray, candidate: Shift, scan: Scan) -> Shift | None:
    """The same window with correlation and noise estimated once it is taken off."""
    rest = values.copy()
    rest[candidate.first : candidate.last + 1] -= candidate.size
    rest = rest - np.median(rest)
    spread = 1.4826 * float(np.median(np.abs(rest)))
    drawn = np.clip(rest, -3.5 * spread, 3.5 * spread) if spread > 0 else rest
    if not drawn.any():  # a series without scatter has no standard error
        return None
    rho = min(max(float(drawn[1:] @ drawn[:-1]) / float(drawn @ drawn), 0.0), RHO_MOST)
    noise = rest[1:] - rho * rest[:-1]
    spread = 1.4826 * float(np.median(np.abs(noise - np.median(noise))))
    noise = np.clip(noise, -WINSOR * spread, WINSOR * spread)
    return _strongest(values, x, (rho, float(noise.std())), scan, only=candidate)


def _strongest(
    values: np.ndarray,
    x: np.ndarray,
    noise: tuple[float, float],
    scan: Scan,
    *,
    only: Shift | None = None,
) -> Shift | None:
    """Largest standardised contrast of any window (or of one), by generalised least squares.

    A window's indicator h and the series are filtered by (1 − ρL), and both are freed of the
    filtered design: size = h'r ÷ h'h, score = h'r ÷ (σ√h'h).
    """
    rho, sigma = noise
    n = len(values)
    if sigma <= 0:
        return None
    basis = _basis(x[1:] - rho * x[:-1])
    filtered = _freed(values[1:] - rho * values[:-1], basis)
    filtered = _freed(np.clip(filtered, -WINSOR * sigma, WINSOR * sigma), basis)
    # row t of `filtered` is day t + 1; sums[t] holds what comes before day t
    plain = np.vstack([np.zeros(1 + basis.shape[1]), np.column_stack([filtered, basis])])
    sums = np.vstack([np.zeros(plain.shape[1]), np.cumsum(plain, axis=0)])
    best: Shift | None = None

    def consider(first: np.ndarray, end: np.ndarray, closed: bool) -> None:
        nonlocal best
        product = plain[first] + (1 - rho) * (sums[end] - sums[first + 1])
        square = 1 + (1 - rho) ** 2 * (end - first - 1.0)
        if closed:
            product = product - rho * plain[end]
            square = square + rho**2
        left = square - np.einsum("ij,ij->i", product[:, 1:], product[:, 1:])
        told = left > TOLD_LEAST * square
        if not told.any():
            return
        z = np.where(told, product[:, 0] / (sigma * np.sqrt(np.where(told, left, 1.0))), 0.0)
        length = np.minimum(end - first, n - (end - first))
        excess = np.abs(z) - np.sqrt(2 * (1 + np.log(n / length)))
        i = int(np.argmax(excess))
        if best is None or excess[i] > best.excess:
            best = Shift(
                first=int(first[i]),
                last=int(end[i]) - 1,
                open_end=not closed,
                size=float(product[i, 0] / left[i]),
                standard_error=float(sigma / math.sqrt(left[i])),
                score=float(abs(z[i])),
                excess=float(excess[i]),
            )

    if only is not None:
        end = n if only.open_end else only.last + 1
        consider(np.array([only.first]), np.array([end]), closed=not only.open_end)
        return best
    closed, steps = _places(n, scan)
    if len(closed[0]):
        consider(*closed, closed=True)
    if len(steps[0]):
        consider(*steps, closed=False)
    return best


@lru_cache(maxsize=16)
def _places(n: int, scan: Scan) -> tuple[tuple[np.ndarray, np.ndarray], ...]:
    """First rows and ends of all closed windows, and of all steps that last to the end."""
    firsts = [
        np.arange(scan.edge, n - window - scan.edge) for window in scan.windows if window <= n // 2
    ]
    ends = [first + window for first, window in zip(firsts, scan.windows, strict=False)]
    steps = np.arange(scan.step, n - scan.step)
    none = np.zeros(0, dtype=int)
    return (
        (np.concatenate([none, *firsts]), np.concatenate([none, *ends])),
        (steps, np.full(len(steps), n)),
    )


def _basis(x: np.ndarray) -> np.ndarray:
    """Orthonormal columns that span x's."""
    u, size, _ = np.linalg.svd(x / np.maximum(np.abs(x).max(axis=0), 1e-300), full_matrices=False)
    return u[:, size > 1e-9 * size[0]]


def _freed(values: np.ndarray, basis: np.ndarray) -> np.ndarray:
    return values - basis @ (basis.T @ values)
