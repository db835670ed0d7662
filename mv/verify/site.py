"""One site, top to bottom: reads like the contents of its report.

`measure` does what costs: it reads, judges and fits, and returns a `Draft` that can be kept.
`conclude` does the arithmetic that needs the portfolio's drift: savings, interval, verdict,
annual figures, money, and how each figure was made.  `verify_site` is the two in a row.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np
import pandas as pd

from mv import lighting, units
from mv.baseline.acceptance import judge
from mv.baseline.day_types import operating_day_effect
from mv.findings import Finding, ModelError, gravest_first
from mv.money.account import RateChoice, choose_rate, site_money
from mv.money.cost_saving import Priced
from mv.operating_days import OperatingCalendar
from mv.portfolio.schema import Portfolio, SiteDescription
from mv.prepare import (
    BASELINE,
    INSTALLATION,
    REPORTING,
    PreparedCarrier,
    PreparedSite,
    prepare_site,
    with_adjustment,
)
from mv.quantity import around
from mv.results import (
    Acceptance,
    Annual,
    Candidate,
    CarrierResult,
    Coefficient,
    InputFile,
    Model,
    Money,
    OperatingDays,
    Periods,
    Series,
    SiteResult,
    Uncertainty,
    from_mapping,
)
from mv.savings.avoided import Avoided, avoided_energy, row_days, verdict
from mv.savings.drift import Prior, load_prior, recency_level
from mv.savings.events import SuspectedEvent
from mv.savings.normalised import (
    AnnualSavings,
    both_models,
    normal_rows,
    realisation_rate,
    saved_fraction,
)
from mv.savings.placebo import Trial, trials_of_site
from mv.savings.uncertainty import SavingsUncertainty, interval
from mv.verify import ledger, series
from mv.verify.conditions import NormalYear, normal_year
from mv.verify.fits import Fits, fit_periods, months_between
from mv.verify.loads import HourShape, hour_shape, loads
from mv.verify.provenance import site_derivations

FINAL_MONTHS_TOLERANCE = 0.35
"""Months by which bills or a first day of data may fall short of a whole period."""
CROSS_CHECK_SHARE = 0.5
"""Difference of the hourly model's saving, as a share of the half-width, that is worth telling
(common practice, no source)."""
CURVE_POINTS = 41
ONE_DAY = np.timedelta64(1, "D")


@dataclass(frozen=True, kw_only=True)
class Context:
    """What a site's conclusion takes from the portfolio as a whole."""

    prior: Prior
    placebo: Any = None
    """The portfolio's own trial, where it has one."""


@dataclass(frozen=True, kw_only=True)
class CarrierDraft:
    """One carrier, fitted but not concluded."""

    prepared: PreparedCarrier
    fits: Fits | None
    reason: str
    remedy: str
    shape: HourShape | None = None
    profiles: dict[str, list] = field(default_factory=dict)
    heat: dict[str, list] = field(default_factory=dict)
    suspects: list[SuspectedEvent] = field(default_factory=list)
    findings: tuple[Finding, ...] = ()


@dataclass(frozen=True, kw_only=True)
class Draft:
    """One site, fitted but not concluded; picklable, without its readings."""

    description: SiteDescription
    carriers: tuple[CarrierDraft, ...]
    calendar: OperatingCalendar | None
    normal: NormalYear | None
    rate: RateChoice
    findings: tuple[Finding, ...]
    inputs: tuple[dict, ...]
    summary: Any = None
    """What the portfolio's trial needs of this site."""


def verify_site(portfolio: Portfolio, site: str, context: Context | None = None) -> SiteResult:
    """Verify one site of a portfolio (KeyError for an unknown key).

    Without a context the shipped drift prior widens the interval.
    """
    context = context or Context(prior=load_prior(portfolio.settings))
    return conclude(measure(portfolio.describe(site)), context)


# -- measure --------------------------------------------------------------------------------


def measure(description: SiteDescription) -> Draft:
    """Read, judge and fit one site.  Bad readings never raise: they become a carrier's reason."""
    prepared = prepare_site(description)
    claimed = [c for c in prepared.carriers if c.claimed]
    rate = RateChoice(rate=None, why="no retrofit is entered")
    if claimed:
        rate = choose_rate(
            [m for m in description.meters if m.meter in claimed[0].meters], description.rates
        )
    drafts = tuple(_fit_carrier(prepared, carrier, rate) for carrier in prepared.carriers)
    prior = load_prior(description.settings)
    trials = [t for carrier in prepared.carriers for t in _trials(prepared, carrier, prior)]
    return Draft(
        description=description,
        carriers=drafts,
        calendar=prepared.calendar,
        normal=normal_year(prepared),
        rate=rate,
        findings=prepared.findings,
        inputs=prepared.inputs,
        summary=trials,
    )


def _trials(site: PreparedSite, prepared: PreparedCarrier, prior: Prior) -> list[Trial]:
    """Pretended retrofits in the history before the works (a comparison site: all of it)."""
    rows = prepared.rows
    if rows is None or not len(rows) or prepared.boundary != "whole_facility":
        return []
    if prepared.window is not None:
        works = np.datetime64(prepared.window.installation_start)
        ends = rows["end"].to_numpy() if "end" in rows else rows.index.to_numpy() + ONE_DAY
        rows = rows[ends.astype("datetime64[D]") <= works]
    elif prepared.reason:
        return []
    key = site.description.site.site
    granularity = "bills" if prepared.kind == "bills" else "daily"
    return trials_of_site(
        with_adjustment(rows),
        site=key,
        carrier=prepared.carrier,
        granularity=granularity,
        prior=prior,
    )


def _fit_carrier(
    site: PreparedSite, prepared: PreparedCarrier, rate: RateChoice
) -> CarrierDraft:
    zone = site.description.site.time_zone
    light = replace(prepared, interval=None)
    if prepared.reason or prepared.window is None:
        profiles, heat = (
            series.load_shapes(prepared, zone) if prepared.rows is not None else ({}, {})
        )
        return CarrierDraft(
            prepared=light, fits=None, reason=prepared.reason, remedy=prepared.remedy,
            profiles=profiles, heat=heat,
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
        )
    profiles, heat = series.load_shapes(prepared, zone)
    needs_hours = rate.rate is not None and rate.rate.needs_intervals and prepared.claimed
    return CarrierDraft(
        prepared=light,
        fits=fits,
        reason="",
        remedy="",
        shape=hour_shape(prepared, fits, zone) if needs_hours else None,
        profiles=profiles,
        heat=heat,
        suspects=ledger.suspects(fits, prepared.carrier, zone),
        findings=fits.findings,
    )


# -- conclude -------------------------------------------------------------------------------


def conclude(draft: Draft, context: Context) -> SiteResult:
    """Make a site's result from its draft and the portfolio's drift."""
    description = draft.description
    site, settings = description.site, description.settings
    claimed = [c for c in draft.carriers if c.prepared.claimed]
    main = claimed[0] if claimed else (draft.carriers[0] if draft.carriers else None)
    findings = [*draft.findings, *draft.rate.findings]
    concluded = _conclude_carrier(draft, main, context, findings) if main else _no_meter(draft)
    others = [
        _conclude_carrier(draft, other, context, findings).result
        for other in draft.carriers
        if other is not main
    ]
    estimate = _estimate(draft, findings)
    result = SiteResult(
        **_fields(concluded.result),
        site=site.site,
        name=site.label,
        group=site.group,
        role="retrofit" if description.retrofits else "comparison",
        time_zone=site.time_zone,
        country=site.country,
        region=site.region,
        floor_area=(
            site.floor_area * units.factor(site.floor_area_unit, "m2") if site.floor_area else None
        ),
        weather=site.weather,
        confidence=settings.confidence,
        retrofits=[_retrofit(r) for r in description.retrofits],
        estimate=estimate,
        operating_days=_operating_days(draft, main),
        others=others,
        static_factors=[f.model_dump(mode="json") for f in description.static_factors],
        inputs=[InputFile(**i) for i in draft.inputs],
    )
    derivations = []
    if concluded.avoided is not None:
        account = _money(draft, main, concluded)
        findings += account.findings
        result = replace(result, money=from_mapping(Money, account.fields))
        derivations += account.derivations
    result = replace(
        result, findings=gravest_first(dict.fromkeys(findings))
    )
    return replace(result, derivations=[*site_derivations(result), *derivations])


@dataclass(frozen=True, kw_only=True)
class _Concluded:
    """A carrier's result with the numbers that money goes on with."""

    result: CarrierResult
    avoided: Avoided | None = None


def _fields(result: CarrierResult) -> dict[str, Any]:
    return {name: getattr(result, name) for name in result.__dataclass_fields__}


def _no_meter(draft: Draft) -> _Concluded:
    retrofits = draft.description.retrofits
    return _Concluded(
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


def estimated_savings(prepared: PreparedCarrier, draft: Draft) -> float | None:
    """Estimated saving in a year over the carrier's retrofits, canonical unit; None where no
    estimate is given.  A retrofit without one falls back on its fixture schedule."""
    given = []
    for retrofit in prepared.retrofits:
        if retrofit.carrier != prepared.carrier:
            continue
        if retrofit.estimated_savings is not None:
            unit = retrofit.estimated_savings_unit.split("/")[0]
            given.append(retrofit.estimated_savings * units.factor(unit, prepared.unit))
        else:
            lines = [f for f in draft.description.fixtures if f.retrofit == retrofit.retrofit]
            if lines and prepared.carrier == "electricity":
                given.append(lighting.estimate(lines).energy)
    return sum(given) if given else None


def _conclude_carrier(
    draft: Draft, carrier: CarrierDraft, context: Context, findings: list[Finding]
) -> _Concluded:
    prepared, fits = carrier.prepared, carrier.fits
    findings += carrier.findings
    estimated = estimated_savings(prepared, draft) if prepared.claimed else None
    base: dict[str, Any] = {
        "carrier": prepared.carrier,
        "meters": list(prepared.meters),
        "boundary": prepared.boundary,
        "unit": prepared.unit,
        "due": prepared.due,
    }
    events, nra_se = ledger.declared(prepared, fits) if prepared.window else ([], 0.0)
    base["events"] = events + ledger.suspected(carrier.suspects, prepared.unit)
    if fits is None:
        reason, remedy = carrier.reason, carrier.remedy
        if not reason:
            reason, remedy = "no retrofit is entered: a comparison site", ""
        return _Concluded(
            result=CarrierResult(
                **base,
                verdict="not verifiable",
                reason=reason,
                remedy=remedy,
                periods=_periods(prepared),
                annual=_annual(None, None, estimated, prepared.unit, draft.normal),
                series=_bare_series(carrier),
            )
        )
    window, settings = prepared.window, draft.description.settings
    fit = fits.fit
    level = recency_level(fit, fits.baseline, prepared.carrier)
    nra = ledger.adjustment(prepared)
    raw = fits.reporting.assign(energy=fits.reporting["energy"] + fits.reporting["adjustment"])
    avoided = avoided_energy(
        fit, fits.baseline, raw, adjustment=nra, adjustment_se=nra_se, level_correction=level
    )
    months = months_between(window.reporting_start, window.reporting_end)
    how = interval(
        fit,
        _period_rows(prepared, BASELINE),
        fits.reporting,
        carrier=prepared.carrier,
        granularity=fits.granularity,
        confidence=settings.confidence,
        prior=context.prior,
        adjusted_baseline=avoided.adjusted_baseline,
        avoided=avoided.avoided,
        adjustment_se=nra_se,
        baseline_months=months_between(window.baseline_start, window.baseline_end),
        reporting_months=months,
        gap_months=months_between(window.installation_start, window.installation_end),
        own=_own_drift(context, prepared.carrier, draft.description.site.site),
    )
    saving = around(
        avoided.avoided,
        how.half_width,
        prepared.unit,
        confidence=settings.confidence,
        kind="sum",
        method="calibrated: model and drift, Student tails",
        base=avoided.adjusted_baseline,
        fraction_of="adjusted baseline",
    )
    annual = _annual_savings(draft.normal, prepared, fits, avoided, how, months)
    baseline_days = row_days(fits.baseline)
    baseline_energy = float(fits.baseline["energy"].to_numpy(float) @ baseline_days)
    selection = fits.selection
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
        model=_model(fits, level),
        candidates=_candidates(selection, fits, raw, nra, level),
        cross_check=_cross_check(fits, saving, findings),
        acceptance=_acceptance(draft, prepared, fits, how, avoided, estimated),
        uncertainty=from_mapping(Uncertainty, how.as_fields(prepared.unit)),
        annual=_annual(annual, None, estimated, prepared.unit, draft.normal),
        extrapolation=_extrapolation(fits, findings, settings.limits.extrapolation_share),
        series=_series(carrier, avoided, how, estimated, level),
    )
    return _Concluded(result=result, avoided=avoided)


def _own_drift(context: Context, carrier: str, site: str) -> Any:
    """Drift measured on the portfolio's other buildings; None where they are too few."""
    return context.placebo.own_drift(carrier, site) if context.placebo is not None else None


def _period_rows(prepared: PreparedCarrier, name: str) -> pd.DataFrame:
    """All rows of a period, used or not, declared adjustments taken off."""
    return with_adjustment(prepared.rows[prepared.rows["period"] == name])


def _periods(prepared: PreparedCarrier) -> Periods | None:
    window, rows = prepared.window, prepared.rows
    if window is None:
        return None
    used = rows[rows["status"] == "used"]
    days = {
        name: int(row_days(used[used["period"] == name]).sum()) for name in (BASELINE, REPORTING)
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
        rows = normal_rows(normal.temperature, normal.operating, fits.granularity)
        if fits.reporting_selection is not None:
            return both_models(
                fits.fit,
                fits.baseline,
                fits.reporting_selection.fit,
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


def _annual(
    annual: AnnualSavings | None,
    _unused: None,
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


# -- the model in words and numbers ---------------------------------------------------------


def _model(fits: Fits, level: float) -> Model:
    fit, stats = fits.fit, fits.fit.statistics
    names = list(fit.term_names)
    errors = [float(e) for e in fit.standard_errors]
    values = [float(c) for c in fit.coefficients]
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
        selection=fits.selection.rule,
        level_correction=level,
        curve=fit.curve(temperatures),
    )


def _candidates(
    selection: Any, fits: Fits, reporting: pd.DataFrame, nra: float, level: float
) -> list[Candidate]:
    """Every form that competed, with the saving under each plausible one."""
    found = []
    for candidate in selection.candidates:
        saving = None
        fit = candidate.fit
        if fit is not None and candidate.plausible:
            corrected = level if fit is fits.fit else None
            if corrected is None:
                corrected = recency_level(fit, fits.baseline, "electricity") if level else 0.0
            saving = avoided_energy(
                fit, fits.baseline, reporting, adjustment=nra, level_correction=corrected
            ).avoided
        found.append(
            Candidate(
                form=candidate.form,
                criterion=candidate.criterion,
                cv_rmse=fit.statistics.cv_rmse if fit is not None else None,
                parameters=fit.parameters if fit is not None else 0,
                plausible=candidate.plausible,
                why=candidate.why,
                avoided_energy=saving,
            )
        )
    return found


def _cross_check(fits: Fits, saving, findings: list[Finding]) -> dict[str, Any]:
    """The hourly model's saving beside the official one."""
    if fits.hourly is None:
        return {}
    hours = fits.hourly
    reporting = hours.reporting[hours.reporting["status"] == "used"]
    if not len(reporting):
        return {}
    modelled = float(np.sum(hours.fit.predict(reporting)))
    measured = float(reporting["energy"].sum())
    if not modelled > 0:
        return {}
    other = (modelled - measured) / modelled
    difference = other - (saving.fraction or 0.0)
    half = (saving.fraction_high - saving.fraction) if saving.fraction is not None else None
    large = half is not None and abs(difference) > CROSS_CHECK_SHARE * half
    words = (
        f"The hourly model puts the saving at {other:.1%} of its adjusted baseline, the official "
        f"daily model at {saving.fraction or 0.0:.1%}"
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
        "cv_rmse": hours.fit.statistics.cv_rmse,
        "r2": hours.fit.statistics.r2,
    }


def _extrapolation(fits: Fits, findings: list[Finding], limit: float) -> float:
    """Share of reporting rows whose temperature the baseline never saw."""
    t = fits.reporting["temperature"].to_numpy(float)
    outside = (t < fits.fit.temperature_low) | (t > fits.fit.temperature_high)
    share = float(outside.mean()) if len(t) else 0.0
    if share > limit:
        findings.append(
            Finding(
                "extrapolated",
                f"{share:.0%} of the reporting period's rows lie outside the baseline's "
                f"temperatures ({fits.fit.temperature_low:.1f} to "
                f"{fits.fit.temperature_high:.1f} °C); the model is stretched there.",
                count=int(outside.sum()),
            )
        )
    return share


def _acceptance(
    draft: Draft,
    prepared: PreparedCarrier,
    fits: Fits,
    how: SavingsUncertainty,
    avoided: Avoided,
    estimated: float | None,
) -> list[Acceptance]:
    window, settings = prepared.window, draft.description.settings
    used = prepared.rows[prepared.rows["status"] == "used"]
    days = (window.baseline_end - window.baseline_start).days + 1
    rows = judge(
        settings.acceptance,
        fit=fits.fit,
        baseline_months=months_between(window.baseline_start, window.baseline_end),
        reporting_months=months_between(window.reporting_start, window.reporting_end),
        baseline_coverage=float(row_days(used[used["period"] == BASELINE]).sum()) / max(days, 1),
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


# -- calendar, inputs, estimate -------------------------------------------------------------


def _operating_days(draft: Draft, main: CarrierDraft | None) -> OperatingDays | None:
    calendar = draft.calendar
    if calendar is None:
        return None
    effect, types, counts = None, [], {BASELINE: 0, REPORTING: 0}
    if main is not None and main.prepared.window is not None:
        window = main.prepared.window
        operating = calendar.days["operating"]
        counts = {
            BASELINE: int(operating.loc[str(window.baseline_start) : str(window.baseline_end)].sum()),
            REPORTING: int(
                operating.loc[str(window.reporting_start) : str(window.reporting_end)].sum()
            ),
        }
        if main.fits is not None:
            effect = operating_day_effect(main.fits.fit, main.fits.baseline, main.fits.reporting)
            types = list(main.fits.fit.terms.kinds())
    country = draft.description.site.country
    return OperatingDays(
        week=calendar.week_words,
        origin=calendar.origin,
        words=calendar.words,
        holidays=f"public holidays of {country}" if country else "none kept: no country is given",
        operating_days_baseline=counts[BASELINE],
        operating_days_reporting=counts[REPORTING],
        exceptions=int((calendar.days["reason"] == "exception").sum()),
        holiday_list=[f"{day.isoformat()} {name}" for day, name in sorted(calendar.holidays.items())],
        adjustment=effect,
        day_types=types,
    )


def _retrofit(retrofit) -> dict[str, Any]:
    fields = retrofit.model_dump(mode="json", exclude={"source"})
    return fields | {"file": retrofit.source.file, "line": retrofit.source.line}


def _estimate(draft: Draft, findings: list[Finding]) -> dict[str, Any]:
    """The lighting schedule behind the claim, line by line."""
    fixtures = draft.description.fixtures
    if not fixtures:
        return {}
    made = lighting.estimate(fixtures)
    findings += made.findings
    return made.as_fields()


# -- series ---------------------------------------------------------------------------------


def _bare_series(carrier: CarrierDraft) -> Series | None:
    """Readings of a carrier that could not be verified, for its charts."""
    prepared = carrier.prepared
    if prepared.rows is None or not len(prepared.rows):
        return None
    daily, bills = series.row_series(prepared, np.full(len(prepared.rows), np.nan))
    return Series(daily=daily, bills=bills, profiles=carrier.profiles, heat=carrier.heat)


def _series(
    carrier: CarrierDraft,
    avoided: Avoided,
    how: SavingsUncertainty,
    estimated: float | None,
    level: float,
) -> Series:
    prepared, fits = carrier.prepared, carrier.fits
    rows = prepared.rows
    days = row_days(rows)
    known = np.isfinite(rows["temperature"].to_numpy(float))
    modelled = np.full(len(rows), np.nan)
    modelled[known] = fits.fit.predict(rows[known])
    after = np.isin(rows["period"].to_numpy(object), (INSTALLATION, REPORTING))
    modelled = (modelled + np.where(after, level, 0.0)) * days
    daily, bills = series.row_series(prepared, modelled)
    used = fits.reporting
    if "end" in used:
        starts = used["start"].to_numpy().astype("datetime64[D]")
        ends = used["end"].to_numpy().astype("datetime64[D]") - 1
    else:
        starts = ends = used.index.to_numpy("datetime64[D]")
    row_length = row_days(used)
    adjustment = used["adjustment"].to_numpy(float) * row_length
    net_measured = avoided.measured_rows - adjustment
    share = np.cumsum(avoided.modelled_rows) / avoided.adjusted_baseline
    widths = np.hypot(how.model_part * np.sqrt(np.clip(share, 0, None)), how.drift_part * share)
    widths = widths * (how.half_width / widths[-1]) if widths[-1] > 0 else widths
    return Series(
        daily=daily,
        bills=bills,
        monthly=series.monthly(starts, net_measured, avoided.modelled_rows, row_length),
        cumulative=series.cumulative(
            ends,
            avoided.modelled_rows - net_measured,
            widths,
            estimated / 365 if estimated is not None else None,
            row_length,
        ),
        profiles=carrier.profiles,
        heat=carrier.heat,
    )


# -- money ----------------------------------------------------------------------------------


def _money(draft: Draft, carrier: CarrierDraft, concluded: _Concluded):
    """The site's account, from the claimed carrier's loads."""
    description, result = draft.description, concluded.result
    rate = draft.rate.rate
    measured, adjusted = loads(
        carrier.prepared,
        concluded.avoided,
        carrier.shape,
        description.site.time_zone,
        needs_intervals=rate is not None and rate.needs_intervals,
    )
    annual = result.annual.verified_savings if result.annual else None
    holidays = sorted(draft.calendar.holidays) if draft.calendar else []
    return site_money(
        settings=description.settings,
        retrofits=description.retrofits,
        claim=Priced(
            carrier=result.carrier,
            unit=result.unit,
            savings=result.avoided_energy,
            annual=annual,
            rate=rate,
            why_no_rate=draft.rate.why,
            measured=measured,
            adjusted=adjusted,
        ),
        estimated_annual=result.annual.estimated_savings if result.annual else None,
        reporting_end=carrier.prepared.window.reporting_end,
        holidays=np.array(holidays, dtype="datetime64[D]"),
    )


def failed(description: SiteDescription, reason: str, findings: Sequence[Finding] = ()) -> SiteResult:
    """A site whose work could not be done: not verifiable, with the reason."""
    site = description.site
    retrofits = description.retrofits
    return SiteResult(
        carrier=retrofits[0].carrier if retrofits else "electricity",
        meters=[m.meter for m in description.meters],
        boundary="whole_facility",
        unit="kWh",
        verdict="not verifiable",
        reason=reason,
        site=site.site,
        name=site.label,
        group=site.group,
        role="retrofit" if retrofits else "comparison",
        time_zone=site.time_zone,
        weather=site.weather,
        confidence=description.settings.confidence,
        retrofits=[_retrofit(r) for r in retrofits],
        findings=list(findings),
    )
