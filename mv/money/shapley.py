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
from collections.abc import Callable, Mapping, Sequence
from functools import lru_cache
from typing import Any

import numpy as np

from mv.findings import ModelError

MOST_FACTORS = 16
"""Factors above which the 2^k sets would no longer be quick."""


def shapley(
    before: Mapping[str, float],
    after: Mapping[str, float],
    figure: Callable[[dict[str, np.ndarray]], np.ndarray],
    ends: Sequence[Mapping[str, float]] = (),
) -> tuple[dict[str, float], list[dict[str, float] | None]]:
    """Share of each factor in figure(after) − figure(before), and in what comes of other ends.

    Parameters
    ----------
    before, after : value of each factor, the same names.
    figure : from values by name to the figure's values: arrays of one shape, and numbers for
        factors that change nowhere.
    ends : where the factors could have come to as well, such as the ends of an interval.

    Returns
    -------
    The shares, and those at each of the ends, None where the figure is not finite for some set of
    changes.

    Raises ModelError where the names differ, where there are more than 16 changed factors, and
    where the figure is not finite for some set of the changes to `after`.
    """
    shares, *others = _shares(before, [after, *ends], figure)
    if shares is None:
        raise ModelError("the figure cannot be computed for some set of changes")
    return shares, others


def _shares(
    before: Mapping[str, float],
    afters: Sequence[Mapping[str, float]],
    figure: Callable[[dict[str, np.ndarray]], np.ndarray],
) -> list[dict[str, float] | None]:
    if any(set(before) != set(after) for after in afters):
        raise ModelError("the factors before and after have different names")
    changed = sorted(n for n, value in before.items() if any(a[n] != value for a in afters))
    k = len(changed)
    if k > MOST_FACTORS:
        raise ModelError(f"{k} factors changed; at most {MOST_FACTORS} can be split")
    if not k:
        return [dict.fromkeys(before, 0.0) for _ in afters]
    inside, without, joined, weight = _sets(k)
    start = np.array([before[name] for name in changed], float)
    end = np.array([[after[name] for after in afters] for name in changed], float)
    values: dict[str, Any] = {name: float(value) for name, value in before.items()}
    values |= zip(
        changed, np.where(inside[:, None], end[..., None], start[:, None, None]), strict=True
    )
    found = np.empty((len(afters), 2**k))
    found[:] = figure(values)  # which may be one number, where no changed factor enters it
    known = np.isfinite(found).all(axis=1)
    found = np.where(known[:, None], found, 0.0)
    gain = weight * (found[:, joined] - found[:, without])
    return [
        dict.fromkeys(before, 0.0) | dict(zip(changed, shares, strict=True)) if good else None
        for good, shares in zip(known, gain.sum(axis=2).tolist(), strict=True)
    ]


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
