"""Which pair of change points, one on either side, fits best of all?

Every pair of gaps between neighbouring temperatures follows from the sums of either side alone,
because the two hinges don't overlap (`sides.py`); what is tried in each pair is what `search.py`
says of one gap.
"""

from __future__ import annotations

import numpy as np

from mv.baseline.sides import RANK, Side

_DEPENDENT = 0.03
"""Determinant of two orthonormal pairs of columns under which single precision won't do."""
_LOST = 3e-4
"""Share of what can be explained that single precision may lose above that determinant."""
_STRIDE = 8
"""Temperatures between the pairs that are tried first."""
_TILE = 120
"""Places of either change point that are screened in one go: few enough for the processor's
cache."""


def best_pair(left: Side, right: Side, signs: bool) -> tuple[float, float, float] | None:
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


def _good_corner(left: Side, right: Side, signs: bool) -> float:
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


def _screened(left: Side, right: Side, known: float) -> tuple[tuple[np.ndarray, np.ndarray], ...]:
    """Places (i, j) of the pairs that may explain more than `known`: with both change points at
    temperatures of the data, both inside their gaps, the right one inside, the left one inside.

    With both pairs of columns orthonormal, C = −B_L·B_R' their products across and e = g_R − C'g_L,
    M = I − C'C, the pair of gaps explains |g_L|² + e'M⁻¹e = |g_L|² + e'n/det M, n = adj(M)·e; with
    one change point at a temperature the same holds without that side's second column.  The change
    point lies in its gap where n₂ and n₂ + κn₁ differ in sign, κ a number of the gap.

    e = g_R + B_R·(B_L'g_L) and C'C = B_R·(B_L'B_L)·B_R' are sums of products of a number of the
    left place and one of the right, so that matrix products give them for all pairs.

    What single precision may lose is added to the bounds; where the columns all but depend on one
    another it is not to be trusted, and the pair passes.
    """
    m = len(left.u)
    single = np.float32
    # Scaled so that the bounds are shares of what can be explained at all.
    scale = np.sqrt(max(float((left.g1**2 + left.g2**2).max()), 1e-300))
    scale = max(scale, float(np.sqrt((right.g1**2 + right.g2**2).max())))
    p1, p2, r1, r2 = (g / scale for g in (left.g1, left.g2, right.g1, right.g2))
    one = np.ones((m, 1))
    carried = np.hstack([one, p1[:, None] * left.b1 + p2[:, None] * left.b2]).astype(single)
    squares = np.hstack([one, _products(left.b1, left.b1) + _products(left.b2, left.b2)])
    squares = squares.astype(single)
    e_right = [np.hstack([r[:, None], b]).T for r, b in ((r1, right.b1), (r2, right.b2))]
    twice = np.where(_diagonal(right.b1.shape[1]), 1.0, 2.0)
    m_right = [
        np.hstack([one * of_one, -twice * _products(x, y)]).T
        for of_one, x, y in (
            (1, right.b1, right.b1),
            (1, right.b2, right.b2),
            (0, right.b1, right.b2),
        )
    ]
    e_right, m_right = ([np.ascontiguousarray(x, single) for x in y] for y in (e_right, m_right))
    lost = single(known / scale**2 - _LOST)
    own = (lost - p1 * p1 - p2 * p2).astype(single)[:, None]
    at_i, at_j = [], []
    tiles = [slice(a, min(a + _TILE, m)) for a in range(0, m, _TILE)]
    for i, j in ((i, j) for i in tiles for j in tiles if i.start <= j.start):
        look = _may_explain(
            *(carried[i] @ x[:, j] for x in e_right),
            *(squares[i] @ x[:, j] for x in m_right),
            own[i],
        )[-1]
        if i.start == j.start:
            look &= ~np.tri(*look.shape, k=-1, dtype=bool)
        at = np.flatnonzero(look)
        a = at // look.shape[1]
        at_i.append(a + i.start)
        at_j.append(at - a * look.shape[1] + j.start)
    # With fewer free columns no other pair can do better: from here on these alone.
    a, b = np.concatenate(at_i), np.concatenate(at_j)
    c11, c12, c21, c22 = (
        -np.einsum("ij,ij->i", x[a], y[b]) for x in (left.b1, left.b2) for y in (right.b1, right.b2)
    )
    q1, q2, s1, s2 = p1[a], p2[a], r1[b], r2[b]
    k1, k2 = left.cone()[a], right.cone()[b]
    e1, e2, m11 = s1 - c11 * q1, s2 - c12 * q1, 1 - c11 * c11
    own = lost - q1 * q1
    right_only = e1, e2, m11, 1 - c12 * c12, -c11 * c12, own
    both = (
        e1 - c21 * q2,
        e2 - c22 * q2,
        m11 - c21 * c21,
        right_only[3] - c22 * c22,
        right_only[4] - c21 * c22,
        own - q2 * q2,
    )
    left_only = q1 - c11 * s1, q2 - c21 * s1, m11, 1 - c21 * c21, -c11 * c21, lost - s1 * s1
    passing = (
        e1 * e1 > own * m11,
        _may_lie_inside(both, k2),
        _may_lie_inside(right_only, k2),
        _may_lie_inside(left_only, k1),
    )
    return tuple((a[look], b[look]) for look in passing)


def _diagonal(k: int) -> np.ndarray:
    """Which of the pairs that `_products` makes are of a column with itself."""
    first, second = np.triu_indices(k)
    return first == second


def _products(x: np.ndarray, y: np.ndarray) -> np.ndarray:
    """Products of the columns of x and y, symmetric in them, each pair of columns once."""
    first, second = np.triu_indices(x.shape[1])
    return (x[:, first] * y[:, second] + x[:, second] * y[:, first]) / 2


def _may_explain(e1, e2, m11, m22, m12, least):
    """n₁, n₂, where M is too near to singular to tell, and the pairs for which e'M⁻¹e may exceed
    `least`."""
    det = m11 * m22
    det -= m12 * m12
    n1, n2 = m22 * e1, m11 * e2
    n1 -= m12 * e2
    n2 -= m12 * e1
    unsure = det < _DEPENDENT
    det *= least
    gain = e1 * n1
    gain += e2 * n2
    look = gain > det
    look |= unsure
    return n1, n2, unsure, look


def _may_lie_inside(pair, cone) -> np.ndarray:
    """Which pairs may explain enough with their change point in its gap."""
    n1, n2, unsure, look = _may_explain(*pair)
    beyond = n2 + cone * n1
    inside = (np.minimum(n2, beyond) < _LOST) & (np.maximum(n2, beyond) > -_LOST)
    return look & (inside | unsure)


def _corner_gains(left, right, i, j, c11, signs):
    """Both change points at temperatures of the data: gain of each pair."""
    p1, r1 = left.g1[i], right.g1[j]
    e1 = r1 - c11 * p1
    gain = p1 * p1 + e1 * e1 / np.maximum(1.0 - c11 * c11, RANK)
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
    keep = np.flatnonzero(ok & (det > RANK))
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
    keep = np.flatnonzero(ok & (room > RANK))
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
