"""Which window of a series stands off the rest of it the most?

The best of all starts and ends is found without scoring every window.  Starts and ends are taken in
tiles of neighbours, whose windows have scores below a bound: that of the highest and lowest
products with the series, a ball around the products with the basis, and the shortest and likeliest
length.  Windows between two tiles are scored only where the bound exceeds the best score known, so
that what is found is the best of all (branch and bound).
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from mv.savings.windows import (
    LASTING_BONUS,
    THRESHOLD_SLOPE,
    TOLD_LEAST,
    Filtered,
    Scan,
    Window,
)

GRID = 450
"""Places along a series that are looked at; in a longer one every second, third ... row, and then
every row around the best."""
SMALL = 80
"""Rows of a series whose windows are all scored at once."""
TILE = 6
"""Starts, and ends, whose windows are bounded together."""
FIRST_PAIRS = 48
"""Pairs of tiles of the highest bounds, scored before the others are judged by what they hold."""
ROUNDING = 1e-6
"""Of a squared score, by which a bound may err."""


def best_window(filtered: Filtered | None, scan: Scan, floor: float = -math.inf) -> Window | None:
    """The window that exceeds its threshold by most (or misses it by least), over all starts and
    ends; None where there is none to look at or none of an excess above `floor`."""
    if filtered is None:
        return None
    scores = _Scores(filtered, scan)
    n = scores.n
    stride = -(-n // GRID)
    if n <= SMALL:
        window = scores.best(*_windows(n, scan))
    elif stride == 1:
        window = scores.highest(_places(n, stride, scan), floor)
    else:
        window = scores.highest(_places(n, stride, scan))
        if window is not None:
            around = np.arange(1 - stride, stride)
            firsts, ends = window.first + around, window.end + around
            firsts = firsts[(firsts >= scan.edge) & (firsts < n - scan.edge)]
            ends = ends[ends <= n - scan.edge] if window.end < n else np.array([n])
            window = scores.best(firsts[:, None], ends[None])
    return window if window is not None and window.excess > floor else None


class _Scores:
    """Squared scores of the windows of one series.

    A window's indicator, filtered by (1 − ρL), is 1 in its first row, 1 − ρ within and −ρ in the
    row after.  Its products with the series and with the basis are sums of a part that knows the
    first row alone and one that knows the end alone; its square knows the length alone.
    """

    def __init__(self, filtered: Filtered, scan: Scan) -> None:
        n, rho = len(filtered.values) + 1, filtered.rho
        plain = np.zeros((1 + filtered.basis.shape[1], n + 1))
        plain[0, 1:n] = filtered.values
        plain[1:, 1:n] = filtered.basis.T
        within = np.zeros((len(plain), n + 2))
        np.add.accumulate(plain, axis=1, out=within[:, 1:])
        within *= 1 - rho
        self.of_first = plain - within[:, 1:]
        """Products of the first row's part, with the series and with the basis, (1 + p, n + 1)."""
        plain *= rho
        self.of_end = within[:, :-1] - plain
        kinds = _kinds(n, scan)
        self.squares = (1 - rho) ** 2 * kinds.between
        self.squares += 1 + rho**2 * kinds.row_after
        """Of filtered indicators, by kind of window."""
        self.n, self.scale = n, filtered.scale
        self.limits = kinds.limits
        self.threshold = scan.threshold + THRESHOLD_SLOPE * rho

    def best(self, firsts: np.ndarray, ends: np.ndarray) -> Window | None:
        """The best of all windows between first rows and ends, arrays that are broadcast; None
        where none is looked at."""
        products = self.of_first.take(firsts, axis=1) + self.of_end.take(ends, axis=1)
        gain, shared = products[0], products[1:]
        kind = _kind(firsts, ends, self.n)
        square = self.squares.take(kind, mode="clip")
        shared *= shared
        left = np.add.reduce(shared)
        np.subtract(square, left, out=left)
        square *= TOLD_LEAST
        np.maximum(left, square, out=left)
        excess = gain * gain
        excess /= left
        excess -= self.limits.take(kind, mode="clip")
        place = np.unravel_index(excess.argmax(), excess.shape)
        above = float(excess[place]) - self.threshold
        if not math.isfinite(above):
            return None
        size = float(gain[place] / left[place]) * self.scale
        first, end = (rows[tuple(map(min, place, _last(rows)))] for rows in (firsts, ends))
        return Window(int(first), int(end), size, above)

    def bounds(self, tiles: _Tiles) -> np.ndarray:
        """What no window between two tiles exceeds its threshold by more than, (tiles of first
        rows, tiles of ends)."""
        k = tiles.firsts.shape[1]
        products = (self.of_first.take(tiles.firsts, axis=1), self.of_end.take(tiles.ends, axis=1))
        products = np.concatenate(products, axis=2)
        low, high = np.minimum.reduce(products, axis=1), np.maximum.reduce(products, axis=1)
        middle, box = high[1:] + low[1:], high[1:] - low[1:]
        middle /= 2
        # The products with the basis lie in a box, and so in the ball around it.
        radius = np.sqrt(np.add.reduce(box * box)) / 2
        far = np.add.reduce(middle * middle)
        reach = (2 * middle[:, :k].T) @ middle[:, k:]
        reach += far[:k, None] + far[k:]
        np.maximum(reach, 0.0, out=reach)
        np.sqrt(reach, out=reach)
        reach += radius[:k, None] + radius[k:]
        reach *= reach
        left = self.squares.take(tiles.shortest)
        np.subtract(left, reach, out=reach)
        left *= TOLD_LEAST
        np.maximum(left, reach, out=left)
        gain = high[0, :k, None] + high[0, k:]
        np.maximum(gain, -low[0, :k, None] - low[0, k:], out=gain)
        gain *= gain
        gain /= left
        gain -= tiles.lowest + self.threshold
        return gain

    def highest(self, tiles: _Tiles, floor: float = -math.inf) -> Window | None:
        """The best window: first the pairs of tiles of the highest bounds are scored, then those
        whose bounds exceed what was found there; none whose bound does not exceed `floor`."""
        bounds = self.bounds(tiles).ravel()
        pairs = (bounds > floor - ROUNDING).nonzero()[0]
        if not len(pairs):
            return None
        if len(pairs) <= FIRST_PAIRS:
            return self._best_of(tiles, pairs)
        bounds = bounds[pairs]
        order = bounds.argpartition(-FIRST_PAIRS)
        best = self._best_of(tiles, pairs[order[-FIRST_PAIRS:]])
        least = floor if best is None else max(floor, best.excess)
        others = order[:-FIRST_PAIRS]
        others = others[bounds[others] > least - ROUNDING]
        other = self._best_of(tiles, pairs[others]) if len(others) else None
        return other if best is None or (other and other.excess > best.excess) else best

    def _best_of(self, tiles: _Tiles, pairs: np.ndarray) -> Window | None:
        i = pairs // tiles.ends.shape[1]
        j = pairs - i * tiles.ends.shape[1]
        return self.best(tiles.firsts[:, None, i], tiles.ends[None, :, j])


@dataclass(frozen=True, slots=True)
class _Tiles:
    """Windows that are looked at, in tiles of neighbouring first rows and tiles of ends."""

    firsts: np.ndarray
    ends: np.ndarray
    """Exclusive; both (TILE, tiles), the last row repeated until its tile is full.  The end of the
    series has a tile of its own, the last."""
    shortest: np.ndarray
    """Kind of the shortest window between two tiles, (tiles of first rows, tiles of ends)."""
    lowest: np.ndarray
    """The least that the length of a window between two tiles adds to the threshold, infinite where
    none is looked at; the same shape."""


@lru_cache(maxsize=64)
def _places(n: int, stride: int, scan: Scan) -> _Tiles:
    """Every window of a series, or those at every second, third ... row."""
    firsts = _tiles(np.arange(scan.edge, n - scan.edge, stride))
    inner = _tiles(np.arange(scan.edge + scan.shortest, n - scan.edge + 1, stride))
    ends = np.hstack([inner, np.full((TILE, 1), n)])
    lasting = ends[0] == n
    shortest = np.maximum(np.where(lasting, scan.step, scan.shortest), ends[0] - firsts[-1:].T)
    longest = np.minimum(np.where(lasting, n - scan.step, n // 2), ends[-1] - firsts[:1].T)
    # The nearer to half the series, the less is asked for.
    likeliest = np.clip(n // 2, shortest, np.maximum(shortest, longest))
    lasts = (n + 1) * lasting
    lowest = np.where(shortest <= longest, _kinds(n, scan).limits[likeliest + lasts], np.inf)
    return _Tiles(firsts, ends, shortest + lasts, lowest)


def _tiles(rows: np.ndarray) -> np.ndarray:
    return np.append(rows, np.full(-len(rows) % TILE, rows[-1])).reshape(-1, TILE).T


def _last(rows: np.ndarray) -> tuple[int, ...]:
    """Place of the last of an array's values."""
    return tuple(size - 1 for size in rows.shape)


def _kind(firsts: np.ndarray, ends: np.ndarray, n: int) -> np.ndarray:
    """Kind of a window: its length, n + 1 more where it lasts; below 0 for an end before the
    start."""
    return (ends + (n + 1) * (ends == n)) - firsts


@lru_cache(maxsize=64)
def _windows(n: int, scan: Scan) -> tuple[np.ndarray, np.ndarray]:
    """First rows and ends of all windows of a short series, (windows,)."""
    first, end = np.arange(scan.edge, n - scan.edge), np.arange(scan.edge + scan.shortest, n + 1)
    end = end[(end <= n - scan.edge) | (end == n)]
    i, j = np.nonzero(
        np.isfinite(_kinds(n, scan).limits.take(_kind(first[:, None], end, n), mode="clip"))
    )
    return first[i], end[j]


@dataclass(frozen=True, slots=True)
class _Kinds:
    """What is known of windows by their kind alone; each (2n + 2,)."""

    between: np.ndarray
    """Rows beyond the first."""
    row_after: np.ndarray
    """1 where a row follows the window, 0 where it lasts."""
    limits: np.ndarray
    """What a length adds to the threshold, infinite for windows that are not looked at."""


@lru_cache(maxsize=64)
def _kinds(n: int, scan: Scan) -> _Kinds:
    length = np.arange(n + 1)
    told = 2 * np.log(scan.year / np.maximum(np.minimum(length, n - length), 1))
    inner = (length >= scan.shortest) & (length <= n // 2)
    lasting = (length >= scan.step) & (length <= n - scan.step)
    limits = [np.where(inner, told, np.inf), np.where(lasting, told - LASTING_BONUS, np.inf)]
    return _Kinds(
        between=np.tile(np.maximum(length - 1.0, 0.0), 2),
        row_after=np.repeat([1.0, 0.0], n + 1),
        limits=np.concatenate(limits),
    )
