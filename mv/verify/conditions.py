"""Which year counts as normal for this site?

Normal temperatures come from the station's normal file, from the average of the years at hand,
or from the baseline year, as portfolio.toml says; normal operating days are those of the
calendar over the 12 months before the works.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
import pandas as pd

from mv.prepare import PreparedSite, year_before
from mv.readings.weather import WeatherReadings, daily_temperature

YEAR_DAYS = 365
LEAP_DAY = 60
"""Day of a leap year that a common year doesn't have."""
FILLED_DAYS = 15
"""Longest run of missing days of the year that is interpolated (common practice, no source)."""


@dataclass(frozen=True, kw_only=True)
class NormalYear:
    """Temperatures by day of the year and a usual year's operating days."""

    temperature: np.ndarray
    """degC, (365,)."""
    dates: np.ndarray
    """365 or 366 consecutive days, datetime64[D]."""
    operating: np.ndarray
    """Which of them are operating days, bool."""
    words: str


def normal_year(site: PreparedSite) -> NormalYear | None:
    """Normal conditions of a site; None without weather, calendar or retrofit, or where the
    temperatures at hand don't cover a year."""
    window = next((c.window for c in site.carriers if c.window is not None), None)
    if window is None or site.temperature is None or site.calendar is None:
        return None
    choice = site.description.settings.normal_year
    station = site.description.weather.station
    if choice == "normal_file" and site.weather.normal_daily is not None:
        temperature = site.weather.normal_daily.to_numpy(float)
        words = f"the normal year of station {station}"
    else:
        observed = site.temperature
        if choice == "baseline":
            observed = observed.loc[str(window.baseline_start) : str(window.baseline_end)]
            words = f"the baseline year at station {station}"
            temperature = by_day_of_year(observed)
        else:
            first, last = observed.index[0].date(), observed.index[-1].date()
            words = f"the average of {first} to {last} at station {station}"
            temperature = _average_year(site.weather, site.description.site.time_zone)
    if temperature is None or np.isnan(temperature).any():
        return None
    ends = np.array([year_before(window.baseline_end), window.baseline_end], "datetime64[D]")
    year = slice(*np.searchsorted(site.calendar.dates, ends, side="right"))
    dates, operating = site.calendar.dates[year], site.calendar.operating[year]
    if len(operating) < YEAR_DAYS:
        return None
    return NormalYear(temperature=temperature, dates=dates, operating=operating, words=words)


@lru_cache(maxsize=64)
def _average_year(weather: WeatherReadings, time_zone: str) -> np.ndarray | None:
    """Of all of a station's days; the same for all its sites on one clock."""
    return by_day_of_year(daily_temperature(weather, time_zone))


def by_day_of_year(daily: pd.Series) -> np.ndarray | None:
    """Mean of each day of the year, (365,); short gaps interpolated, None where too little."""
    dates = pd.DatetimeIndex(daily.index)
    values = daily.to_numpy(float)
    day = dates.day_of_year.to_numpy() - (dates.is_leap_year & (dates.day_of_year >= LEAP_DAY))
    keep = np.isfinite(values)
    place = np.clip(day[keep] - 1, 0, YEAR_DAYS - 1)
    counts = np.bincount(place, minlength=YEAR_DAYS)[:YEAR_DAYS]
    sums = np.bincount(place, values[keep], YEAR_DAYS)[:YEAR_DAYS]
    with np.errstate(invalid="ignore", divide="ignore"):
        mean = np.where(counts > 0, sums / counts, np.nan)
    ring = pd.Series(np.tile(mean, 3)).interpolate(limit=FILLED_DAYS, limit_area="inside")
    year = ring.to_numpy()[YEAR_DAYS : 2 * YEAR_DAYS]
    if not np.isfinite(year).all():
        return None
    return year
