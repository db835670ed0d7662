"""The site's account: which loads, which years and which evidence its money rests on."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from mv import units
from mv.baseline.columns import Columns
from mv.baseline.rows import is_used
from mv.findings import ModelError
from mv.money.account import Account, site_money
from mv.money.billed import Billed
from mv.money.bridge import Change, Explained
from mv.money.bridges_of_site import BillYears
from mv.money.cost_saving import Priced, cost_saving
from mv.money.load import Load, bill_load, daily_load
from mv.money.promised import promised_money
from mv.prepare import PreparedCarrier, spans_of
from mv.results import CarrierResult
from mv.savings.avoided import row_days
from mv.verify.carrier import Concluded
from mv.verify.draft import CarrierDraft, Draft
from mv.verify.fits import Fits
from mv.verify.loads import history, loads
from mv.wording import number

YEAR_DAYS = 365
YEAR_SLACK_DAYS = 20
"""Days by which bills may miss a whole year."""


def site_account(
    draft: Draft,
    carrier: CarrierDraft,
    concluded: Concluded,
    ratios: Sequence[Change] = (),
    beside: Sequence[tuple[CarrierDraft, Concluded]] = (),
) -> Account:
    """The account of one verified claim: its own loads, its own retrofits' cost.

    `ratios`: changes of count, watts or hours that loggers show against the estimate.
    `beside`: other carriers over the same periods; they are priced apart and enter no payback.
    """
    description, result = draft.description, concluded.result
    holidays = draft.holidays
    others = [_priced(draft, *pair) for pair in beside]
    account = site_money(
        settings=description.settings,
        retrofits=carrier.prepared.retrofits,
        claim=_priced(draft, carrier, concluded),
        others=others,
        estimated_annual=result.annual.estimated_savings if result.annual else None,
        reporting_end=carrier.prepared.window.reporting_end,
        holidays=holidays,
        billed=_billed(carrier.prepared),
        explained=_explained(concluded, ratios),
        years=_bill_years(carrier.prepared, carrier.fits, concluded),
    )
    currency = description.settings.currency
    account.fields["notes"] += [_outside(other, currency, holidays) for other in others]
    return account


def _priced(draft: Draft, carrier: CarrierDraft, concluded: Concluded) -> Priced:
    """One carrier as money sees it."""
    result, rate = concluded.result, carrier.rate.rate
    zone = draft.description.site.time_zone
    measured, adjusted = loads(
        carrier.prepared,
        concluded.avoided,
        carrier.shape,
        zone,
        needs_intervals=rate is not None and rate.needs_intervals,
    )
    demand = result.demand
    claimed = demand is not None and demand.claimed
    return Priced(
        carrier=result.carrier,
        unit=result.unit,
        savings=result.avoided_energy,
        annual=result.annual.verified_savings if result.annual else None,
        rate=rate,
        beside=carrier.rate.beside,
        why_no_rate=carrier.rate.why,
        measured=measured,
        adjusted=adjusted,
        history=history(carrier.shape, zone),
        demand_savings={"": demand.peak_savings} if claimed else {},
    )


def _outside(other: Priced, currency: str, holidays: np.ndarray) -> str:
    """What another carrier did in money over the reporting period, in a sentence."""
    label = units.CARRIERS[other.carrier].label
    cost = cost_saving(other, currency, holidays)
    if cost.savings is None:
        return f"Outside the claim, {label} has no money figure: {cost.why}."
    less = cost.savings.value >= 0
    change = cost.savings if less else cost.savings.scaled(-1.0, currency)
    words = f"{number(change.value)} {currency} {'less' if less else 'more'}"
    if change.low is not None and change.high is not None:
        words += f" ({number(change.low)} to {number(change.high)})"
    return (
        f"Outside the claim, {label} cost {words} over the reporting period than it would have "
        "without the retrofit. That is in no payback and in no total."
    )


def promised_account(draft: Draft, main: CarrierDraft, result: CarrierResult) -> Account:
    """The cost side and the estimate of a claim whose saving is not verified."""
    return promised_money(
        settings=draft.description.settings,
        retrofits=main.prepared.retrofits,
        choice=main.rate,
        unit=result.unit,
        estimated_annual=result.annual.estimated_savings if result.annual else None,
        why=result.reason,
    )


def _explained(concluded: Concluded, ratios: Sequence[Change]) -> Explained:
    """What evidence separates in the difference between estimate and verified saving.

    Declared events that were noted and not adjusted for explain nothing; logged hours do.
    """
    additions = []
    noted = [
        e
        for e in concluded.result.events
        if e.kind == "declared" and e.treatment == "note" and e.change_per_day is not None
    ]
    for event in noted:
        additions.append(
            Change(
                name=f"event: {event.what}",
                amount=-event.change_per_day * YEAR_DAYS,
                evidence=event.evidence or "events.csv",
            )
        )
    return Explained(ratios=ratios, additions=additions)


def _billed(prepared: PreparedCarrier) -> Billed | None:
    """Bills with their printed cost."""
    rows = prepared.rows
    if prepared.kind != "bills" or "cost" not in rows:
        return None
    rows = rows[is_used(rows)]
    cost = rows["cost"]
    if not np.isfinite(cost).any():
        return None
    return Billed(load=bill_load(rows["start"], rows["end"], rows["total"]), cost=cost)


def _bill_years(prepared: PreparedCarrier, fits: Fits, concluded: Concluded) -> BillYears | None:
    """The year before the works and the latest year after them, and what changed use between.

    None where either is not a whole year of usable rows.  Weather and operating days are told
    apart by the baseline model: its mean use on operating and on other days, at each year's
    temperatures, weighted with each year's share of operating days.
    """
    window, rows = prepared.window, prepared.rows
    spans = spans_of(rows)
    before = _year(rows, spans, np.datetime64(window.installation_start, "D"))
    after = _year(rows, spans, np.datetime64(window.reporting_end, "D") + 1)
    if before is None or after is None:
        return None
    if spans[0][after][0] <= np.datetime64(window.installation_end):
        return None
    try:
        means = _means(fits, rows, (before, after))
    except ModelError:
        return None
    (rest0, work0, share0, _), (rest1, work1, share1, days) = means
    share = (share0 + share1) / 2
    weather = days * ((1 - share) * (rest1 - rest0) + share * (work1 - work0))
    operating = days * (share1 - share0) * ((work0 - rest0) + (work1 - rest1)) / 2
    added = row_days(rows) * rows["adjustment"]  # energy that declared events added
    events = float(added[after].sum() - added[before].sum())
    saved = concluded.avoided
    return BillYears(
        last=_load(rows, before),
        this=_load(rows, after),
        retrofit=saved.avoided / saved.days * days,
        weather=weather,
        days=operating,
        events=events if events or added[after].sum() else None,
    )


def _year(
    rows: Columns, spans: tuple[np.ndarray, np.ndarray], end: np.datetime64
) -> np.ndarray | None:
    """Which rows are of the 365 days before `end` (exclusive) and usable, (rows,) bool; None where
    more than a few of the days are not.  `spans`: first day of each row and that after its last."""
    starts, ends = spans
    middle = starts + (ends - starts) // 2
    year = (middle >= end - YEAR_DAYS) & (ends <= end) & np.isfinite(rows["energy"]) & is_used(rows)
    return year if abs(row_days(rows)[year].sum() - YEAR_DAYS) <= YEAR_SLACK_DAYS else None


def _means(
    fits: Fits, rows: Columns, years: Sequence[np.ndarray]
) -> list[tuple[float, float, float, float]]:
    """Of each year (which rows are its own): mean modelled use a day if no day, and if every day,
    were an operating one; the share of operating days; days."""
    either = np.any(years, axis=0)
    rows = rows[either]
    rest, work = (fits.fit.predict(rows.assign(operating=works)) for works in (0.0, 1.0))
    means = []
    for year in years:
        days = np.where(year[either], row_days(rows), 0.0)
        total = float(days.sum())
        means.append((*(float(days @ v) / total for v in (rest, work, rows["operating"])), total))
    return means


def _load(rows: Columns, which: np.ndarray) -> Load:
    """The load of these rows, which (rows,) bool."""
    energy = (rows["energy"] * row_days(rows))[which]
    if "end" in rows:
        return bill_load(rows["start"][which], rows["end"][which], energy)
    return daily_load(rows.index[which], energy)
