"""Which window of a series stands off the rest of it the most?

Every window of a week to half the series, and every "from here to the end", is held against the
rest of the series by generalised least squares for a mean shift in first-order autoregressive
noise: dependence from day to day is filtered out, then all starts and ends are scored at once
from cumulative sums.  Innovations are bounded (Huber 1964), because days of real sites scatter
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
from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache

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
GRID = 450
"""Places along a series that are looked at; in a longer one every second, third ... row, and then
every row around the best."""
BLOCK = 64
"""Starts whose windows are scored at once."""
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
        noise = now - rho * before
        spread = _NORMAL_MAD * _middle(np.abs(noise))
        if not spread > 0:
            return 0.0, 0.0
        weighted = before / np.maximum(1.0, np.abs(noise) / (CLIP * spread))
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
    rest = rest - _middle(rest[:n]) * (np.arange(len(rest)) < n)
    bound = CLIP * spread
    drawn, inside = np.clip(rest, -2 * bound, 2 * bound), 1.0
    for _ in range(ROUNDS):
        rest = rest - basis @ (basis.T @ drawn) / inside
        drawn = np.clip(rest, -bound, bound)
        inside = float(np.mean(np.abs(rest[:n]) < bound))
        if not inside > 0:
            return None
    deviation = math.sqrt(float(drawn[:n] @ drawn[:n]) / max(n - basis.shape[1], 1))
    drawn = drawn - basis @ (basis.T @ drawn)
    return Filtered(drawn[:n] / deviation, basis[:n], rho, deviation / inside)


def best_window(filtered: Filtered | None, scan: Scan) -> Window | None:
    """The window that exceeds its threshold by most (or misses it by least), over all starts and
    ends; None where there is none to look at."""
    if filtered is None:
        return None
    n = len(filtered.values) + 1
    stride = -(-n // GRID)
    window = _highest(filtered, _places(n, stride, scan), scan)
    if window is None or stride == 1:
        return window
    around = np.arange(1 - stride, stride)
    firsts, ends = window.first + around, window.end + around
    firsts = firsts[(firsts >= scan.edge) & (firsts < n - scan.edge)]
    ends = ends[ends <= n - scan.edge] if window.end < n else np.array([n])
    return _highest(filtered, _Places.of(n, firsts, ends, scan), scan)


def freed(values: np.ndarray, basis: np.ndarray) -> np.ndarray:
    """Values without what an orthonormal basis explains; what rounding alone leaves is 0."""
    rest = values - basis @ (basis.T @ values)
    rest[np.abs(rest) <= 1e-10 * np.abs(values).max()] = 0.0
    return rest


def basis_of(x: np.ndarray) -> np.ndarray:
    """Orthonormal columns that span x's."""
    x = x / np.maximum(np.sqrt(np.einsum("ij,ij->j", x, x)), 1e-300)
    values, vectors = np.linalg.eigh(x.T @ x)
    kept = values > 1e-9 * values[-1]
    return x @ (vectors[:, kept] / np.sqrt(values[kept]))


@dataclass(frozen=True)
class _Places:
    """Windows that are looked at."""

    firsts: np.ndarray
    ends: np.ndarray
    """Exclusive."""
    blocks: tuple[tuple[slice, slice, np.ndarray], ...]
    """Starts and ends of a block of pairs, and what each adds to its threshold."""

    @classmethod
    def of(cls, n: int, firsts: np.ndarray, ends: np.ndarray, scan: Scan) -> _Places:
        """Pairs of starts and ends in blocks, without the corners in which nothing is looked at."""
        inner = len(ends) - int(ends[-1] == n)
        blocks = [] if inner == len(ends) else [(slice(None), slice(inner, None))]
        for low in range(0, len(firsts), BLOCK):
            rows = slice(low, low + BLOCK)
            near, far = firsts[rows][[0, -1]] + (scan.shortest, n // 2)
            columns = slice(*np.searchsorted(ends[:inner], (near, far + 1)).tolist())
            if columns.stop > columns.start:
                blocks.append((rows, columns))
        limits = _limits(n, firsts, ends, scan)
        return cls(firsts, ends, tuple((r, c, limits[r, c].copy()) for r, c in blocks))


def _robust_variance(values: np.ndarray, lag: int) -> float:
    steps = values[lag:] - values[:-lag]
    # mean of squares within the bulk: half the steps say more than the median of them alone
    spread = _NORMAL_MAD * _middle(np.abs(steps))
    if spread == 0:
        return float(np.var(steps))
    drawn = np.clip(steps, -3 * spread, 3 * spread)
    return float(drawn @ drawn) / len(drawn) / 0.9932  # what the bounds leave of a normal variance


def _highest(filtered: Filtered, places: _Places, scan: Scan) -> Window | None:
    """Score all pairs of first row and end.

    A window's indicator, filtered by (1 − ρL), is 1 in its first row, 1 − ρ within and −ρ in the
    row after.  Its products with the series and with the basis are sums of a part that knows the
    first row alone and one that knows the end alone; so is its square.
    """
    rho, beta = filtered.rho, (1 - filtered.rho) ** 2
    n = len(filtered.values) + 1
    plain = np.zeros((n + 1, 1 + filtered.basis.shape[1]))
    plain[1:n, 0] = filtered.values
    plain[1:n, 1:] = filtered.basis
    sums = np.zeros_like(plain)
    np.cumsum(plain[:-1], axis=0, out=sums[1:])
    firsts, ends = places.firsts, places.ends
    start = plain[firsts] - (1 - rho) * sums[firsts + 1]
    stop = (1 - rho) * sums[ends] - rho * plain[ends]
    square_start = 1 + rho**2 - beta * (firsts + 1.0)
    square_stop = beta * ends - rho**2 * (ends == n)
    # Single precision is enough to choose a window.
    one = np.ones(1)
    plus = [-2 * start[:, 1:], square_start - (start[:, 1:] ** 2).sum(axis=1), one]
    minus = [stop[:, 1:], one, square_stop - (stop[:, 1:] ** 2).sum(axis=1)]
    plus, minus = _columns(plus, len(firsts)), _columns(minus, len(ends))
    first_gain, end_gain = start[:, :1].astype(np.float32), stop[:, 0].astype(np.float32)
    first_floor = (TOLD_LEAST * square_start).astype(np.float32)[:, None]
    end_floor = (TOLD_LEAST * square_stop).astype(np.float32)
    best, threshold = None, scan.threshold + THRESHOLD_SLOPE * rho
    for rows, columns, limit in places.blocks:
        left = plus[rows] @ minus[columns].T
        np.maximum(left, first_floor[rows] + end_floor[columns], out=left)
        # An end before its start has no square; its limit is infinite.
        np.maximum(left, np.float32(1e-3), out=left)
        excess = first_gain[rows] + end_gain[columns]
        excess *= excess
        excess /= left
        excess -= limit
        i, j = divmod(int(excess.argmax()), excess.shape[1])
        above = float(excess[i, j]) - threshold
        if np.isfinite(above) and (best is None or above > best.excess):
            size = float(first_gain[rows][i, 0] + end_gain[columns][j]) / float(left[i, j])
            first, end = int(firsts[rows][i]), int(ends[columns][j])
            best = Window(first, end, size * filtered.scale, above)
    return best


def _columns(parts: Sequence[np.ndarray], rows: int) -> np.ndarray:
    """Side by side in single precision; a column of one value is repeated."""
    columns = [np.broadcast_to(p[:, None], (rows, 1)) if p.ndim == 1 else p for p in parts]
    return np.hstack(columns).astype(np.float32)


@lru_cache(maxsize=8)
def _places(n: int, stride: int, scan: Scan) -> _Places:
    """Every window of a series, or those at every second, third ... row."""
    firsts = np.arange(scan.edge, n - scan.edge, stride)
    ends = np.append(np.arange(scan.edge + scan.shortest, n - scan.edge + 1, stride), n)
    return _Places.of(n, firsts, ends, scan)


def _limits(n: int, firsts: np.ndarray, ends: np.ndarray, scan: Scan) -> np.ndarray:
    """What a window's length adds to its threshold; infinite for those that are not looked at."""
    length = ends[None, :] - firsts[:, None]
    lasting = np.broadcast_to(ends == n, length.shape)
    looked_at = np.where(
        lasting,
        (length >= scan.step) & (firsts >= scan.step)[:, None],
        (length >= scan.shortest) & (length <= n // 2),
    )
    told = np.where(looked_at, np.minimum(length, n - length), 1)
    limit = 2 * np.log(scan.year / told) - LASTING_BONUS * lasting
    return np.where(looked_at, limit, np.inf).astype(np.float32)


def _middle(values: np.ndarray) -> float:
    """The median; of an even count the upper of the two in the middle."""
    half = len(values) // 2
    return float(np.partition(values, half)[half])
