"""The model, its rivals, its limits and its surroundings, as plain results."""

from __future__ import annotations

from typing import Any

import numpy as np

from mv import lighting
from mv.baseline.acceptance import judge
from mv.findings import Finding
from mv.portfolio.schema import Retrofit
from mv.prepare import PreparedCarrier
from mv.quantity import Derivation, Interval
from mv.results import (
    Acceptance,
    CarrierResult,
    Coefficient,
    Model,
    OperatingDays,
)
from mv.savings.avoided import Avoided, row_days
from mv.savings.recency import recency_check
from mv.savings.uncertainty import SavingsUncertainty
from mv.verify.draft import Draft
from mv.verify.fits import Fits, HourlyCheck, months_between
from mv.wording import percent

CROSS_CHECK_SHARE = 0.5
"""Difference of the hourly model's saving, as a share of the half-width, that is worth telling
(common practice, no source)."""
CURVE_POINTS = 41


def model_of(fits: Fits, carrier: str, level: float) -> Model:
    """The official baseline, its terms and its statistics; `level` is the recency correction."""
    fit, stats = fits.fit, fits.fit.statistics
    names = list(fit.term_names)
    errors = [float(e) for e in fit.standard_errors]
    values = [float(c) for c in fit.coefficients]
    tried = recency_check(fit, fits.baseline, carrier) if level else None
    temperatures = np.linspace(fit.temperature_low, fit.temperature_high, CURVE_POINTS)
    return Model(
        family=fit.family,
        form=fit.form,
        formula=fit.formula(),
        granularity=fits.granularity,
        coefficients=dict(zip(names, values, strict=True)),
        standard_errors=dict(zip(names, errors, strict=True)),
        terms=[
            Coefficient(
                name=name,
                meaning=meaning,
                value=value,
                standard_error=error,
                t=float(t) if np.isfinite(t) else None,
                unit=unit,
            )
            for name, meaning, value, error, t, unit in zip(
                names, fit.term_meanings, values, errors, fit.t_values, fit.term_units, strict=True
            )
        ],
        change_points=[float(c) for c in fit.change_points],
        n=fit.n,
        parameters=fit.parameters,
        r2=stats.r2,
        adjusted_r2=stats.adjusted_r2,
        rmse=stats.rmse,
        cv_rmse=stats.cv_rmse,
        nmbe=stats.nmbe,
        autocorrelation=stats.autocorrelation,
        effective_n=stats.effective_n,
        durbin_watson=stats.durbin_watson,
        hold_out_cv_rmse=fit.hold_out_cv_rmse,
        hold_out_nmbe=fit.hold_out_nmbe,
        temperature_low=fit.temperature_low,
        temperature_high=fit.temperature_high,
        mean=stats.mean,
        unit=fit.unit,
        selection=fits.rule,
        level_correction=level,
        level_words=tried.words if tried is not None else "",
        curve=fit.curve(temperatures),
    )


def cross_check(
    hourly: HourlyCheck | None, saving: Interval, findings: list[Finding]
) -> dict[str, Any]:
    """The hourly model's saving beside the official one."""
    if hourly is None or not hourly.modelled > 0:
        return {}
    modelled, measured = hourly.modelled, hourly.measured
    other = (modelled - measured) / modelled
    difference = other - (saving.fraction or 0.0)
    half = (saving.fraction_high - saving.fraction) if saving.fraction is not None else None
    large = half is not None and abs(difference) > CROSS_CHECK_SHARE * half
    words = (
        f"The hourly model puts the saving at {percent(other, 1)} of its adjusted baseline, the "
        f"official daily model at {percent(saving.fraction or 0.0, 1)}"
    )
    words += (
        ": a large difference, so look at the load shape before relying on either."
        if large
        else "; they agree within half the interval."
    )
    if large:
        findings.append(Finding("models_disagree", words))
    return {
        "granularity": "hourly",
        "avoided_energy": modelled - measured,
        "adjusted_baseline": modelled,
        "fraction": other,
        "difference": difference,
        "large": large,
        "words": words,
        "level_correction": "none: the hourly figure carries no recency correction",
        "cv_rmse": hourly.cv_rmse,
        "r2": hourly.r2,
    }


def extrapolation(fits: Fits, findings: list[Finding], limit: float) -> float:
    """Share of reporting rows whose temperature the baseline never saw."""
    t = np.asarray(fits.reporting["temperature"], float)
    outside = (t < fits.fit.temperature_low) | (t > fits.fit.temperature_high)
    share = float(outside.mean()) if len(t) else 0.0
    if share > limit:
        findings.append(
            Finding(
                "extrapolated",
                f"{percent(share)} of the reporting period's rows lie outside the baseline's "
                f"temperatures ({fits.fit.temperature_low:.1f} to "
                f"{fits.fit.temperature_high:.1f} °C); the model is stretched there.",
                count=int(outside.sum()),
            )
        )
    return share


def acceptance(
    draft: Draft,
    prepared: PreparedCarrier,
    fits: Fits,
    how: SavingsUncertainty,
    avoided: Avoided,
    estimated: float | None,
) -> list[Acceptance]:
    """The acceptance table under the portfolio's profile."""
    window, settings = prepared.window, draft.description.settings
    days = (window.baseline_end - window.baseline_start).days + 1
    rows = judge(
        settings.acceptance,
        own=settings.acceptance_profiles,
        fit=fits.fit,
        baseline_months=months_between(window.baseline_start, window.baseline_end),
        reporting_months=months_between(window.reporting_start, window.reporting_end),
        baseline_coverage=float(row_days(fits.baseline).sum()) / max(days, 1),
        fractional_uncertainty=how.fractional,
        saving_over_error=(
            avoided.avoided / (how.fractional["0.68"] * abs(avoided.avoided))
            if how.fractional and avoided.avoided
            else None
        ),
        saving_fraction=avoided.fraction,
        expected_fraction=(
            estimated / (avoided.adjusted_baseline * 365 / avoided.days)
            if estimated and avoided.adjusted_baseline > 0
            else None
        ),
        granularity=fits.granularity,
    )
    return [Acceptance(**row) for row in rows]


def retrofit_fields(retrofit: Retrofit) -> dict[str, Any]:
    """A retrofit's row as read, with its place."""
    fields = retrofit.model_dump(mode="json", exclude={"source"})
    return fields | {"file": retrofit.source.file, "line": retrofit.source.line}


def lighting_estimate(
    draft: Draft, main: CarrierResult, days: OperatingDays | None
) -> tuple[dict[str, Any], list[Finding], list[Derivation]]:
    """The lighting schedule behind the claim: its lines, what looks wrong in it, how it adds up."""
    description = draft.description
    if not description.fixtures:
        return {}, [], []
    site = description.site
    annual = main.annual
    facts = lighting.SiteFacts(
        floor_area=site.floor_area,
        area_unit=site.floor_area_unit,
        operating_days=days.operating_days_baseline or None if days else None,
        estimated_savings=annual.estimated_savings if annual else None,
        baseline_use=main.baseline_energy if main.carrier == "electricity" else None,
    )
    made = lighting.estimate(description.fixtures, facts=facts)
    return made.as_fields(), list(made.findings), [lighting.derivation(made)]
