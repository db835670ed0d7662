"""Which pair of change points, one on either side, fits best of all?

What is tried in each pair of gaps between neighbouring temperatures is what `search.py` says of one
gap: both change points at temperatures of the data, one of them inside its gap, or both.  As the
two hinges don't overlap, all follows from the sums of either side alone (`sides.py`).

Only the pairs of gaps that may hold a better pair than a good one are worked out.  As a change
point moves through its gap, the hinge turns in a plane.  Within a pair of gaps the gain is at most
that of the nearest corner (both change points at temperatures) over cos²φ cos²φ', φ and φ' the
angles between the hinges there and at the corner once the other hinge is taken off.  With α, α' the
angles by which the hinges turn in their whole gaps, and c the cosine between the two hinges at the
corner, a corner of gain G rules its four pairs of gaps out where

    G + 2 G₀ (tan²α + tan²α')/(1 − c²) ≤ G₀,

G₀ the gain of the good pair: then φ ≤ α/2 / sin(ψ − α/2 − α'), φ' ≤ α'/2 / sin(ψ − α'/2) with
cos ψ = c, and for these (1 − 2 (tan²α + tan²α')/sin²ψ) / (cos²φ cos²φ') is below 1 (a test looks at
all angles).  With g, g' the products of the residual with the hinges of length one,
G (1 − c²) = g² + g'² − 2cgg', which makes the rule

    (c − gg'/G₀)² ≤ (1 − g²/G₀)(1 − g'²/G₀) − 2 (tan²α + tan²α').
"""

from __future__ import annotations

import math

import numpy as np

from mv.baseline.sides import LEFT, RANK, RIGHT, Hinges, Side, inside

_TURN = 2.0
"""How much of tan²α + tan²α' is allowed for."""
_ROUNDING = 1e-6
"""Share of the good gain that rounding may cost a corner."""
_STRIP = 32
"""Places of the left change point that are looked at together."""
_STRIDE = 8
"""Temperatures between the pairs that are tried first."""

Best = tuple[float, float, float] | None
"""Gain and change points of the best of some pairs; None where none is possible."""


def best_pair(hinges: Hinges, signs: bool) -> Best:
    """Gain and change points of the best pair, c₁ at place i and c₂ at place j ≥ i."""
    left, right = hinges.side(LEFT), hinges.side(RIGHT)
    i, j = _may_beat(left, right, _good_corner(left, right, signs))
    left, right, apart = left.at(i), right.at(j), i < j
    # Cosines of the orthonormal pairs of either side with one another, shape (2, 2, pairs).
    across = -(left.b[:, None] * right.b).sum(axis=2)
    corners = _corners(left.g[0], right.g[0], across[0, 0], signs)
    found = (
        _pick(corners, left.u, right.u),
        _interior(left, right, apart, across, signs),
        _edges(left, right, apart, across, signs),
    )
    return max((best for best in found if best), key=lambda best: best[0], default=None)


def _good_corner(left: Side, right: Side, signs: bool) -> float:
    """Gain of a good pair of temperatures (0 where there is none): the best on a wide grid, and
    then near it."""
    m = len(left.u)
    ends, best = ((0, m), (0, m)), 0.0
    for stride in (_STRIDE, 1):
        a, b = (slice(max(low, 0), min(high, m), stride) for low, high in ends)
        c11 = -(left.b[0, :, a].T @ right.b[0, :, b])
        gain = _corners(left.g[0, a, None], right.g[0, b], c11, signs)
        i, j = np.arange(m)[a], np.arange(m)[b]
        gain[i[:, None] > j] = -np.inf
        place, other = divmod(int(gain.argmax()), len(j))
        best = max(best, float(gain[place, other]))
        ends = tuple((at - _STRIDE, at + _STRIDE + 1) for at in (int(i[place]), int(j[other])))
    return best


def _may_beat(left: Side, right: Side, known: float) -> tuple[np.ndarray, np.ndarray]:
    """Places (i, j) of the pairs of gaps that may hold a gain above `known`."""
    m = len(left.u)
    if not known:
        return np.triu_indices(m)
    (g, turn), (other_g, other_turn) = (
        (side.g[0] / math.sqrt(known), _TURN * _turned(side)) for side in (left, right)
    )
    # Both sides of the rule are sums of products of a number of the left and one of the right.
    one, shorter = np.ones(m), (1.0 - g * g, other_g * other_g - 1.0)
    near, far = np.concatenate([left.b[0], g[None]]), -np.concatenate([right.b[0], other_g[None]])
    first, second = np.triu_indices(len(near))
    twice = np.where(first == second, 1.0, 2.0)[:, None]
    near = np.concatenate([twice * near[first] * near[second], [shorter[0], one, turn + _ROUNDING]])
    far = np.concatenate([far[first] * far[second], [shorter[1], other_turn, one]])
    look = np.zeros((m + 2, m), dtype=bool)
    for a in range(0, m, _STRIP):
        strip, above = slice(a, min(a + _STRIP, m)), slice(a, m)
        np.greater(near[:, strip].T @ far[:, above], 0.0, out=look[strip, above])
    # A corner stands for the gaps on either side of its temperatures.
    look = look.ravel()
    wider = look[:-m] | look[m:]
    i, j = np.divmod(np.flatnonzero(wider[:-1] | wider[1:]), m)
    ordered = i <= j
    return i[ordered], j[ordered]


def _turned(side: Side) -> np.ndarray:
    """tan² of the angle by which a hinge turns in the wider turn of the two gaps beside each place,
    at most 1, shape (places,)."""
    _, gap, l11, l21, l22, _, _ = side.own
    # The hinge at the next temperature, along the one here and across it.
    along, beside = l11 + side.sign * gap * l21, gap * np.where(np.isfinite(l22), l22, 0.0)
    turn = np.where(along > beside, beside / np.where(along > beside, along, 1.0), 1.0) ** 2
    turn[beside == 0] = 0.0
    return np.maximum(turn, np.append(0.0, turn[:-1]))


def _corners(p1: np.ndarray, r1: np.ndarray, c11: np.ndarray, signs: bool) -> np.ndarray:
    """Both change points at temperatures of the data: gain of each pair, from the products of the
    left and of the right hinge with the residual and with one another."""
    e1 = r1 - c11 * p1
    gain = p1 * p1 + e1 * e1 / np.maximum(1.0 - c11 * c11, RANK)
    return np.where((e1 > 0) & (p1 - c11 * r1 > 0), gain, -np.inf) if signs else gain


def _interior(left: Side, right: Side, apart: np.ndarray, across: np.ndarray, signs: bool) -> Best:
    """Both change points inside their gaps, the left one's gap below the right one's."""
    m11, m22 = 1.0 - (across * across).sum(axis=0)
    m12 = -(across[:, 0] * across[:, 1]).sum(axis=0)
    e1, e2 = right.g - (across * left.g[:, None]).sum(axis=0)
    det = m11 * m22 - m12 * m12
    with np.errstate(divide="ignore", invalid="ignore"):
        w = np.array([m22 * e1 - m12 * e2, m11 * e2 - m12 * e1]) / det
    c2, ok = inside(right.sign, right.own, w, signs)
    # Few pairs are left: the rest is worked out for them alone.
    keep = np.flatnonzero(ok & apart & (det > RANK))
    left, right = left.at(keep), right.at(keep)
    w, c2 = w.take(keep, axis=1), c2.take(keep)
    v = left.g - (across.take(keep, axis=2) * w).sum(axis=1)
    c1, ok = inside(left.sign, left.own, v, signs)
    gain = (left.g * v + right.g * w).sum(axis=0)
    return _pick(np.where(ok, gain, -np.inf), c1, c2)


def _edges(left: Side, right: Side, apart: np.ndarray, across: np.ndarray, signs: bool) -> Best:
    """One change point at a temperature of the data and the other inside its gap: in the first row
    the left one is fixed, in the second the right one."""
    # The rows of a side's numbers first, then which of both change points is fixed.
    loose = np.array([right.own, left.own]).swapaxes(0, 1)
    fixed = loose[:, ::-1]
    c = np.array([across[0], across[:, 0]]).swapaxes(0, 1)
    e = loose[-2:] - c * fixed[-2]
    room = 1.0 - (c * c).sum(axis=0)
    with np.errstate(divide="ignore", invalid="ignore"):
        w = e + c * ((c * e).sum(axis=0) / room)
    v = fixed[-2] - (c * w).sum(axis=0)
    gain = fixed[-2] * v + (loose[-2:] * w).sum(axis=0)
    freed_at, ok = inside(np.array([[right.sign], [left.sign]]), loose, w, signs)
    ok &= (room > RANK) & np.isfinite(fixed[2])
    ok[1] &= apart
    if signs:
        ok &= v > 0
    c1, c2 = np.array([left.u, freed_at[1]]), np.array([freed_at[0], right.u])
    return _pick(np.where(ok, gain, -np.inf).ravel(), c1.ravel(), c2.ravel())


def _pick(gain: np.ndarray, c1: np.ndarray, c2: np.ndarray) -> Best:
    """The best of some pairs; a gain that is not finite is none."""
    if not len(gain):
        return None
    gain = np.where(np.isfinite(gain), gain, -np.inf)
    at = int(gain.argmax())
    return (float(gain[at]), float(c1[at]), float(c2[at])) if np.isfinite(gain[at]) else None
