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

_RANK = 1e-10
"""Share of a column's squared length under which it counts as spanned by the others."""
_DEPENDENT = 1e-8
"""Determinant of two orthonormal pairs of columns under which they count as dependent."""
_CHUNK = 12_000
"""Pairs of gaps that are looked at in one go: few enough to stay in the processor's cache."""


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
        self._columns = _Columns(self._z, self._y)
        self._sides: dict[bool, _Side] = {}

    def heating(self) -> Found | None:
        """3-parameter heating, b (c − T)⁺."""
        return self._one(self._columns, self._own_side(left=True))

    def cooling(self) -> Found | None:
        """3-parameter cooling, b (T − c)⁺."""
        return self._one(self._columns, self._own_side(left=False))

    def both_sides(self) -> Found | None:
        """4 parameters, b₁ (c − T)⁺ + b₂ (T − c)⁺."""
        # (c − T)⁺ = (T − c)⁺ − T + c, so that a straight line and one hinge span the form.
        columns = _Columns(np.column_stack([self._z, self._root * self._t]), self._y)
        return self._one(columns, self._side(columns, left=False), line=True)

    def apart(self) -> Found | None:
        """5 parameters, b₁ (c₁ − T)⁺ + b₂ (T − c₂)⁺ with c₁ ≤ c₂."""
        low, high = self._range
        if high <= low:
            return None
        found = _best_pair(self._own_side(left=True), self._own_side(left=False), self._signs)
        if found is None:
            return None
        gain, c1, c2 = found
        return Found((c1 + self._centre, c2 + self._centre), max(self._columns.sse - gain, 0.0))

    def _own_side(self, *, left: bool) -> _Side:
        if left not in self._sides:
            self._sides[left] = self._side(self._columns, left=left)
        return self._sides[left]

    def _side(self, columns: _Columns, *, left: bool) -> _Side:
        low, high = self._range
        at = np.arange(low, high + 1)
        u = self._u
        gap = np.append(np.diff(u), 0.0)[at]
        gap[-1:] = 0.0
        return _Side.of(self._t, self._root, columns, self._cut[at], u[at], gap, left=left)

    def _one(self, columns: _Columns, side: _Side, *, line: bool = False) -> Found | None:
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
        self, columns: _Columns, side: _Side, step: np.ndarray, slope: np.ndarray, line: bool
    ) -> np.ndarray:
        """Where the slope beyond (and for a line: also below) the change point is plausible."""
        if not line:
            return slope > 0
        # Coefficient of the straight line, given slope·(T − c)⁺: the last row of the fit on Z.
        step = np.where(np.isfinite(step), step, 0.0)
        hinge = side.b_hinge - step[:, None] * side.b_level
        below = columns.last(slope[:, None] * hinge)
        return (below < 0) & (below + slope > 0)


class _Columns:
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

    def last(self, projected: np.ndarray) -> np.ndarray:
        """Coefficient of the last column once the columns with these projections on Q, shape
        (m, k), are taken off y."""
        return (self.qy[-1] - projected[:, -1]) / self._corner


@dataclass(slots=True)
class _Side:
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
    def of(
        cls,
        t: np.ndarray,
        root: np.ndarray,
        columns: _Columns,
        cut: np.ndarray,
        u: np.ndarray,
        gap: np.ndarray,
        *,
        left: bool,
    ) -> _Side:
        """Sum over the rows at or below u (left) or above it; `cut` counts the rows up to u."""
        level = np.column_stack([root * root, root[:, None] * columns.q, root * columns.residual])
        first = t[:, None] * level
        square = t * t * level[:, 0]

        def beyond(values: np.ndarray) -> np.ndarray:
            sums = np.cumsum(values, axis=0)
            return sums[cut - 1] if left else sums[-1] - sums[cut - 1]

        s_level, s_first, s_square = beyond(level), beyond(first), beyond(square)
        sign = -1.0 if left else 1.0
        hinge = sign * (s_first - u[:, None] * s_level)
        b_level, b_hinge = s_level[:, 1:-1], hinge[:, 1:-1]
        h22 = s_level[:, 0] - np.einsum("ij,ij->i", b_level, b_level)
        hh = s_square - 2 * u * s_first[:, 0] + u * u * s_level[:, 0]
        h11 = hh - np.einsum("ij,ij->i", b_hinge, b_hinge)
        h12 = hinge[:, 0] - np.einsum("ij,ij->i", b_hinge, b_level)
        whole = h11 > _RANK * np.maximum(hh, 1e-300)
        l11 = np.sqrt(np.where(whole, h11, np.inf))
        l21 = h12 / l11
        rest = h22 - l21 * l21
        l22 = np.sqrt(np.where(whole & (rest > _RANK * s_level[:, 0]), rest, np.inf))
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


def _best_pair(left: _Side, right: _Side, signs: bool) -> tuple[float, float, float] | None:
    """Gain and change points of the best pair, c₁ at place i and c₂ at place j ≥ i.

    With both pairs of columns orthonormal, C = −B_L·B_R' their products across (the hinges do not
    overlap), e = g_R − C'g_L and M = I − C'C, the pair of gaps explains |g_L|² + e'M⁻¹e.  All of
    e and M are products of something of i with something of j.
    """
    m = len(left.u)
    b1, b2 = right.b1, right.b2
    one = np.ones((m, 1))
    corner_i = np.hstack([left.g1[:, None] * left.b1, one])
    free_i = np.hstack([left.g1[:, None] * left.b1 + left.g2[:, None] * left.b2, one])
    squares_i = np.hstack([one, _doubled(left.b1) + _doubled(left.b2)])
    corner_j = np.column_stack([b1, right.g1]).T
    free_j = np.column_stack([b2, right.g2]).T
    m11_j, m22_j = (np.hstack([one, -_products(b, b)]).T for b in (b1, b2))
    m12_j = -2.0 * _products(b1, b2).T
    own1, own = left.g1**2, left.g1**2 + left.g2**2

    best = (-np.inf, np.nan, np.nan)
    worth: list[tuple[np.ndarray, np.ndarray, np.ndarray]] = []
    start = 0
    while start < m:
        end = min(m, start + max(1, _CHUNK // (m - start)))
        i, j = slice(start, end), slice(start, m)
        tip = np.arange(end - start)
        below = tip[:, None] > tip[None, :]

        # Both change points at temperatures of the data.
        c11 = left.b1[i] @ b1[j].T
        d = corner_i[i] @ corner_j[:, j]
        gain = d * d
        gain /= np.maximum(1.0 - c11 * c11, _RANK)
        gain += own1[i, None]
        gain[:, : end - start][below] = -np.inf
        a, b = divmod(int(np.argmax(gain)), m - start)
        if signs and gain[a, b] > best[0]:
            gain[~((d > 0) & (left.g1[i, None] + c11 * right.g1[None, j] > 0))] = -np.inf
            a, b = divmod(int(np.argmax(gain)), m - start)
        if gain[a, b] > best[0]:
            best = (float(gain[a, b]), float(left.u[start + a]), float(right.u[start + b]))

        # No pair of gaps can do better than with both pieces free: only those that could are
        # looked into.  Where the four columns all but depend on one another the bound is not to
        # be trusted, and the pair is looked into as well.
        e1, e2 = free_i[i] @ corner_j[:, j], free_i[i] @ free_j[:, j]
        m11, m22 = squares_i[i] @ m11_j[:, j], squares_i[i] @ m22_j[:, j]
        twice = squares_i[i, 1:] @ m12_j[:, j]
        free = m22 * e1
        free -= twice * e2
        free *= e1
        e2 *= e2
        e2 *= m11
        free += e2
        m11 *= m22
        twice *= twice
        twice *= 0.25
        m11 -= twice
        unsure = m11 < _DEPENDENT
        m11[unsure] = _DEPENDENT
        free /= m11
        free[unsure] = np.inf
        free[:, : end - start][below] = -np.inf
        a, b = np.divmod(np.flatnonzero(free > (best[0] - own[i])[:, None]), m - start)
        if len(a):
            worth.append((a + start, b + start, free[a, b] + own[a + start]))
        start = end

    if worth:
        i, j, bound = (np.concatenate(parts) for parts in zip(*worth, strict=True))
        keep = bound > best[0]
        i, j = i[keep], j[keep]

        def across(x: np.ndarray, y: np.ndarray) -> np.ndarray:
            return -np.einsum("ij,ij->i", x[i], y[j])

        corr = tuple(across(x, y) for x in (left.b1, left.b2) for y in (b1, b2))
        for candidate in (
            _interior(left, right, i, j, corr, signs),
            _edge(left, right, i, j, corr[0], corr[1], signs),
            _edge(right, left, j, i, corr[0], corr[2], signs),
        ):
            if candidate is not None and candidate[0] > best[0]:
                best = candidate
    return best if np.isfinite(best[0]) else None


def _products(x: np.ndarray, y: np.ndarray) -> np.ndarray:
    """Products x_a·y_b of each row, a ≤ b, those off the diagonal averaged with y_a·x_b."""
    a, b = np.triu_indices(x.shape[1])
    return (x[:, a] * y[:, b] + x[:, b] * y[:, a]) / 2


def _doubled(x: np.ndarray) -> np.ndarray:
    """Products x_a·x_b of each row, a ≤ b, those off the diagonal twice."""
    a, b = np.triu_indices(x.shape[1])
    return x[:, a] * x[:, b] * np.where(a == b, 1.0, 2.0)


def _interior(left, right, i, j, corr, signs):
    """Both change points inside their gaps, gap i below gap j."""
    keep = i < j
    i, j = i[keep], j[keep]
    c11, c12, c21, c22 = (c[keep] for c in corr)
    p1, p2, r1, r2 = left.g1[i], left.g2[i], right.g1[j], right.g2[j]
    m11, m22 = 1.0 - c11 * c11 - c21 * c21, 1.0 - c12 * c12 - c22 * c22
    m12 = -c11 * c12 - c21 * c22
    e1, e2 = r1 - c11 * p1 - c21 * p2, r2 - c12 * p1 - c22 * p2
    det = m11 * m22 - m12 * m12
    with np.errstate(divide="ignore", invalid="ignore"):
        w1, w2 = (m22 * e1 - m12 * e2) / det, (m11 * e2 - m12 * e1) / det
    v1, v2 = p1 - c11 * w1 - c12 * w2, p2 - c21 * w1 - c22 * w2
    gain = p1 * v1 + p2 * v2 + r1 * w1 + r2 * w2
    step1, slope1 = left.back(v1, v2, i)
    step2, slope2 = right.back(w1, w2, j)
    ok = (step1 >= 0) & (step1 <= left.gap[i]) & (step2 >= 0) & (step2 <= right.gap[j])
    ok &= det > _RANK
    if signs:
        ok &= (slope1 > 0) & (slope2 > 0)
    return _pick(gain, ok, left.u[i] + step1, right.u[j] + step2)


def _edge(fixed, loose, i, j, c1, c2, signs):
    """`fixed` has its change point at a temperature of the data, `loose` inside a gap."""
    if loose.left:  # c₁ loose in gap j, c₂ at i: the gap must end at or below c₂
        keep = j < i
        i, j, c1, c2 = i[keep], j[keep], c1[keep], c2[keep]
    p1 = fixed.g1[i]
    e1, e2 = loose.g1[j] - c1 * p1, loose.g2[j] - c2 * p1
    room = 1.0 - c1 * c1 - c2 * c2
    with np.errstate(divide="ignore", invalid="ignore"):
        lift = (c1 * e1 + c2 * e2) / room
    w1, w2 = e1 + c1 * lift, e2 + c2 * lift
    v1 = p1 - c1 * w1 - c2 * w2
    gain = p1 * v1 + loose.g1[j] * w1 + loose.g2[j] * w2
    step, slope = loose.back(w1, w2, j)
    ok = (step >= 0) & (step <= loose.gap[j]) & (room > _RANK) & np.isfinite(fixed.l11[i])
    if signs:
        ok &= (slope > 0) & (v1 > 0)
    ends = fixed.u[i], loose.u[j] + step
    return _pick(gain, ok, *(ends if not loose.left else ends[::-1]))


def _pick(gain, ok, c1, c2):
    gain = np.where(ok & np.isfinite(gain), gain, -np.inf)
    if not len(gain) or not np.isfinite(gain.max()):
        return None
    at = int(np.argmax(gain))
    return float(gain[at]), float(c1[at]), float(c2[at])
