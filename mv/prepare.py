"""What stands ready before anything is fitted: one site read, cleaned, bound and judged.

`prepare_site` opens a site's files, adds meters of one carrier up, learns the operating
calendar, cuts the days or bills into baseline, installation and reporting period, applies the
declared events, and judges whether the data suffice.  `mvreport check` prints this; a
verification starts from it.  A carrier that can't be verified keeps its reason and its remedy.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from dataclasses import dataclass, field, replace

import numpy as np
import pandas as pd

from mv import units
from mv.baseline.rows import bill_rows, daily_rows
from mv.findings import Finding, ReadingsError
from mv.operating_days import OperatingCalendar, operating_days
from mv.portfolio.schema import Event, Meter, Retrofit, SiteDescription
from mv.readings.read import MeterReadings, read_meter
from mv.readings.sufficiency import sufficiency
from mv.readings.weather import WeatherReadings, daily_temperature, read_weather

BASELINE, INSTALLATION, REPORTING, OUTSIDE = "baseline", "installation", "reporting", "outside"
DAY = dt.timedelta(days=1)


@dataclass(frozen=True, slots=True)
class Window:
    """First and last day of each period, local dates, both inclusive."""

    baseline_start: dt.date
    baseline_end: dt.date
    installation_start: dt.date
    installation_end: dt.date
    reporting_start: dt.date
    reporting_end: dt.date

    def period_of(self, days: pd.DatetimeIndex) -> np.ndarray:
        """Name the period of each day; shape (days,), str."""
        stamps = days.to_numpy("datetime64[D]")

        def within(first: dt.date, last: dt.date) -> np.ndarray:
            return (stamps >= np.datetime64(first)) & (stamps <= np.datetime64(last))

        return np.select(
            [
                within(self.baseline_start, self.baseline_end),
                within(self.installation_start, self.installation_end),
                within(self.reporting_start, self.reporting_end),
            ],
            [BASELINE, INSTALLATION, REPORTING],
            OUTSIDE,
        )


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
    interval: pd.DataFrame | None = None
    """Sum of the meters: UTC start, energy, flag."""
    step_seconds: int | None = None
    rows: pd.DataFrame | None = None
    """Daily or bill rows of the whole history, with `period` and `adjustment` (energy per day
    that a declared event added)."""
    events: tuple[Event, ...] = ()
    reason: str = ""
    """Why it can't be verified; empty when it can."""
    remedy: str = ""
    due: bool = True
    """False where the reporting period has not begun."""
    retrofits: tuple[Retrofit, ...] = ()
    findings: tuple[Finding, ...] = ()

    def period(self, name: str) -> pd.DataFrame:
        """Usable rows of one period, declared adjustments taken off the energy."""
        rows = self.rows[(self.rows["period"] == name) & (self.rows["status"] == "used")]
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


def with_adjustment(rows: pd.DataFrame) -> pd.DataFrame:
    """Rows whose energy is what it would have been without the declared events."""
    if not (rows["adjustment"] != 0).any():
        return rows
    return rows.assign(energy=rows["energy"] - rows["adjustment"])


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

    groups = _groups(description)
    calendar = _calendar(description, groups, readings)
    carriers = []
    for group in groups:
        carrier = _prepare_carrier(
            description, group, readings, refused, temperature, calendar, no_weather
        )
        carriers.append(carrier)
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


# -- which meters belong together -----------------------------------------------------------


@dataclass(frozen=True, slots=True)
class _Group:
    carrier: str
    boundary: str
    meters: tuple[Meter, ...]
    retrofits: tuple[Retrofit, ...]
    claimed: bool


def _groups(description: SiteDescription) -> list[_Group]:
    """Meters that are added up: those a retrofit names, else all of a carrier that see the
    whole facility.  The claimed carrier comes first."""
    retrofits = description.retrofits
    groups: list[_Group] = []
    taken: set[str] = set()
    for carrier in dict.fromkeys(r.carrier for r in retrofits):
        own = tuple(r for r in retrofits if r.carrier == carrier)
        named = {key for r in own for key in r.meters}
        meters = tuple(
            m
            for m in description.meters
            if m.carrier == carrier
            and (m.meter in named if named else m.boundary == "whole_facility")
        )
        taken |= {m.meter for m in meters}
        boundary = meters[0].boundary if meters else "whole_facility"
        groups.append(_Group(carrier, boundary, meters, own, True))
    for carrier, boundary in dict.fromkeys((m.carrier, m.boundary) for m in description.meters):
        meters = tuple(
            m
            for m in description.meters
            if (m.carrier, m.boundary) == (carrier, boundary) and m.meter not in taken
        )
        if meters:
            groups.append(_Group(carrier, boundary, meters, retrofits, False))
    return groups


def _signed(meter: Meter) -> float:
    """Use = import + generation − export."""
    return -1.0 if meter.flow == "export" else 1.0


def _sum_intervals(parts: Sequence[MeterReadings]) -> tuple[pd.DataFrame, int]:
    """Add interval series up on the coarsest step; an interval missing in one is missing."""
    step = max(p.step_seconds for p in parts)
    if len(parts) == 1 and _signed(parts[0].meter) > 0:
        return parts[0].table, step
    total = None
    for part in parts:
        energy = part.table["energy"]
        if part.step_seconds != step:
            energy = energy.resample(pd.Timedelta(seconds=step), origin="epoch").sum(
                min_count=step // part.step_seconds
            )
        energy = energy * _signed(part.meter)
        total = energy if total is None else total.add(energy)
    flag = np.where(total.isna(), "missing", "measured")
    return pd.DataFrame({"energy": total, "flag": pd.Categorical(flag)}, index=total.index), step


def _sum_bills(parts: Sequence[MeterReadings]) -> pd.DataFrame | str:
    """Add bills with equal read dates up; a sentence when the dates differ."""
    first = parts[0].table
    if len(parts) == 1:
        return first
    total = first.copy()
    for part in parts[1:]:
        table = part.table
        if not (
            len(table) == len(first)
            and (table["start"].to_numpy() == first["start"].to_numpy()).all()
            and (table["end"].to_numpy() == first["end"].to_numpy()).all()
        ):
            return (
                f"meters {parts[0].meter.meter} and {part.meter.meter} are billed on different "
                "dates and can't be added up."
            )
        for column in ("energy", "cost"):
            total[column] = total[column] + table[column] * _signed(part.meter)
    return total


def _one_kind(group: _Group, readings: dict[str, MeterReadings]) -> tuple[str, str]:
    """Reason and remedy where a group's meters can't be added up; empty strings otherwise."""
    flows = {m.flow for m in group.meters}
    if "export" in flows and "generation" not in flows:
        return (
            "energy is exported and the site's own generation is not metered, so its use is not "
            "known",
            "Enter the generation as a meter of its own with flow = generation.",
        )
    if len({readings[m.meter].kind for m in group.meters}) > 1:
        return (
            "interval readings and bills of one carrier can't be added up",
            "Give all meters of the carrier in one kind, or name one in the retrofit's meters.",
        )
    if len({readings[m.meter].unit for m in group.meters}) > 1:
        return (
            "some meters of the carrier are in energy and some in volume",
            "Give the heat content of the meters that read in volume.",
        )
    return "", ""


# -- periods --------------------------------------------------------------------------------


def year_before(day: dt.date) -> dt.date:
    """The same day a year earlier (28 February for the 29th)."""
    try:
        return day.replace(year=day.year - 1)
    except ValueError:
        return day.replace(year=day.year - 1, day=28)


def window_of(retrofits: Sequence[Retrofit], first: dt.date, last: dt.date) -> Window:
    """Periods of one or several retrofits that are verified together.

    The baseline is the 12 months before the works where no start is given; the installation
    period runs from the first retrofit's start to the last one's end; reporting ends with the
    data where no end is given.
    """
    start = min(r.installation_start for r in retrofits)
    end = max(r.installation_end for r in retrofits)
    given = [r.baseline_start for r in retrofits if r.baseline_start]
    baseline_start = min(given) if given else year_before(start)
    ends = [r.reporting_end for r in retrofits if r.reporting_end]
    reporting_end = min(max(ends), last) if ends else last
    return Window(
        max(baseline_start, first), start - DAY, start, end, end + DAY, max(reporting_end, end)
    )


def _calendar(
    description: SiteDescription, groups: list[_Group], readings: dict[str, MeterReadings]
) -> OperatingCalendar | None:
    """The site's operating calendar, learned from the claimed carrier's baseline."""
    spans = []
    for got in readings.values():
        table = got.table
        if not len(table):
            continue
        if got.kind == "interval":
            spans.append((table.index[0].date() - DAY, table.index[-1].date() + DAY))
        else:
            spans.append((table["start"].iloc[0].date(), table["end"].iloc[-1].date()))
    if not spans:
        return None
    first, last = min(s[0] for s in spans), max(s[1] for s in spans)
    daily = None
    if description.site.operating_week is None:
        daily = _baseline_daily(description, groups, readings)
    return operating_days(description, first, last, daily)


def _baseline_daily(
    description: SiteDescription, groups: list[_Group], readings: dict[str, MeterReadings]
) -> pd.Series | None:
    """Daily energy of the baseline period, for learning the week; None for bills."""
    for group in sorted(groups, key=lambda g: g.carrier != "electricity"):
        parts = [readings[m.meter] for m in group.meters if m.meter in readings]
        if not parts or any(p.kind != "interval" for p in parts) or _one_kind(group, readings)[0]:
            continue
        table, _ = _sum_intervals(parts)
        energy = table["energy"].to_numpy()
        local = table.index.tz_convert(description.site.time_zone).tz_localize(None)
        days = local.to_numpy().astype("datetime64[D]")
        if description.retrofits:
            window = window_of(
                description.retrofits, days[0].astype(object), days[-1].astype(object)
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
    group: _Group,
    readings: dict[str, MeterReadings],
    refused: dict[str, str],
    temperature: pd.Series | None,
    calendar: OperatingCalendar | None,
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
    )

    def refuse(reason: str, remedy: str, **rest) -> PreparedCarrier:
        return replace(base, reason=reason, remedy=remedy, **rest)

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
    reason, remedy = _one_kind(group, readings)
    if reason:
        return refuse(reason, remedy)
    if temperature is None:
        return refuse(f"there are no temperatures: {no_weather}", "Mend the weather file.")

    limits = description.settings.limits
    zone = description.site.time_zone
    if got[0].kind == "interval":
        interval, step = _sum_intervals(got)
        rows = daily_rows(interval, step, zone, temperature, calendar, limits.coverage)
        days = rows.index
        base = replace(base, kind="interval", interval=interval, step_seconds=step)
    else:
        bills = _sum_bills(got)
        if isinstance(bills, str):
            return refuse(bills, "Give bills with the same read dates, or verify one meter.")
        rows = bill_rows(bills, temperature, calendar)
        rows["cost"] = bills.sort_values("start", ignore_index=True)["cost"]
        days = pd.DatetimeIndex(rows["start"])
        base = replace(base, kind="bills")
    if not len(rows):
        return refuse("the file holds no readings that can be used", "Give readings.", rows=rows)

    events = tuple(e for e in description.events if e.meter is None or e.meter in keys)
    spans = _spans(rows)
    rows = _apply_events(rows, spans, events, base.unit)
    if not group.retrofits:
        rows["period"] = OUTSIDE
        return replace(base, rows=rows, events=events)

    ends = spans[1]
    last = (pd.Timestamp(ends[-1]) - pd.Timedelta(days=1)).date()
    window = window_of(group.retrofits, days[0].date(), last)
    rows["period"] = _periods(window, spans)
    base = replace(base, rows=rows, window=window, events=events)
    return _judge(description, base, last)


def _spans(rows: pd.DataFrame) -> tuple[np.ndarray, np.ndarray]:
    """Start and exclusive end of each row, datetime64[D]."""
    if "end" in rows:
        return (
            rows["start"].to_numpy().astype("datetime64[D]"),
            rows["end"].to_numpy().astype("datetime64[D]"),
        )
    starts = rows.index.to_numpy().astype("datetime64[D]")
    return starts, starts + 1


def _periods(window: Window, spans: tuple[np.ndarray, np.ndarray]) -> np.ndarray:
    """Period of each row.  A bill belongs to the baseline or reporting period only when it
    lies wholly on that side of the works; at the far ends half of it must lie inside."""
    starts, ends = spans
    middle = starts + (ends - starts) // 2
    baseline = (middle >= np.datetime64(window.baseline_start)) & (
        ends <= np.datetime64(window.installation_start)
    )
    reporting = (starts > np.datetime64(window.installation_end)) & (
        middle <= np.datetime64(window.reporting_end)
    )
    works = (ends > np.datetime64(window.installation_start)) & (
        starts <= np.datetime64(window.installation_end)
    )
    return np.select([baseline, works, reporting], [BASELINE, INSTALLATION, REPORTING], OUTSIDE)


def _apply_events(
    rows: pd.DataFrame,
    spans: tuple[np.ndarray, np.ndarray],
    events: Sequence[Event],
    unit: str,
) -> pd.DataFrame:
    """Mark the days that declared events exclude, and the energy per day that they added."""
    starts, ends = spans
    length = (ends - starts).astype(float)
    rows = rows.copy()
    adjustment = np.zeros(len(rows))
    status = np.array(rows["status"], dtype=object)
    for event in events:
        first = np.datetime64(event.start)
        after = np.datetime64(event.end + DAY) if event.end else ends[-1]
        overlap = (np.minimum(ends, after) - np.maximum(starts, first)).astype(float)
        share = np.clip(overlap, 0, None) / length
        if event.treatment == "exclude":
            status[(share > 0) & (status == "used")] = "event_excluded"
        elif event.treatment == "adjust" and event.change is not None:
            adjustment += share * event.change * units.factor(event.unit, unit)
    rows["status"] = status
    rows["adjustment"] = adjustment
    return rows


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
    verdict = sufficiency(
        rows[rows["period"] == BASELINE],
        rows[rows["period"] == REPORTING],
        bills=carrier.kind == "bills",
        limits=description.settings.limits,
    )
    findings = (*carrier.findings, *verdict.findings)
    return replace(carrier, findings=findings, reason=verdict.reason, remedy=verdict.remedy)
