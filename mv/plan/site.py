"""What is agreed before a site's works begin, and can the saving be seen?

`plan_site` reads a site's baseline data and its estimate, fits the baseline as a report would,
and lays down everything that is to stay fixed: boundary and option, periods, model, operating
calendar, prices, responsibilities, treatment of lost data; and what the meter will be able to
show.  Readings from after the works' start are never used, even where the folder holds them.

Contents: IPMVP Core Concepts, list of plan contents; FEMP M&V plan outline (both from memory).
"""

from __future__ import annotations

import datetime as dt
from dataclasses import asdict, dataclass, field
from typing import Any

import numpy as np
import pandas as pd

from mv.baseline.acceptance import judge
from mv.baseline.columns import Columns
from mv.baseline.rows import used
from mv.baseline.select import Selection, select
from mv.findings import Finding, ModelError
from mv.plan import agreed
from mv.plan.alternatives import alternatives
from mv.plan.detection import Detection, Outlook, detection
from mv.plan.expected import months_after
from mv.plan.trial import Cut, placebo_cuts
from mv.portfolio.schema import SiteDescription
from mv.prepare import (
    BASELINE,
    PreparedCarrier,
    PreparedSite,
    is_period,
    prepare_site,
    spans_of,
    with_adjustment,
)
from mv.readings.sufficiency import sufficiency
from mv.savings.avoided import row_days
from mv.savings.drift import Prior, recency_level
from mv.verify.conditions import normal_year
from mv.verify.estimate import annual_estimate
from mv.verify.fits import months_between
from mv.wording import percent

CURVE_POINTS = 31
"""Points at which the model is sampled for the chart."""

PLANNED, IMPOSSIBLE = "planned", "not plannable"


@dataclass(frozen=True, kw_only=True)
class SitePlan:
    """One site's plan: plain numbers and words, ready to be frozen."""

    site: str
    name: str
    group: str = ""
    status: str
    """`planned`, or `not plannable` with `reason` and `remedy`."""
    reason: str = ""
    remedy: str = ""
    carrier: str = ""
    unit: str = "kWh"
    option: str = ""
    boundary: str = ""
    why_option: str = ""
    retrofits: list[dict[str, Any]] = field(default_factory=list)
    meters: list[dict[str, Any]] = field(default_factory=list)
    periods: dict[str, Any] = field(default_factory=dict)
    excluded: dict[str, int] = field(default_factory=dict)
    """Baseline days or bills left out, by rule."""
    events: list[dict[str, Any]] = field(default_factory=list)
    model: dict[str, Any] = field(default_factory=dict)
    acceptance: list[dict[str, Any]] = field(default_factory=list)
    baseline: dict[str, Any] = field(default_factory=dict)
    """Energy, days, and the points of the chart."""
    calendar: dict[str, Any] = field(default_factory=dict)
    weather: dict[str, Any] = field(default_factory=dict)
    estimate: dict[str, Any] = field(default_factory=dict)
    detection: dict[str, Any] = field(default_factory=dict)
    alternatives: list[dict[str, Any]] = field(default_factory=list)
    placebo: dict[str, Any] = field(default_factory=dict)
    static_factors: list[dict[str, Any]] = field(default_factory=list)
    prices: dict[str, Any] = field(default_factory=dict)
    responsibilities: list[dict[str, str]] = field(default_factory=list)
    lost_data: list[dict[str, str]] = field(default_factory=list)
    fixtures: list[dict[str, Any]] = field(default_factory=list)
    """The lighting schedule behind the estimate, line by line."""
    rates: dict[str, Any] = field(default_factory=dict)
    """The rates that the site's meters name, as written."""
    questions: list[str] = field(default_factory=list)
    """What is still open, for the owner."""
    inputs: list[dict[str, Any]] = field(default_factory=list)
    findings: list[dict[str, Any]] = field(default_factory=list)


@dataclass(frozen=True, kw_only=True)
class Basis:
    """A site read and bound; what its plan and the portfolio's own trial start from."""

    prepared: PreparedSite
    carrier: PreparedCarrier | None


def basis(description: SiteDescription) -> Basis:
    """Read a site once.  Bad readings never raise; they become the reason."""
    prepared = prepare_site(description)
    claimed = [c for c in prepared.carriers if c.claimed]
    return Basis(prepared=prepared, carrier=claimed[0] if claimed else None)


def plan_site(start: Basis, prior: Prior, own: Any = None) -> SitePlan:
    """Plan one site.

    Parameters
    ----------
    start : the site as `basis` read it.
    prior : drift in force.
    own : the portfolio's own drift, measured on other buildings, where it has one.
    """
    description = start.prepared.description
    carrier = start.carrier
    findings = list(start.prepared.findings)
    common = agreed.common(description, start.prepared)
    reason, remedy = _impossible(description, carrier, findings)
    if reason:
        return _refused(description, carrier, reason, remedy, common, findings)
    granularity = "bills" if carrier.kind == "bills" else "daily"
    every = with_adjustment(carrier.rows[is_period(carrier.rows, BASELINE)]).frame()
    baseline = used(every)
    try:
        selection = select(baseline, granularity, carrier.carrier, unit=carrier.unit)
        level = recency_level(selection.fit, baseline, carrier.carrier)
        periods = _periods(description, carrier, every, baseline)
        normal = normal_year(start.prepared)
        first = dt.date.fromisoformat(periods["reporting_start"])
        outlook = Outlook(
            fit=selection.fit,
            baseline=baseline,
            all_rows=every,
            carrier=carrier.carrier,
            granularity=granularity,
            level=level,
            normal=normal,
            start=first,
            baseline_months=periods["baseline_months"],
            gap_months=periods["installation_months"],
            confidence=description.settings.confidence,
            prior=prior,
            own=own,
        )
        estimated, source = annual_estimate(description, carrier)
        seen = detection(outlook, estimated, periods["reporting_months"])
        cuts = placebo_cuts(carrier, granularity, prior, first_day_of_works(carrier), own)
    except ModelError as error:
        return _refused(
            description,
            carrier,
            f"no baseline model can be fitted: {error}",
            "Give a longer baseline.",
            common,
            findings,
        )
    option, why = agreed.OPTIONS[carrier.boundary]
    return SitePlan(
        **common,
        status=PLANNED,
        carrier=carrier.carrier,
        unit=carrier.unit,
        option=option,
        boundary=carrier.boundary,
        why_option=why,
        meters=agreed.meters(description, start.prepared, carrier),
        periods=periods,
        excluded=_excluded(every),
        model=_model(selection, level, granularity),
        acceptance=_acceptance(description, selection, granularity, seen, estimated, periods),
        baseline=_baseline(every, baseline, granularity),
        weather=_weather(description, seen),
        estimate=_estimate_fields(estimated, source, seen, carrier.unit),
        detection=_detection(seen, description.settings.confidence, carrier.unit),
        alternatives=alternatives(description, carrier, seen, estimated),
        placebo=_placebo(cuts, description.settings.confidence),
        prices=agreed.prices(description, carrier),
        questions=agreed.questions(description, start.prepared, carrier, estimated),
        findings=agreed.finding_fields(findings),
    )


def first_day_of_works(carrier: PreparedCarrier) -> dt.date:
    """First day of the installation period."""
    return carrier.window.installation_start


def _impossible(
    description: SiteDescription, carrier: PreparedCarrier | None, findings: list[Finding]
) -> tuple[str, str]:
    """Why no plan can be made, and what would help; what is noted on the way joins `findings`."""
    if not description.retrofits:
        return "no retrofit is entered: a comparison site", ""
    if carrier is None:
        return "the site has no meter of the claimed carrier", "Add its meters to meters.csv."
    if carrier.rows is None or carrier.window is None:
        return carrier.reason, carrier.remedy
    rows = carrier.rows[is_period(carrier.rows, BASELINE)]
    # The reporting period is still to come: only what is said of the baseline counts.
    verdict = sufficiency(
        rows, rows, bills=carrier.kind == "bills", limits=description.settings.limits
    )
    findings += verdict.findings
    return verdict.reason, verdict.remedy


def _refused(description, carrier, reason, remedy, common, findings) -> SitePlan:
    estimate: dict[str, Any] = {}
    if carrier is not None:
        value, source = annual_estimate(description, carrier)
        estimate = {"annual": value, "unit": carrier.unit, "source": source}
    return SitePlan(
        **common,
        status=IMPOSSIBLE,
        reason=reason,
        remedy=remedy,
        carrier=carrier.carrier if carrier else "",
        unit=carrier.unit if carrier else "kWh",
        estimate=estimate,
        findings=agreed.finding_fields(findings),
    )


def _periods(description, carrier, every, baseline) -> dict[str, Any]:
    window, limits = carrier.window, description.settings.limits
    start = months_after(window.installation_end + dt.timedelta(days=1), 0)
    ends = [r.reporting_end for r in carrier.retrofits if r.reporting_end]
    months = round(limits.reporting_months)
    if ends:
        months = max(1, round(months_between(start, max(ends))))
    end = months_after(start, months) - dt.timedelta(days=1)
    last = _last_day(baseline)
    return {
        "baseline_start": window.baseline_start.isoformat(),
        "baseline_end": window.baseline_end.isoformat(),
        "baseline_last_reading": last.isoformat(),
        "baseline_months": months_between(window.baseline_start, min(window.baseline_end, last)),
        "baseline_days": float(row_days(every).sum()),
        "baseline_days_used": float(row_days(baseline).sum()),
        "installation_start": window.installation_start.isoformat(),
        "installation_end": window.installation_end.isoformat(),
        "installation_months": months_between(window.installation_start, window.installation_end),
        "reporting_start": start.isoformat(),
        "reporting_end": (max(ends) if ends else end).isoformat(),
        "reporting_months": months,
        "late": _last_day(carrier.rows) >= window.installation_start,
    }


def _last_day(rows: Columns) -> dt.date:
    return (spans_of(rows)[1][-1] - 1).astype(object)


def _excluded(every: pd.DataFrame) -> dict[str, int]:
    status = every["status"].astype(str)
    return {str(k): int(n) for k, n in status[status != "used"].value_counts().items()}


def _model(selection: Selection, level: float, granularity: str) -> dict[str, Any]:
    fit, stats = selection.fit, selection.fit.statistics
    errors, values = fit.standard_errors, fit.coefficients
    temperatures = np.linspace(fit.temperature_low, fit.temperature_high, CURVE_POINTS)
    return {
        "family": fit.family,
        "form": fit.form,
        "granularity": granularity,
        "formula": fit.formula(),
        "terms": [
            {"name": n, "meaning": m, "value": float(v), "standard_error": float(e), "unit": u}
            for n, m, v, e, u in zip(
                fit.term_names, fit.term_meanings, values, errors, fit.term_units, strict=True
            )
        ],
        "change_points": [float(c) for c in fit.change_points],
        "parameters": fit.parameters,
        "n": fit.n,
        "unit": fit.unit,
        "mean": stats.mean,
        "r2": stats.r2,
        "cv_rmse": stats.cv_rmse,
        "nmbe": stats.nmbe,
        "autocorrelation": stats.autocorrelation,
        "level_correction": level,
        "temperature_low": fit.temperature_low,
        "temperature_high": fit.temperature_high,
        "selection": selection.rule,
        "curve": fit.curve(temperatures),
        "candidates": [
            {"form": c.form, "criterion": c.criterion, "plausible": c.plausible, "why": c.why}
            for c in selection.candidates
        ],
    }


def _acceptance(
    description, selection, granularity, seen: Detection, estimated, periods
) -> list[dict]:
    """The profile's limits, judged at the estimated saving."""
    planned = seen.planned
    fractional = seen.uncertainty.fractional if estimated else {}
    return judge(
        description.settings.acceptance,
        fit=selection.fit,
        granularity=granularity,
        # 365 days are twelve months, though not twelve mean months to the last digit.
        baseline_months=round(periods["baseline_months"], 1),
        reporting_months=float(periods["reporting_months"]),
        baseline_coverage=periods["baseline_days_used"] / max(periods["baseline_days"], 1.0),
        saving_fraction=planned.estimated_fraction,
        expected_fraction=planned.estimated_fraction,
        saving_over_error=1 / fractional["0.68"] if fractional else None,
        fractional_uncertainty=fractional or None,
    )


def _baseline(every: pd.DataFrame, baseline: pd.DataFrame, granularity: str) -> dict[str, Any]:
    energy = float(baseline["energy"].to_numpy(float) @ row_days(baseline))
    return {
        "energy": energy,
        "rows": len(baseline),
        "points": {
            "temperature": np.round(baseline["temperature"].to_numpy(float), 2).tolist(),
            "energy": [float(f"{v:.5g}") for v in baseline["energy"].to_numpy(float)],
            "operating": np.round(baseline["operating"].to_numpy(float), 3).tolist(),
        },
        "of": "bills" if granularity == "bills" else "days",
    }


def _weather(description: SiteDescription, seen: Detection) -> dict[str, Any]:
    station = description.weather
    return {
        "station": station.station,
        "file": station.file,
        "unit": station.temperature_unit,
        "normal_file": station.normal_file,
        "normal_conditions": seen.conditions,
    }


def _estimate_fields(estimated, source, seen: Detection, unit: str) -> dict[str, Any]:
    return {
        "annual": estimated,
        "unit": unit,
        "source": source,
        "fraction": seen.planned.estimated_fraction,
    }


def _detection(seen: Detection, confidence: float, unit: str) -> dict[str, Any]:
    how = seen.uncertainty
    fields = {
        "confidence": confidence,
        "unit": unit,
        "curve": [asdict(p) for p in seen.curve],
        "planned": asdict(seen.planned),
        "months_needed": seen.months_needed,
        "months_likely": seen.months_likely,
        "touching": seen.touching,
        "likely": seen.likely,
        "programme": seen.programme,
        "second_year": seen.second_year,
        "guideline_14": seen.planned.guideline_14,
        "conditions": seen.conditions,
        "quantile": how.quantile,
        "model_part": how.model_part,
        "drift_part": how.drift_part,
        "drift_tau": how.drift_tau,
        "drift_source": how.drift_source,
        "words": how.words,
    }
    return fields


def _placebo(cuts: list[Cut], confidence: float) -> dict[str, Any]:
    if not cuts:
        return {"cuts": [], "words": "The history is too short to be cut in two."}
    shown = sum(c.low > 0 for c in cuts)
    words = (
        f"The history was cut {'once' if len(cuts) == 1 else f'{len(cuts)} times'} and a retrofit "
        "pretended that never was. A perfect meter would show zero; "
        f"{shown if shown else 'none'} of the false savings would have been announced at "
        f"{percent(confidence)} confidence."
    )
    return {"cuts": [asdict(c) for c in cuts], "words": words}
