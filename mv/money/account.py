"""What was promised, what came, and when is it paid back?  A site's account in money.

`site_money` takes numbers (an energy saving with its interval, loads in local time, the retrofits'
costs) and gives the fields of `results.Money`; it reads no file and fits no model.

    choice = choose_rate(claimed_meters, description.rates)
    claim = Priced(carrier="electricity", unit="kWh", savings=..., annual=...,
                   rate=choice.rate, beside=choice.beside, why_no_rate=choice.why,
                   measured=daily_load(dates, measured), adjusted=daily_load(dates, adjusted))
    account = site_money(settings=..., retrofits=..., claim=claim, estimated_annual=52_000.0,
                         reporting_end=date(2024, 12, 31))
    account.fields        every field of results.Money; intervals are Interval, paybacks Months
                          and bridges Bridge, so that
                          pydantic.TypeAdapter(Money).validate_python(account.fields) makes
                          the result
    account.findings      what was found amiss, `choice.findings` not included
    account.derivations   how each figure was made, keys `money.<path into the fields>`

How the loads are made (`mv.money.load`):

- bills: `bill_load(start, end, energy, peak)` for both, end exclusive.
- days, where `choice.rate.needs_intervals` is False: `daily_load(dates, energy)`.
- intervals otherwise: measured = shaped(interval_load(...), None, dates, measured_per_day) and
  adjusted = shaped(measured, hourly model's energy per interval, dates, adjusted_per_day): each
  day sums to the official daily figure, and the hourly model only spreads it over the hours.

Days that are not used in the saving are NaN, or absent, in both loads alike.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from mv.findings import RULES, Finding, FolderError, ModelError
from mv.money.billed import Billed, billed_against_computed
from mv.money.bridge import Deal, Explained
from mv.money.bridges_of_site import BillYears, site_bridges
from mv.money.cash import Measured, cash_lines
from mv.money.clock import EMPTY
from mv.money.cost_saving import CostSaving, Priced, cost_saving, without_money
from mv.money.emissions import avoided_emissions, check_factors
from mv.money.incentives import incentive, open_terms
from mv.money.invested import Invested, invested
from mv.money.payback import MONTHS_A_YEAR, simple_payback
from mv.money.payback import derivation as derive_payback
from mv.money.prices import known_prices
from mv.money.rates import Rate, open_rate, rate_findings
from mv.money.trail import derive_annual, derive_estimated, derive_net_cost, derive_saving
from mv.money.worth_of_site import measure_life, worth_of_site
from mv.portfolio.schema import Block, Meter, Retrofit, Settings, Source
from mv.portfolio.tables import shown
from mv.quantity import Derivation, Interval
from mv.units import UnitError
from mv.wording import number


@dataclass(frozen=True, kw_only=True)
class RateChoice:
    """The rate that prices a set of meters, or why there is none."""

    rate: Rate | None
    beside: tuple[Rate, ...] = ()
    """Rates that say they are the estimate's or the contract's price of the same supply."""
    why: str = ""
    findings: tuple[Finding, ...] = ()


@dataclass(frozen=True, kw_only=True)
class Account:
    """A site's account: the fields of `results.Money`, findings, and how the figures were made."""

    fields: dict[str, Any]
    findings: tuple[Finding, ...]
    derivations: tuple[Derivation, ...]


def check_money(settings: Settings, blocks: Sequence[Block]) -> list[Finding]:
    """Everything that is wrong in rates, incentive terms and emission factors, at once."""
    found = [*check_factors(settings.emissions), *rate_findings(blocks)]
    if settings.incentive:
        try:
            open_terms(_terms_block(settings))
        except FolderError as error:
            found += error.findings
    return found


def choose_rate(meters: Sequence[Meter], blocks: Sequence[Block]) -> RateChoice:
    """The rate that all of a claim's meters name.

    Raises FolderError where that rate is written wrongly.
    """
    bare = [m for m in meters if not m.rate]
    named = {m.rate for m in meters if m.rate}
    if bare or not named:
        names = ", ".join(m.meter for m in bare) or "none"
        why = f"no rate is named for meter {names}; fill the column rate of meters.csv"
        return _no_rate("rate_missing", why, bare[0].source if bare else None)
    if len(named) > 1:
        why = (
            f"the claim's meters name different rates ({', '.join(sorted(named))}), and their sum "
            "has no price; give them one rate, or claim them apart"
        )
        return _no_rate("rate_mixed", why, meters[0].source)
    key = named.pop()
    found = {b.key: b for b in blocks}
    if key not in found:
        return _no_rate("rate_missing", f"rates.toml has no rate {shown(key)}", meters[0].source)
    beside = [open_rate(b) for b in blocks if b.values.get("of") == key]
    return RateChoice(rate=open_rate(found[key]), beside=tuple(beside))


def site_money(
    *,
    settings: Settings,
    retrofits: Sequence[Retrofit],
    claim: Priced,
    others: Sequence[Priced] = (),
    estimated_annual: float | None = None,
    reporting_end: dt.date | None = None,
    holidays: np.ndarray = EMPTY,
    billed: Billed | None = None,
    explained: Explained | None = None,
    years: BillYears | None = None,
) -> Account:
    """A site's account.

    Parameters
    ----------
    settings : currency, finance, emission factors and incentive terms of the portfolio.
    retrofits : every retrofit that the claim covers; costs and incentives are summed.
    claim : the claimed carrier.
    others : the site's other carriers: shown as lines outside the claim, in no payback.
    estimated_annual : estimated saving in a year over all retrofits, `claim.unit`.
    reporting_end : last day of the reporting period; later months are projections.
    holidays : datetime64[D], the site's public holidays.
    billed : bills with their printed cost, to hold the rate against.
    explained : evidence for the bridge: ratios of count, watts, hours; energy a year that weather,
        operating days and events account for.
    years : last year's use and what changed it, for the bridge between bills.
    """
    currency = settings.currency
    cost = cost_saving(claim, currency, holidays)
    paid = invested(retrofits, currency)
    findings = [*cost.findings, *paid.findings]
    rows, cost = _hold_against_bills(billed, claim, cost, currency, holidays, findings)
    prices = known_prices(claim, cost, currency, holidays)
    terms_then = next((p for p in prices if p["basis"] == "estimate"), None) or {
        "price": cost.price,
        "kw_price": cost.kw_price,
    }
    planned = _deal(
        paid.cost_estimated,
        paid.incentive_estimated,
        terms_then["price"],
        None if cost.why else estimated_annual,
        demand=_estimated_demand(retrofits) * (terms_then["kw_price"] or 0.0),
    )
    estimated = None if planned is None else planned.saving
    demand = _annual_demand(cost)
    annual = _annual(claim, cost, demand, currency)
    why_not = cost.why or ("" if estimated_annual is not None else "no saving was estimated")
    payback_estimated = simple_payback(paid.net_cost_estimated, estimated, missing=why_not)
    payback = simple_payback(
        paid.net_cost, annual, missing=cost.why or "no verified saving in a year is given"
    )
    life = measure_life(retrofits)
    notes = [f"No money figure: {cost.why}."] if cost.why else []
    notes += paid.notes
    worths, worth_trail = worth_of_site(settings, paid, annual, estimated, life, currency, notes)
    cash, crosses = cash_lines(
        start=_start(retrofits),
        reporting_end=reporting_end if cost.savings is not None else None,
        net_cost_estimated=paid.net_cost_estimated,
        annual_estimated=estimated,
        net_cost=paid.net_cost,
        annual=annual,
        measured=_measured(cost),
        life=life,
        discount_rate=settings.finance.discount_rate,
        escalation=settings.finance.price_escalation,
        degradation=settings.finance.degradation,
    )
    emissions, more, trail = avoided_emissions([claim, *others], settings.emissions)
    findings += more
    terms, earned_trail = _incentive(settings, claim, paid, estimated_annual, currency, findings)
    bridges = site_bridges(
        claim=claim,
        cost=cost,
        estimated=planned,
        realised=_deal(
            paid.cost,
            None if paid.net_cost is None else paid.cost - paid.net_cost,
            cost.price,
            None if claim.annual is None else claim.annual.value,
            demand=demand.value if demand else 0.0,
        ),
        explained=explained,
        years=years,
        responsible=[r.responsible for r in retrofits],
        currency=currency,
        holidays=holidays,
        notes=notes,
    )
    maintenance = _maintenance(retrofits, currency, notes, findings)
    recovered = cost.savings
    fields = {
        "currency": currency,
        "cost_savings": cost.savings,
        "annual_cost_savings_estimated": estimated,
        "annual_cost_savings": annual,
        "price": cost.price,
        "price_unit": claim.unit,
        "rate": claim.rate.label if claim.rate else "",
        "rate_source": claim.rate.source if claim.rate else "",
        "cost_estimated": paid.cost_estimated,
        "incentive_estimated": paid.incentive_estimated,
        "net_cost_estimated": paid.net_cost_estimated,
        "cost_actual": paid.cost_actual,
        "incentive_actual": paid.incentive_actual,
        "net_cost": paid.net_cost,
        "simple_payback_estimated": payback_estimated,
        "simple_payback_realised": payback,
        "recovered": recovered,
        "recovered_fraction": None
        if recovered is None or not paid.net_cost or paid.net_cost <= 0
        else recovered.value / paid.net_cost,
        **worths,
        "cash": cash,
        "crosses_zero": crosses,
        "maintenance_savings": maintenance,
        "prices": prices,
        "cost_lines": _lines(claim, cost, others, currency, holidays),
        "billed_against_computed": rows,
        "incentive": terms,
        "emissions": emissions,
        "bridges": bridges,
        "notes": notes,
    }
    derivations = [
        *(derive_saving(claim, cost, currency) if cost.savings is not None else []),
        *derive_annual(claim, cost, annual, demand, currency),
        *derive_estimated(claim, paid, planned, currency),
        *derive_net_cost(paid, currency),
        derive_payback(
            "money.simple_payback_estimated.months",
            payback_estimated,
            paid.net_cost_estimated,
            estimated,
            currency,
            cost_source=f"{paid.places}; estimated cost less estimated incentive",
            saving_ref="money.annual_cost_savings_estimated",
        ),
        derive_payback(
            "money.simple_payback_realised.months",
            payback,
            paid.net_cost,
            annual.value if annual else None,
            currency,
            cost_source=paid.cost_source,
            cost_ref="money.net_cost",
            saving_ref="money.annual_cost_savings.value",
        ),
        *worth_trail,
        *trail,
        *earned_trail,
    ]
    return Account(fields=fields, findings=tuple(findings), derivations=tuple(derivations))


def _hold_against_bills(
    billed: Billed | None,
    claim: Priced,
    cost: CostSaving,
    currency: str,
    holidays: np.ndarray,
    findings: list[Finding],
) -> tuple[list[dict[str, Any]], CostSaving]:
    if billed is None or claim.rate is None:
        return [], cost
    try:
        rows, found = billed_against_computed(
            billed, claim.rate, unit=claim.unit, currency=currency, holidays=holidays
        )
    except (ModelError, UnitError):
        return [], cost  # the saving itself cannot be priced either, and says so
    findings += found
    refused = [f for f in found if RULES[f.rule].action == "refuse"]
    return rows, without_money(refused[0].message.rstrip(".")) if refused else cost


def _annual_demand(cost: CostSaving) -> Interval | None:
    """Value of the claimed demand saving in a year."""
    if cost.demand is None or cost.months <= 0:
        return None
    return cost.demand.scaled(MONTHS_A_YEAR / cost.months, f"{cost.demand.unit}/year")


def _annual(
    claim: Priced, cost: CostSaving, demand: Interval | None, currency: str
) -> Interval | None:
    """Verified cost saving in a year: annual energy at the value of a unit, and demand."""
    if claim.annual is None or cost.price is None:
        return None
    annual = claim.annual.scaled(cost.price, f"{currency}/year")
    ends = [annual.value, annual.low, annual.high]
    if demand is not None:
        more = [demand.value, demand.low, demand.high]
        ends = [None if None in pair else sum(pair) for pair in zip(ends, more, strict=True)]
    return Interval(
        *ends,
        annual.unit,
        confidence=annual.confidence,
        kind="money",
        method=f"annual energy saving × {cost.price_how}" + (" + demand" if demand else ""),
    )


def _estimated_demand(retrofits: Sequence[Retrofit]) -> float:
    """Estimated demand saving over all retrofits, kW."""
    return sum(r.estimated_demand_savings or 0.0 for r in retrofits)


def _start(retrofits: Sequence[Retrofit]) -> dt.date:
    """The day payback counts from: the last acceptance, or the day after the last works."""
    return max(r.acceptance_date or r.installation_end + dt.timedelta(days=1) for r in retrofits)


def _measured(cost: CostSaving) -> Measured | None:
    if cost.savings is None:
        return None
    saved = {
        end: None if bill is None else bill.by_period - cost.measured.by_period
        for end, bill in (("value", cost.baseline), ("low", cost.low), ("high", cost.high))
    }
    return Measured(last_days=cost.measured.use.load.billing.last, **saved)


def _incentive(
    settings: Settings,
    claim: Priced,
    paid: Invested,
    estimated: float | None,
    currency: str,
    findings: list[Finding],
) -> tuple[dict[str, Any], list[Derivation]]:
    """What the programme's terms give for the verified saving; empty without terms."""
    if not settings.incentive:
        return {}, []
    try:
        agreed = open_terms(_terms_block(settings))
    except FolderError as error:
        findings += error.findings
        return {}, []
    received = paid.incentive_actual or 0.0
    terms, trail = incentive(
        agreed,
        claim.annual,
        unit=claim.unit,
        demand=claim.demand_savings.get(""),
        cost=paid.cost,
        estimated=estimated,
        paid=received,
        currency=currency,
    )
    if abs(terms.get("due", 0.0)) >= 1.0:
        findings.append(Finding("incentive_differs", terms["words"]))
    return terms, trail


def _maintenance(retrofits, currency: str, notes: list[str], findings: list[Finding]):
    stated = [r.maintenance_savings for r in retrofits if r.maintenance_savings is not None]
    if not stated:
        return None
    text = (
        f"Maintenance savings of {number(sum(stated))} {currency} a year are as stated by the "
        "owner; no meter verifies them and no figure here holds them."
    )
    notes.append(text)
    findings.append(Finding("maintenance_not_verified", text))
    return sum(stated)


def _lines(
    claim: Priced,
    cost: CostSaving,
    others: Sequence[Priced],
    currency: str,
    holidays: np.ndarray,
) -> list[dict[str, Any]]:
    """Cost lines of the claim, and of other carriers beside it."""
    lines = [{**line, "carrier": claim.carrier, "claimed": True} for line in cost.lines]
    for other in others:
        aside = cost_saving(other, currency, holidays)
        lines += [
            {
                **line,
                "name": f"{line['name']}, {other.carrier}, outside the claim",
                "carrier": other.carrier,
                "claimed": False,
            }
            for line in aside.lines
        ]
    return lines


def _deal(
    cost: float | None,
    incentive_: float | None,
    price: float | None,
    energy: float | None,
    *,
    demand: float,
) -> Deal | None:
    if price is None or energy is None:
        return None
    return Deal(cost=cost, incentive=incentive_, price=price, energy=energy, demand=demand)


def _terms_block(settings: Settings) -> Block:
    return Block(key="incentive", values=settings.incentive, source=Source(file="portfolio.toml"))


def _no_rate(rule: str, why: str, source: Source | None) -> RateChoice:
    text = f"No money figure: {why}."
    place = {} if source is None else {"file": source.file, "line": source.line, "column": "rate"}
    return RateChoice(rate=None, why=why, findings=(Finding(rule, text, **place),))
