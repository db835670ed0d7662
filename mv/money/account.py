"""What was promised, what came, and when is it paid back?  A site's account in money.

`site_money` takes numbers (an energy saving with its interval, loads in local time, the retrofits'
costs) and gives the fields of `results.Money`; it reads no file and fits no model.

    claim = Priced(carrier="electricity", unit="kWh", savings=..., annual=...,
                   rate=choice.rate, why_no_rate=choice.why,
                   measured=daily_load(dates, measured), adjusted=daily_load(dates, adjusted))
    account = site_money(settings=..., retrofits=..., claim=claim, estimated_annual=52_000.0,
                         reporting_end=date(2024, 12, 31))
    account.fields        every field of results.Money; intervals are Interval, paybacks and
                          bridges are mappings with the fields of results.Months and results.Bridge,
                          so that pydantic.TypeAdapter(Money).validate_python(account.fields)
                          makes the result
    account.findings      what was found amiss, for the site's findings
    account.derivations   how each figure was made, keys `money.<field>`

How the loads are made:

- bills: `bill_load(start, end, energy, peak)` for both, end exclusive.
- days, for a rate without hours and demand (`rate.needs_intervals` is False): `daily_load`.
- intervals otherwise: measured = shaped(interval_load(...), None, dates, measured_per_day) and
  adjusted = shaped(measured, hourly model's energy per interval, dates, adjusted_per_day): each
  day sums to the official daily figure, and the hourly model only spreads it over the hours.

Days that are not used in the saving are NaN, or absent, in both loads alike.
`choose_rate(meters, blocks)` finds the rate that the claim's meters name.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from dataclasses import asdict, dataclass
from typing import Any

import numpy as np

from mv.findings import Finding
from mv.money.cost_saving import CostSaving, Priced, cost_saving
from mv.money.invested import Invested, invested
from mv.money.payback import derivation as payback_derivation
from mv.money.payback import simple_payback
from mv.money.rates import Rate, open_rate
from mv.money.use import EMPTY
from mv.portfolio.schema import Block, Meter, Retrofit, Settings
from mv.quantity import Derivation, Interval, Step


@dataclass(frozen=True, kw_only=True)
class RateChoice:
    """The rate that prices a set of meters, or why there is none."""

    rate: Rate | None
    why: str = ""
    findings: tuple[Finding, ...] = ()


@dataclass(frozen=True, kw_only=True)
class Account:
    """A site's account: the fields of `results.Money`, findings, and how the figures were made."""

    fields: dict[str, Any]
    findings: tuple[Finding, ...]
    derivations: tuple[Derivation, ...]


def choose_rate(meters: Sequence[Meter], blocks: Sequence[Block]) -> RateChoice:
    """The rate that all of a claim's meters name.

    Raises FolderError where that rate is written wrongly.
    """
    named = {m.rate for m in meters if m.rate}
    if not named or any(not m.rate for m in meters):
        bare = [m for m in meters if not m.rate]
        names = ", ".join(m.meter for m in bare) or "none"
        why = f"no rate is named for meter {names}; fill the column rate of meters.csv"
        source = bare[0].source if bare else None
        return RateChoice(rate=None, why=why, findings=(_at("rate_missing", why, source),))
    if len(named) > 1:
        why = (
            f"the claim's meters name different rates ({', '.join(sorted(named))}), and their sum "
            "has no price; give them one rate, or claim them apart"
        )
        return RateChoice(rate=None, why=why, findings=(_at("rate_mixed", why, meters[0].source),))
    key = named.pop()
    found = {b.key: b for b in blocks}
    if key not in found:
        why = f"rates.toml has no rate {key!r}"
        return RateChoice(rate=None, why=why, findings=(_at("rate_missing", why, None),))
    return RateChoice(rate=open_rate(found[key]))


def site_money(
    *,
    settings: Settings,
    retrofits: Sequence[Retrofit],
    claim: Priced,
    others: Sequence[Priced] = (),
    estimated_annual: float | None = None,
    reporting_end: dt.date | None = None,
    holidays: np.ndarray = EMPTY,
) -> Account:
    """A site's account.

    Parameters
    ----------
    settings : currency and finance of the portfolio.
    retrofits : every retrofit that the claim covers; costs and incentives are summed.
    claim : the claimed carrier.
    others : the site's other carriers: shown as lines outside the claim, in no payback.
    estimated_annual : estimated saving in a year over all retrofits, `claim.unit`.
    reporting_end : last day of the reporting period; later months are projections.
    holidays : datetime64[D], the site's public holidays.
    """
    currency = settings.currency
    cost = cost_saving(claim, currency, holidays)
    paid = invested(retrofits, currency)
    findings = [*cost.findings, *paid.findings]
    annual = _annual(claim, cost, currency)
    estimated = (
        None if estimated_annual is None or cost.price is None else estimated_annual * cost.price
    )
    payback_estimated = simple_payback(
        paid.net_cost_estimated, estimated, missing=_why_no_estimate(estimated_annual, cost)
    )
    payback = simple_payback(
        paid.net_cost, annual, missing=cost.why or "no verified saving in a year is given"
    )
    recovered = cost.savings if claim.savings is not None else None
    lines = [{**line, "carrier": claim.carrier, "claimed": True} for line in cost.lines]
    for other in others:
        aside = cost_saving(other, currency, holidays)
        lines += [{**line, "carrier": other.carrier, "claimed": False} for line in aside.lines]
    maintenance = [r.maintenance_savings for r in retrofits if r.maintenance_savings is not None]
    notes = list(paid.notes)
    if cost.why:
        notes.insert(0, f"No money figure: {cost.why}.")
    if maintenance:
        text = (
            f"Maintenance savings of {sum(maintenance):,.0f} {currency} a year are as stated by "
            "the owner; no meter verifies them and no figure here holds them."
        )
        notes.append(text)
        findings.append(Finding("maintenance_not_verified", text))
    fields = {
        "currency": currency,
        "cost_savings": cost.savings,
        "annual_cost_savings_estimated": estimated,
        "annual_cost_savings": annual,
        "price": cost.price,
        "price_unit": f"{currency}/{claim.unit}",
        "rate": claim.rate.label if claim.rate else "",
        "rate_source": claim.rate.source if claim.rate else "",
        "cost_estimated": paid.cost_estimated,
        "incentive_estimated": paid.incentive_estimated,
        "net_cost_estimated": paid.net_cost_estimated,
        "cost_actual": paid.cost_actual,
        "incentive_actual": paid.incentive_actual,
        "net_cost": paid.net_cost,
        "simple_payback_estimated": asdict(payback_estimated),
        "simple_payback_realised": asdict(payback),
        "recovered": recovered,
        "recovered_fraction": None
        if recovered is None or not paid.net_cost or paid.net_cost <= 0
        else recovered.value / paid.net_cost,
        "maintenance_savings": sum(maintenance) if maintenance else None,
        "cost_lines": lines,
        "notes": notes,
    }
    derivations = _derive(claim, cost, paid, annual, estimated_annual, estimated, currency)
    derivations += [
        payback_derivation(
            "money.simple_payback_estimated",
            payback_estimated,
            paid.net_cost_estimated,
            estimated,
            currency,
            cost_source=f"{paid.cost_source.split(';')[0]}; estimated cost less incentive",
            saving_ref="money.annual_cost_savings_estimated",
        ),
        payback_derivation(
            "money.simple_payback_realised",
            payback,
            paid.net_cost,
            annual.value if annual else None,
            currency,
            cost_source=paid.cost_source,
            saving_ref="money.annual_cost_savings",
        ),
    ]
    return Account(
        fields=fields, findings=tuple(findings), derivations=tuple(d for d in derivations if d)
    )


def _annual(claim: Priced, cost: CostSaving, currency: str) -> Interval | None:
    if claim.annual is None or cost.price is None:
        return None
    annual = claim.annual.scaled(cost.price, f"{currency}/year")
    return Interval(
        annual.value,
        annual.low,
        annual.high,
        annual.unit,
        confidence=annual.confidence,
        kind="money",
        method=f"annual energy saving × {cost.price_how}",
    )


def _why_no_estimate(estimated_annual: float | None, cost: CostSaving) -> str:
    if estimated_annual is None:
        return "no saving was estimated"
    return cost.why


def _derive(
    claim: Priced,
    cost: CostSaving,
    paid: Invested,
    annual: Interval | None,
    estimated_annual: float | None,
    estimated: float | None,
    currency: str,
) -> list[Derivation]:
    if cost.savings is None:
        return []
    rate = f"rate {claim.rate.label}, {claim.rate.source}"
    made = [
        Derivation(
            "money.cost_savings",
            "cost saved = cost(adjusted baseline) − cost(measured load), same rate, same days",
            cost.savings.value,
            currency,
            "common practice, no source",
            (
                Step("B", "cost of the adjusted baseline", cost.baseline.total, currency, rate),
                Step("M", "cost of the measured load", cost.measured.total, currency, rate),
                Step(
                    "S",
                    "energy saved in the reporting period",
                    claim.savings.value,
                    claim.unit,
                    "avoided energy",
                    "avoided_energy.value",
                ),
            ),
        ),
        Derivation(
            "money.price",
            "price = " + cost.price_how,
            cost.price,
            f"{currency}/{claim.unit}",
            "common practice, no source",
            (
                Step(
                    "C",
                    "cost saved",
                    cost.savings.value,
                    currency,
                    rate,
                    "money.cost_savings",
                ),
                Step(
                    "S",
                    "energy saved",
                    claim.savings.value,
                    claim.unit,
                    "avoided energy",
                    "avoided_energy.value",
                ),
            ),
        ),
    ]
    price = Step(
        "p", "value of a saved unit", cost.price, f"{currency}/{claim.unit}", rate, "money.price"
    )
    if annual is not None:
        made.append(
            Derivation(
                "money.annual_cost_savings",
                "A = energy saved in a year · p",
                annual.value,
                annual.unit,
                "common practice, no source",
                (
                    Step(
                        "E",
                        "verified energy saved in a year",
                        claim.annual.value,
                        f"{claim.unit}/year",
                        "annual verified savings",
                        "annual.verified_savings",
                    ),
                    price,
                ),
            )
        )
    if estimated is not None:
        made.append(
            Derivation(
                "money.annual_cost_savings_estimated",
                "A = estimated energy saved in a year · p",
                estimated,
                f"{currency}/year",
                "common practice, no source",
                (
                    Step(
                        "E",
                        "estimated energy saved in a year",
                        estimated_annual,
                        f"{claim.unit}/year",
                        f"{paid.cost_source.split(';')[0]}, column estimated_savings",
                    ),
                    price,
                ),
            )
        )
    return made


def _at(rule: str, why: str, source) -> Finding:
    text = f"No money figure: {why}."
    if source is None:
        return Finding(rule, text)
    return Finding(rule, text, file=source.file, line=source.line, column="rate")
