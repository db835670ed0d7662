"""How uncertain is the sum over sites, and how many verdicts may chance alone have made?

Drift is nearly independent between sites, so site half-widths add in quadrature; what all sites of
one year share (`sigma_common`) adds straight.  Where the portfolio's own trials say that sums have
heavier tails the quadrature is widened (`totals.py`).  The plain sum of half-widths is the bound
that holds whatever the dependence.

At a two-sided confidence c a site that saves nothing is given "savings shown" with a chance of
(1 − c)/2, and "use increased" with the same.  Among many sites some such verdicts are to be
expected (the comparison-wise error rate of any text on multiple tests).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from mv.findings import ModelError
from mv.wording import percent


def portfolio_half_width(
    half_widths: Sequence[float],
    baselines: Sequence[float],
    sigma_common: float,
    z: float,
    widening: float = 1.0,
) -> float:
    """Half-width of a sum over sites: √(w²·Σh² + (z·σ_common·ΣP)²).

    Half-widths must share one confidence, that of z.  Their plain sum is the conservative bound.
    """
    common = z * sigma_common * float(np.sum(np.asarray(baselines, dtype=float)))
    return math.hypot(independent_half_width(half_widths, widening), common)


def independent_half_width(half_widths: Sequence[float], widening: float = 1.0) -> float:
    """Half-width of a sum of independent parts: w·√(Σh²), at most Σh."""
    widths = np.asarray(half_widths, dtype=float)
    return min(widening * math.sqrt(float(widths @ widths)), float(widths.sum()))


@dataclass(frozen=True)
class FalseVerdicts:
    """What chance alone would do among the sites of a portfolio."""

    sites: int
    shown: int
    """Sites with the verdict "savings shown"."""
    expected: float
    """False "savings shown" to be expected at most: if no site saved anything."""
    at_least_one: float
    """Chance of one or more, if no site saved anything and sites are independent."""
    share_of_shown: float | None
    """Largest expected share of false ones among those shown; None where none is shown."""
    words: str


def false_verdicts(sites: int, shown: int, confidence: float) -> FalseVerdicts:
    """Say how many of the verdicts "savings shown" chance alone may have made.

    Raises ModelError for counts that can't be.
    """
    if not 0 <= shown <= sites:
        raise ModelError(f"{shown} of {sites} sites can't have been shown to save")
    chance = (1 - confidence) / 2
    expected = sites * chance
    at_least_one = 1 - (1 - chance) ** sites
    share = min(1.0, expected / shown) if shown else None
    words = (
        f"If none of the {sites} sites saved anything, {expected:.1f} would still be expected to "
        f"show savings at {percent(confidence)} confidence, and one or more with a chance of "
        f"{percent(at_least_one)}."
    )
    if shown:
        words += f" {shown} did."
    return FalseVerdicts(sites, shown, expected, at_least_one, share, words)
