"""What is the saving worth?  Cost of the adjusted baseline less cost of the measured load.

Both loads are priced under the same rate over the same days, so that fixed charges drop out and
blocks, hours and demand count for what they are (common practice, no source).  The interval of
the energy saving is carried through the rate: the adjusted baseline is scaled until it exceeds the
measured load by the lower and by the upper end, and priced again.

A saved unit's average value is the cost saved per unit saved.  Where the saving's interval holds
zero that ratio means nothing, and the value of a small saving is used instead: the cost of the
adjusted baseline less the cost of a hundredth less of it.  Demand stands apart: lighting often
misses the billed peak, and a ratchet may hide it, so demand charges fall only by what is claimed
from measured peaks; where nothing is claimed both loads are billed for the same peaks.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np

from mv.findings import RULES, Finding, ModelError
from mv.money.clock import EMPTY
from mv.money.load import Load, together
from mv.money.payback import MONTHS_A_YEAR
from mv.money.rates import Bill, Rate, price_use, use_of
from mv.money.use import Use
from mv.quantity import Interval
from mv.units import UnitError

ONE_PRICE = "the rate's one price"
PER_UNIT_SAVED = "cost saved per unit saved"
OF_A_SMALL_SAVING = "cost of the last hundredth of the load"

SMALL_SAVING = 0.01
"""Part of the adjusted baseline that stands for a small saving; common practice, no source."""


@dataclass(frozen=True, kw_only=True)
class Priced:
    """One carrier of a site as money sees it: energies in, no model and no readings."""

    carrier: str
    unit: str
    """Canonical unit of every energy here."""
    savings: Interval
    """Over the reporting period: adjusted baseline − measured + non-routine adjustment."""
    annual: Interval | None = None
    """In a year at normal conditions."""
    rate: Rate | None = None
    why_no_rate: str = ""
    beside: tuple[Rate, ...] = ()
    """Other prices of the same meters: the one that was estimated with, the contract's."""
    measured: Load | None = None
    """Measured load of the reporting period."""
    adjusted: Load | None = None
    """Adjusted baseline, same pieces as `measured`."""
    history: Load | None = None
    """Measured load of the months before the reporting period, for ratchets."""
    demand_savings: Mapping[str, Interval] = field(default_factory=dict)
    """Claimed demand saving of the monthly billing peak in kW, by time-of-use period; an empty
    name is for demand at any hour.  Empty where none is claimed: both loads then have the same
    peaks."""


@dataclass(frozen=True, kw_only=True)
class CostSaving:
    """What a carrier's saving is worth over the reporting period."""

    savings: Interval | None
    """Currency; None where it can't be priced, see `why`."""
    price: float | None
    """Average value of a saved unit, currency per canonical unit; claimed demand apart."""
    price_how: str
    demand: Interval | None
    """Part of `savings` that is due to claimed demand savings; None where none is claimed."""
    kw_price: float | None
    """Value of a kW less at every peak for a year, currency; None without a demand charge."""
    months: float
    """Months that the loads cover."""
    baseline: Bill | None
    """Cost of the adjusted baseline; `low` and `high` at the ends of the saving's interval."""
    measured: Bill | None
    lines: list[dict[str, Any]]
    why: str
    """Why nothing is given; empty otherwise."""
    findings: tuple[Finding, ...]
    low: Bill | None = None
    high: Bill | None = None


def cost_saving(part: Priced, currency: str, holidays: np.ndarray = EMPTY) -> CostSaving:
    """Price one carrier's saving.  Never raises for what a user wrote: says why in `why`."""
    if part.rate is None:
        why = part.why_no_rate or f"no rate is given for {part.carrier}"
        return without_money(why, _no_figure("rate_missing", why))
    if part.measured is None or part.adjusted is None:
        why = f"the loads of {part.carrier} are not known"
        return without_money(why, _no_figure("loads_missing", why))
    measured, adjusted = together(part.measured, part.adjusted)
    if not np.isfinite(measured.energy).any():
        why = "no day of the reporting period is known on both sides"
        return without_money(why, _no_figure("loads_missing", why))
    rate = part.rate
    try:
        use = use_of(rate, measured, unit=part.unit, holidays=holidays, history=part.history)
        cost_measured = price_use(rate, use)
        base = use_of(rate, adjusted, beside=use)
        bills, bare = {}, {}
        for end in ("value", "low", "high"):
            saved = getattr(part.savings, end)
            if saved is not None:
                load = base.scaled(_exceeding(measured, adjusted, saved))
                bare[end] = price_use(rate, load)
                bills[end] = _with_demand(rate, load, bare[end], part.demand_savings, end)
    except UnitError as error:
        return without_money(str(error), _no_figure("rate_unit", str(error)))
    except ModelError as error:
        return without_money(str(error), _no_figure("rate_needs_intervals", str(error)))
    findings = [Finding(rule, f"{text}.") for rule, text in cost_measured.use.notes]
    refusing = [f for f in findings if RULES[f.rule].action == "refuse"]
    if refusing:
        return without_money(refusing[0].message.rstrip("."), *findings)
    saved = {end: bill.total - cost_measured.total for end, bill in bills.items()}
    interval = Interval(
        saved["value"],
        saved.get("low"),
        saved.get("high"),
        currency,
        confidence=part.savings.confidence,
        kind="money",
        method="both loads priced under the same rate; ends of the energy interval carried through",
        fraction=_ratio(saved["value"], bills["value"].total),
        fraction_low=_ratio(saved.get("low"), bills["value"].total),
        fraction_high=_ratio(saved.get("high"), bills["value"].total),
        fraction_of="cost of the adjusted baseline",
    )
    price, how = _price_of_a_unit(part, base, bare["value"].total - cost_measured.total)
    billing = measured.billing
    months = float((billing.months * billing.days / billing.length).sum())
    if how == OF_A_SMALL_SAVING:
        findings.append(Finding("price_marginal", f"A saved unit is valued at the {how}."))
    return CostSaving(
        savings=interval,
        price=price,
        price_how=how,
        demand=_demand_value(part, bills, bare, currency),
        kw_price=_kw_price(rate, base, bare["value"], months),
        months=months,
        baseline=bills["value"],
        measured=cost_measured,
        low=bills.get("low"),
        high=bills.get("high"),
        lines=_lines(bills["value"], cost_measured),
        why="",
        findings=tuple(findings),
    )


def _exceeding(measured: Load, adjusted: Load, saved: float) -> float:
    """Factor that makes the adjusted baseline exceed the measured load by `saved`."""
    if adjusted.total <= 0:
        return 1.0
    return max(0.0, (measured.total + saved) / adjusted.total)


def _with_demand(
    rate: Rate, use: Use, bare: Bill, claimed: Mapping[str, Interval], end: str
) -> Bill:
    """The bill with the claimed demand saving added to the measured peaks."""
    if not claimed or "demand" not in rate.parts_for(use.load):
        return bare
    change = {name: getattr(kw, end) or 0.0 for name, kw in claimed.items()}
    return price_use(rate, replace(use, peak_change=change))


def _demand_value(
    part: Priced, bills: Mapping[str, Bill], bare: Mapping[str, Bill], currency: str
) -> Interval | None:
    if not part.demand_savings or "demand" not in part.rate.parts:
        return None
    worth = {end: bills[end].total - bare[end].total for end in bills}
    return Interval(
        worth["value"],
        worth.get("low"),
        worth.get("high"),
        currency,
        confidence=part.savings.confidence,
        kind="money",
        method="claimed demand saving, priced under the rate",
    )


def _kw_price(rate: Rate, base: Use, bare: Bill, months: float) -> float | None:
    """Value of one kW less at every billing peak for a year."""
    if "demand" not in rate.parts_for(base.load) or months <= 0:
        return None
    one = dict.fromkeys(("", *rate.calendar.periods), 1.0)
    more = price_use(rate, replace(bare.use, peak_change=one))
    return (more.total - bare.total) * MONTHS_A_YEAR / months


def _price_of_a_unit(part: Priced, base: Use, cost: float) -> tuple[float | None, str]:
    """Average value of a saved unit, and how it was found."""
    if part.rate.flat:
        return part.rate.parts["energy"][0].price * base.unit_factor, ONE_PRICE
    energy = part.savings
    clear = energy.low is None or energy.low > 0 or (energy.high is not None and energy.high < 0)
    if clear and energy.value != 0 and cost / energy.value > 0:
        return cost / energy.value, PER_UNIT_SAVED
    if base.load.total <= 0:
        return None, "no energy in the adjusted baseline"
    full, less = (price_use(part.rate, base.scaled(f)).total for f in (1.0, 1.0 - SMALL_SAVING))
    return (full - less) / (SMALL_SAVING * base.load.total), OF_A_SMALL_SAVING


def _lines(baseline: Bill, measured: Bill) -> list[dict[str, Any]]:
    return [
        {
            "name": b.name,
            "component": b.component,
            "baseline_cost": float(b.amount.sum()),
            "measured_cost": float(m.amount.sum()),
            "saving": float(b.amount.sum() - m.amount.sum()),
            "how": m.how,
        }
        for b, m in zip(baseline.lines, measured.lines, strict=True)
    ]


def _no_figure(rule: str, why: str) -> Finding:
    return Finding(rule, f"No money figure: {why}.")


def _ratio(value: float | None, base: float) -> float | None:
    return None if value is None or base <= 0 else value / base


def without_money(why: str, *findings: Finding) -> CostSaving:
    """No figure, and why."""
    return CostSaving(
        savings=None,
        price=None,
        price_how="",
        demand=None,
        kw_price=None,
        months=0.0,
        baseline=None,
        measured=None,
        lines=[],
        why=why,
        findings=findings,
    )
