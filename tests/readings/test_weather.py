"""Temperatures: hours and days, units, gaps."""

import numpy as np
import pandas as pd
import pytest

from mv.findings import ReadingsError
from mv.readings.weather import daily_temperature, read_weather
from tests.readings.build import LISBON, description, rules


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
