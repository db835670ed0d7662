"""From what on does a window of a series stand off the rest of it?

Every window of a week to half the series, and every "from here to the end", is held against the
rest of the series by generalised least squares for a mean shift in first-order autoregressive
noise: dependence from day to day is filtered out, then all starts and ends compete
(`window_search.py`).  Innovations are bounded (Huber 1964), because days of real sites scatter
with heavy tails: single odd days make no shift, and a shift is told from less than by plain least
squares.

The threshold is a property of the scan, not of one test.  A window of L rows among Y a year is
told where its squared score exceeds

    κ + 5.3 ρ + 2 ln(Y / L)

The last term is the count of places a window of that length has (the law of Dümbgen & Spokoiny
2001, from memory, in squares); the middle one is there because filtered windows that differ by a
day agree less the larger the correlation ρ is; κ and 5.3 are fitted to simulated noise of ρ from
0.3 to 0.75 (`tests/benchmarks/event_finder.py` prints false alarms and hits).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np


@dataclass(frozen=True)
class Scan:
    """What is looked for in a series of one kind."""

    shortest: int
    """Rows of the shortest window."""
    edge: int
    """Rows at either end in which nothing can start or end."""
    step: int
    """Rows that a lasting step must have on either side."""
    rows: int
    """Rows under which nothing is looked for."""
    year: int
    """Rows of a year."""
    threshold: float
    """κ of the law above; by simulation, see the benchmark."""


DAYS = Scan(shortest=7, edge=7, step=14, rows=60, year=365, threshold=8.6)
NIGHTS = Scan(shortest=14, edge=7, step=14, rows=60, year=365, threshold=14.0)
WEEKS = Scan(shortest=4, edge=2, step=4, rows=20, year=52, threshold=8.0)
THRESHOLD_SLOPE = 5.3
"""What a unit of day-to-day correlation adds to the threshold; by simulation."""
LASTING_BONUS = 3.0
"""Taken off the threshold of a step that lasts: it has one end to be looked for, not two, and the
same step told as a window from the other side should lose (own choice)."""
CLIP = 2.0
"""Robust standard deviations at which innovations are bounded (Huber 1964): 99 % as efficient as
least squares with normal noise, 118 % with Student's t of 5 degrees.  Lower bounds find more of
what lasts, but hide a week however deep it is."""
TOLD_LEAST = 0.2
"""Share of a window's information that must be left once the fitted terms are taken off; what is
less is judged as if it were this much, for it can't be told from season or operating days."""
RHO_MOST = 0.85
"""Largest day-to-day correlation taken out; a series closer to a random walk has no level."""
ROUNDS = 4
"""Rounds of Huber's modified residuals; each takes off most of what is left."""
_NORMAL_MAD = 1.4826


@dataclass(frozen=True)
class Window:
    """One window of a series."""

    first: int
    end: int
    """Exclusive."""
    size: float
    """Least-squares size on bounded innovations, unit of the series."""
    excess: float
    """Squared score above its threshold."""


@dataclass(frozen=True)
class Filtered:
    """A series freed of dependence and of its design, innovations bounded and of unit variance."""

    values: np.ndarray
    """(n − 1,); row t is day t + 1."""
    basis: np.ndarray
    """Orthonormal columns of the filtered design, (n − 1, p)."""
    rho: float
    scale: float
    """Standard deviation that least squares would need for the same precision."""


def noise_of(rest: np.ndarray, columns: int) -> tuple[float, float]:
    """Lag-1 correlation and robust standard deviation of the innovations of a fit's residuals.

    Weighted regression on the day before (weights as for CLIP).  The bias of a correlation whose
    level is estimated, −(1 + 3ρ)/n (Marriott & Pope 1954, Kendall 1954, from memory), is taken
    off, −(1 + ρ)/n of it once for each column fitted: all but the weekly ones are as slow as a
    level.  Both are 0 where there is no scatter.
    """
    now, before = rest[1:], rest[:-1]
    square = float(before @ before)
    if not square > 0:
        return 0.0, 0.0
    rho, spread = float(now @ before) / square, 0.0
    for _ in range(3):
        size = now - rho * before
        np.abs(size, out=size)
        spread = _NORMAL_MAD * _middle(size)
        if not spread > 0:
            return 0.0, 0.0
        size /= CLIP * spread
        np.maximum(size, 1.0, out=size)
        weighted = before / size
        rho = float(weighted @ now) / float(weighted @ before)
    rho += (2 * rho + (1 + rho) * columns) / len(rest)
    return min(max(rho, 0.0), RHO_MOST), spread


def day_to_day(values: np.ndarray) -> tuple[float, float]:
    """The same from differences, rougher, but as it is beside the shifts that are sought.

    With V_k the robust variance of x_t − x_{t−k}: V_1 = 2γ(1−ρ), V_2 = 2γ(1−ρ²), so
    ρ = V_2/V_1 − 1.  A level shift touches k differences and leaves the rest as they are.
    """
    first, second = _robust_variance(values, 1), _robust_variance(values, 2)
    if not first > 0:
        return 0.0, 0.0
    rho = min(max(second / first - 1, 0.0), RHO_MOST)
    return rho, math.sqrt(first * (1 + rho) / 2)


def filter_series(
    values: np.ndarray,
    design: np.ndarray,
    noise: tuple[float, float],
    elsewhere: tuple[np.ndarray, np.ndarray] | None = None,
) -> Filtered | None:
    """Free a series of dependence and design, by Huber's modified residuals.

    Parameters
    ----------
    values, design : (n,), (n, p).
    noise : correlation and spread, as from `noise_of`.
    elsewhere : what is known of the design's coefficients from outside the series: rows (k, p)
        and values (k,), standard deviation 1.

    Returns
    -------
    The filtered series; None where it has no scatter.
    """
    rho, spread = noise
    if not spread > 0:
        return None
    rest = values[1:] - rho * values[:-1]
    columns = design[1:] - rho * design[:-1]
    n = len(rest)
    if elsewhere is not None:
        columns = np.vstack([columns, spread * elsewhere[0]])
        rest = np.append(rest, spread * elsewhere[1])
    basis = basis_of(columns)
    rest[:n] -= _middle(rest[:n])
    bound = CLIP * spread
    drawn, inside = rest.clip(-2 * bound, 2 * bound), 1.0
    for _ in range(ROUNDS):
        rest -= basis @ (drawn @ basis / inside)
        drawn = rest.clip(-bound, bound)
        inside = np.count_nonzero(drawn[:n] == rest[:n]) / n
        if not inside > 0:
            return None
    deviation = math.sqrt(float(drawn[:n] @ drawn[:n]) / max(n - basis.shape[1], 1))
    drawn -= basis @ (drawn @ basis)
    return Filtered(drawn[:n] / deviation, basis[:n], rho, deviation / inside)


def freed(values: np.ndarray, basis: np.ndarray) -> np.ndarray:
    """Values without what an orthonormal basis explains; what rounding alone leaves is 0."""
    rest = values - basis @ (values @ basis)
    rest[np.abs(rest) <= 1e-10 * np.abs(values).max()] = 0.0
    return rest


def basis_of(x: np.ndarray) -> np.ndarray:
    """Orthonormal columns that span x's."""
    # Column by column in memory, as they are multiplied.
    return (combinations_of(x).T @ x.T).T


def combinations_of(x: np.ndarray) -> np.ndarray:
    """Combinations of x's columns that are orthonormal and span what these do, (p, rank)."""
    gram = x.T @ x
    size = np.sqrt(np.maximum(gram.diagonal(), 1e-300))[:, None]
    values, vectors = np.linalg.eigh(gram / (size * size.T))
    kept = values > 1e-9 * values[-1]
    return vectors[:, kept] / (size * np.sqrt(values[kept]))


def _robust_variance(values: np.ndarray, lag: int) -> float:
    steps = values[lag:] - values[:-lag]
    size = np.abs(steps)
    # mean of squares within the bulk: half the steps say more than the median of them alone
    spread = _NORMAL_MAD * _middle(size)
    if spread == 0:
        return float(np.var(steps))
    drawn = np.minimum(size, 3 * spread)
    return float(drawn @ drawn) / len(drawn) / 0.9932  # what the bounds leave of a normal variance


def _middle(values: np.ndarray) -> float:
    """The median; of an even count the upper of the two in the middle."""
    half = len(values) // 2
    values = values.copy()
    values.partition(half)
    return float(values[half])
