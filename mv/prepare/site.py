"""One site read, cleaned, bound and judged; nothing is fitted.

`prepare_site` opens a site's files, adds meters of one carrier up, learns the operating
calendar, cuts the days or bills into periods, applies the declared events, and judges whether the
data suffice.  `mvreport check` prints this; a verification starts from it.  A carrier that can't
be verified keeps its reason and its remedy.
"""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass, field, replace

import numpy as np
import pandas as pd

from mv import units
from mv.baseline.columns import Columns
from mv.baseline.drivers import driver_series
from mv.baseline.rows import bill_rows, daily_rows, is_used
from mv.findings import Finding, ReadingsError
from mv.operating_days import OperatingCalendar, operating_days
from mv.portfolio.schema import Event, Retrofit, SiteDescription
from mv.prepare.claims import Group, groups_of
from mv.prepare.meters import sum_bills, sum_intervals, uneven_starts, why_not_added
from mv.prepare.periods import (
    BASELINE,
    OUTSIDE,
    REPORTING,
    Window,
    apply_events,
    is_period,
    periods_of,
    spans_of,
    window_of,
    with_adjustment,
)
from mv.readings.clock import DAY, local_seconds
from mv.readings.read import MeterReadings, read_meter
from mv.readings.series import Intervals
from mv.readings.station import station_doubts
from mv.readings.sufficiency import sufficiency
from mv.readings.weather import WeatherReadings, daily_temperature, read_weather

YEAR = dt.timedelta(days=366)


@dataclass(frozen=True, kw_only=True)
class PreparedCarrier:
    """One carrier within one boundary of a site, ready for a fit."""

    carrier: str
    boundary: str
    meters: tuple[str, ...]
    unit: str
    claimed: bool
    """Whether a retrofit's saving is claimed on it."""
    kind: str = ""
    """`interval` or `bills`; empty where nothing could be read."""
    window: Window | None = None
    interval: Intervals | None = None
    """Sum of the meters."""
    step_seconds: int | None = None
    rows: Columns | None = None
    """Daily or bill rows of the whole history, with `period` and `adjustment` (energy per day
    that a declared event added)."""
    events: tuple[Event, ...] = ()
    reason: str = ""
    """Why it can't be verified; empty when it can."""
    remedy: str = ""
    due: bool = True
    """False where the reporting period has not begun."""
    retrofits: tuple[Retrofit, ...] = ()
    """Those of the claim; for other meters, those over whose periods they are shown."""
    first_works: bool = True
    """Whether no earlier works touched the same meters."""
    findings: tuple[Finding, ...] = ()

    def period(self, name: str) -> Columns:
        """Usable rows of one period, declared adjustments taken off the energy."""
        rows = self.rows[is_period(self.rows, name) & is_used(self.rows)]
        return with_adjustment(rows)


@dataclass(frozen=True, kw_only=True)
class PreparedSite:
    """A site's readings, weather and calendar, and its carriers."""

    description: SiteDescription
    carriers: tuple[PreparedCarrier, ...]
    readings: dict[str, MeterReadings]
    weather: WeatherReadings | None
    temperature: pd.Series | None
    calendar: OperatingCalendar | None
    findings: tuple[Finding, ...]
    inputs: tuple[dict, ...] = field(default_factory=tuple)


def prepare_site(description: SiteDescription) -> PreparedSite:
    """Read and judge one site; nothing is fitted.  Never raises for bad readings: they become
    the reason why a carrier can't be verified."""
    site = description.site
    findings: list[Finding] = []
    inputs: list[dict] = []
    readings: dict[str, MeterReadings] = {}
    refused: dict[str, str] = {}
    for meter in description.meters:
        try:
            got = read_meter(description, meter)
        except ReadingsError as error:
            findings += [f.at(site=site.site, meter=meter.meter) for f in error.findings]
            refused[meter.meter] = " ".join(str(f) for f in error.findings[:2])
            continue
        readings[meter.meter] = got
        inputs.append(got.input | {"meter": meter.meter, "role": f"readings of {meter.meter}"})
        findings += [f.at(site=site.site, meter=meter.meter) for f in got.findings]

    weather, temperature, no_weather = None, None, ""
    try:
        weather = read_weather(description)
    except ReadingsError as error:
        findings += error.findings
        no_weather = " ".join(str(f) for f in error.findings[:2])
    if weather is not None:
        inputs.append(weather.input | {"role": f"temperatures of {description.weather.station}"})
        findings += weather.findings  # the station's, not this site's alone
        temperature = daily_temperature(weather, site.time_zone)

    groups = groups_of(description)
    calendar = _calendar(description, groups, readings)
    drivers, missed = driver_series(description.drivers)
    findings += [f.at(site=site.site) for f in missed]
    carriers = []
    for group in groups:
        carrier = _prepare_carrier(
            description, group, readings, refused, temperature, calendar, drivers, no_weather
        )
        carriers.append(carrier)
        if len(carriers) == 1 and carrier.kind == "interval" and weather is not None:
            doubts = station_doubts(
                carrier.rows.index,
                carrier.rows["energy"],
                weather,
                carrier=carrier.carrier,
                time_zone=site.time_zone,
            )
            findings += [f.at(site=site.site, file=description.weather.file) for f in doubts]
        findings += [f.at(site=site.site) for f in carrier.findings]
    if calendar is not None:
        findings += [f.at(site=site.site) for f in getattr(calendar, "findings", ())]
    return PreparedSite(
        description=description,
        carriers=tuple(carriers),
        readings=readings,
        weather=weather,
        temperature=temperature,
        calendar=calendar,
        findings=tuple(findings),
        inputs=tuple(inputs),
    )


def _calendar(
    description: SiteDescription, groups: list[Group], readings: dict[str, MeterReadings]
) -> OperatingCalendar | None:
    """The site's operating calendar, learned from the claimed carrier's baseline."""
    spans = []
    for got in readings.values():
        series = got.series
        if not len(series):
            continue
        if got.kind == "interval":
            first, last = series.starts[[0, -1]].astype("datetime64[s]").astype("datetime64[D]")
            spans.append(((first - 1).astype(object), (last + 1).astype(object)))
        else:
            spans.append((series.start[0].astype(object), series.end[-1].astype(object)))
    if not spans:
        return None
    # A year more than the readings: a usual year of operating days is wanted whole.
    first, last = min(s[0] for s in spans) - YEAR, max(s[1] for s in spans)
    daily = None
    if description.site.operating_week is None:
        daily = _baseline_daily(description, groups, readings)
    return operating_days(description, first, last, daily)


def _baseline_daily(
    description: SiteDescription, groups: list[Group], readings: dict[str, MeterReadings]
) -> pd.Series | None:
    """Daily energy of the baseline period, for learning the week; None for bills."""
    for group in sorted(groups, key=lambda g: g.carrier != "electricity"):
        parts = [readings[m.meter] for m in group.meters if m.meter in readings]
        if (
            not parts
            or any(p.kind != "interval" for p in parts)
            or why_not_added(group, readings)[0]
        ):
            continue
        whole, _ = sum_intervals(parts, description.site.time_zone)
        energy = whole.energy
        days = local_seconds(whole.starts, description.site.time_zone) // DAY
        days = days.astype("datetime64[D]")
        if group.retrofits:
            window = window_of(
                group.retrofits,
                days[0].astype(object),
                days[-1].astype(object),
                after=group.after,
                before=group.before,
            )
            inside = (days >= np.datetime64(window.baseline_start)) & (
                days <= np.datetime64(window.baseline_end)
            )
            energy, days = energy[inside], days[inside]
        if not len(days):
            return None
        starts = np.flatnonzero(np.r_[True, days[1:] != days[:-1]])
        return pd.Series(
            np.add.reduceat(energy, starts),
            index=pd.DatetimeIndex(days[starts].astype("datetime64[ns]"), name="date"),
        )
    return None


def _prepare_carrier(
    description: SiteDescription,
    group: Group,
    readings: dict[str, MeterReadings],
    refused: dict[str, str],
    temperature: pd.Series | None,
    calendar: OperatingCalendar | None,
    drivers: dict[str, pd.Series],
    no_weather: str,
) -> PreparedCarrier:
    keys = tuple(m.meter for m in group.meters)
    got = [readings[m.meter] for m in group.meters if m.meter in readings]
    base = PreparedCarrier(
        carrier=group.carrier,
        boundary=group.boundary,
        meters=keys,
        unit=got[0].unit if got else "kWh",
        claimed=group.claimed,
        retrofits=group.retrofits,
        first_works=group.after is None,
        findings=tuple(group.findings()),
    )

    def refuse(reason: str, remedy: str, **rest) -> PreparedCarrier:
        # Findings are sentences; a reason stands inside one.
        return replace(base, reason=reason.removesuffix("."), remedy=remedy, **rest)

    if not group.meters:
        return refuse(
            f"no whole-facility meter of {units.CARRIERS[group.carrier].label} is entered",
            "Add the meter to meters.csv, or name the meters in retrofits.csv.",
        )
    missing = [k for k in keys if k in refused]
    if missing:
        return refuse(
            f"the readings of {', '.join(missing)} can't be used: {refused[missing[0]]}",
            "Mend the file as the message says, or declare the setting that it names.",
        )
    reason, remedy = why_not_added(group, readings)
    if reason:
        return refuse(reason, remedy)
    if temperature is None:
        return refuse(f"there are no temperatures: {no_weather}", "Mend the weather file.")

    base = replace(base, findings=(*base.findings, *uneven_starts(got)))
    limits = description.settings.limits
    zone = description.site.time_zone
    if got[0].kind == "interval":
        interval, step = sum_intervals(got, zone)
        rows = daily_rows(interval, step, zone, temperature, calendar, limits.coverage, drivers)
        base = replace(base, kind="interval", interval=interval, step_seconds=step)
    else:
        bills = sum_bills(got)
        if isinstance(bills, str):
            return refuse(bills, "Give bills with the same read dates, or verify one meter.")
        rows = bill_rows(bills, temperature, calendar, drivers)
        base = replace(base, kind="bills")
    if not len(rows):
        return refuse("the file holds no readings that can be used", "Give readings.", rows=rows)

    events = tuple(e for e in description.events if e.meter is None or e.meter in keys)
    spans = spans_of(rows)
    rows = apply_events(rows, spans, events, base.unit)
    if not group.retrofits:
        outside = np.array([OUTSIDE], dtype=object).repeat(len(rows))
        return replace(base, rows=rows.assign(period=outside), events=events)

    first, last = spans[0][0].astype(object), (spans[1][-1] - 1).astype(object)
    window = window_of(group.retrofits, first, last, after=group.after, before=group.before)
    rows = rows.assign(period=periods_of(window, spans))
    base = replace(base, rows=rows, window=window, events=events)
    return _judge(description, base, last)


def _judge(
    description: SiteDescription, carrier: PreparedCarrier, last: dt.date
) -> PreparedCarrier:
    """Say whether the periods hold enough, and what is missing where they don't."""
    window, rows = carrier.window, carrier.rows
    if last <= window.installation_end:
        return replace(
            carrier,
            due=False,
            reason=f"not yet due: readings end on {last}, the works on {window.installation_end}",
            remedy="Run again when the reporting period has begun.",
        )
    baseline = rows[is_period(rows, BASELINE)]
    verdict = sufficiency(
        baseline,
        rows[is_period(rows, REPORTING)],
        bills=carrier.kind == "bills",
        limits=description.settings.limits,
    )
    reason, remedy = verdict.reason, verdict.remedy
    if not reason and not with_adjustment(baseline)["energy"][is_used(baseline)].any():
        reason = "the meter shows no use at all in the baseline period"
        remedy = "Give the readings of the meter that sees the retrofit, in the unit declared."
    late = next((f for f in carrier.findings if f.rule == "meter_starts_late"), None)
    if reason and late is not None:
        reason = f"{reason}; meter {late.meter} begins later than the others"
        remedy = f"{late.where()}: fill the day it came into service, or give earlier readings."
    return replace(
        carrier,
        findings=(*carrier.findings, *verdict.findings),
        reason=reason,
        remedy=remedy,
    )
