"""Rows: local days of 23 and 25 hours, coverage, statuses, bills and hours."""

from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest

from mv.baseline import rows as made
from mv.baseline.rows import consecutive_of, used
from mv.readings.series import BilledUse, Intervals


def daily_rows(readings, *given, **named):
    return made.daily_rows(Intervals.of(readings), *given, **named).frame()


def hourly_rows(readings, *given):
    return made.hourly_rows(Intervals.of(readings), *given)


def bill_rows(bills, *given):
    return made.bill_rows(BilledUse.of(bills), *given).frame()


def calendar(first, last, closed=()):
    days = pd.date_range(first, last, name="date")
    operating = (days.day_of_week < 5) & ~days.isin(pd.DatetimeIndex(closed))
    return SimpleNamespace(dates=days.to_numpy("datetime64[D]"), operating=np.asarray(operating))


def interval(start, periods, freq="h", value=1.0):
    index = pd.date_range(start, periods=periods, freq=freq, tz="UTC", name="start")
    return pd.DataFrame({"energy": np.full(periods, value), "flag": "measured"}, index=index)


def temperature(first, last, value=10.0):
    days = pd.date_range(first, last, name="date")
    return pd.Series(value, index=days)


def test_days_of_23_and_25_hours():
    """New York 2024: 10 March has 23 hours, 3 November 25 (IANA time zone data)."""
    readings = interval("2024-01-01 05:00", 366 * 24)  # local midnight is 05:00 UTC
    rows = daily_rows(
        readings,
        3600,
        "America/New_York",
        temperature("2024-01-01", "2025-01-02"),
        calendar("2024-01-01", "2025-01-02"),
        0.9,
    )
    assert len(rows) == 366
    assert (rows["status"] == "used").all()
    assert rows.loc["2024-03-10", "energy"] == 23
    assert rows.loc["2024-11-03", "energy"] == 25
    assert set(rows["energy"]) == {23.0, 24.0, 25.0}
    assert rows["energy"].sum() == pytest.approx(366 * 24, abs=1e-9)


@pytest.mark.parametrize(
    ("step", "freq"), [(900, "15min"), (1800, "30min"), (3600, "h"), (86400, "D")]
)
def test_every_step_gives_the_same_days(step, freq):
    per_day = 86400 // step
    readings = interval("2023-05-31 22:00", 30 * per_day, freq, 24.0 / per_day)  # Berlin midnight
    rows = daily_rows(
        readings,
        step,
        "Europe/Berlin",
        temperature("2023-06-01", "2023-06-30"),
        calendar("2023-06-01", "2023-06-30"),
        0.9,
    )
    assert len(rows) == 30
    assert rows["energy"].to_numpy() == pytest.approx(np.full(30, 24.0))
    assert rows.index[0] == pd.Timestamp("2023-06-01")


@pytest.mark.parametrize(
    ("zone", "start", "changes"),
    [
        # Midnight of 2017-10-15 does not exist in São Paulo, that of 2018-02-18 comes after an
        # hour lived twice; in Havana the first hour of 2023-11-05 is lived twice and that of
        # 2024-03-10 is not there (IANA).
        ("America/Sao_Paulo", "2017-10-01 03:00", {"2017-10-15": 23, "2018-02-17": 25}),
        ("America/Havana", "2023-10-25 04:00", {"2023-11-05": 25, "2024-03-10": 23}),
    ],
)
def test_clocks_that_change_at_midnight(zone, start, changes):
    readings = interval(start, 24 * 160)
    rows = daily_rows(
        readings,
        3600,
        zone,
        temperature("2017-09-01", "2024-06-01"),
        calendar("2017-09-01", "2024-06-01"),
        0.9,
    )
    whole = rows[rows["status"] == "used"]
    odd = whole["energy"][whole["energy"] != 24]
    assert {str(day.date()): hours for day, hours in odd.items()} == changes


def test_zone_with_a_half_hour():
    """Adelaide is 9:30 ahead: hourly readings on the UTC hour straddle local midnight; every
    reading counts in one day."""
    readings = interval("2023-06-01 00:00", 24 * 10)
    rows = daily_rows(
        readings,
        3600,
        "Australia/Adelaide",
        temperature("2023-06-01", "2023-06-12"),
        calendar("2023-06-01", "2023-06-12"),
        0.9,
    )
    whole = rows[rows["status"] == "used"]
    assert (whole["energy"] == 24).all()
    assert len(whole) == 9


def test_coverage_temperature_and_drivers_decide_the_status():
    readings = interval("2023-06-01", 24 * 6)
    energy = readings["energy"].to_numpy().copy()
    energy[2] = np.nan  # 1 of 24: used, scaled
    energy[24:27] = np.nan  # 3 of 24: too few
    energy[48:72] = np.nan  # a whole day
    readings["energy"] = energy
    degrees = temperature("2023-06-01", "2023-06-06")
    degrees.iloc[3] = np.nan
    made = temperature("2023-06-01", "2023-06-06", 3.0).drop(pd.Timestamp("2023-06-05"))
    rows = daily_rows(
        readings,
        3600,
        "UTC",
        degrees,
        calendar("2023-06-01", "2023-06-06", ["2023-06-06"]),
        0.9,
        {"production": made},
    )
    assert rows["status"].to_list() == [
        "used",
        "coverage_low",
        "coverage_low",
        "temperature_missing",
        "driver_missing",
        "used",
    ]
    # 23 hours of 1 kWh stand for 24
    assert rows["energy"].iloc[0] == pytest.approx(24.0)
    assert rows["coverage"].iloc[0] == pytest.approx(23 / 24)
    assert rows["energy"].isna().to_list() == [False, True, True, False, False, False]
    assert rows["operating"].to_list() == [1, 1, 0, 0, 1, 0]
    assert rows["day_type"].to_list() == [0, 0, 1, 1, 0, 1]
    assert rows["driver:production"].iloc[0] == 3.0
    assert len(used(rows)) == 2


def test_rows_that_are_absent_are_missing():
    """A grid without its middle day: the day is there, with no energy."""
    readings = interval("2023-06-01", 72).drop(
        pd.date_range("2023-06-02", periods=24, freq="h", tz="UTC")
    )
    rows = daily_rows(
        readings,
        3600,
        "UTC",
        temperature("2023-06-01", "2023-06-03"),
        calendar("2023-06-01", "2023-06-03"),
        0.9,
    )
    assert rows["status"].to_list() == ["used", "coverage_low", "used"]
    assert rows["energy"].sum() == 48


def test_no_readings_give_no_rows():
    rows = daily_rows(
        interval("2023-06-01", 0),
        3600,
        "UTC",
        temperature("2023-06-01", "2023-06-02"),
        calendar("2023-06-01", "2023-06-02"),
        0.9,
    )
    assert len(rows) == 0
    assert "status" in rows


def bills():
    return pd.DataFrame(
        {
            "start": pd.to_datetime(["2023-01-31", "2023-01-01", "2023-03-02", "2023-04-01"]),
            "end": pd.to_datetime(["2023-03-02", "2023-01-31", "2023-04-01", "2023-05-01"]),
            "energy": [290.0, 310.0, 300.0, 100.0],
            "flag": ["measured", "measured", "excluded", "measured"],
            "cost": [30.0, 31.0, 32.0, 33.0],
        }
    )


def test_bills():
    days = pd.date_range("2023-01-01", "2023-04-15", name="date")
    degrees = pd.Series(np.arange(len(days), dtype=float), index=days)
    degrees.iloc[3] = np.nan
    rows = bill_rows(bills(), degrees, calendar("2023-01-01", "2023-05-02"))
    assert rows["status"].to_list() == [
        "used",
        "used",
        "bill_excluded",
        "temperature_missing",
    ]
    assert rows["days"].to_list() == [30, 30, 30, 30]
    assert rows["weight"].to_list() == [30, 30, 30, 30]
    assert rows["energy"].iloc[:2].to_list() == pytest.approx([310 / 30, 290 / 30])
    assert rows["total"].iloc[:2].to_list() == [310, 290]
    known = np.delete(np.arange(30.0), 3)
    assert rows["temperature"].iloc[0] == pytest.approx(known.mean())
    assert rows["temperature"].iloc[1] == pytest.approx(np.arange(30.0, 60.0).mean())
    assert rows["daily_temperatures"].iloc[0] == pytest.approx(known)
    # January 2023: 1 is a Sunday; 22 work days in the first 30
    assert rows["operating"].iloc[0] == pytest.approx(
        np.busday_count("2023-01-01", "2023-01-31") / 30
    )
    assert consecutive_of(rows).tolist() == [True, True, True]
    assert consecutive_of(rows.drop(index=1)).tolist() == [False, True]


def test_drivers_of_bills_are_means_of_their_days():
    days = pd.date_range("2023-01-01", "2023-05-02", name="date")
    made = pd.Series(np.arange(len(days), dtype=float), index=days)
    made.iloc[[2, 35, 36, 37, 38]] = np.nan  # one day of the first bill, four of the second
    rows = bill_rows(
        bills().assign(flag="measured"),
        pd.Series(10.0, index=days),
        calendar("2023-01-01", "2023-05-02"),
        {"production": made},
    )
    assert rows["status"].to_list() == ["used", "driver_missing", "used", "used"]
    value = rows["driver:production"]
    assert value.iloc[0] == pytest.approx(np.delete(np.arange(30.0), 2).mean())
    assert value.iloc[2] == pytest.approx(np.arange(60.0, 90.0).mean())


def test_hours_on_the_local_week():
    """Melbourne leaves summer time on 2024-04-06 16:00 UTC (IANA): 3 o'clock is 2 o'clock again."""
    readings = interval("2024-04-01", 24 * 14)
    weather = pd.DataFrame({"temperature": 15.0}, index=readings.index)
    weather.iloc[5] = np.nan
    rows = hourly_rows(
        readings,
        3600,
        "Australia/Melbourne",
        weather,
        calendar("2024-04-01", "2024-04-16", ["2024-04-10"]),
        0.9,
    )
    local = readings.index.tz_convert("Australia/Melbourne")
    weekday = local.day_of_week.to_numpy()
    holiday = local.date == pd.Timestamp("2024-04-10").date()
    expected = np.where(holiday, 6, weekday) * 24 + local.hour.to_numpy()
    assert (rows["hour_of_week"] == expected).all()
    assert (rows["local_hour"] % 24 == local.hour).all()
    assert rows["operating"][holiday].max() == 0
    assert rows["status"][5] == "temperature_missing"
    two = np.isin(rows.index, np.array(["2024-04-06T15", "2024-04-06T16"], "datetime64[h]"))
    assert rows["hour_of_week"][two].tolist() == [6 * 24 + 2, 6 * 24 + 2]


def test_quarter_hours_make_hours():
    readings = interval("2024-04-01 00:15", 4 * 24 * 3, "15min", 0.25)
    energy = readings["energy"].to_numpy().copy()
    energy[9] = np.nan
    readings["energy"] = energy
    weather = pd.Series(15.0, index=pd.date_range("2024-04-01", periods=96, freq="h", tz="UTC"))
    rows = hourly_rows(readings, 900, "UTC", weather, calendar("2024-04-01", "2024-04-06"), 0.9)
    assert rows["status"].tolist()[:4] == ["coverage_low", "used", "coverage_low", "used"]
    assert rows["energy"][1] == 1.0
    # a lower demand on coverage lets the hour in, scaled up
    loose = hourly_rows(readings, 900, "UTC", weather, calendar("2024-04-01", "2024-04-06"), 0.7)
    assert loose["energy"][2] == 1.0


def test_consecutive_days():
    days = pd.DatetimeIndex(["2024-01-01", "2024-01-02", "2024-01-05", "2024-01-06"], name="date")
    rows = pd.DataFrame({"energy": 1.0}, index=days)
    assert consecutive_of(rows).tolist() == [True, False, True]


def test_used_rows_come_in_order_of_time():
    rows = pd.DataFrame(
        {"energy": [1.0, 2, 3], "status": ["used", "coverage_low", "used"]},
        index=pd.DatetimeIndex(["2024-01-03", "2024-01-02", "2024-01-01"], name="date"),
    )
    assert used(rows)["energy"].to_list() == [3.0, 1.0]


def test_daily_readings_keep_days_of_23_and_25_hours_whole():
    """One reading a day, at local midnight: Berlin's 2023-03-26 and 2023-10-29 (IANA)."""
    days = pd.date_range("2023-01-01", "2023-12-31", name="start")
    start = days.tz_localize("Europe/Berlin").tz_convert("UTC")
    readings = pd.DataFrame({"energy": 24.0, "flag": "measured"}, index=start)
    rows = daily_rows(
        readings,
        86400,
        "Europe/Berlin",
        temperature("2023-01-01", "2023-12-31"),
        calendar("2023-01-01", "2023-12-31"),
        0.9,
    )
    assert len(rows) == 365
    assert (rows["status"] == "used").all()
    assert (rows["energy"] == 24.0).all()
