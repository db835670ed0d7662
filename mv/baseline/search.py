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
_DEPENDENT = 0.03
"""Determinant of two orthonormal pairs of columns under which single precision won't do."""
_LOST = 3e-4
"""Share of what can be explained that single precision may lose above that determinant."""
_STRIDE = 8
"""Temperatures between the pairs that are tried first."""
_TILE = 120
"""Places of either change point that are screened in one go: few enough for the processor's
cache."""


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


def _best_pair(left: _Side, right: _Side, signs: bool) -> tuple[float, float, float] | None:
    """Gain and change points of the best pair, c₁ at place i and c₂ at place j ≥ i.

    Every pair is screened in single precision, and the few that may beat a pair known to be good
    are worked out in double: both change points at temperatures of the data, one of them inside
    its gap, or both.
    """
    corners, interiors, loose_right, loose_left = _screened(
        left, right, _good_corner(left, right, signs)
    )

    def across(pairs: tuple[np.ndarray, np.ndarray]) -> tuple[np.ndarray, ...]:
        i, j = pairs
        return tuple(
            -np.einsum("ij,ij->i", x[i], y[j])
            for x in (left.b1, left.b2)
            for y in (right.b1, right.b2)
        )

    best = (-np.inf, np.nan, np.nan)
    c11, c12, _, _ = across(loose_right)
    d11, _, d21, _ = across(loose_left)
    for candidate in (
        _corner(left, right, *corners, across(corners)[0], signs),
        _interior(left, right, *interiors, across(interiors), signs),
        _edge(left, right, *loose_right, c11, c12, signs),
        _edge(right, left, *loose_left[::-1], d11, d21, signs),
    ):
        if candidate is not None and candidate[0] > best[0]:
            best = candidate
    return best if np.isfinite(best[0]) else None


def _good_corner(left: _Side, right: _Side, signs: bool) -> float:
    """Gain of a good pair of temperatures (0 where there is none): the best on a wide grid, and
    then near it."""
    m = len(left.u)
    ends, best = ((0, m), (0, m)), 0.0
    for stride in (_STRIDE, 1):
        i, j = (np.arange(max(a, 0), min(b, m), stride) for a, b in ends)
        i, j = (x.ravel() for x in np.meshgrid(i, j, indexing="ij"))
        i, j = i[i <= j], j[i <= j]
        c11 = -np.einsum("ij,ij->i", left.b1[i], right.b1[j])
        gain = _corner_gains(left, right, i, j, c11, signs)
        at = int(np.argmax(gain))
        best = max(best, float(gain[at]))
        ends = tuple((x[at] - _STRIDE, x[at] + _STRIDE + 1) for x in (i, j))
    return best


def _screened(left: _Side, right: _Side, known: float) -> tuple[tuple[np.ndarray, np.ndarray], ...]:
    """Places (i, j) of the pairs that may explain more than `known`: with both change points at
    temperatures of the data, both inside their gaps, the right one inside, the left one inside.

    With both pairs of columns orthonormal, C = −B_L·B_R' their products across and e = g_R − C'g_L,
    M = I − C'C, the pair of gaps explains |g_L|² + e'M⁻¹e = |g_L|² + e'n/det M, n = adj(M)·e; with
    one change point at a temperature the same holds without that side's second column.  The change
    point lies in its gap where n₂ and n₂ + κn₁ differ in sign, κ a number of the gap.

    What single precision may lose is added to the bounds; where the columns all but depend on one
    another it is not to be trusted, and the pair passes.
    """
    m = len(left.u)
    single = np.float32
    # Scaled so that the bounds are shares of what can be explained at all.
    scale = np.sqrt(max(float((left.g1**2 + left.g2**2).max()), 1e-300))
    scale = max(scale, float(np.sqrt((right.g1**2 + right.g2**2).max())))
    p1, p2 = ((g / scale).astype(single)[:, None] for g in (left.g1, left.g2))
    r1, r2 = ((g / scale).astype(single)[None, :] for g in (right.g1, right.g2))
    l1, l2 = (-b.astype(single) for b in (left.b1, left.b2))
    b1, b2 = (np.ascontiguousarray(b.T, single) for b in (right.b1, right.b2))
    kl, kr = left.cone().astype(single)[:, None], right.cone().astype(single)[None, :]
    least = single(known / scale**2 - _LOST)
    found: list[list[np.ndarray]] = [[] for _ in range(8)]
    tiles = [slice(a, min(a + _TILE, m)) for a in range(0, m, _TILE)]
    for i, j in ((i, j) for i in tiles for j in tiles if i.start <= j.start):
        c11, c12, c21, c22 = (x[i] @ y[:, j] for x in (l1, l2) for y in (b1, b2))
        m11, m22, cross = 1 - c11 * c11, 1 - c12 * c12, c11 * c12
        e1, e2 = r1[:, j] - c11 * p1[i], r2[:, j] - c12 * p1[i]
        own = least - p1[i] * p1[i]
        both = _Screen(
            e1 - c21 * p2[i],
            e2 - c22 * p2[i],
            m11 - c21 * c21,
            m22 - c22 * c22,
            cross + c21 * c22,
            own - p2[i] * p2[i],
        )
        if i.start == j.start:
            both.look &= ~np.tri(*both.look.shape, k=-1, dtype=bool)
        at = np.flatnonzero(both.look)
        if not len(at):
            continue
        # With fewer free columns no other pair can do better: from here on these alone.
        a = at // both.look.shape[1]
        b = at - a * both.look.shape[1] + j.start
        a += i.start
        c11, c12, c21, e1, e2, m11, m22, cross = (
            x.take(at) for x in (c11, c12, c21, e1, e2, m11, m22, cross)
        )
        q1, q2, s1, k1, k2 = p1[a, 0], p2[a, 0], r1[0, b], kl[a, 0], kr[0, b]
        own = least - q1 * q1
        right_only = _Screen(e1, e2, m11, m22, cross, own)
        left_only = _Screen(
            q1 - c11 * s1, q2 - c21 * s1, m11, 1 - c21 * c21, c11 * c21, least - s1 * s1
        )
        passing = (
            e1 * e1 > own * m11,
            both.of(at).inside(k2),
            right_only.inside(k2),
            left_only.inside(k1),
        )
        for kind, look in enumerate(passing):
            found[2 * kind].append(a[look])
            found[2 * kind + 1].append(b[look])
    none = np.zeros(0, dtype=int)
    places = [np.concatenate([none, *parts]) for parts in found]
    return tuple(zip(places[::2], places[1::2], strict=True))


class _Screen:
    """Pairs for which e'M⁻¹e may exceed `least`, M = (m11, −cross; −cross, m22)."""

    def __init__(self, e1, e2, m11, m22, cross, least) -> None:
        self.n1, self.n2 = m22 * e1 + cross * e2, m11 * e2 + cross * e1
        det = m11 * m22 - cross * cross
        self.unsure = det < _DEPENDENT
        gain = e1 * self.n1
        gain += e2 * self.n2
        det *= least
        self.look = (gain > det) | self.unsure

    def of(self, at: np.ndarray) -> _Screen:
        """Some of the pairs."""
        some = object.__new__(_Screen)
        for name in ("n1", "n2", "unsure", "look"):
            setattr(some, name, getattr(self, name).take(at))
        return some

    def inside(self, cone) -> np.ndarray:
        """Which of them may have their change point in its gap."""
        beyond = self.n2 + cone * self.n1
        inside = (np.minimum(self.n2, beyond) < _LOST) & (np.maximum(self.n2, beyond) > -_LOST)
        return self.look & (inside | self.unsure)


def _corner_gains(left, right, i, j, c11, signs):
    """Both change points at temperatures of the data: gain of each pair."""
    p1, r1 = left.g1[i], right.g1[j]
    e1 = r1 - c11 * p1
    gain = p1 * p1 + e1 * e1 / np.maximum(1.0 - c11 * c11, _RANK)
    if signs:
        gain[(e1 <= 0) | (p1 - c11 * r1 <= 0)] = -np.inf
    return gain


def _corner(left, right, i, j, c11, signs):
    """The best of them."""
    gain = _corner_gains(left, right, i, j, c11, signs)
    return _pick(gain, True, left.u[i], right.u[j])


def _interior(left, right, i, j, corr, signs):
    """Both change points inside their gaps, gap i below gap j."""
    keep = i < j
    i, j = i[keep], j[keep]
    c11, c12, c21, c22 = (c[keep] for c in corr)
    p1, p2 = left.g1[i], left.g2[i]
    m11, m22 = 1.0 - c11 * c11 - c21 * c21, 1.0 - c12 * c12 - c22 * c22
    m12 = -c11 * c12 - c21 * c22
    e1, e2 = right.g1[j] - c11 * p1 - c21 * p2, right.g2[j] - c12 * p1 - c22 * p2
    det = m11 * m22 - m12 * m12
    with np.errstate(divide="ignore", invalid="ignore"):
        w1, w2 = (m22 * e1 - m12 * e2) / det, (m11 * e2 - m12 * e1) / det
    step2, ok = right.inside(w1, w2, j, signs)
    # Few pairs are left: the rest is worked out for them alone.
    keep = np.flatnonzero(ok & (det > _RANK))
    i, j, p1, p2, w1, w2 = (x[keep] for x in (i, j, p1, p2, w1, w2))
    v1 = p1 - c11[keep] * w1 - c12[keep] * w2
    v2 = p2 - c21[keep] * w1 - c22[keep] * w2
    step1, ok = left.inside(v1, v2, i, signs)
    gain = p1 * v1 + p2 * v2 + right.g1[j] * w1 + right.g2[j] * w2
    return _pick(gain, ok, left.u[i] + step1, right.u[j] + step2[keep])


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
    step, ok = loose.inside(w1, w2, j, signs)
    keep = np.flatnonzero(ok & (room > _RANK))
    i, j, p1, w1, w2, step = (x[keep] for x in (i, j, p1, w1, w2, step))
    v1 = p1 - c1[keep] * w1 - c2[keep] * w2
    gain = p1 * v1 + loose.g1[j] * w1 + loose.g2[j] * w2
    ok = np.isfinite(fixed.l11[i])
    if signs:
        ok &= v1 > 0
    ends = fixed.u[i], loose.u[j] + step
    return _pick(gain, ok, *(ends if not loose.left else ends[::-1]))


def _pick(gain, ok, c1, c2):
    gain = np.where(ok & np.isfinite(gain), gain, -np.inf)
    if not len(gain) or not np.isfinite(gain.max()):
        return None
    at = int(np.argmax(gain))
    return float(gain[at]), float(c1[at]), float(c2[at])
