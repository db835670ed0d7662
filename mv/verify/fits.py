"""Which models describe this site?  The baseline's official model, and the others beside it.

Everything costly about one carrier is done here once: the official fit of the baseline period,
a fit of the reporting period where it is long enough to have one, and the hourly model that
carries load shape and the cross-check.  What follows (savings, interval, money) is arithmetic
on what this returns.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import pandas as pd

from mv.baseline.columns import Columns, Rows
from mv.baseline.fit import Fit
from mv.baseline.hourly import HourlyFit, fit_hourly
from mv.baseline.rows import hourly_rows, used
from mv.baseline.select import CandidateFit, Granularity, Selection, select
from mv.findings import Finding, ModelError
from mv.operating_days import OperatingCalendar
from mv.prepare import BASELINE, REPORTING, PreparedCarrier
from mv.readings.weather import WeatherReadings
from mv.savings.events import night_energy

OWN_MODEL_MONTHS = 11.5
"""Months of reporting from which that period gets a model of its own (a year, less what bills
leave open at its ends)."""
DAYS_A_MONTH = 365.25 / 12


@dataclass(frozen=True, kw_only=True)
class Hourly:
    """The hourly model over the hours of both periods."""

    fit: HourlyFit
    baseline: Columns
    """Used hours, as `hourly_rows` gives them, with `modelled` energy."""
    reporting: Columns
    """The same of all hours of used days."""
    night: pd.Series
    """Energy of every whole night of the site, by local date."""


@dataclass(frozen=True, kw_only=True)
class HourlyCheck:
    """What the hourly model says of the reporting period, kept when its rows are let go."""

    modelled: float
    """Hourly model over the used hours, energy."""
    measured: float
    """Measured over the same hours, declared events taken off."""
    cv_rmse: float | None
    r2: float | None


def hourly_check(hourly: Hourly | None, events: float) -> HourlyCheck | None:
    """Sum the hourly model up; `events` is the energy that declared events added."""
    if hourly is None:
        return None
    rows = used(hourly.reporting)
    if not len(rows):
        return None
    statistics = hourly.fit.statistics
    return HourlyCheck(
        modelled=float(np.sum(rows["modelled"])),
        measured=float(np.sum(rows["energy"])) - events,
        cv_rmse=statistics.cv_rmse,
        r2=statistics.r2,
    )


@dataclass(frozen=True, kw_only=True)
class Fits:
    """Models of one carrier, with the rows they were made from."""

    granularity: str
    """`daily` or `bills`."""
    baseline: Rows | None
    reporting: Rows | None
    """Used rows, declared adjustments taken off; let go before a draft is kept."""
    fit: Any
    """The official baseline model."""
    rule: str
    """How it was chosen, in words."""
    candidates: tuple[CandidateFit, ...]
    """Every form that competed; let go before a draft is kept."""
    reporting_fit: Any
    """The reporting period's own model; None where that is too short."""
    hourly: Hourly | None
    """Let go before a draft is kept."""
    findings: tuple[Finding, ...] = ()

    def on(self, prepared: PreparedCarrier) -> Fits:
        """The same models with the rows of both periods taken from the prepared ones."""
        return replace(
            self, baseline=prepared.period(BASELINE), reporting=prepared.period(REPORTING)
        )


def months_between(first, last) -> float:
    """Months from a first to a last day, both inclusive."""
    return ((last - first).days + 1) / DAYS_A_MONTH


def fit_periods(
    prepared: PreparedCarrier,
    calendar: OperatingCalendar,
    weather: WeatherReadings,
    time_zone: str,
    coverage: float,
    *,
    with_hours: bool,
) -> Fits:
    """Fit one carrier.  Raises ModelError where no model can be fitted to the baseline."""
    granularity: Granularity = "bills" if prepared.kind == "bills" else "daily"
    baseline, reporting = prepared.period(BASELINE), prepared.period(REPORTING)
    findings: list[Finding] = []
    selection = select(baseline, granularity, prepared.carrier, unit=prepared.unit)
    window = prepared.window
    findings += selection.findings
    own = None
    if months_between(window.reporting_start, window.reporting_end) >= OWN_MODEL_MONTHS:
        try:
            own = _own_model(reporting, granularity, prepared, selection.fit)
        except ModelError as error:
            findings.append(
                Finding("reporting_model_missing", f"The reporting period has no model: {error}.")
            )
    hourly = None
    if with_hours and prepared.interval is not None and prepared.step_seconds <= 3600:
        hourly = _hourly(
            prepared, calendar, weather, time_zone, coverage, days=(baseline.index, reporting.index)
        )
    return Fits(
        granularity=granularity,
        baseline=baseline,
        reporting=reporting,
        fit=selection.fit,
        rule=selection.rule,
        candidates=selection.candidates,
        reporting_fit=own.fit if own is not None else None,
        hourly=hourly,
        findings=tuple(findings),
    )


def _own_model(
    reporting: Rows, granularity: Granularity, prepared: PreparedCarrier, baseline: Fit
) -> Selection:
    """The reporting period's model: its own form, with the baseline's kinds of day, so that the two
    differ by what the building does and not by how days were sorted.  Where none of the forms is
    plausible with these, it looks for its own.  ModelError where there is no model at all."""
    given = {"carrier": prepared.carrier, "unit": prepared.unit}
    try:
        return select(reporting, granularity, **given, like=baseline)
    except ModelError:
        return select(reporting, granularity, **given)


def _hourly(
    prepared: PreparedCarrier,
    calendar: OperatingCalendar,
    weather: WeatherReadings,
    time_zone: str,
    coverage: float,
    *,
    days: tuple[np.ndarray, np.ndarray],
) -> Hourly | None:
    """The hourly model, on the hours of `days`, those that the daily model used of the baseline and
    of the reporting period, datetime64."""
    if weather.hourly is None:
        return None
    rows = hourly_rows(
        prepared.interval, prepared.step_seconds, time_zone, weather.hourly, calendar, coverage
    )
    baseline, reporting = (_hours_of_days(rows, of_period) for of_period in days)
    baseline = used(baseline)
    try:
        fit = fit_hourly(baseline)
    except ModelError:
        return None
    return Hourly(
        fit=fit,
        baseline=baseline.assign(modelled=baseline["energy"] - fit.residuals),
        reporting=reporting.assign(modelled=fit.predict(reporting)),
        night=night_energy(rows["energy"], rows["local_hour"]),
    )


def _hours_of_days(rows: Columns, days: np.ndarray) -> Columns:
    """The hours that lie in local days, both in order of time."""
    day = days.astype("datetime64[D]").astype(np.int64)
    first, last = (
        np.flatnonzero(np.diff(day, **{side: -2}) != 1) for side in ("prepend", "append")
    )
    edges = np.searchsorted(rows["local_hour"], [day[first] * 24, day[last] * 24 + 24])
    spans = [slice(begin, end) for begin, end in edges.T.tolist()]  # of days in a row
    if len(spans) == 1:
        return rows.take(spans[0])
    return rows.take(np.r_[(slice(0), *spans)])
