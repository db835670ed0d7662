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
from mv.baseline.sides import LEFT, RIGHT, RIGHT_OF_LINE, Hinges, Sorted, freed

_SIGNS = np.array([[1.0], [-1.0], [-1.0]])
"""Of the kinds of hinge, as `freed` takes them."""


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
        least = max(least, 2)
        new = np.flatnonzero(t[1:] > t[:-1]) + 1
        first, after = np.concatenate([[0], new]), np.concatenate([new, [len(t)]])
        low = int(np.searchsorted(after, least))
        high = max(int(np.searchsorted(first, len(t) - least, side="right")), low)
        u = t[first[low:high]]
        self._places = len(u)
        self._rows = Sorted(t, root, root * y[order], root * z.T[:, order], after[low:high])
        self._hinges = Hinges.of(self._rows, u, np.append(np.diff(u), 0.0)[: len(u)])
        self._signs = signs
        self._found: list[Found | None] | None = None

    def heating(self) -> Found | None:
        """3-parameter heating, b (c − T)⁺."""
        return self._one(LEFT)

    def cooling(self) -> Found | None:
        """3-parameter cooling, b (T − c)⁺."""
        return self._one(RIGHT)

    def both_sides(self) -> Found | None:
        """4 parameters, b₁ (c − T)⁺ + b₂ (T − c)⁺."""
        # (c − T)⁺ = (T − c)⁺ − T + c, so that a straight line and one hinge span the form.
        return self._one(RIGHT_OF_LINE)

    def apart(self) -> Found | None:
        """5 parameters, b₁ (c₁ − T)⁺ + b₂ (T − c₂)⁺ with c₁ ≤ c₂."""
        if self._places < 2:
            return None
        found = best_pair(self._hinges, self._signs)
        if found is None:
            return None
        gain, c1, c2 = found
        return Found((c1 + self._centre, c2 + self._centre), max(self._rows.sse - gain, 0.0))

    def _one(self, kind: int) -> Found | None:
        if not self._places:
            return None
        if self._found is None:
            self._found = self._best_of_each()
        return self._found[kind]

    def _best_of_each(self) -> list[Found | None]:
        """The best change point of each kind of hinge, tried at every temperature and freed in
        every gap."""
        hinges, rows = self._hinges, self._rows
        l11 = hinges.l11
        step, slope = freed(_SIGNS, l11, hinges.l21, hinges.l22, hinges.g1, hinges.g2)
        end = hinges.g1**2
        free = end + hinges.g2**2
        inside = (step >= 0) & (step <= hinges.gap)
        if self._signs:
            inside &= self._right_signs(step, slope)
            end = np.where(self._right_signs(np.zeros_like(step), hinges.g1 / l11), end, -np.inf)
        free = np.where(inside, free, -np.inf)
        found: list[Found | None] = []
        best = zip(end.argmax(axis=1).tolist(), free.argmax(axis=1).tolist(), strict=True)
        for kind, (a, b) in enumerate(best):
            if end[kind, a] >= free[kind, b]:
                gain, c = float(end[kind, a]), hinges.u[a]
            else:
                gain, c = float(free[kind, b]), hinges.u[b] + step[kind, b]
            sse = rows.sse_of_line if kind == RIGHT_OF_LINE else rows.sse
            at = (float(c + self._centre),)
            found.append(Found(at, max(sse - gain, 0.0)) if np.isfinite(gain) else None)
        return found

    def _right_signs(self, step: np.ndarray, slope: np.ndarray) -> np.ndarray:
        """Where the slope beyond (and beside a line: also below) the change point is plausible,
        shape (3, m)."""
        ok = slope > 0
        # Coefficient of the straight line, given slope·(T − c)⁺: the last row of the fit on Z.
        beside = slope[RIGHT_OF_LINE]
        away = np.where(np.isfinite(step[RIGHT_OF_LINE]), step[RIGHT_OF_LINE], 0.0)
        hinge, level = self._hinges.line_hinge, self._hinges.line_level
        product, length = self._rows.line_slope
        below = (product - beside * (hinge - away * level)) / length
        ok[RIGHT_OF_LINE] = (below < 0) & (below + beside > 0)
        return ok
