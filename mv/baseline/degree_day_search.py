"""At which bases do degree days explain bills best?

Between two neighbouring daily temperatures the degree days of every bill are linear in the base
c: HDD(c) = HDD(u) + (c − u)·share of days below, and CDD likewise.  Fitting both columns freely
gives the best base of each gap exactly if it lies in the gap; otherwise the best is one of its
ends, which are daily temperatures.  All gaps are tried at once, so that one base is a global
optimum (the argument of `search.py`).  Two bases are tried on a grid; from the best few both are
moved together within their gaps, and each to its global optimum beside the other, until nothing
moves.

A base lies between the 5 % and the 95 % quantile of the days' temperatures.
"""

from __future__ import annotations

import numpy as np

PAIR_STEP = 0.5
"""Kelvin between the pairs of bases that are tried first."""
PAIR_STARTS = 3
"""Best pairs of the grid from which both bases are moved."""
DAYS_BEYOND = 0.05
"""Share of all days that must lie beyond a base on either side (common practice, no source)."""
_TURNS_MOST = 25
_RANK = 1e-10


class DegreeDaySearch:
    """Degree days of every bill at every daily temperature, and what they explain.

    Parameters
    ----------
    y : energy per day of each bill, shape (n,).
    z : linear columns, the level among them, shape (n, k).
    weights : of mean one, shape (n,).
    flat, count : daily temperatures of all bills one after another, and their number per bill.
    """

    def __init__(
        self,
        y: np.ndarray,
        z: np.ndarray,
        weights: np.ndarray,
        flat: np.ndarray,
        count: np.ndarray,
    ) -> None:
        root = np.sqrt(weights)
        self.z = z
        """The linear columns in the order of the rows."""
        self._z = root[:, None] * z
        self.target = root * y
        self._q, _ = np.linalg.qr(self._z)
        self._y = self.target - self._q @ (self._q.T @ self.target)
        self._known: dict[str, tuple[np.ndarray, ...]] = {}
        low, high = np.quantile(flat, [DAYS_BEYOND, 1 - DAYS_BEYOND])
        u, rank = np.unique(flat, return_inverse=True)
        n, m = len(count), len(u)
        place = np.repeat(np.arange(n), count) * m + rank
        days = np.cumsum(np.bincount(place, minlength=n * m).reshape(n, m), axis=1)
        sums = np.cumsum(np.bincount(place, flat, minlength=n * m).reshape(n, m), axis=1)
        keep = (u >= low) & (u <= high)
        self.u = u[keep]
        self.gap = np.append(np.diff(self.u), 0.0)
        weight = (root / count)[:, None]
        below, above = days[:, keep], count[:, None] - days[:, keep]
        cold, warm = sums[:, keep], sums[:, -1:] - sums[:, keep]
        # Degree days per day at base u, and their derivative by the base in the gap above it.
        self.at = {
            "heating": (weight * (self.u * below - cold), weight * below),
            "cooling": (weight * (warm - self.u * above), -weight * above),
        }

    def one(self, side: str, signs: bool, beside: np.ndarray | None = None) -> tuple[float] | None:
        """Best base of one side; `beside` is the other side's column, shape (n,)."""
        degree, turn, h11, h12, h22, g1, g2 = self._sums(side)
        if beside is not None:
            rest = beside - self._q @ (self._q.T @ beside)
            length = float(np.sqrt(rest @ rest))
            if length > _RANK * float(np.sqrt(beside @ beside)):
                rest = rest / length
                d, t, y = rest @ degree, rest @ turn, float(rest @ self._y)
                h11, h12, h22 = h11 - d * d, h12 - d * t, h22 - t * t
                g1, g2 = g1 - d * y, g2 - t * y
        det = h11 * h22 - h12 * h12
        with np.errstate(divide="ignore", invalid="ignore"):
            slope, level = (h22 * g1 - h12 * g2) / det, (h11 * g2 - h12 * g1) / det
            step = level / slope
            inside = (det > _RANK * h11 * h22) & (step >= 0) & (step <= self.gap)
            inside &= (slope > 0) | (not signs)
            free = np.where(inside, g1 * slope + g2 * level, -np.inf)
            whole = (h11 > _RANK * max(float(h11.max()), 1e-300)) & ((g1 > 0) | (not signs))
            end = np.where(whole, g1 * g1 / h11, -np.inf)
        a, b = int(np.argmax(end)), int(np.argmax(free))
        if not np.isfinite(max(end[a], free[b])):
            return None
        return (float(self.u[a] if end[a] >= free[b] else self.u[b] + step[b]),)

    def _sums(self, side: str) -> tuple[np.ndarray, ...]:
        """The columns of every base with the level terms taken off, and their products."""
        if side not in self._known:
            degree, turn = (c - self._q @ (self._q.T @ c) for c in self.at[side])
            self._known[side] = (
                degree,
                turn,
                np.einsum("ij,ij->j", degree, degree),
                np.einsum("ij,ij->j", degree, turn),
                np.einsum("ij,ij->j", turn, turn),
                degree.T @ self._y,
                turn.T @ self._y,
            )
        return self._known[side]

    def two(self, signs: bool) -> tuple[float, float] | None:
        """Best pair of bases, heating not above cooling."""
        marks = np.arange(self.u[0], self.u[-1] + PAIR_STEP, PAIR_STEP)
        grid = np.unique(np.searchsorted(self.u, marks).clip(0, len(self.u) - 1))
        heat, cool = (self._sums(side)[0][:, grid] for side in ("heating", "cooling"))
        gain = _pair_gain(heat, cool, self._y, signs)
        gain[np.tril_indices(len(grid), -1)] = -np.inf
        best: tuple[float, tuple[float, float]] | None = None
        for start in np.argsort(gain, axis=None)[::-1][:PAIR_STARTS]:
            i, j = np.unravel_index(start, gain.shape)
            if np.isfinite(gain[i, j]):
                pair = self._move(float(self.u[grid[i]]), float(self.u[grid[j]]), signs)
                explained = self._explained(pair)
                if best is None or explained > best[0]:
                    best = explained, pair
        return None if best is None else best[1]

    def _move(self, c1: float, c2: float, signs: bool) -> tuple[float, float]:
        """Move both bases together within their gaps as long as that helps, then each to its
        global optimum beside the other; until nothing moves."""
        pair = (c1, c2)
        explained = self._explained(pair)
        for _ in range(_TURNS_MOST):
            before = explained
            options = [self._together(pair, signs)]
            options += [self._beside(pair, side, signs) for side in ("heating", "cooling")]
            for option in options:
                if option is None or option == pair:
                    continue
                reached = self._explained(option)
                if reached > explained:
                    pair, explained = option, reached
            if explained <= before * (1 + 1e-14):
                break
        return pair

    def _together(self, pair: tuple[float, float], signs: bool) -> tuple[float, float] | None:
        """Both bases at the optimum of the columns of their gaps, if that lies in order."""
        places = [self._place(c) for c in pair]
        columns = [d[:, a] for a, s in zip(places, self.at, strict=True) for d in self.at[s]]
        b = np.linalg.lstsq(np.column_stack([self._z, *columns]), self.target, rcond=None)[0][-4:]
        if b[0] == 0 or b[2] == 0 or (signs and min(b[0], b[2]) < 0):
            return None
        c1, c2 = self.u[places[0]] + b[1] / b[0], self.u[places[1]] + b[3] / b[2]
        c1, c2 = (float(np.clip(c, self.u[0], self.u[-1])) for c in (c1, c2))
        return (c1, c2) if c1 <= c2 else None

    def _beside(
        self, pair: tuple[float, float], side: str, signs: bool
    ) -> tuple[float, float] | None:
        """One base at its global optimum beside the other."""
        heating = side == "heating"
        other = self.column("cooling", pair[1]) if heating else self.column("heating", pair[0])
        found = self.one(side, signs, other)
        if found is None:
            return None
        c1, c2 = (found[0], pair[1]) if heating else (pair[0], found[0])
        return (c1, c2) if c1 <= c2 else None

    def _place(self, base: float) -> int:
        """Gap that a base lies in."""
        return min(max(int(np.searchsorted(self.u, base, side="right")) - 1, 0), len(self.u) - 1)

    def column(self, side: str, base: float) -> np.ndarray:
        """Weighted degree days per day at any base of the range, shape (n,)."""
        at = self._place(base)
        degree, turn = self.at[side]
        return degree[:, at] + (base - self.u[at]) * turn[:, at]

    def _explained(self, pair: tuple[float, float]) -> float:
        """Sum of squares that level terms and both columns explain."""
        x = [self.column("heating", pair[0]), self.column("cooling", pair[1])]
        q, _ = np.linalg.qr(np.column_stack([self._z, *x]))
        return float(np.sum((q.T @ self.target) ** 2))


def _pair_gain(heat: np.ndarray, cool: np.ndarray, y: np.ndarray, signs: bool) -> np.ndarray:
    """Sum of squares explained by each pair of columns, shape (heat, cool)."""
    hh, cc = np.einsum("ij,ij->j", heat, heat)[:, None], np.einsum("ij,ij->j", cool, cool)[None, :]
    hc = heat.T @ cool
    hy, cy = (heat.T @ y)[:, None], (cool.T @ y)[None, :]
    det = hh * cc - hc * hc
    b1, b2 = cc * hy - hc * cy, hh * cy - hc * hy
    ok = det > 1e-9 * hh * cc
    if signs:
        ok &= (b1 > 0) & (b2 > 0)
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.where(ok, (hy * b1 + cy * b2) / det, -np.inf)
