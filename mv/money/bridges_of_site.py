"""Which bridges can a site's numbers carry?  Savings, payback and bill, where it has the parts."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from mv.findings import ModelError
from mv.money.bridge import (
    Deal,
    Explained,
    bill_bridge,
    payback_bridge,
    responsibilities,
    savings_bridge,
)
from mv.money.cost_saving import CostSaving, Priced
from mv.money.load import Load
from mv.money.rates import price_use, use_of
from mv.quantity import Bridge
from mv.units import UnitError


@dataclass(frozen=True, kw_only=True)
class BillYears:
    """Last year's use, and what changed it by this year; energies in the claim's unit.

    The changes are signed as they change use; None where no evidence separates one.
    """

    last: Load
    """Measured load of a whole year before the works."""
    this: Load
    """Measured load of the reporting year, all days of it."""
    retrofit: float | None = None
    """Energy saved over `this`; the reporting period's saving where None."""
    weather: float | None = None
    days: float | None = None
    """What the change of operating and non-operating days did."""
    events: float | None = None
    last_cost: float | None = None
    """As billed, where bills carry a cost; computed from the rate otherwise."""
    this_cost: float | None = None
    labels: tuple[str, str] = ("last year's bill", "this year's bill")


def site_bridges(
    *,
    claim: Priced,
    cost: CostSaving,
    estimated: Deal | None,
    realised: Deal | None,
    explained: Explained | None,
    years: BillYears | None,
    responsible: Sequence[str],
    currency: str,
    holidays: np.ndarray,
    notes: list[str],
) -> list[Bridge]:
    """The bridges that can be built; a note says why one that is expected can't."""
    bridges: list[Bridge] = []
    if estimated is not None and realised is not None:
        told = explained or Explained()
        told = replace(told, responsible={**responsibilities(responsible), **told.responsible})
        bridges.append(savings_bridge(estimated, realised, claim.annual, currency, told))
        payback = payback_bridge(estimated, realised, claim.annual, told)
        if payback is not None:
            bridges.append(payback)
        else:
            notes.append(
                "No bridge between the paybacks is drawn: a cost is not known, or on the way from "
                "the estimate to what came the saving is not above zero."
            )
    if years is not None and cost.savings is not None:
        try:
            bridges.append(_bill(claim, years, currency, holidays))
        except (ModelError, UnitError) as error:
            notes.append(f"No bridge between two years' bills is drawn: {error}.")
    return bridges


def _bill(claim: Priced, years: BillYears, currency: str, holidays: np.ndarray) -> Bridge:
    costs, fixed = [], []
    for given, load in ((years.last_cost, years.last), (years.this_cost, years.this)):
        use = use_of(claim.rate, load, unit=claim.unit, holidays=holidays)
        costs.append(price_use(claim.rate, use).total if given is None else given)
        fixed.append(0.0 if claim.rate.flat else price_use(claim.rate, use.scaled(0.0)).total)
    saved = claim.savings
    if years.retrofit is not None:
        shift = years.retrofit - saved.value
        ends = [None if e is None else e + shift for e in (saved.low, saved.high)]
        saved = replace(saved, value=years.retrofit, low=ends[0], high=ends[1])
    return bill_bridge(
        last_cost=costs[0],
        last_energy=years.last.total,
        this_cost=costs[1],
        this_energy=years.this.total,
        retrofit=saved,
        weather=years.weather,
        days=years.days,
        events=years.events,
        currency=currency,
        last_fixed=fixed[0],
        this_fixed=fixed[1],
        labels=years.labels,
    )
