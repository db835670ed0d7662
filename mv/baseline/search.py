"""Where are the change points that fit best of all?

A model y = Zβ + Σ b·hinge(T) is linear but for its change points c.  Between two neighbouring
temperatures the hinge (T − c)⁺ spans the two columns 1{T > c}·T and 1{T > c}; fitting both freely
gives the best c of that gap exactly, c = −a/b, if it lies in the gap; otherwise the best c of the
gap is one of its ends, which are temperatures of the data.  The best over all gaps is the global
optimum (Hudson, J. Am. Stat. Assoc. 61, 1966, 1097–1129).  All gaps are tried at once: sums over
the sorted temperatures give every gap's normal equations, and the linear columns Z (level, day
types, drivers, a slope) are projected out first (Frisch–Waugh).  With two change points the
hinges do not overlap, so that every pair of gaps follows from sums over each side alone.

A change point lies between the `least`-th lowest and the `least`-th highest temperature, and two
change points have a temperature of the data between them (or on them).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from mv.baseline.pair_search import best_pair
from mv.baseline.sides import Columns, Side


@dataclass(frozen=True, slots=True)
class Found:
    """The best change points of one form and the weighted sum of squares they leave."""

    change_points: tuple[float, ...]
    sse: float


class ChangePointSearch:
    """The rows of one fit, sorted and summed once, asked for one form after another.

    Parameters
    ----------
    temperature, y : shape (n,), degC and energy.
    z : linear columns, the level among them, shape (n, k).
    weights : shape (n,) or None.
    least : rows that must lie at or beyond a change point on either side.
    signs : whether only slopes that a building can have count: use that does not fall as it
        gets colder below a heating, or warmer above a cooling change point.  Where the best of
        these has a slope that vanishes, the form with one slope less is as good and is left to
        speak for itself.
    """

    def __init__(
        self,
        temperature: np.ndarray,
        y: np.ndarray,
        z: np.ndarray,
        weights: np.ndarray | None = None,
        *,
        least: int = 2,
        signs: bool = False,
    ) -> None:
        self.z = z
        """The linear columns in the order of the rows."""
        order = np.argsort(temperature, kind="stable")
        t = temperature[order]
        self._centre = float(t[len(t) // 2])
        t = t - self._centre
        root = np.ones(len(t)) if weights is None else np.sqrt(weights[order])
        self._t, self._root = t, root
        self._y, self._z = root * y[order], root[:, None] * z[order]
        self._least, self._signs = max(least, 2), signs
        new = np.flatnonzero(t[1:] > t[:-1]) + 1
        self._first = np.concatenate([[0], new])
        """Place of the first row of each distinct temperature."""
        self._u = t[self._first]
        after = np.concatenate([new, [len(t)]])
        low = int(np.searchsorted(after, self._least))
        high = int(np.searchsorted(self._first, len(t) - self._least, side="right")) - 1
        self._range = (low, high)
        self._cut = after
        self._columns = Columns(self._z, self._y)
        self._sides: dict[bool, Side] = {}

    def heating(self) -> Found | None:
        """3-parameter heating, b (c − T)⁺."""
        return self._one(self._columns, self._own_side(left=True))

    def cooling(self) -> Found | None:
        """3-parameter cooling, b (T − c)⁺."""
        return self._one(self._columns, self._own_side(left=False))

    def both_sides(self) -> Found | None:
        """4 parameters, b₁ (c − T)⁺ + b₂ (T − c)⁺."""
        # (c − T)⁺ = (T − c)⁺ − T + c, so that a straight line and one hinge span the form.
        columns = Columns(np.column_stack([self._z, self._root * self._t]), self._y)
        return self._one(columns, self._side(columns, left=False), line=True)

    def apart(self) -> Found | None:
        """5 parameters, b₁ (c₁ − T)⁺ + b₂ (T − c₂)⁺ with c₁ ≤ c₂."""
        low, high = self._range
        if high <= low:
            return None
        found = best_pair(self._own_side(left=True), self._own_side(left=False), self._signs)
        if found is None:
            return None
        gain, c1, c2 = found
        return Found((c1 + self._centre, c2 + self._centre), max(self._columns.sse - gain, 0.0))

    def _own_side(self, *, left: bool) -> Side:
        if left not in self._sides:
            self._sides[left] = self._side(self._columns, left=left)
        return self._sides[left]

    def _side(self, columns: Columns, *, left: bool) -> Side:
        low, high = self._range
        at = np.arange(low, high + 1)
        u = self._u
        gap = np.append(np.diff(u), 0.0)[at]
        gap[-1:] = 0.0
        return Side.of(columns.sums(self._t, self._root, self._cut[at]), u[at], gap, left=left)

    def _one(self, columns: Columns, side: Side, *, line: bool = False) -> Found | None:
        if not len(side.u):
            return None
        end, free = side.g1**2, side.g1**2 + side.g2**2
        step, slope = side.back(side.g1, side.g2)
        inside = (step >= 0) & (step <= side.gap)
        end_slope = side.g1 / side.l11
        if self._signs:
            inside &= self._right_signs(columns, side, step, slope, line)
            zero = np.zeros_like(step)
            end = np.where(self._right_signs(columns, side, zero, end_slope, line), end, -np.inf)
        free = np.where(inside, free, -np.inf)
        a, b = int(np.argmax(end)), int(np.argmax(free))
        gain, c = (end[a], side.u[a]) if end[a] >= free[b] else (free[b], side.u[b] + step[b])
        if not np.isfinite(gain):
            return None
        return Found((float(c + self._centre),), max(float(columns.sse - gain), 0.0))

    def _right_signs(
        self, columns: Columns, side: Side, step: np.ndarray, slope: np.ndarray, line: bool
    ) -> np.ndarray:
        """Where the slope beyond (and for a line: also below) the change point is plausible."""
        if not line:
            return slope > 0
        # Coefficient of the straight line, given slope·(T − c)⁺: the last row of the fit on Z.
        step = np.where(np.isfinite(step), step, 0.0)
        hinge = side.b_hinge - step[:, None] * side.b_level
        below = columns.last(slope[:, None] * hinge)
        return (below < 0) & (below + slope > 0)
