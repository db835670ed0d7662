"""Which pair of change points, one on either side, fits best of all?

What is tried in each pair of gaps between neighbouring temperatures is what `search.py` says of one
gap: both change points at temperatures of the data, one of them inside its gap, or both.  As the
two hinges don't overlap, all follows from the sums of either side alone (`sides.py`).

Only the pairs that may beat a good one are worked out.  The others are ruled out by a bound, first
for whole blocks of neighbouring temperatures: with the left change point somewhere in block I and
the right one in block J, use is a straight line of the temperature on the rows below I and another
on those above J.  Fitting these two lines freely, and the rows inside both blocks exactly, explains
at least as much as any such pair.  With P the projection on what is so fitted on the left, and P'
on the right, both beside the orthonormal columns Q, it explains of the residual r

    r'(P + P')r + s'S⁻¹s,  S = 1 − Q'(P + P')Q,  s = Q'(P + P')r

(the Schur complement of any text on matrices), which adds up numbers of I and numbers of J.  Of
blocks that may hold a better pair each pair is then judged by itself, as blocks of one.
"""

from __future__ import annotations

from itertools import combinations_with_replacement

import numpy as np

from mv.baseline.sides import LEFT, RANK, RIGHT, Hinges, Side, Sorted

_BLOCKS = (4, 1)
"""Temperatures in a block, first and last."""
_UNSURE = 1e-6
"""Pivot of S under which the bound is not trusted and the pair passes."""
_ROUNDING = 1e-6
"""Share of the sum of squares that the bound may lose by rounding, above that pivot."""
_STRIDE = 8
"""Temperatures between the pairs that are tried first."""

Best = tuple[float, float, float] | None
"""Gain and change points of the best of some pairs; None where none is possible."""


def best_pair(rows: Sorted, hinges: Hinges, signs: bool) -> Best:
    """Gain and change points of the best pair, c₁ at place i and c₂ at place j ≥ i."""
    left, right = hinges.side(LEFT), hinges.side(RIGHT)
    i, j = _may_beat(rows, _good_corner(left, right, signs))
    left, right, apart = left.at(i), right.at(j), i < j
    (c11, c12), (c21, c22) = (
        [-(x * y).sum(axis=0) for y in (right.b1, right.b2)] for x in (left.b1, left.b2)
    )
    found = (
        _pick(_corners(left.g1, right.g1, c11, signs), True, left.u, right.u),
        _interior(left, right, apart, (c11, c12, c21, c22), signs),
        _edge(left, right, True, c11, c12, signs),
        _edge(right, left, apart, c11, c21, signs),
    )
    return max((best for best in found if best), key=lambda best: best[0], default=None)


def _good_corner(left: Side, right: Side, signs: bool) -> float:
    """Gain of a good pair of temperatures (0 where there is none): the best on a wide grid, and
    then near it."""
    m = len(left.u)
    ends, best = ((0, m), (0, m)), 0.0
    for stride in (_STRIDE, 1):
        a, b = (slice(max(low, 0), min(high, m), stride) for low, high in ends)
        c11 = -(left.b1[:, a].T @ right.b1[:, b])
        gain = _corners(left.g1[a, None], right.g1[b], c11, signs)
        i, j = np.arange(m)[a], np.arange(m)[b]
        gain[i[:, None] > j] = -np.inf
        place, other = divmod(int(gain.argmax()), len(j))
        best = max(best, float(gain[place, other]))
        ends = tuple((at - _STRIDE, at + _STRIDE + 1) for at in (int(i[place]), int(j[other])))
    return best


def _may_beat(rows: Sorted, known: float) -> tuple[np.ndarray, np.ndarray]:
    """Places (i, j) of the pairs that may explain more than `known`."""
    k, m = len(rows.q), len(rows.cut)
    first, second = np.array(list(combinations_with_replacement(range(k + 1), 2))).T
    columns = np.concatenate([rows.q, rows.residual[None]])
    products = columns.take(first, axis=0) * columns.take(second, axis=0)
    products = np.cumsum(products, axis=1).take(rows.cut - 1, axis=1)
    left, right = _straight(rows.beyond, first, second)
    # What is left of 1, 0 and 0 in S, s and the sum explained, but for the rows inside the blocks.
    left = products - left
    left[(first == second) & (first < k)] += 1.0
    right = -products - right
    known -= _ROUNDING * rows.sse
    i = j = np.zeros(1, dtype=int)
    parts = -(-m // _BLOCKS[0])
    for block, finer in zip(_BLOCKS, (*_BLOCKS[1:], 1), strict=True):
        part = np.arange(parts)[:, None]
        i, j = parts * i + part, parts * j + part
        # Where the last block reaches beyond the last temperature it ends there.
        (i_low, i_high), (j_low, j_high) = (
            [np.minimum(block * at + end, m - 1) for end in (0, block - 1)] for at in (i, j)
        )
        below = left.take(i_low, axis=1) - products.take(i_high, axis=1)
        above = right.take(j_high, axis=1) + products.take(j_low, axis=1)
        look = _bound(below[:, :, None], above[:, None], k) > known
        i, j = np.broadcast_arrays(i[:, None], j)
        look = (look & (i < j)) | (i == j)
        i, j = i[look], j[look]
        parts = block // finer
    return i[j < m], j[j < m]


def _straight(sums: np.ndarray, first: np.ndarray, second: np.ndarray) -> np.ndarray:
    """What a straight line on one side's rows explains of each product of two of Q's columns and
    the residual, shape (2, products, m), from the sums of `Sorted.beyond`."""
    half = sums.shape[1] // 2
    # The line before Q's columns has no part in pairs.
    level, weight = sums[:, 1 : half - 1], sums[:, half - 1 : half]
    turned, first_moment = sums[:, half + 1 : -2], sums[:, -2:-1]
    weight = np.where(weight > 0, weight, np.inf)
    mean = first_moment / weight
    turned = turned - mean * level
    spread = sums[:, -1:] - mean * first_moment
    spread = np.where(spread > RANK * sums[:, -1:], spread, np.inf)
    products = level.take(first, axis=1) * (level / weight).take(second, axis=1)
    return products + turned.take(first, axis=1) * (turned / spread).take(second, axis=1)


def _bound(below: np.ndarray, above: np.ndarray, k: int) -> np.ndarray:
    """What can be explained at most; infinite where that can't be told.

    The sums of `below` and `above` hold, each pair of columns once, the matrix
    [S, −s; −s', −r'(P + P')r]: eliminating the k columns of S one by one leaves what is asked for
    in its corner.
    """
    pairs = combinations_with_replacement(range(k + 1), 2)
    table = {pair: x + y for pair, x, y in zip(pairs, below, above, strict=True)}
    unsure = False
    with np.errstate(divide="ignore", invalid="ignore", over="ignore"):
        for p in range(k):
            unsure = unsure | (table[p, p] < _UNSURE)
            for a in range(p + 1, k + 1):
                share = table[p, a] / table[p, p]
                for b in range(a, k + 1):
                    table[a, b] -= share * table[p, b]
    return np.where(unsure, np.inf, -table[k, k])


def _corners(p1: np.ndarray, r1: np.ndarray, c11: np.ndarray, signs: bool) -> np.ndarray:
    """Both change points at temperatures of the data: gain of each pair, from the products of the
    left and of the right hinge with the residual and with one another."""
    e1 = r1 - c11 * p1
    gain = p1 * p1 + e1 * e1 / np.maximum(1.0 - c11 * c11, RANK)
    return np.where((e1 > 0) & (p1 - c11 * r1 > 0), gain, -np.inf) if signs else gain


def _interior(
    left: Side, right: Side, apart: np.ndarray, across: tuple[np.ndarray, ...], signs: bool
) -> Best:
    """Both change points inside their gaps, the left one's gap below the right one's."""
    c11, c12, c21, c22 = across
    m11, m22 = 1.0 - c11 * c11 - c21 * c21, 1.0 - c12 * c12 - c22 * c22
    m12 = -c11 * c12 - c21 * c22
    e1, e2 = right.g1 - c11 * left.g1 - c21 * left.g2, right.g2 - c12 * left.g1 - c22 * left.g2
    det = m11 * m22 - m12 * m12
    with np.errstate(divide="ignore", invalid="ignore"):
        w1, w2 = (m22 * e1 - m12 * e2) / det, (m11 * e2 - m12 * e1) / det
    c2, ok = right.inside(w1, w2, signs)
    # Few pairs are left: the rest is worked out for them alone.
    keep = np.flatnonzero(ok & apart & (det > RANK))
    left, right = left.at(keep), right.at(keep)
    w1, w2, c2, c11, c12, c21, c22 = (x[keep] for x in (w1, w2, c2, *across))
    v1, v2 = left.g1 - c11 * w1 - c12 * w2, left.g2 - c21 * w1 - c22 * w2
    c1, ok = left.inside(v1, v2, signs)
    gain = left.g1 * v1 + left.g2 * v2 + right.g1 * w1 + right.g2 * w2
    return _pick(gain, ok, c1, c2)


def _edge(
    fixed: Side,
    loose: Side,
    possible: np.ndarray | bool,
    c1: np.ndarray,
    c2: np.ndarray,
    signs: bool,
) -> Best:
    """`fixed` has its change point at a temperature of the data, `loose` inside a gap."""
    e1, e2 = loose.g1 - c1 * fixed.g1, loose.g2 - c2 * fixed.g1
    room = 1.0 - c1 * c1 - c2 * c2
    with np.errstate(divide="ignore", invalid="ignore"):
        lift = (c1 * e1 + c2 * e2) / room
    w1, w2 = e1 + c1 * lift, e2 + c2 * lift
    at, ok = loose.inside(w1, w2, signs)
    v1 = fixed.g1 - c1 * w1 - c2 * w2
    gain = fixed.g1 * v1 + loose.g1 * w1 + loose.g2 * w2
    ok &= (room > RANK) & np.isfinite(fixed.l11) & possible
    if signs:
        ok &= v1 > 0
    ends = fixed.u, at
    return _pick(gain, ok, *(ends if not loose.left else ends[::-1]))


def _pick(gain: np.ndarray, ok: np.ndarray | bool, c1: np.ndarray, c2: np.ndarray) -> Best:
    gain = np.where(ok & np.isfinite(gain), gain, -np.inf)
    if not len(gain):
        return None
    at = int(gain.argmax())
    if not np.isfinite(gain[at]):
        return None
    return float(gain[at]), float(c1[at]), float(c2[at])
