"""Temperatures: hours and days, units, gaps."""

import numpy as np
import pandas as pd
import pytest

from mv.findings import ReadingsError
from mv.portfolio.schema import Limits, Source, WeatherStation
from mv.readings.source import from_bytes
from mv.readings.station import station_doubts
from mv.readings.weather import (
    WeatherReadings,
    daily_temperature,
    read_temperatures,
    read_weather,
)
from tests.readings.build import LISBON, description, rules
from tests.readings.weather_files import DAY_INDEX, DAYS, HOURS, TEMPERATURES, WEATHER_FILES


def station(tmp_path, text, **fields):
    (tmp_path / "bay.csv").write_text(text)
    asked = description(tmp_path)
    asked = asked.model_copy(update={"weather": asked.weather.model_copy(update=fields)})
    return read_weather(asked)


def hourly_text(n, value=lambda i: 10.0, skip=()):
    hours = pd.date_range("2023-03-25", periods=n, freq="h")
    return "time,temperature\n" + "".join(
        f"{h:%Y-%m-%d %H:%M},{value(i)}\n" for i, h in enumerate(hours) if i not in skip
    )


def test_hours_become_local_days(tmp_path):
    got = station(tmp_path, hourly_text(96, value=lambda i: i / 4))
    days = daily_temperature(got, LISBON)
    # 26 March 2023 has 23 hours in Lisbon: UTC hours 24 to 46 of the file
    assert days[pd.Timestamp("2023-03-26")] == pytest.approx(np.mean(range(24, 47)) / 4, rel=1e-12)
    assert days[pd.Timestamp("2023-03-27")] == pytest.approx(np.mean(range(47, 71)) / 4, rel=1e-12)
    assert got.daily is None


def test_fahrenheit(tmp_path):
    got = station(tmp_path, hourly_text(24, value=lambda i: 50), temperature_unit="degF")
    assert got.hourly["temperature"].tolist() == pytest.approx([10.0] * 24, rel=1e-12)


def test_short_gaps_are_bridged_and_long_ones_left(tmp_path):
    got = station(tmp_path, hourly_text(120, value=lambda i: i / 4, skip=[10, 11, *range(50, 60)]))
    values = got.hourly["temperature"].to_numpy()
    assert values[10:12].tolist() == [2.5, 2.75]
    assert np.isnan(values[50:60]).all()
    assert rules(got) == ["temperature_interpolated", "temperature_missing"]
    assert np.isnan(daily_temperature(got, "UTC")[pd.Timestamp("2023-03-27")])


def test_daily_means(tmp_path):
    days = pd.date_range("2023-03-20", periods=10)
    text = "date,tavg\n" + "".join(f"{d:%Y-%m-%d},{i}\n" for i, d in enumerate(days))
    got = station(tmp_path, text, time_zone=LISBON)
    assert got.hourly is None
    assert daily_temperature(got, LISBON).tolist() == list(range(10))


def test_fahrenheit_read_as_celsius_is_refused(tmp_path):
    with pytest.raises(ReadingsError) as refused:
        station(tmp_path, hourly_text(48, value=lambda i: 75))
    assert refused.value.findings[0].rule == "values_unreadable"


def test_normal_year(tmp_path):
    hours = pd.date_range("2024-01-01", "2024-12-31 23:00", freq="h")
    (tmp_path / "normal.csv").write_text(
        "time,temperature\n" + "".join(f"{h:%Y-%m-%d %H:%M},{h.day_of_year / 10}\n" for h in hours)
    )
    got = station(tmp_path, hourly_text(24), normal_file="normal.csv")
    assert len(got.normal_daily) == 365
    assert got.normal_daily[59] == pytest.approx(5.9)
    assert got.normal_daily[60] == pytest.approx(6.1)  # 1 March of a leap year is its 61st day
    assert got.normal_daily[365] == pytest.approx(36.6)


def read_form(name: str, unit: str = "degC", **fields):
    row = WeatherStation(
        source=Source(file="weather.csv", line=2),
        station="bay",
        file=name,
        temperature_unit=unit,
        **fields,
    )
    source = from_bytes(name, WEATHER_FILES[name]().encode())
    return read_temperatures(source, row, Limits())


@pytest.mark.parametrize("name", ["plain_hours", "isd_lite", "global_hourly", "german_hours"])
def test_public_hourly_forms(name):
    hourly, daily, given, findings = read_form(name)
    assert daily is None
    assert list(hourly.index) == list(HOURS.tz_localize("UTC"))
    np.testing.assert_allclose(hourly["temperature"], TEMPERATURES, atol=1e-9)
    assert given["rows_read"] == given["rows_used"] == len(HOURS)
    assert findings == []


@pytest.mark.parametrize(
    ("name", "told"),
    [
        ("daily_means", []),
        ("daily_extremes", ["temperature_from_extremes"]),
        ("ghcn_daily_fixed", ["temperature_from_extremes"]),
        ("ghcn_daily_rows", ["temperature_tenths", "temperature_from_extremes"]),
    ],
)
def test_public_daily_forms(name, told):
    hourly, daily, given, findings = read_form(name)
    assert hourly is None
    assert list(daily.index) == list(DAY_INDEX)
    np.testing.assert_allclose(
        daily["temperature"], [(lo + hi) / 2 for lo, hi in DAYS], atol=0.0051
    )
    assert [f.rule for f in findings] == told
    assert given["rows_read"] == given["rows_used"] + sum(given["excluded"].values())


def test_typical_year_as_normal_file(tmp_path):
    (tmp_path / "normal.epw").write_text(WEATHER_FILES["typical_year"]())
    got = station(tmp_path, hourly_text(24), normal_file="normal.epw")
    assert got.normal_daily.tolist() == pytest.approx([d / 10 for d in range(1, 366)])


def test_codes_for_missing_and_stuck_sensors(tmp_path):
    def value(i):
        if i in (5, 6):
            return -9999
        return 7.7 if 100 <= i < 150 else i % 17

    got = station(tmp_path, hourly_text(240, value=value))
    assert got.input["excluded"] == {"value_empty": 2, "temperature_stuck": 50}
    assert rules(got) == [
        "value_empty",
        "temperature_stuck",
        "temperature_interpolated",
        "temperature_missing",
    ]


def test_observations_between_the_hours_count_in_their_hour(tmp_path):
    times = pd.date_range("2023-01-01 00:20", periods=96, freq="30min")
    text = "time,temperature\n" + "".join(
        f"{t:%Y-%m-%d %H:%M},{i % 20}\n" for i, t in enumerate(times)
    )
    got = station(tmp_path, text)
    assert got.hourly["temperature"].iloc[:3].tolist() == [0.5, 2.5, 4.5]


def year_of_energy(rng, slope: float, lag: int = 0) -> tuple[pd.Series, pd.Series]:
    """Two years of daily temperature (north) and energy that follows it."""
    days = pd.date_range("2022-01-01", "2023-12-31")
    season = 12 - 9 * np.cos(2 * np.pi * (days.day_of_year - 20) / 365)
    wiggle = np.convolve(rng.normal(0, 3, len(days) + 10), np.ones(3) / 2, "same")[5:-5]
    temperature = pd.Series(season + wiggle, index=days)
    heat = np.maximum(15 - temperature.to_numpy(), 0)
    energy = 200 + slope * np.roll(heat, lag) + rng.normal(0, 8, len(days))
    return pd.Series(energy, index=days), temperature


def doubts(energy, temperature, hourly=None, **given):
    daily = temperature.to_frame("temperature")
    weather = WeatherReadings(hourly=hourly, daily=daily, normal_daily=None, input={})
    found = station_doubts(
        energy.index.to_numpy(), energy.to_numpy(), weather, **({"time_zone": LISBON} | given)
    )
    return [f.rule for f in found]


def test_right_station_raises_no_doubt():
    energy, temperature = year_of_energy(np.random.default_rng(1), 20)
    assert doubts(energy, temperature, carrier="natural_gas") == []
    assert doubts(energy, temperature, carrier="electricity") == []


def test_station_of_the_other_hemisphere():
    energy, temperature = year_of_energy(np.random.default_rng(2), 20)
    south = pd.Series(np.roll(temperature.to_numpy(), 182), index=temperature.index)
    assert doubts(energy, south, carrier="natural_gas") == ["station_hemisphere"]
    assert doubts(energy, south, carrier="electricity", time_zone="Australia/Sydney") == []
    assert doubts(energy, temperature, carrier="electricity", time_zone="Australia/Sydney") == [
        "station_hemisphere"
    ]


def test_station_shifted_by_a_day():
    energy, temperature = year_of_energy(np.random.default_rng(3), 20, lag=2)
    assert doubts(energy, temperature, carrier="natural_gas") == ["station_shifted"]


def test_station_whose_hours_are_shifted():
    energy, temperature = year_of_energy(np.random.default_rng(4), 20)
    hours = pd.date_range("2022-01-01", "2023-12-31 23:00", freq="1h", tz="UTC")
    day = 4 * np.cos(2 * np.pi * (hours.hour - 15) / 24)
    right = pd.DataFrame({"temperature": 10 + day}, index=hours)
    wrong = pd.DataFrame({"temperature": np.roll(10 + day, 9)}, index=hours)
    given = {"carrier": "natural_gas"}
    assert doubts(energy, temperature, hourly=right, **given) == []
    assert doubts(energy, temperature, hourly=wrong, **given) == ["station_shifted"]


def test_gas_that_follows_no_weather_of_this_station():
    energy, temperature = year_of_energy(np.random.default_rng(5), 20)
    other = year_of_energy(np.random.default_rng(6), 20)[1]
    assert doubts(energy, other, carrier="natural_gas") == ["station_unrelated"]
    assert doubts(energy, temperature, carrier="natural_gas") == []


def test_values_outside_weather_are_left_out(tmp_path):
    got = station(tmp_path, hourly_text(240, value=lambda i: 88 if i in (7, 90) else i % 17))
    assert got.input["excluded"] == {"temperature_implausible": 2}
    assert rules(got) == ["temperature_implausible", "temperature_interpolated"]


def test_values_that_failed_the_services_checks_are_left_out():
    text = WEATHER_FILES["global_hourly"]().splitlines()
    text[10] = text[10].replace(',1"', ',3"', 1)
    row = WeatherStation(
        source=Source(file="weather.csv", line=2),
        station="bay",
        file="f",
        temperature_unit="degC",
    )
    source = from_bytes("f", "\n".join(text).encode())
    hourly, _, given, findings = read_temperatures(source, row, Limits())
    assert given["excluded"] == {"temperature_suspect": 1}
    assert [f.rule for f in findings] == ["temperature_suspect", "temperature_interpolated"]
    assert hourly["temperature"].notna().all()
