"""The part that costs: one site read, judged and fitted, kept as a draft.

A draft holds everything that the conclusion needs and no readings, so that it can be packed,
kept, and concluded later with another drift.  Its rows are plain columns (`baseline/columns.py`),
which are quick to keep and quick to reckon with.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import numpy as np
import pandas as pd

from mv import units
from mv.findings import Finding, ModelError
from mv.money.account import RateChoice, choose_rate
from mv.portfolio.schema import SiteDescription
from mv.prepare import PreparedCarrier, PreparedSite, prepare_site
from mv.results import Candidate, OperatingDays
from mv.savings.demand import DemandBasis, demand_basis
from mv.savings.drift import load_prior
from mv.savings.events import SuspectedEvent
from mv.verify import ledger, series
from mv.verify.conditions import NormalYear, normal_year
from mv.verify.context import Summary, summary_of
from mv.verify.days import operating_days_of
from mv.verify.fits import Fits, HourlyCheck, fit_periods, hourly_check
from mv.verify.loads import HourShape, hour_shape
from mv.verify.rivals import rivals

LEFT = ("coverage", "day_type", "flag")
"""Columns of the rows that neither the fits nor anything after them asks for."""


@dataclass(frozen=True, kw_only=True)
class CarrierDraft:
    """One carrier, fitted but not concluded."""

    prepared: PreparedCarrier
    fits: Fits | None
    """Without the periods' rows, which are among the prepared ones."""
    reason: str
    remedy: str
    rate: RateChoice
    """The rate of its meters, or why there is none."""
    candidates: tuple[Candidate, ...] = ()
    hourly: HourlyCheck | None = None
    shape: HourShape | None = None
    profiles: dict[str, list] = field(default_factory=dict)
    heat: dict[str, np.ndarray] = field(default_factory=dict)
    suspects: list[SuspectedEvent] = field(default_factory=list)
    demand: DemandBasis | None = None
    findings: tuple[Finding, ...] = ()


@dataclass(frozen=True, kw_only=True)
class Draft:
    """One site, fitted but not concluded; without its readings; `packed.pack` keeps it."""

    description: SiteDescription
    carriers: tuple[CarrierDraft, ...]
    operating_days: OperatingDays | None
    """By the first carrier; None without a calendar."""
    holidays: np.ndarray
    """Public holidays that were kept, datetime64[D]."""
    logged_days: pd.DataFrame | None
    """The calendar's days, where loggers are set that are split by them."""
    normal: NormalYear | None
    findings: tuple[Finding, ...]
    inputs: tuple[dict, ...]
    summary: Summary
    """What the portfolio needs to know of this site."""


def measure(description: SiteDescription) -> Draft:
    """Read, judge and fit one site.  Bad readings never raise: they become a carrier's reason."""
    prepared = prepare_site(description)
    fitted = tuple(_fit_carrier(prepared, carrier) for carrier in prepared.carriers)
    calendar = prepared.calendar
    return Draft(
        description=description,
        carriers=tuple(_without_rows(draft) for draft in fitted),
        operating_days=_operating_days(prepared, fitted),
        holidays=np.array(sorted(calendar.holidays) if calendar else [], dtype="datetime64[D]"),
        logged_days=calendar.days if calendar and description.loggers else None,
        normal=normal_year(prepared),
        findings=prepared.findings,
        inputs=prepared.inputs,
        summary=summary_of(prepared, load_prior(description.settings)),
    )


def _without_rows(draft: CarrierDraft) -> CarrierDraft:
    """The same without what the conclusion asks nothing of, or takes from the prepared rows."""
    if draft.fits is None:
        return draft
    light = replace(draft.fits, baseline=None, reporting=None, hourly=None, candidates=())
    return replace(draft, fits=light)


def _rate_of(description: SiteDescription, prepared: PreparedCarrier) -> RateChoice:
    """The rate of a sum of meters: that of what is bought.

    Own generation and export need none; what is saved is priced as if all of it had been bought.
    """
    own = [m for m in description.meters if m.meter in prepared.meters]
    bought = [m for m in own if m.flow in ("use", "import")]
    choice = choose_rate(bought, description.rates)
    if choice.rate is not None and choice.rate.head.unit is None and _volume_alone(prepared):
        why = (
            f"{choice.rate.label} doesn't say what its price is per, and the meter's energy is not "
            'known: give the rate unit = "m3", or the meter its heat_content'
        )
        refused = Finding("rate_unit", f"No money figure: {why}.", file="rates.toml")
        return RateChoice(rate=None, why=why, findings=(refused,))
    if choice.rate is None or len(bought) == len(own):
        return choice
    note = Finding(
        "saving_priced_as_bought",
        "The site generates some of its energy; the saving is priced as if all of it had been "
        f"bought at the rate {choice.rate.label}, though some may have been fed back for less.",
        file="meters.csv",
    )
    return replace(choice, findings=(*choice.findings, note))


def _volume_alone(prepared: PreparedCarrier) -> bool:
    """Whether a carrier of energy is known by its volume only."""
    kinds = units.CARRIERS[prepared.carrier].kinds
    return "energy" in kinds and units.kind_of(prepared.unit) == "volume"


def _fit_carrier(site: PreparedSite, prepared: PreparedCarrier) -> CarrierDraft:
    """One carrier's draft, its fits with their rows."""
    zone = site.description.site.time_zone
    rate = RateChoice(rate=None, why="no retrofit is entered")
    if prepared.retrofits:
        rate = _rate_of(site.description, prepared)
    if prepared.rows is not None:
        prepared = replace(prepared, rows=prepared.rows.without(LEFT))
    light = replace(prepared, interval=None)
    if prepared.reason or prepared.window is None:
        profiles, heat = (
            series.load_shapes(prepared, zone) if prepared.rows is not None else ({}, {})
        )
        return CarrierDraft(
            prepared=light,
            fits=None,
            reason=prepared.reason,
            remedy=prepared.remedy,
            profiles=profiles,
            heat=heat,
            rate=rate,
        )
    try:
        fits = fit_periods(
            prepared,
            site.calendar,
            site.weather,
            zone,
            site.description.settings.limits.coverage,
            with_hours=prepared.claimed,
        )
    except ModelError as error:
        return CarrierDraft(
            prepared=light,
            fits=None,
            reason=f"no baseline model can be fitted: {error}",
            remedy="Give a longer baseline, or name the variable that drives use in drivers.csv.",
            rate=rate,
        )
    profiles, heat = series.load_shapes(prepared, zone)
    needs_hours = rate.rate is not None and rate.rate.needs_intervals and prepared.claimed
    return CarrierDraft(
        prepared=light,
        fits=fits,
        candidates=rivals(light, fits, fits.candidates),
        hourly=hourly_check(fits.hourly, ledger.adjustment(light)),
        reason="",
        remedy="",
        shape=hour_shape(prepared, fits.hourly, zone) if needs_hours else None,
        profiles=profiles,
        heat=heat,
        suspects=ledger.suspects(fits, prepared.carrier),
        demand=_demand_basis(prepared, fits, zone),
        rate=rate,
        findings=fits.findings,
    )


def _operating_days(
    prepared: PreparedSite, drafts: tuple[CarrierDraft, ...]
) -> OperatingDays | None:
    if prepared.calendar is None:
        return None
    main = drafts[0] if drafts else None
    return operating_days_of(
        prepared.calendar,
        prepared.description.site.country,
        main.prepared.window if main else None,
        main.fits if main else None,
    )


def _demand_basis(prepared: PreparedCarrier, fits: Fits, zone: str) -> DemandBasis | None:
    """Peaks of both periods; None where demand is not a question (bills, other carriers)."""
    if prepared.carrier != "electricity" or prepared.interval is None or not prepared.claimed:
        return None
    if fits.hourly is None:
        return DemandBasis("there is no hourly model of the site.")
    return demand_basis(
        fits.hourly.baseline,
        fits.hourly.reporting,
        prepared.interval,
        step_seconds=prepared.step_seconds,
        time_zone=zone,
    )
