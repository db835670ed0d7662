"""One carrier concluded: adjusted baseline, avoided energy with its interval, verdict, a year."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import partial
from typing import Any

import numpy as np

from mv.baseline.columns import Columns
from mv.baseline.fit import Fit
from mv.baseline.rows import DRIVER, is_used
from mv.findings import Finding, ModelError
from mv.prepare import BASELINE, REPORTING, PreparedCarrier, is_period, with_adjustment
from mv.quantity import Interval, around
from mv.results import Annual, CarrierResult, Demand, Periods, Uncertainty, from_mapping
from mv.savings.avoided import Avoided, avoided_energy, row_days, verdict
from mv.savings.drift import Prior, carrier_kind, recency_level
from mv.savings.normalised import (
    AnnualSavings,
    both_models,
    normal_rows,
    realisation_rate,
    saved_fraction,
)
from mv.savings.placebo import OwnDrift
from mv.savings.uncertainty import SavingsUncertainty, interval
from mv.verify import ledger
from mv.verify.conditions import NormalYear
from mv.verify.context import Context
from mv.verify.described import acceptance, cross_check, extrapolation, model_of
from mv.verify.draft import CarrierDraft, Draft
from mv.verify.drawn import bare_series, carrier_series
from mv.verify.estimate import annual_estimate
from mv.verify.fits import Fits, months_between

FINAL_MONTHS_TOLERANCE = 0.35
"""Months by which bills or a first day of data may fall short of a whole period."""


METHOD = "calibrated: model and drift, Student tails"


@dataclass(frozen=True, kw_only=True)
class Concluded:
    """A carrier's result with the numbers that money goes on with."""

    result: CarrierResult
    avoided: Avoided | None = None


def no_meter(draft: Draft) -> Concluded:
    """A site without a meter: not verifiable, and why."""
    retrofits = draft.description.retrofits
    return Concluded(
        result=CarrierResult(
            carrier=retrofits[0].carrier if retrofits else "electricity",
            meters=[],
            boundary="whole_facility",
            unit="kWh",
            verdict="not verifiable",
            reason="the site has no meter",
            remedy="Add its meters to meters.csv.",
        )
    )


def conclude_carrier(
    draft: Draft, carrier: CarrierDraft, context: Context, findings: list[Finding]
) -> Concluded:
    """Conclude one carrier; what is found on the way is added to `findings`."""
    prepared = carrier.prepared
    fits = carrier.fits.on(prepared) if carrier.fits is not None else None
    findings += carrier.findings
    estimated = annual_estimate(draft.description, prepared)[0] if prepared.claimed else None
    base: dict[str, Any] = {
        "carrier": prepared.carrier,
        "meters": list(prepared.meters),
        "boundary": prepared.boundary,
        "unit": prepared.unit,
        "due": prepared.due,
        "claimed": prepared.claimed,
        "claims": [r.retrofit for r in prepared.retrofits] if prepared.claimed else [],
    }
    events, nra_se = ledger.declared(prepared, fits) if prepared.window else ([], 0.0)
    base["events"] = events + ledger.suspected(carrier.suspects, prepared.unit)
    if fits is None:
        reason, remedy = carrier.reason, carrier.remedy
        if not reason:
            reason, remedy = "no retrofit is entered: a comparison site", ""
        return Concluded(
            result=CarrierResult(
                **base,
                verdict="not verifiable",
                reason=reason,
                remedy=remedy,
                periods=_periods(prepared),
                annual=_annual(None, estimated, prepared.unit, draft.normal),
                series=bare_series(carrier),
            )
        )
    window, settings = prepared.window, draft.description.settings
    fit = fits.fit
    every_row = _design(fit, prepared.rows)
    design = every_row[is_period(prepared.rows, REPORTING) & is_used(prepared.rows)]
    level = recency_level(fit, fits.baseline, prepared.carrier)
    nra = ledger.adjustment(prepared)
    months = months_between(window.reporting_start, window.reporting_end)
    held = partial(
        _held,
        prepared,
        fits,
        context.prior,
        settings.confidence,
        adjustment=nra,
        adjustment_se=nra_se,
        design=design,
    )
    avoided, how = held(level, context.own.get(carrier_kind(prepared.carrier)))
    saving = _official(avoided, how, prepared.unit)
    placebo = context.standing(prepared.carrier, avoided.fraction) if prepared.claimed else {}
    comparison: dict[str, Any] = {}
    applied = context.applied.get(base["claims"][0]) if prepared.claimed else None
    if applied is not None:
        plain = saving
        per_day = -applied.share * avoided.adjusted_baseline / avoided.days
        if applied.own is not None:
            level += per_day
            avoided, how = held(level, applied.own)
            saving = replace(
                _official(avoided, how, prepared.unit), method=f"{METHOD}; comparison group"
            )
        comparison = applied.as_fields(plain, saving, per_day)
    annual = _annual_savings(draft.normal, prepared, fits, avoided, how, months)
    baseline_days = row_days(fits.baseline)
    baseline_energy = float(fits.baseline["energy"] @ baseline_days)
    result = CarrierResult(
        **base,
        verdict=verdict(saving.low, saving.high),
        interim=months < settings.limits.reporting_months - FINAL_MONTHS_TOLERANCE,
        periods=_periods(prepared),
        baseline_energy=baseline_energy,
        adjusted_baseline=avoided.adjusted_baseline,
        measured=avoided.measured,
        avoided_energy=saving,
        non_routine_adjustment=nra,
        routine_adjustment=float(
            avoided.adjusted_baseline - baseline_energy / baseline_days.sum() * avoided.days
        ),
        model=model_of(fits, prepared.carrier, level),
        candidates=list(carrier.candidates),
        cross_check=cross_check(carrier.hourly, saving, findings),
        acceptance=acceptance(draft, prepared, fits, how, avoided, estimated),
        uncertainty=from_mapping(Uncertainty, how.as_fields(prepared.unit)),
        annual=_annual(annual, estimated, prepared.unit, draft.normal),
        demand=demand_of(carrier, how),
        extrapolation=extrapolation(fits, findings, settings.limits.extrapolation_share),
        placebo=placebo,
        comparison=comparison,
        series=carrier_series(carrier, fits, avoided, how, estimated, level, every_row),
    )
    return Concluded(result=result, avoided=avoided)


def _design(fit: Fit, rows: Columns) -> np.ndarray:
    """The model's design at all of a carrier's rows, NaN where a row has no temperature."""
    known = np.isfinite(rows["temperature"])
    if known.all():
        return fit.design(rows)
    design = np.full((len(rows), len(fit.coefficients)), np.nan)
    design[known] = fit.design(rows[known])
    return design


def _held(
    prepared: PreparedCarrier,
    fits: Fits,
    prior: Prior,
    confidence: float,
    level: float,
    own: OwnDrift | None,
    *,
    adjustment: float,
    adjustment_se: float,
    design: np.ndarray,
) -> tuple[Avoided, SavingsUncertainty]:
    """The reporting period held against the baseline at a level, and the interval with a drift;
    `design`: of the reporting rows."""
    window = prepared.window
    raw = fits.reporting.assign(energy=fits.reporting["energy"] + fits.reporting["adjustment"])
    avoided = avoided_energy(
        fits.fit,
        fits.baseline,
        raw,
        adjustment=adjustment,
        adjustment_se=adjustment_se,
        level_correction=level,
        modelled=design @ fits.fit.coefficients,
    )
    how = interval(
        fits.fit,
        _period_rows(prepared, BASELINE),
        fits.reporting,
        carrier=prepared.carrier,
        granularity=fits.granularity,
        confidence=confidence,
        prior=prior,
        adjusted_baseline=avoided.adjusted_baseline,
        avoided=avoided.avoided,
        adjustment_se=adjustment_se,
        baseline_months=months_between(window.baseline_start, window.baseline_end),
        reporting_months=months_between(window.reporting_start, window.reporting_end),
        gap_months=months_between(window.installation_start, window.installation_end),
        own=own,
        design=design,
    )
    return avoided, how


def _official(avoided: Avoided, how: SavingsUncertainty, unit: str) -> Interval:
    return around(
        avoided.avoided,
        how.half_width,
        unit,
        confidence=how.confidence,
        kind="sum",
        method=METHOD,
        base=avoided.adjusted_baseline,
        fraction_of="adjusted baseline",
    )


def _period_rows(prepared: PreparedCarrier, name: str) -> Columns:
    """All rows of a period, used or not, declared adjustments taken off."""
    return with_adjustment(prepared.rows[is_period(prepared.rows, name)])


def _periods(prepared: PreparedCarrier) -> Periods | None:
    window, rows = prepared.window, prepared.rows
    if window is None:
        return None
    used, covered = is_used(rows), row_days(rows)
    days = {
        name: int(covered[used & is_period(rows, name)].sum()) for name in (BASELINE, REPORTING)
    }
    return Periods(
        baseline_start=window.baseline_start.isoformat(),
        baseline_end=window.baseline_end.isoformat(),
        installation_start=window.installation_start.isoformat(),
        installation_end=window.installation_end.isoformat(),
        reporting_start=window.reporting_start.isoformat(),
        reporting_end=window.reporting_end.isoformat(),
        baseline_days=(window.baseline_end - window.baseline_start).days + 1,
        baseline_days_used=days[BASELINE],
        reporting_days=max((window.reporting_end - window.reporting_start).days + 1, 0),
        reporting_days_used=days[REPORTING],
    )


def _annual_savings(
    normal: NormalYear | None,
    prepared: PreparedCarrier,
    fits: Fits,
    avoided: Avoided,
    how: SavingsUncertainty,
    months: float,
) -> AnnualSavings | None:
    """Savings in a normal year; None where there is no normal year or no fraction."""
    if normal is None:
        return None
    try:
        rows = normal_rows(normal.temperature, normal.dates, normal.operating, fits.granularity)
        rows = _with_usual_drivers(rows, fits.baseline)
        if fits.reporting_fit is not None:
            return both_models(
                fits.fit,
                fits.baseline,
                fits.reporting_fit,
                fits.reporting,
                rows,
                granularity=fits.granularity,
                uncertainty=how,
                unit=prepared.unit,
                level_correction=avoided.level_correction,
            )
        return saved_fraction(
            fits.fit,
            rows,
            avoided=avoided.avoided,
            adjusted_baseline=avoided.adjusted_baseline,
            uncertainty=how,
            reporting_months=months,
            unit=prepared.unit,
            level_correction=avoided.level_correction,
        )
    except ModelError:
        return None


def _with_usual_drivers(normal: Columns, baseline: Columns) -> Columns:
    """The normal year with every driver at its mean of the baseline period."""
    names = [c for c in baseline.columns if c.startswith(DRIVER)]
    if not names:
        return normal
    days = row_days(baseline)
    means = {c: float(days @ baseline[c]) / days.sum() for c in names}
    return normal.assign(**means)


def _annual(
    annual: AnnualSavings | None,
    estimated: float | None,
    unit: str,
    normal: NormalYear | None,
) -> Annual | None:
    if annual is None and estimated is None:
        return None
    rate = None
    if annual is not None and estimated is not None:
        rate = realisation_rate(annual.savings, estimated)
    return Annual(
        unit=unit,
        estimated_savings=estimated,
        verified_savings=annual.savings if annual else None,
        realisation_rate=rate,
        method=annual.method if annual else "",
        normal_conditions=normal.words if normal else "",
        days=annual.days if annual else 365.0,
    )


def demand_of(carrier: CarrierDraft, how: SavingsUncertainty) -> Demand | None:
    """The demand saving with its interval, or why none is claimed."""
    prepared = carrier.prepared
    if not prepared.claimed or prepared.carrier != "electricity":
        return None
    given = [
        r.estimated_demand_savings
        for r in prepared.retrofits
        if r.estimated_demand_savings is not None
    ]
    estimated = sum(given) if given else None
    if carrier.demand is None:
        why = "Not claimed: bills show no demand that could be held against a baseline."
        return Demand(claimed=False, words=why, estimated=estimated)
    got = carrier.demand.concluded(how)
    return Demand(
        claimed=got.claimed,
        words=got.words,
        peak_savings=got.peak,
        window_savings=got.window,
        window=got.window_words,
        estimated=estimated,
        months=got.months,
    )
