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

import math

import numpy as np

PAIR_STEP = 0.5
"""Kelvin between the pairs of bases that are tried first."""
PAIR_STARTS = 3
"""Best pairs of the grid from which both bases are moved."""
DAYS_BEYOND = 0.05
"""Share of all days that must lie beyond a base on either side (common practice, no source)."""
_TURNS_MOST = 25
_RANK = 1e-10

Moved = tuple[float, tuple[float, float]] | None
"""What a pair of bases explains beside the level terms, and the pair; None where there is none."""


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
        self._q, _ = np.linalg.qr(root[:, None] * z)
        target = root * y
        self._y = target - self._q @ (self._q.T @ target)
        self._known: dict[str, tuple[np.ndarray, ...]] = {}
        self._answers: dict[tuple[str, float, bool], tuple[float, float] | None] = {}
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
        self._at = {
            "heating": (weight * (self.u * below - cold), weight * below),
            "cooling": (weight * (warm - self.u * above), -weight * above),
        }

    def one(self, side: str, signs: bool) -> tuple[float] | None:
        """Best base of one side."""
        found = self._best(side, signs)
        return None if found is None else (found[1],)

    def _best(
        self, side: str, signs: bool, beside: np.ndarray | None = None
    ) -> tuple[float, float] | None:
        """What the best base of one side explains, and the base; `beside` is the other side's
        column, the level terms taken off, shape (n,), of which what it explains is left out."""
        degree, turn, h11, h12, h22, g1, g2 = self._sums(side)
        if beside is not None:
            rest = beside / math.sqrt(beside @ beside)
            d, t, y = rest @ degree, rest @ turn, float(rest @ self._y)
            h11, h12, h22 = h11 - d * d, h12 - d * t, h22 - t * t
            g1, g2 = g1 - d * y, g2 - t * y
        det = h11 * h22 - h12 * h12
        with np.errstate(divide="ignore", invalid="ignore"):
            slope, level = (h22 * g1 - h12 * g2) / det, (h11 * g2 - h12 * g1) / det
            step = level / slope
            inside = (det > _RANK * h11 * h22) & (step >= 0) & (step <= self.gap)
            whole = h11 > _RANK * max(float(h11.max()), 1e-300)
            if signs:
                inside &= slope > 0
                whole &= g1 > 0
            free = np.where(inside, g1 * slope + g2 * level, -np.inf)
            end = np.where(whole, g1 * g1 / h11, -np.inf)
        a, b = int(end.argmax()), int(free.argmax())
        gain = float(max(end[a], free[b]))
        if not math.isfinite(gain):
            return None
        return gain, float(self.u[a] if end[a] >= free[b] else self.u[b] + step[b])

    def _sums(self, side: str) -> tuple[np.ndarray, ...]:
        """The columns of every base with the level terms taken off, and their products."""
        if side not in self._known:
            degree, turn = (c - self._q @ (self._q.T @ c) for c in self._at[side])
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
            for option in (
                self._together(pair, signs),
                self._beside(pair, "heating", signs),
                self._beside(pair, "cooling", signs),
            ):
                if option is not None and option[0] > explained and option[1] != pair:
                    explained, pair = option
            if explained <= before * (1 + 1e-14):
                break
        return pair

    def _together(self, pair: tuple[float, float], signs: bool) -> Moved:
        """Both bases at the optimum of the columns of their gaps, if that lies in order."""
        places = [self._place(c) for c in pair]
        columns = [
            of_side[:, at]
            for at, side in zip(places, self._at, strict=True)
            for of_side in self._sums(side)[:2]
        ]
        b = np.linalg.lstsq(np.column_stack(columns), self._y, rcond=None)[0].tolist()
        if b[0] == 0 or b[2] == 0 or (signs and min(b[0], b[2]) < 0):
            return None
        low, high = float(self.u[0]), float(self.u[-1])
        c1, c2 = (
            min(max(float(self.u[at]) + turn / slope, low), high)
            for at, slope, turn in zip(places, b[::2], b[1::2], strict=True)
        )
        return (self._explained((c1, c2)), (c1, c2)) if c1 <= c2 else None

    def _beside(self, pair: tuple[float, float], side: str, signs: bool) -> Moved:
        """One base at its global optimum beside the other."""
        heating = side == "heating"
        other, base = ("cooling", pair[1]) if heating else ("heating", pair[0])
        asked = side, base, signs
        if asked not in self._answers:
            column = self._column(other, base)
            square, product = float(column @ column), float(column @ self._y)
            usual = float(self._sums(other)[2].max())
            told = square > _RANK**2 * usual  # or else the level terms span the column
            found = self._best(side, signs, column if told else None)
            alone = product * product / square if told else 0.0
            self._answers[asked] = None if found is None else (alone + found[0], found[1])
        answer = self._answers[asked]
        if answer is None:
            return None
        explained, c = answer
        moved = (c, base) if heating else (base, c)
        return (explained, moved) if moved[0] <= moved[1] else None

    def _place(self, base: float) -> int:
        """Gap that a base lies in."""
        return min(max(int(self.u.searchsorted(base, side="right")) - 1, 0), len(self.u) - 1)

    def _column(self, side: str, base: float) -> np.ndarray:
        """Weighted degree days per day at any base of the range, the level terms taken off, shape
        (n,)."""
        at = self._place(base)
        degree, turn, *_ = self._sums(side)
        return degree[:, at] + (base - float(self.u[at])) * turn[:, at]

    def _explained(self, pair: tuple[float, float]) -> float:
        """Sum of squares that both columns explain beside the level terms."""
        a, b = self._column("heating", pair[0]), self._column("cooling", pair[1])
        aa, bb, ab = float(a @ a), float(b @ b), float(a @ b)
        ay, by = float(a @ self._y), float(b @ self._y)
        det = aa * bb - ab * ab
        if det <= _RANK * aa * bb:  # one of them says all that both do
            return max((y * y / s for y, s in ((ay, aa), (by, bb)) if s > 0), default=0.0)
        return (bb * ay * ay - 2 * ab * ay * by + aa * by * by) / det


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
