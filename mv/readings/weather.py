"""What was the temperature at the site's weather station, hour by hour or day by day?

Temperatures become °C in UTC hours.  Gaps up to `temperature_gap_hours` are bridged by a straight
line and told; longer ones stay missing, so that the days they touch are left out.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
import pandas as pd

from mv import units
from mv.findings import Finding, ReadingsError, counted
from mv.portfolio.schema import Limits, SiteDescription, WeatherStation
from mv.readings import clock, interval
from mv.readings.cleaning import used_rows
from mv.readings.formats import Asked, read_table
from mv.readings.rows import Rows
from mv.readings.series import MEASURED, MISSING
from mv.readings.source import SourceFile, open_source
from mv.readings.table import Table
from mv.readings.weather_tables import temperature_rows

DAY = 86_400
COVERAGE = 0.9
"""Share of a day's hours that must have a temperature (common practice, no source)."""
PLAUSIBLE = (-90.0, 60.0)
"""°C outside which a value is no air temperature: the records measured on Earth are −89.2 and
56.7 (World Meteorological Organization, Weather and Climate Extremes Archive; from memory)."""

MISSING_CODES = (-9999.0, -999.9, -999.0, -99.9, -99.0, 99.9, 999.0, 999.9, 9999.0, 9999.9)
"""Numbers that weather services write for a missing value, in the file's unit."""
STUCK_HOURS = 36
"""Hours of one temperature that no weather brings (common practice, no source)."""
SPAN_MOST = 100 * 366 * DAY


@dataclass(frozen=True, kw_only=True, eq=False)
class WeatherReadings:
    """One station's temperatures in °C; a station that is read once is one object for all its
    sites, and equal to none but itself.

    `hourly`: index `start` (UTC), column temperature; `daily`: index `date` (naive, the
    station's local day), column temperature, for stations that give days only; `normal_daily`:
    mean temperature of each day of the year, 1 to 365.
    """

    hourly: pd.DataFrame | None
    daily: pd.DataFrame | None
    normal_daily: pd.Series | None
    input: dict
    findings: tuple[Finding, ...] = ()


def read_weather(description: SiteDescription) -> WeatherReadings:
    """Temperatures of the site's station (ReadingsError when its file can't be read right)."""
    return _read_station(description.folder, description.weather, description.settings.limits)


@lru_cache(maxsize=64)
def _read_station(folder: str, station: WeatherStation, limits: Limits) -> WeatherReadings:
    hourly, daily, given, findings = _read_file(folder, station.file, station, limits)
    normal = None
    if station.normal_file:
        n_hourly, n_daily, _, more = _read_file(folder, station.normal_file, station, limits)
        normal = _by_day_of_year(n_hourly, n_daily, station.time_zone)
        findings += more
    return WeatherReadings(
        hourly=hourly, daily=daily, normal_daily=normal, input=given, findings=tuple(findings)
    )


@lru_cache(maxsize=64)
def daily_temperature(weather: WeatherReadings, time_zone: str) -> pd.Series:
    """Mean temperature of each local day, °C; NaN where under 90 % of its hours are there.

    Index `date`: naive midnights of the days of `time_zone`.
    """
    if weather.daily is not None:
        return weather.daily["temperature"]
    hourly = weather.hourly
    utc = clock.epoch_seconds(hourly.index)
    dates, midnights = clock.local_midnights(time_zone, int(utc[0]), int(utc[-1]))
    place = clock.local_clock(hourly.index, time_zone).astype("datetime64[D]") - dates[0]
    place = place.astype(int)
    values = hourly["temperature"].to_numpy()
    good = np.isfinite(values)
    counts = np.bincount(place[good], minlength=len(dates))
    sums = np.bincount(place[good], weights=values[good], minlength=len(dates))
    hours = np.diff(midnights) / 3600  # 23, 24 or 25
    with np.errstate(invalid="ignore", divide="ignore"):
        means = np.where(counts >= COVERAGE * hours - 1e-9, sums / counts, np.nan)
    return pd.Series(means, index=clock.day_index(dates), name="temperature")


def _read_file(folder: str, name: str, station: WeatherStation, limits: Limits):
    return read_temperatures(open_source(folder, name), station, limits)


def read_temperatures(source: SourceFile, station: WeatherStation, limits: Limits):
    """Hourly frame or daily frame, input and findings of one file of temperatures.

    Raises ReadingsError when the file can't be read right.
    """
    try:
        table = read_table(source, Asked(key=station.station, value_column=station.value_column))
        rows = temperature_rows(table, station)
        return _regular(source, table, rows, station, limits)
    except ReadingsError as error:
        raise ReadingsError([f.at(file=source.name) for f in error.findings]) from error


def _regular(source, table: Table, rows: Rows, station: WeatherStation, limits: Limits):
    unit = table.declared.get("unit", station.temperature_unit)
    try:
        rows.values = np.asarray(units.to_celsius(rows.values, unit), dtype=float)
    except units.UnitError as error:
        raise ReadingsError(Finding("unit_invalid", f"{error}.")) from error
    _leave_implausible(rows, unit)
    zone = table.declared.get("clock", station.time_zone)
    if rows.zoned or (rows.says_utc and station.time_zone == "UTC"):
        zone = "UTC"
    if not rows.zoned:
        rows.seconds = clock.to_utc(rows.seconds, zone).utc
    interval.sort_rows(rows)
    if len(rows) > 1 and rows.seconds[-1] - rows.seconds[0] > SPAN_MOST:
        raise ReadingsError(
            Finding("times_unreadable", "the times of the file span more than 100 years.")
        )
    step = interval.step_of(rows.seconds, rows.file)
    if step < DAY:
        _leave_stuck(rows, step)
    grid = _place(rows, step, zone, limits)
    used = used_rows(grid)
    given = {
        "file": source.name,
        "sha256": source.sha256,
        "rows_read": rows.read,
        "rows_used": used,
        "excluded": rows.excluded,
        "step": interval.duration_words(step),
        "time_basis": zone,
        "unit": unit,
        "coverage": float(np.isfinite(grid.values).mean()),
        "first": str(np.datetime64(int(grid.starts[0]), "s")) + "Z",
        "last": str(np.datetime64(int(grid.starts[-1]), "s")) + "Z",
    }
    if step == DAY:
        days = clock.offsets_of(zone, int(grid.starts[0]), int(grid.starts[-1]))
        index = clock.day_index(days.local(grid.starts) // DAY)
        daily = pd.DataFrame({"temperature": grid.values}, index=index)
        left = int(np.isnan(grid.values).sum())
        if left:
            rows.tell(
                "temperature_missing",
                counted(
                    "{n} day[|s] ha[s|ve] no temperature and [is|are] left out.",
                    left,
                ),
                count=left,
            )
        return None, daily, given, rows.findings
    hourly = _to_hours(grid)
    starts, values = _bridge_gaps(hourly, limits.temperature_gap_hours, rows)
    frame = pd.DataFrame({"temperature": values}, index=clock.utc_index(starts))
    return frame, None, given, rows.findings


def _place(rows: Rows, step: int, zone: str, limits: Limits) -> interval.Grid:
    """The grid of temperatures; observations off the hour (a METAR at 20 past) count in the
    nearest place of their hour, several in one place as their mean."""
    if step == DAY:
        return interval.to_grid(rows, step, zone, limits)
    step = max(step, 60)
    place = rows.seconds // step
    first = int(place[0])
    length = int(place[-1]) - first + 1
    counts = np.bincount(place - first, minlength=length)
    sums = np.bincount(place - first, weights=rows.values, minlength=length)
    with np.errstate(invalid="ignore", divide="ignore"):
        values = np.where(counts > 0, sums / np.maximum(counts, 1), np.nan)
    flags = np.where(counts > 0, MEASURED, MISSING).astype(np.int8)
    starts = (first + np.arange(length, dtype=np.int64)) * step
    return interval.Grid(starts, values, flags, counts, step)


def _leave_implausible(rows: Rows, unit: str) -> None:
    coded = np.isin(rows.values, _missing_codes(unit))
    rows.leave(coded, "value_empty", "{n} temperature[|s] [is|are] written as a code for missing.")
    wild = (rows.values < PLAUSIBLE[0]) | (rows.values > PLAUSIBLE[1])
    if len(rows) and wild.mean() > 0.05:
        raise ReadingsError(
            Finding(
                "values_unreadable",
                f"{int(wild.sum())} of {len(rows)} temperatures lie outside {PLAUSIBLE[0]:g} to "
                f"{PLAUSIBLE[1]:g} °C when read as {unit}. Check temperature_unit in weather.csv.",
                line=int(rows.lines[np.flatnonzero(wild)[0]]),
                count=int(wild.sum()),
            )
        )
    rows.leave(
        wild,
        "temperature_implausible",
        f"{{n}} temperature[|s] lie[s|] outside {PLAUSIBLE[0]:g} to {PLAUSIBLE[1]:g} °C "
        "and [was|were] left out.",
    )
    if not len(rows):
        raise ReadingsError(
            Finding("file_empty", "no row of the file has both a time and a temperature.")
        )


def _missing_codes(unit: str) -> np.ndarray:
    codes = np.array(MISSING_CODES)
    return np.asarray(units.to_celsius(codes, unit))


def _leave_stuck(rows: Rows, step: int) -> None:
    """One temperature repeated for `STUCK_HOURS`, to the tenth: a sensor that hangs."""
    same = np.r_[False, rows.values[1:] == rows.values[:-1]]
    least = max(STUCK_HOURS * 3600 // step, 12)
    if same.sum() < least - 1:
        return
    edges = np.flatnonzero(np.diff(np.r_[False, same, False].astype(np.int8)))
    mask = np.zeros(len(rows), dtype=bool)
    for a, b in zip(edges[::2], edges[1::2], strict=True):
        if b - a + 1 >= least:
            mask[a - 1 : b] = True
    if mask.mean() > 0.5:
        return
    rows.leave(
        mask,
        "temperature_stuck",
        f"{{n}} temperature[|s] repeat[s|] one value for {STUCK_HOURS} hours or more "
        "and [was|were] left out.",
    )


def _to_hours(grid: interval.Grid) -> tuple[np.ndarray, np.ndarray]:
    """Means of each UTC hour: start seconds and values."""
    hour = grid.starts // 3600
    first = int(hour[0])
    place = hour - first
    length = int(place[-1]) + 1
    good = np.isfinite(grid.values)
    counts = np.bincount(place[good], minlength=length)
    sums = np.bincount(place[good], weights=grid.values[good], minlength=length)
    with np.errstate(invalid="ignore", divide="ignore"):
        means = np.where(counts > 0, sums / counts, np.nan)
    return (first + np.arange(length)) * 3600, means


def _bridge_gaps(hourly, limit_hours: float, rows: interval.Rows):
    """Fill gaps up to the limit by a straight line; tell both kinds of gap."""
    starts, values = hourly
    missing = np.isnan(values)
    if not missing.any():
        return starts, values
    edges = np.flatnonzero(np.diff(np.r_[False, missing, False].astype(np.int8)))
    begin, end = edges[::2], edges[1::2]
    short = (end - begin <= limit_hours) & (begin > 0) & (end < len(values))
    fill = np.zeros(len(values), dtype=bool)
    for a, b in zip(begin[short], end[short], strict=True):
        fill[a:b] = True
    values = values.copy()
    at = np.arange(len(values))
    values[fill] = np.interp(at[fill], at[~missing], values[~missing])
    if filled := int(fill.sum()):
        rows.findings.append(
            Finding(
                "temperature_interpolated",
                counted("{n} hour[|s] in ", filled)
                + counted("{n} gap[|s] of at most ", int(short.sum()))
                + counted(f"{limit_hours:g} hours [was|were] filled by a straight line.", filled),
                file=rows.file,
                count=filled,
            )
        )
    left = int(missing.sum()) - filled
    if left:
        longest = int((end - begin)[~short].max())
        rows.findings.append(
            Finding(
                "temperature_missing",
                counted("{n} hour[|s] in ", left)
                + counted(
                    f"{{n}} longer [gap|gaps (the longest {longest} hours)] ", int((~short).sum())
                )
                + counted("ha[s|ve] no temperature; the days [it|they] touch[es|] are ", left)
                + "left out.",
                file=rows.file,
                count=left,
            )
        )
    return starts, values


def _by_day_of_year(hourly, daily, zone: str) -> pd.Series:
    """Mean temperature of each day of a 365-day year; 29 February is left out."""
    if daily is None:
        days = clock.local_clock(hourly.index, zone).astype("datetime64[D]")
        values = hourly["temperature"].to_numpy()
    else:
        days = daily.index.to_numpy().astype("datetime64[D]")
        values = daily["temperature"].to_numpy()
    stamps = pd.DatetimeIndex(days.astype("datetime64[ns]"))
    leap_day = (stamps.month == 2) & (stamps.day == 29)
    after = stamps.is_leap_year & (stamps.month > 2)
    day_of_year = stamps.day_of_year.to_numpy() - after.astype(int)
    keep = ~leap_day & np.isfinite(values)
    counts = np.bincount(day_of_year[keep], minlength=366)[1:366]
    sums = np.bincount(day_of_year[keep], weights=values[keep], minlength=366)[1:366]
    with np.errstate(invalid="ignore", divide="ignore"):
        means = np.where(counts > 0, sums / counts, np.nan)
    return pd.Series(means, index=pd.RangeIndex(1, 366, name="day_of_year"), name="temperature")
