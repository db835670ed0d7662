"""What does a hinge on one side explain, wherever its change point lies?

The linear columns Z are made orthonormal and taken off (Frisch–Waugh); sums over the rows in
order of temperature then give, for every distinct temperature u at once, the hinge beyond u and
the level that frees its change point within the gap above u.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

RANK = 1e-10
"""Share of a column's squared length under which it counts as spanned by the others."""


class Columns:
    """Linear columns made orthonormal, and what they leave of y."""

    def __init__(self, z: np.ndarray, y: np.ndarray) -> None:
        q, r = np.linalg.qr(z)
        size = np.abs(np.diag(r))
        length = np.sqrt(np.einsum("ij,ij->j", z, z))
        keep = size > 1e-9 * np.maximum(length, 1e-300)
        self.q = q[:, keep]
        self.qy = self.q.T @ y
        self.residual = y - self.q @ self.qy
        self.residual -= self.q @ (self.q.T @ self.residual)
        self.sse = float(self.residual @ self.residual)
        self._corner = float(r[-1, -1]) if keep[-1] else np.inf
        self._sums: Sums | None = None

    def sums(self, t: np.ndarray, root: np.ndarray, cut: np.ndarray) -> Sums:
        """Sums over the rows, for either side."""
        if self._sums is None:
            level = np.column_stack([root * root, root[:, None] * self.q, root * self.residual])
            self._sums = Sums.of(level, t[:, None] * level, t * t * level[:, 0], cut)
        return self._sums

    def last(self, projected: np.ndarray) -> np.ndarray:
        """Coefficient of the last column once the columns with these projections on Q, shape
        (m, k), are taken off y."""
        return (self.qy[-1] - projected[:, -1]) / self._corner


@dataclass(slots=True)
class Sums:
    """Sums up to each distinct temperature, and over all rows: of the weight, of the columns Q and
    of the residual; of these times the temperature; of the weight times its square."""

    below: tuple[np.ndarray, ...]
    whole: tuple[np.ndarray, ...]

    @classmethod
    def of(cls, level: np.ndarray, first: np.ndarray, square: np.ndarray, cut: np.ndarray) -> Sums:
        """`cut` counts the rows up to each temperature."""
        sums = [np.cumsum(values, axis=0) for values in (level, first, square)]
        return cls(tuple(s[cut - 1] for s in sums), tuple(s[-1] for s in sums))

    def beyond(self, *, left: bool) -> tuple[np.ndarray, ...]:
        """Over the rows at or below each temperature (left), or above it."""
        if left:
            return self.below
        return tuple(whole - below for whole, below in zip(self.whole, self.below, strict=True))


@dataclass(slots=True)
class Side:
    """One side's hinge at each distinct temperature u, and the level that frees its change
    point: made orthogonal to Z and to each other.

    Column 1 is |T − u| beyond u, column 2 is 1 beyond u; `l` is their Cholesky factor after Z is
    projected out, `b1`, `b2` (m, k) the projections of the orthonormal pair on Z, `g1`, `g2`
    (m,) its products with the residual.
    """

    left: bool
    u: np.ndarray
    gap: np.ndarray
    l11: np.ndarray
    l21: np.ndarray
    l22: np.ndarray
    b_hinge: np.ndarray
    b_level: np.ndarray
    b1: np.ndarray
    b2: np.ndarray
    g1: np.ndarray
    g2: np.ndarray

    @classmethod
    def of(cls, sums: Sums, u: np.ndarray, gap: np.ndarray, *, left: bool) -> Side:
        """Sum over the rows at or below u (left) or above it."""
        s_level, s_first, s_square = sums.beyond(left=left)
        sign = -1.0 if left else 1.0
        hinge = sign * (s_first - u[:, None] * s_level)
        b_level, b_hinge = s_level[:, 1:-1], hinge[:, 1:-1]
        h22 = s_level[:, 0] - np.einsum("ij,ij->i", b_level, b_level)
        hh = s_square - 2 * u * s_first[:, 0] + u * u * s_level[:, 0]
        h11 = hh - np.einsum("ij,ij->i", b_hinge, b_hinge)
        h12 = hinge[:, 0] - np.einsum("ij,ij->i", b_hinge, b_level)
        whole = h11 > RANK * np.maximum(hh, 1e-300)
        l11 = np.sqrt(np.where(whole, h11, np.inf))
        l21 = h12 / l11
        rest = h22 - l21 * l21
        l22 = np.sqrt(np.where(whole & (rest > RANK * s_level[:, 0]), rest, np.inf))
        b1 = b_hinge / l11[:, None]
        b2 = (b_level - l21[:, None] * b1) / l22[:, None]
        g1 = hinge[:, -1] / l11
        g2 = (s_level[:, -1] - l21 * g1) / l22
        return cls(left, u, gap, l11, l21, l22, b_hinge, b_level, b1, b2, g1, g2)

    def back(
        self, w1: np.ndarray, w2: np.ndarray, at: np.ndarray | slice = slice(None)
    ) -> tuple[np.ndarray, np.ndarray]:
        """From coefficients of the orthonormal pair to the change point's distance above u and
        the slope; the distance is infinite where the pair has no second column."""
        l11, l21, l22 = self.l11[at], self.l21[at], self.l22[at]
        level = np.where(np.isfinite(l22), w2 / l22, np.nan)
        slope = (w1 - l21 * level) / l11
        with np.errstate(divide="ignore", invalid="ignore"):
            step = level / slope if self.left else -level / slope
        return np.where(np.isfinite(step), step, np.inf), slope

    def cone(self) -> np.ndarray:
        """The κ for which a change point lies in its gap where w₂ and w₂ + κw₁ differ in sign;
        infinite where it can't be told so."""
        sign = 1.0 if self.left else -1.0
        next_ = self.l11 + sign * self.gap * self.l21
        known = np.isfinite(self.l22) & np.isfinite(self.l11)
        with np.errstate(divide="ignore", invalid="ignore"):
            cone = -sign * self.gap * self.l22 / next_
        return np.where(known, np.where(next_ > 0, cone, np.inf), 0.0)

    def inside(
        self, w1: np.ndarray, w2: np.ndarray, at: np.ndarray, signs: bool
    ) -> tuple[np.ndarray, np.ndarray]:
        """Distance above u as `back` gives it, and whether it lies within the gap and, where
        signs count, has a slope above zero."""
        step, slope = self.back(w1, w2, at)
        ok = (step >= 0) & (step <= self.gap[at])
        return step, ok & (slope > 0) if signs else ok
