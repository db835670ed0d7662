"""How much wider than quadrature is the error of a sum over sites, by the placebo trials?

Quadrature is right for sums of errors whose tails are light.  Where they are heavy a sum shrinks
more slowly, and its half-width covers less than it claims.  With enough trials they say by how
much: random groups of as many buildings as the total has sites are drawn, one trial a building,
and the ⌈(G+1)·confidence⌉-th smallest of |Σ ±r| ÷ √(Σh²) over the G groups is the factor (own
method; the rank as in conformal prediction, Vovk, Gammerman & Shafer 2005, from memory).

Each false saving r takes a random sign.  So what the sites of a year share does not add up here:
the total has its own common part, and must not count it twice.  Nor does a group that is a large
part of all trials come out too narrow, as it would around the mean of those trials.
"""

from __future__ import annotations

import math

import numpy as np

from mv.savings.own_drift import BUILDINGS_LEAST, CONFORMAL_LEAST, Evidence

GROUPS = 2000
"""Random groups (own convention: 200 of them lie beyond the 90 % quantile)."""
LARGEST = 200
"""Buildings of a group at most, for speed: a sum of so many is all but normal, and the factor,
which grows with the size of a group, hardly grows any further."""
SEED = 20
"""Of the drawing; any other serves as well."""


def widening(evidence: Evidence, sites: int, confidence: float) -> float:
    """Factor, at least 1, on the quadrature of the half-widths of `sites` sites.

    1 where the trials are fewer than the conformal quantile needs, and for a single site.  A group
    holds half of the buildings and `LARGEST` at most; a larger total takes the factor of that.
    """
    buildings = len(evidence.names)
    if sites < 2 or len(evidence.trials) < CONFORMAL_LEAST or buildings < BUILDINGS_LEAST:
        return 1.0
    size = min(sites, buildings // 2, LARGEST)
    own = evidence.without("")
    half = own.quantile(confidence) * np.hypot(evidence.s, own.factor * evidence.tau)
    rng = np.random.default_rng(SEED)
    by_building = np.argsort(evidence.building, kind="stable")
    count = np.bincount(evidence.building)
    first = np.cumsum(count) - count
    a_shuffle = buildings // size  # groups that one order of the buildings is cut into
    order = np.tile(np.arange(buildings), (-(-GROUPS // a_shuffle), 1))
    order = rng.permuted(order, axis=1)[:, : a_shuffle * size]
    drawn = order.reshape(-1, size)[:GROUPS]
    nth = (rng.random(drawn.shape) * count[drawn]).astype(int)
    trial = by_building[first[drawn] + nth]
    sign = rng.choice((-1.0, 1.0), drawn.shape)
    off = np.abs((sign * evidence.r[trial]).sum(axis=1))
    ratio = np.sort(off / np.sqrt((half[trial] ** 2).sum(axis=1)))
    return max(1.0, float(ratio[math.ceil((GROUPS + 1) * confidence) - 1]))
