"""How was each figure of the account made?  Derivations that a reader can follow to the file."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from mv.money.bridge import Deal
from mv.money.cost_saving import CostSaving, Priced
from mv.money.invested import Invested
from mv.quantity import Derivation, Interval, Step

COST_SAVED = "money.cost_savings.value"
PRACTICE = "common practice, no source"


def derive_saving(claim: Priced, cost: CostSaving, currency: str) -> list[Derivation]:
    """The cost saved in the reporting period, and the value of a saved unit."""
    rate = f"rate {claim.rate.label}, {claim.rate.source}"
    saved = Step(
        "S",
        "energy saved in the reporting period",
        claim.savings.value,
        claim.unit,
        "avoided energy",
        "avoided_energy.value",
    )
    demand = ()
    if cost.demand is not None:
        words = "of which by claimed demand savings, not counted in the price"
        demand = (Step("D", words, cost.demand.value, currency, rate),)
    lines = tuple(
        Step(f"C_{i}", f"saved: {line['name']} ({line['how']})", line["saving"], currency, rate)
        for i, line in enumerate(cost.lines, start=1)
    )
    return [
        Derivation(
            COST_SAVED,
            "cost saved = cost(adjusted baseline) − cost(measured load) = Σ C_i",
            cost.savings.value,
            currency,
            PRACTICE,
            (
                Step("B", "cost of the adjusted baseline", cost.baseline.total, currency, rate),
                Step("M", "cost of the measured load", cost.measured.total, currency, rate),
                *lines,
                saved,
            ),
        ),
        Derivation(
            "money.price",
            "price = " + cost.price_how,
            cost.price,
            f"{currency}/{claim.unit}",
            PRACTICE,
            (
                Step("C", "cost saved", cost.savings.value, currency, rate, COST_SAVED),
                saved,
                *demand,
            ),
        ),
    ]


def below(path: str, derivations: Sequence[Derivation]) -> list[Derivation]:
    """The same trail for figures that stand below `path` in the results, steps among them."""
    return [
        replace(
            d,
            figure=f"{path}.{d.figure}",
            steps=tuple(replace(s, ref=f"{path}.{s.ref}") if s.ref else s for s in d.steps),
        )
        for d in derivations
    ]


def derive_annual(
    claim: Priced, cost: CostSaving, annual: Interval | None, demand: Interval | None, currency: str
) -> list[Derivation]:
    """The verified cost saving in a year."""
    if annual is None:
        return []
    steps = [
        Step(
            "E",
            "verified energy saved in a year",
            claim.annual.value,
            f"{claim.unit}/year",
            "annual verified savings",
            "annual.verified_savings.value",
        ),
        Step(
            "p",
            "value of a saved unit",
            cost.price,
            f"{currency}/{claim.unit}",
            f"rate {claim.rate.label}",
            "money.price",
        ),
    ]
    if demand is not None:
        steps.append(
            Step(
                "D",
                "claimed demand saving, priced for a year",
                demand.value,
                demand.unit,
                f"rate {claim.rate.label}",
            )
        )
    formula = "A = E · p + D" if demand is not None else "A = E · p"
    return [
        Derivation(
            "money.annual_cost_savings.value",
            formula,
            annual.value,
            annual.unit,
            PRACTICE,
            tuple(steps),
        )
    ]


def derive_estimated(
    claim: Priced, paid: Invested, planned: Deal | None, currency: str
) -> list[Derivation]:
    """The estimated cost saving in a year."""
    if planned is None:
        return []
    then = "the estimate's rate where one is given, else the actual one"
    steps = [
        Step(
            "E",
            "estimated energy saved in a year",
            planned.energy,
            f"{claim.unit}/year",
            f"{paid.places}, column estimated_savings",
        ),
        Step("p", "value of a saved unit then", planned.price, f"{currency}/{claim.unit}", then),
    ]
    if planned.demand:
        steps.append(
            Step(
                "D",
                "estimated demand saving, priced for a year",
                planned.demand,
                f"{currency}/year",
                f"{paid.places}, column estimated_demand_savings; {then}",
            )
        )
    return [
        Derivation(
            "money.annual_cost_savings_estimated",
            "A = E · p + D" if planned.demand else "A = E · p",
            planned.saving,
            f"{currency}/year",
            PRACTICE,
            tuple(steps),
        )
    ]


def derive_net_cost(paid: Invested, currency: str) -> list[Derivation]:
    """The net cost, retrofit by retrofit."""
    if paid.net_cost is None:
        return []
    return [
        Derivation(
            "money.net_cost",
            "net cost = Σ (cost − incentive received)",
            paid.net_cost,
            currency,
            PRACTICE,
            paid.steps,
        )
    ]
