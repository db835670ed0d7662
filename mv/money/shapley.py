"""How much of a difference is due to each of several changes, in no particular order?

A figure f depends on factors that all change.  Changing them one after the other gives each a
share, but the shares depend on the order.  The Shapley split averages a factor's effect over all
orders: with k changed factors,

    share_i = Σ_{S without i} |S|! (k − 1 − |S|)! / k! · [f(S and i) − f(S)],

S the set of factors that have changed already (L. S. Shapley, 1953, A value for n-person games;
from memory).  It is the only split that adds up, treats like factors alike, gives a factor
without effect nothing and adds over sums of figures.

f is evaluated once, on arrays that hold all 2^k sets.  A factor that didn't change takes no part,
so that its share is exactly zero; the factors are worked through in the order of their names, so
that the order in which they are given changes nothing, not even a rounding.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from functools import lru_cache

import numpy as np

from mv.findings import ModelError

MOST_FACTORS = 16
"""Factors above which the 2^k sets would no longer be quick."""


def shapley(
    before: Mapping[str, float],
    after: Mapping[str, float],
    figure: Callable[[dict[str, np.ndarray]], np.ndarray],
) -> dict[str, float]:
    """Share of each factor in figure(after) − figure(before).

    Parameters
    ----------
    before, after : value of each factor, the same names.
    figure : from arrays by name, all of one shape, to the figure's values of that shape.

    Raises ModelError where the names differ, where there are more than 16 changed factors, and
    where the figure is not finite for some set of changes.
    """
    if set(before) != set(after):
        raise ModelError("the factors before and after have different names")
    changed = sorted(name for name in before if before[name] != after[name])
    k = len(changed)
    if k > MOST_FACTORS:
        raise ModelError(f"{k} factors changed; at most {MOST_FACTORS} can be split")
    shares = dict.fromkeys(before, 0.0)
    if not k:
        return shares
    inside, without, joined, weight = _sets(k)
    ends = [np.array([[side[name]] for name in changed], float) for side in (before, after)]
    values = {name: np.full(2**k, float(before[name])) for name in before if name not in changed}
    values |= zip(changed, np.where(inside, ends[1], ends[0]), strict=True)
    found = np.asarray(figure(values), float)
    if not np.isfinite(found).all():
        raise ModelError("the figure cannot be computed for some set of changes")
    gain = found[joined] - found[without]
    shares |= zip(changed, (weight * gain).sum(axis=1).tolist(), strict=True)
    return shares


@lru_cache(maxsize=MOST_FACTORS)
def _sets(k: int) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    """Whether each of 2^k sets holds each change, (k, 2^k); the sets without it, the same with it,
    and the weight of what it adds to each, all (k, 2^(k − 1))."""
    sets = np.arange(2**k)
    inside = (sets >> np.arange(k)[:, None] & 1).astype(bool)
    without = np.array([sets[~holds] for holds in inside])
    weight = np.array(
        [math.factorial(s) * math.factorial(k - 1 - s) / math.factorial(k) for s in range(k)]
    )
    joined = without | (1 << np.arange(k))[:, None]
    return inside, without, joined, weight[np.bitwise_count(without)]
