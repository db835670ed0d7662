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
from mv.findings import Finding, ReadingsError
from mv.portfolio.schema import Limits, SiteDescription, WeatherStation
from mv.readings import clock, interval, shape
from mv.readings.number_text import to_numbers
from mv.readings.read import blank_rows, column_times
from mv.readings.source import open_source
from mv.readings.table import read_delimited

DAY = 86_400
COVERAGE = 0.9
"""Share of a day's hours that must have a temperature (common practice, no source)."""
PLAUSIBLE = (-90.0, 60.0)
"""°C outside which a value is no air temperature: the records measured on Earth are −89.2 and
56.7 (World Meteorological Organization, Weather and Climate Extremes Archive; from memory)."""


@dataclass(frozen=True, kw_only=True)
class WeatherReadings:
    """One station's temperatures in °C.

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


def daily_temperature(weather: WeatherReadings, time_zone: str) -> pd.Series:
    """Mean temperature of each local day, °C; NaN where under 90 % of its hours are there.

    Index `date`: naive midnights of the days of `time_zone`.
    """
    if weather.daily is not None:
        return weather.daily["temperature"]
    series = weather.hourly["temperature"]
    utc = series.index.as_unit("s").asi8
    local = clock.offsets_of(time_zone, int(utc[0]), int(utc[-1])).local(utc)
    day = local // DAY
    first = int(day[0])
    values = series.to_numpy()
    good = np.isfinite(values)
    place = day - first
    length = int(place[-1]) + 1
    counts = np.bincount(place[good], minlength=length)
    sums = np.bincount(place[good], weights=values[good], minlength=length)
    index = first + np.arange(length)
    # Hours a day has: 23, 24 or 25, from the instants of its two midnights.
    midnights = clock.to_utc((first + np.arange(length + 1)) * DAY, time_zone).utc
    hours = np.diff(midnights) / 3600
    with np.errstate(invalid="ignore", divide="ignore"):
        means = np.where(counts >= COVERAGE * hours - 1e-9, sums / counts, np.nan)
    stamps = index.astype("datetime64[D]").astype("datetime64[ns]")
    return pd.Series(means, index=pd.DatetimeIndex(stamps, name="date"), name="temperature")


def _read_file(folder: str, name: str, station: WeatherStation, limits: Limits):
    source = open_source(folder, name)
    try:
        return _read_table(source, station, limits)
    except ReadingsError as error:
        raise ReadingsError([f.at(file=name) for f in error.findings]) from error


def _read_table(source, station: WeatherStation, limits: Limits):
    table = read_delimited(source.name, source.data)
    roles = shape.temperature_roles(table, time=station.time_column, value=station.value_column)
    times = column_times(table, roles, None)
    values, empty, unreadable, _ = to_numbers(table.columns[roles.value])
    values = units.to_celsius(values, station.temperature_unit)
    blank = blank_rows(table)
    rows = interval.Rows(
        table.file,
        times.seconds,
        np.asarray(values, dtype=float),
        np.zeros(len(table), dtype=np.int8),
        table.lines,
    )
    rows.findings.extend(table.findings)
    if table.malformed:
        rows.excluded["row_malformed"] = table.malformed
    read = int((~blank).sum()) + table.malformed
    bad = [~times.readable, unreadable, empty]
    rows.keep(~blank)
    bad = [b[~blank] for b in bad]
    untimed, unreadable, empty = bad
    rows.leave(untimed, "time_unreadable", "{n} rows have a time that can't be read.")
    unreadable, empty = unreadable[~untimed], empty[~untimed]
    rows.leave(unreadable, "value_unreadable", "{n} temperatures are not numbers.")
    empty = empty[~unreadable]
    rows.leave(empty, "value_empty", "{n} rows have a time and no temperature.")
    wild = (rows.values < PLAUSIBLE[0]) | (rows.values > PLAUSIBLE[1])
    if len(rows) and wild.mean() > 0.2:
        raise ReadingsError(
            Finding(
                "values_unreadable",
                f"{int(wild.sum())} of {len(rows)} temperatures lie outside {PLAUSIBLE[0]:g} to "
                f"{PLAUSIBLE[1]:g} °C when read as {station.temperature_unit}. Check "
                "temperature_unit in weather.csv.",
                line=int(rows.lines[np.flatnonzero(wild)[0]]),
                count=int(wild.sum()),
            )
        )
    rows.leave(
        wild,
        "temperature_implausible",
        f"{{n}} temperatures lie outside {PLAUSIBLE[0]:g} to {PLAUSIBLE[1]:g} °C and were left "
        "out.",
    )
    if not len(rows):
        raise ReadingsError(
            Finding("file_empty", "no row of the file has both a time and a temperature.")
        )
    zone = "UTC" if times.zoned else station.time_zone
    if not times.zoned:
        rows.utc = clock.to_utc(rows.utc, zone).utc
    interval.sort_rows(rows)
    step = interval.step_of(rows.utc, table.file)
    grid = interval.to_grid(rows, step, zone, limits)
    used = int((grid.flags == interval.MEASURED).sum())
    given = {
        "file": source.name,
        "sha256": source.sha256,
        "rows_read": read,
        "rows_used": used,
        "excluded": rows.excluded,
        "step": interval.duration_words(step),
        "time_basis": zone,
        "unit": station.temperature_unit,
        "coverage": used / len(grid.starts),
        "first": str(np.datetime64(int(grid.starts[0]), "s")) + "Z",
        "last": str(np.datetime64(int(grid.starts[-1]), "s")) + "Z",
    }
    if step == DAY:
        days = clock.offsets_of(zone, int(grid.starts[0]), int(grid.starts[-1]))
        index = days.local(grid.starts) // DAY
        stamps = index.astype("datetime64[D]").astype("datetime64[ns]")
        daily = pd.DataFrame(
            {"temperature": grid.values}, index=pd.DatetimeIndex(stamps, name="date")
        )
        return None, daily, given, rows.findings
    hourly = _to_hours(grid)
    filled = _bridge_gaps(hourly, limits.temperature_gap_hours, rows)
    stamps = filled[0].astype("datetime64[s]").astype("datetime64[ns]")
    frame = pd.DataFrame(
        {"temperature": filled[1]},
        index=pd.DatetimeIndex(stamps).tz_localize("UTC").rename("start"),
    )
    return frame, None, given, rows.findings


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
    if fill.any():
        rows.findings.append(
            Finding(
                "temperature_interpolated",
                f"{int(fill.sum())} hours in {int(short.sum())} gaps of at most "
                f"{limit_hours:g} hours were filled by a straight line.",
                file=rows.file,
                count=int(fill.sum()),
            )
        )
    left = int(missing.sum() - fill.sum())
    if left:
        longest = int((end - begin)[~short].max())
        rows.findings.append(
            Finding(
                "temperature_missing",
                f"{left} hours in {int((~short).sum())} longer gaps (the longest {longest} "
                "hours) have no temperature; the days they touch are left out.",
                file=rows.file,
                count=left,
            )
        )
    return starts, values


def _by_day_of_year(hourly, daily, zone: str) -> pd.Series:
    """Mean temperature of each day of a 365-day year; 29 February is left out."""
    if daily is None:
        local = hourly.index.as_unit("s").asi8
        local = clock.offsets_of(zone, int(local[0]), int(local[-1])).local(local)
        days = (local // DAY).astype("datetime64[D]")
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
