"""The usual interval file: units, clocks, days of 23 and 25 hours, accounting."""

import gzip
import hashlib

import numpy as np
import pandas as pd
import pytest

from mv.findings import ReadingsError
from tests.readings.build import LISBON, energies, hourly_local, read, rules


def test_two_columns_are_enough():
    got = read("time,value\n2023-01-01 00:00,1.5\n2023-01-01 00:15,2.5\n2023-01-01 00:30,0\n")
    assert energies(got) == [1.5, 2.5, 0.0]
    assert got.step_seconds == 900
    assert got.table.index[0] == pd.Timestamp("2023-01-01 00:00", tz="UTC")
    assert got.table.index.name == "start"
    assert got.table["flag"].tolist() == ["measured"] * 3
    assert got.input["rows_read"] == got.input["rows_used"] == 3
    assert got.findings == ()


@pytest.mark.parametrize(
    ("unit", "factor"),
    [("kWh", 1.0), ("Wh", 0.001), ("MWh", 1000.0), ("kW", 0.25), ("W", 0.00025)],
)
def test_units_become_kwh(unit, factor):
    got = read("t,v\n2023-01-01 00:00,8\n2023-01-01 00:15,4\n", unit=unit, multiplier=10.0)
    assert energies(got) == pytest.approx([80 * factor, 40 * factor], rel=1e-12)


def test_gas_volume_with_heat_content():
    # 1 m3 at 38.3 MJ/m3 is 38.3 / 3.6 kWh by the definition of the kWh
    got = read(
        "t,v\n2023-01-01 00:00,1\n2023-01-01 01:00,2\n",
        carrier="natural_gas",
        unit="m3",
        heat_content="38.3 MJ/m3",
    )
    assert got.unit == "kWh"
    assert energies(got) == pytest.approx([38.3 / 3.6, 2 * 38.3 / 3.6], rel=1e-12)


def test_days_of_23_and_25_hours_are_right_to_the_hour():
    hours = hourly_local("2023-03-25", "2023-10-30")
    text = "time,kWh\n" + "".join(f"{h:%Y-%m-%d %H:%M},{i % 17}\n" for i, h in enumerate(hours))
    got = read(text)
    assert (got.table.index == hours.tz_convert("UTC")).all()
    assert energies(got) == [i % 17 for i in range(len(hours))]
    per_day = got.table["energy"].tz_convert(LISBON).groupby(lambda t: t.date()).count()
    assert per_day[pd.Timestamp("2023-03-26").date()] == 23
    assert per_day[pd.Timestamp("2023-10-29").date()] == 25


@pytest.mark.parametrize("newest_first", [False, True])
@pytest.mark.parametrize("step", ["15min", "30min", "1h"])
@pytest.mark.parametrize("stamp", ["start", "end"])
def test_repeated_autumn_hour_by_order_of_rows(newest_first, step, stamp):
    first, last = "2023-11-04", "2023-11-07"
    starts = pd.date_range(
        pd.Timestamp(first, tz="America/New_York"),
        pd.Timestamp(last, tz="America/New_York"),
        freq=step,
        inclusive="left",
    )
    written = starts + pd.Timedelta(step) if stamp == "end" else starts
    rows = [f"{t:%m/%d/%Y %H:%M},{i % 17}" for i, t in enumerate(written)]
    if newest_first:
        rows.reverse()
    text = "Date,Usage\n" + "\n".join(rows)
    got = read(text, zone="America/New_York", stamp=stamp, day_first=False)
    assert (got.table.index == starts.tz_convert("UTC")).all()
    assert energies(got) == [i % 17 for i in range(len(starts))]


@pytest.mark.parametrize("zone", ["UTC", "+01:00", "UTC-5", "Asia/Kolkata", "Australia/Sydney"])
def test_clock_of_the_file(zone):
    rows = "".join(f"2023-06-01 {h:02d}:00,{h}\n" for h in range(6))
    got = read("time,kWh\n" + rows, time_zone=zone)
    hours = {"UTC": 0, "+01:00": 1, "UTC-5": -5, "Asia/Kolkata": 5.5, "Australia/Sydney": 10}
    expected = pd.Timestamp("2023-06-01", tz="UTC") - pd.Timedelta(hours=hours[zone])
    assert got.table.index[0] == expected
    assert got.time_zone == zone


def test_cells_with_offset_are_instants():
    got = read("time,kWh\n2023-06-01T00:00:00+01:00,1\n2023-06-01T01:00:00+01:00,2\n")
    assert got.table.index[0] == pd.Timestamp("2023-05-31 23:00", tz="UTC")
    assert got.time_zone == "UTC"


def test_daily_values_last_a_local_day():
    days = pd.date_range("2023-03-24", "2023-03-29", freq="D")
    text = "date,kWh\n" + "".join(f"{d:%Y-%m-%d},{i}\n" for i, d in enumerate(days))
    got = read(text)
    assert got.step_seconds == 86_400
    assert (got.table.index.tz_convert(LISBON).tz_localize(None) == days).all()
    assert np.diff(got.table.index.to_numpy()).min() == np.timedelta64(23, "h")


def test_missing_hour_stays_missing_and_is_counted():
    got = read("t,v\n2023-01-01 00:00,1\n2023-01-01 01:00,2\n2023-01-01 03:00,4\n")
    assert np.isnan(energies(got)[2])
    assert got.table["flag"].tolist()[2] == "missing"
    assert rules(got) == ["readings_missing"]
    assert got.input["coverage"] == 0.75


def test_unreadable_rows_are_counted_by_rule():
    rows = [f"2023-01-01 {h:02d}:00,{h}" for h in range(24)]
    rows[3], rows[5], rows[7] = "2023-01-01 03:00,", "2023-01-01 05:00,n/a", "sometime,7"
    rows[9] = "2023-01-01 09:00,9,9"
    got = read("time,kWh\n" + "\n".join(rows))
    assert got.input["excluded"] == {
        "row_malformed": 1,
        "time_unreadable": 1,
        "value_unreadable": 1,
        "value_empty": 1,
    }
    assert got.input["rows_read"] == 24
    assert got.input["rows_used"] == 20
    lines = {f.rule: f.line for f in got.findings}
    assert lines["value_empty"] == 5
    assert lines["value_unreadable"] == 7
    assert lines["time_unreadable"] == 9
    assert lines["row_malformed"] == 11


def test_unstated_stamp_is_told():
    got = read("t,v\n2023-01-01 00:00,1\n2023-01-01 01:00,2\n", stamp=None)
    assert rules(got) == ["stamp_assumed"]
    assert got.stamp == "start"


def test_gzip_and_digest():
    plain = b"t,v\n2023-01-01 00:00,1\n2023-01-01 01:00,2\n"
    packed = gzip.compress(plain)
    got = read(packed, file="m1.csv.gz")
    assert energies(got) == [1.0, 2.0]
    assert got.input["sha256"] == hashlib.sha256(packed).hexdigest()


def test_unit_of_another_kind_is_refused():
    with pytest.raises(ReadingsError) as refused:
        read("t,v\n2023-01-01 00:00,1\n2023-01-01 01:00,2\n", unit="m3")
    (finding,) = refused.value.findings
    assert finding.rule == "unit_invalid"
    assert finding.where() == "meters.csv, line 2, column unit"
