"""What does a hinge on one side explain, wherever its change point lies?

The linear columns Z, and a straight line after them, are made orthonormal and taken off
(Frisch–Waugh); sums over the rows in order of temperature then give, for every distinct temperature
u at once, the hinge beyond u and the level that frees its change point within the gap above u.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

RANK = 1e-10
"""Share of a column's squared length under which it counts as spanned by the others."""
_SPANNED = 1e-9
"""Share of a column's length that must be left once those before it are taken off."""
LEFT, RIGHT, RIGHT_OF_LINE = range(3)
"""The hinges that are summed: (u − T)⁺; (T − u)⁺; (T − u)⁺ beside a straight line."""


class Sorted:
    """Rows in order of temperature, scaled by the roots of their weights: the linear columns Z and
    a straight line made orthonormal, what Z leaves of y, and sums up to each distinct temperature.

    Parameters
    ----------
    t : temperature, in order, shape (n,).
    root : of the weights, shape (n,).
    y : scaled, shape (n,).
    z : scaled linear columns, shape (k, n).
    cut : rows up to each of the temperatures that are tried, shape (m,).
    """

    def __init__(
        self, t: np.ndarray, root: np.ndarray, y: np.ndarray, z: np.ndarray, cut: np.ndarray
    ) -> None:
        columns = np.concatenate([z, (root * t)[None]])
        q, r = np.linalg.qr(columns.T)
        length = np.sqrt(np.vecdot(columns, columns))
        keep = np.abs(r.diagonal()) > _SPANNED * np.maximum(length, 1e-300)
        q = q.T * keep[:, None]
        self.q = q[:-1]
        """Orthonormal columns of Z, shape (k, n); zero where one depends on those before it."""
        rest = y - (self.q @ y) @ self.q
        self.residual = rest - (self.q @ rest) @ self.q
        """What Z leaves of y, shape (n,)."""
        self.sse = float(self.residual @ self.residual)
        line = q[-1]
        self.on_line = float(line @ self.residual)
        """Product of the residual with the line, Z taken off it."""
        rest = self.residual - self.on_line * line
        self.sse_of_line = float(rest @ rest)
        """Sum of squares that Z and the line leave."""
        self.line_slope = float(line @ y), float(r[-1, -1]) if keep[-1] else np.inf
        """Product of y with the line, and the line's own length, once Z is taken off it."""
        self.cut = cut
        level = np.empty((len(q) + 2, len(t)))
        level[0], level[1:-2], level[-2], level[-1] = line, self.q, self.residual, root
        level *= root
        sums = np.cumsum(np.concatenate([level, t * level, t * t * level[-1:]]), axis=1)
        below = sums.take(cut - 1, axis=1)
        self.beyond = np.array([below, sums[:, -1:] - below])
        """Sums over the rows up to each temperature, and over those above it, shape
        (2, 2(k + 3) + 1, m): of the line, of Q's columns, of the residual and of the weight; of
        these times the temperature; of the weight times its square."""


@dataclass(slots=True)
class Hinges:
    """For each kind of hinge and each distinct temperature u the hinge, and the level that frees
    its change point, made orthogonal to Z and to each other; shape (3, m) if nothing else is said.

    Column 1 is the hinge, column 2 is 1 beyond u; `l` is their Cholesky factor after Z is projected
    out, `b_hinge`, `b_level` (2, k, m) their projections on Z, `line_hinge`, `line_level` (m,) the
    right one's on the line, `g1`, `g2` the products of the orthonormal pair with the residual.
    """

    u: np.ndarray
    """Temperatures, shape (m,)."""
    gap: np.ndarray
    """Kelvin to the next one, shape (m,)."""
    l11: np.ndarray
    l21: np.ndarray
    l22: np.ndarray
    b_hinge: np.ndarray
    b_level: np.ndarray
    line_hinge: np.ndarray
    line_level: np.ndarray
    g1: np.ndarray
    g2: np.ndarray

    @classmethod
    def of(cls, rows: Sorted, u: np.ndarray, gap: np.ndarray) -> Hinges:
        """The hinges at the temperatures of the rows' `cut`."""
        sums = rows.beyond
        half = sums.shape[1] // 2
        level, first, square = sums[:, :half], sums[:, half:-1], sums[:, -1]
        hinge = first - u * level
        hinge[LEFT] *= -1
        b_level, r_level, weight = level[:, 1:-2], level[:, -2], level[:, -1]
        b_hinge, r_hinge, across = hinge[:, 1:-2], hinge[:, -2], hinge[:, -1]
        line_level, line_hinge = level[RIGHT, 0], hinge[RIGHT, 0]

        def three(both: np.ndarray, by_line: np.ndarray | float) -> np.ndarray:
            """With the line beside the right hinge, which takes `by_line` off."""
            return np.concatenate([both, both[RIGHT:] - by_line])

        h22 = three(weight - (b_level * b_level).sum(axis=1), line_level * line_level)
        length = square - u * (2 * first[:, -1] - u * weight)
        h11 = three(length - (b_hinge * b_hinge).sum(axis=1), line_hinge * line_hinge)
        h12 = three(across - (b_hinge * b_level).sum(axis=1), line_hinge * line_level)
        whole = h11 > RANK * np.maximum(three(length, 0.0), 1e-300)
        l11 = np.sqrt(np.where(whole, h11, np.inf))
        l21 = h12 / l11
        rest = h22 - l21 * l21
        l22 = np.sqrt(np.where(whole & (rest > RANK * three(weight, 0.0)), rest, np.inf))
        g1 = three(r_hinge, rows.on_line * line_hinge) / l11
        g2 = (three(r_level, rows.on_line * line_level) - l21 * g1) / l22
        return cls(u, gap, l11, l21, l22, b_hinge, b_level, line_hinge, line_level, g1, g2)

    def side(self, kind: int) -> Side:
        """One kind of hinge, the line not beside it."""
        l11, l21, l22 = self.l11[kind], self.l21[kind], self.l22[kind]
        b1 = self.b_hinge[kind] / l11
        b2 = (self.b_level[kind] - l21 * b1) / l22
        own = np.array([self.u, self.gap, l11, l21, l22, self.g1[kind], self.g2[kind]])
        return Side(1.0 if kind == LEFT else -1.0, np.concatenate([own, b1, b2]))


class Side:
    """The hinges of one side at some places.

    `sign` is 1 for the left side and −1 for the right one; `own` the rows `u`, `gap`, `l11`, `l21`,
    `l22`, `g1`, `g2` of `Hinges`, shape (7, places), `u` and the pair `g` among them, shapes
    (places,) and (2, places); `b` the projections of the orthonormal pair on Z, shape
    (2, k, places).
    """

    __slots__ = ("_table", "b", "g", "own", "sign", "u")

    def __init__(self, sign: float, table: np.ndarray) -> None:
        self.sign, self._table = sign, table
        self.own = table[:7]
        self.u, self.g = table[0], table[5:7]
        self.b = table[7:].reshape(2, (len(table) - 7) // 2, table.shape[1])

    def at(self, places: np.ndarray) -> Side:
        """The same at some of the places, as often as they are named."""
        return Side(self.sign, self._table.take(places, axis=1))


def inside(
    sign: np.ndarray | float, own: np.ndarray, w: np.ndarray, signs: bool
) -> tuple[np.ndarray, np.ndarray]:
    """For coefficients `w` of orthonormal pairs, the two first, the change point and whether it
    lies within its gap and, where signs count, has a slope above zero.  `sign` and `own` as `Side`
    has them, or several of them, the rows of `own` still first."""
    u, gap, l11, l21, l22, _, _ = own
    step, slope = freed(sign, l11, l21, l22, w[0], w[1])
    ok = (step >= 0) & (step <= gap)
    return u + step, ok & (slope > 0) if signs else ok


def freed(
    sign: np.ndarray | float,
    l11: np.ndarray,
    l21: np.ndarray,
    l22: np.ndarray,
    w1: np.ndarray,
    w2: np.ndarray,
) -> tuple[np.ndarray, np.ndarray]:
    """From coefficients of an orthonormal pair to the change point's distance above u and the
    slope.  `sign` is 1 for a hinge on the left and −1 on the right; without a second column the
    distance is 0, without a slope it is not finite."""
    with np.errstate(divide="ignore", invalid="ignore"):
        level = w2 / l22
        slope = (w1 - l21 * level) / l11
        return sign * level / slope, slope
