"""Does the rate give what was billed?  Billed cost beside the cost computed for the same period.

A rate that is copied wrongly, or that is not the one in force, shows when its cost for a measured
bill differs from the cost on that bill.  A difference of more than 5 % over all bills is told, and
with more than 20 % money is not verifiable: the energy stands, the price doesn't (limits: common
practice, no source).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from mv.findings import Finding
from mv.money.clock import EMPTY
from mv.money.load import Load
from mv.money.rates import Rate, price_load
from mv.wording import number, percent

DIFFERS = 0.05
"""Relative difference that is told; common practice, no source."""
FAR = 0.20
"""Relative difference above which money is not verifiable; common practice, no source."""
WORST_SHOWN = 3
"""Bills named in the finding."""


@dataclass(frozen=True, kw_only=True)
class Billed:
    """Bills with their cost, baseline and reporting period alike."""

    load: Load
    """A load of bills."""
    cost: np.ndarray
    """Currency by bill, NaN where none is printed, shape (n,)."""


def billed_against_computed(
    billed: Billed, rate: Rate, *, unit: str, currency: str, holidays: np.ndarray = EMPTY
) -> tuple[list[dict[str, Any]], list[Finding]]:
    """One row a bill with a cost: its first day, billed, computed, difference as a fraction.

    Bills are priced as they stand, so the average price stands in where the rate has one and asks
    for hours.  Empty where the rate charges for demand and a bill prints none.  Raises ModelError
    and UnitError like `rates.price_load`.
    """
    bill = price_load(rate, billed.load, unit=unit, holidays=holidays)
    if any(rule == "demand_not_priced" for rule, _ in bill.use.notes):
        return [], []  # what the bills hold for demand cannot be computed
    computed = bill.by_period
    known = np.isfinite(billed.cost) & (billed.cost > 0) & np.isfinite(billed.load.energy)
    if not known.any():
        return [], []
    difference = np.where(known, computed / np.where(known, billed.cost, 1.0) - 1.0, 0.0)
    first = billed.load.billing.first
    rows = [
        {
            "start": str(first[i]),
            "billed": float(billed.cost[i]),
            "computed": float(computed[i]),
            "difference": float(difference[i]),
        }
        for i in np.flatnonzero(known)
    ]
    paid, priced = float(billed.cost[known].sum()), float(computed[known].sum())
    off = priced / paid - 1.0
    if abs(off) <= DIFFERS:
        return rows, []
    worst = np.argsort(-np.abs(difference))[:WORST_SHOWN]
    named = ", ".join(
        f"{first[i]} ({percent(difference[i], sign=True)})" for i in worst if known[i]
    )
    far = abs(off) > FAR
    text = (
        f"The rate {rate.label} gives {number(priced)} {currency} for {int(known.sum())} bills of "
        f"{number(paid)} {currency}, {percent(off, 1, sign=True)}; bills furthest off: {named}. "
        "Check the rate against the bills' own lines"
    )
    text += "; until then no money figure is given." if far else "."
    rule = "billed_cost_far" if far else "billed_cost_differs"
    return rows, [Finding(rule, text, count=int(known.sum()))]
