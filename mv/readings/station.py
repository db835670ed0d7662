"""Does a site's energy know the weather station it was given?

Three things give a wrong station away.  Its seasons are those of the other hemisphere than the
site's time zone; its warmest hour is at night, or the load follows its day-to-day weather best
when shifted by days; the heating load does not follow its day-to-day weather at all.  Each is
told and none is corrected.  Thresholds are common practice, no source.
"""

from __future__ import annotations

from functools import lru_cache

import numpy as np
import pandas as pd

from mv.findings import Finding
from mv.readings import clock
from mv.readings.weather import WeatherReadings, daily_temperature

DAYS_LEAST = 300
SEASON_LEAST = 4.0
"""°C between the means of June to August and December to February that make a season."""
TROPIC = 23.44
"""Degrees of latitude between the tropics, where seasons tell nothing."""
WARMEST = (10.5, 19.0)
"""Local hours within which the warmest of an average day lies."""
DAY_SWING_LEAST = 1.5
"""°C that an average day must swing for its warmest hour to mean anything."""
LAGS = range(-4, 5)
CORRELATED = 0.35
"""Correlation of day-to-day changes below which energy does not follow a temperature."""
CLEARER = 0.15
"""How much better another day must fit before a shift is told."""
WEATHER_DRIVEN = ("natural_gas", "district_heat", "steam", "fuel_oil", "propane", "chilled_water")
HEATING = ("natural_gas", "district_heat", "steam", "fuel_oil", "propane")
SEASONAL_SWING = 1.5
"""A meter follows the seasons when one half of the year uses this multiple of the other."""


def station_doubts(
    days: np.ndarray, energy: np.ndarray, weather: WeatherReadings, *, carrier: str, time_zone: str
) -> tuple[Finding, ...]:
    """Findings on whether a station belongs to a site.

    Parameters
    ----------
    days, energy : local days, datetime64, and their energy, NaN where not usable, both (n,).
    weather : temperatures of the station.
    carrier : what the meter measures; only heat and cold must follow the weather.
    time_zone : of the site; its place tells the hemisphere.
    """
    findings = _doubts_of_place(weather, time_zone)
    if findings or carrier not in WEATHER_DRIVEN:
        return findings
    daily = pd.Series(energy, index=clock.day_index(days))
    follow = _follows(daily, daily_temperature(weather, time_zone), carrier)
    return () if follow is None else (follow,)


@lru_cache(maxsize=256)
def latitude_of(time_zone: str) -> float | None:
    """Latitude of a time zone's place in degrees, north positive; None where not listed.

    From `zone1970.tab` of the IANA data base (package tzdata), coordinates ±DDMM or ±DDMMSS.
    """
    from importlib.resources import files

    try:
        table = files("tzdata").joinpath("zoneinfo", "zone1970.tab").read_text(encoding="utf-8")
    except (ModuleNotFoundError, FileNotFoundError):
        return None
    for line in table.splitlines():
        cells = line.split("\t")
        if len(cells) >= 3 and cells[2] == time_zone:
            text = cells[1]
            cut = max(text.rfind("+"), text.rfind("-"))
            digits = text[1:cut]
            degrees = int(digits[:2]) + int(digits[2:4]) / 60
            return -degrees if text[0] == "-" else degrees
    return None


@lru_cache(maxsize=64)
def _doubts_of_place(weather: WeatherReadings, time_zone: str) -> tuple[Finding, ...]:
    """What the temperatures alone tell, the same for all sites of a station on one clock."""
    findings = []
    wrong_half = _hemisphere(daily_temperature(weather, time_zone), time_zone)
    if wrong_half:
        findings.append(Finding("station_hemisphere", wrong_half))
    if weather.hourly is not None:
        shifted = _warmest_hour(weather.hourly, time_zone)
        if shifted:
            findings.append(Finding("station_shifted", shifted))
    return tuple(findings)


def _hemisphere(temperature: pd.Series, time_zone: str) -> str:
    latitude = latitude_of(time_zone)
    known = temperature.dropna()
    if latitude is None or abs(latitude) < TROPIC or len(known) < DAYS_LEAST:
        return ""
    month = known.index.month
    summer = float(known[(month >= 6) & (month <= 8)].mean())
    winter = float(known[(month == 12) | (month <= 2)].mean())
    difference = summer - winter
    if abs(difference) < SEASON_LEAST or (difference > 0) == (latitude > 0):
        return ""
    return (
        f"June to August are {abs(difference):.1f} °C {'warmer' if difference > 0 else 'colder'} "
        f"than December to February at the station, and {time_zone} lies in the other "
        "hemisphere. Check the station of the site."
    )


def _warmest_hour(hourly: pd.DataFrame, time_zone: str) -> str:
    local = clock.local_clock(hourly.index, time_zone).astype(np.int64)
    values = hourly["temperature"].to_numpy()
    good = np.isfinite(values)
    if good.sum() < 24 * 60:
        return ""
    hour = local[good] % 86_400 // 3600
    counts = np.bincount(hour, minlength=24)
    means = np.bincount(hour, weights=values[good], minlength=24) / np.maximum(counts, 1)
    # The phase of the daily wave is steadier than its highest hour.
    angle = 2 * np.pi * (np.arange(24) + 0.5) / 24
    wave = (means * np.exp(1j * angle)).sum() / 12
    warmest = float(np.angle(wave) % (2 * np.pi) / (2 * np.pi) * 24)
    if 2 * abs(wave) < DAY_SWING_LEAST or WARMEST[0] <= warmest <= WARMEST[1]:
        return ""
    return (
        f"the warmest time of an average day at the station is {int(warmest):02d}:00 of the "
        "site's clock. Check the time zone of the weather file, and the station."
    )


def _follows(energy: pd.Series, temperature: pd.Series, carrier: str) -> Finding | None:
    """Correlate day-to-day changes at several lags; seasons alone would fit any station."""
    joined = pd.concat([energy, temperature], axis=1, join="inner", keys=["energy", "temperature"])
    if joined.dropna().shape[0] < DAYS_LEAST:
        return None
    joined = joined.asfreq("D")
    energies, degrees = joined["energy"].to_numpy(), joined["temperature"].to_numpy()
    cold = degrees < np.nanmedian(degrees)
    season = cold if carrier in HEATING else ~cold
    change = _detrended(energies)
    fits = {lag: _correlation(change, _shift(_detrended(degrees), lag), season) for lag in LAGS}
    best = max(fits, key=lambda lag: abs(fits[lag]))
    seasonal = np.nanmean(energies[season]) > SEASONAL_SWING * max(
        float(np.nanmean(energies[~season])), 1e-9
    )
    if abs(fits[best]) < CORRELATED:
        if not seasonal:
            return None
        return Finding(
            "station_unrelated",
            f"the meter follows the seasons, and its changes from day to day do not follow the "
            f"station's (correlation at most {abs(fits[best]):.2f}). Check the station.",
        )
    if abs(best) >= 2 and abs(fits[best]) > abs(fits[0]) + CLEARER:
        return Finding(
            "station_shifted",
            f"energy follows the station's temperature best when that is moved by {best:+d} days "
            f"(correlation {abs(fits[best]):.2f} instead of {abs(fits[0]):.2f}). Check the dates "
            "of the weather file.",
        )
    return None


def _detrended(values: np.ndarray) -> np.ndarray:
    """Values less their centred two-week mean."""
    series = pd.Series(values)
    return (series - series.rolling(15, center=True, min_periods=8).mean()).to_numpy()


def _shift(values: np.ndarray, lag: int) -> np.ndarray:
    moved = np.full(len(values), np.nan)
    if lag >= 0:
        moved[lag:] = values[: len(values) - lag]
    else:
        moved[:lag] = values[-lag:]
    return moved


def _correlation(a: np.ndarray, b: np.ndarray, where: np.ndarray) -> float:
    good = np.isfinite(a) & np.isfinite(b) & where
    if good.sum() < 30 or a[good].std() == 0 or b[good].std() == 0:
        return 0.0
    return float(np.corrcoef(a[good], b[good])[0, 1])
