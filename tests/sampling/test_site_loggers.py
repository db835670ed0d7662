"""A site's loggers read from its folder and joined with its lighting schedule."""

import datetime as dt

import numpy as np
import pandas as pd
import pytest

from mv.portfolio.schema import (
    Fixture,
    Logger,
    Settings,
    Site,
    SiteDescription,
    Source,
    WeatherStation,
)
from mv.quantity import around
from mv.sampling.site_loggers import read_states, site_isolation

ZONE = "Europe/Lisbon"
TABLE = Source(file="loggers.csv", line=2)


def describe(folder, fixtures, loggers):
    return SiteDescription(
        folder=str(folder),
        settings=Settings(name="Test"),
        site=Site(source=TABLE, site="quay", time_zone=ZONE, weather="w"),
        weather=WeatherStation(source=TABLE, station="w", file="w.csv", temperature_unit="degC"),
        fixtures=tuple(fixtures),
        loggers=tuple(loggers),
    )


def fixture(space="hall", **rest):
    values = dict(
        count_before=100, watts_before=112, count_after=100, watts_after=40, hours_before=3500
    )
    return Fixture(source=TABLE, retrofit="r", space=space, **values | rest)


def logger(name, data="on_off", group="hall", line=2, **rest):
    return Logger(
        source=Source(file="loggers.csv", line=line),
        retrofit="r",
        usage_group=group,
        logger=name,
        data=data,
        **rest,
    )


def calendar(first, count):
    """Monday to Friday, from 2024 on, so that a whole year of days is known."""
    index = pd.date_range(first, periods=count, name="date")
    return pd.DataFrame({"operating": index.day_of_week < 5}, index=index)


def state_file(path, days, on_at, off_at, weekend_off_at=None, word=("on", "off")):
    """State changes in local clock: on and off once a day; weekends may end earlier."""
    lines = ["time,state"]
    for day in days:
        end = off_at if day.day_of_week < 5 or weekend_off_at is None else weekend_off_at
        lines.append(f"{day:%Y-%m-%d} {on_at}:00,{word[0]}")
        lines.append(f"{day:%Y-%m-%d} {end}:00,{word[1]}")
    path.write_text("\n".join(lines) + "\n")


def test_state_files_by_day_type_over_a_clock_change(tmp_path):
    # Four whole weeks over the end of March 2025, when clocks move in Lisbon; from the first
    # switching on (Monday 08:00) to Monday 00:00.
    days = pd.date_range("2025-03-10", periods=28)
    for name, off in (("a", "18"), ("b", "20")):
        state_file(tmp_path / f"{name}.csv", days, "08", off, "10")
    end = dt.date(2025, 4, 6)
    site = describe(
        tmp_path,
        [fixture()],
        [logger(n, file=f"{n}.csv", end=end, population=40) for n in ("a", "b")],
    )
    fields, findings = site_isolation(site, days=calendar("2024-06-01", 400))
    assert findings == ()
    # a: 10 h on working days, 2 h on others; b: 12 and 2.  Logged hours lack 8 h of the first
    # Monday and the hour that the clock skipped on a Sunday.
    group = fields["hours"][0]
    year = calendar("2024-06-01", 400)["operating"].to_numpy()[-365:]
    open_days, closed = year.sum(), 365 - year.sum()
    working_hours = (20 * 24 - 8) / 20
    other_hours = (8 * 24 - 1) / 8
    expected = open_days * 24 * 11 / working_hours + closed * 24 * 2 / other_hours
    assert group["hours"] == pytest.approx(expected, rel=1e-9)
    assert group["method"] == "hours by day type times the days of a year"
    assert fields["saving"]["value"] == pytest.approx(7.2 * expected, rel=1e-9)
    assert [line["on_hours"] for line in fields["loggers"]] == [216.0, 256.0]


@pytest.mark.parametrize("word", [("on", "off"), ("1", "0"), ("True", "False")])
def test_states_in_any_usual_word(tmp_path, word):
    state_file(tmp_path / "a.csv", pd.date_range("2025-06-02", periods=2), "08", "18", word=word)
    at, on = read_states(describe(tmp_path, [], []), logger("a", file="a.csv"))
    assert on.tolist() == [1, 0, 1, 0]
    assert at[0] == np.datetime64("2025-06-02T07:00:00")  # UTC of Lisbon summer time


def test_power_files_give_full_load_hours(tmp_path):
    start = pd.date_range("2025-06-02", periods=14 * 24, freq="h")
    loggers = []
    for name, level in (("a", 1.0), ("b", 0.5)):
        kw = np.where((start.hour >= 8) & (start.hour < 18), 2.0 * level, 0.0)
        text = "\n".join(f"{t:%Y-%m-%d %H:%M},{v}" for t, v in zip(start, kw, strict=True))
        (tmp_path / f"{name}.csv").write_text("time,kW\n" + text + "\n")
        loggers.append(logger(name, "power", file=f"{name}.csv", connected_load=2.0))
    fields, findings = site_isolation(describe(tmp_path, [fixture()], loggers))
    assert findings == ()
    # Half the circuits are dimmed to half: (10 + 5)/2 h a day of full load.
    assert fields["hours"][0]["hours"] == pytest.approx(365 * 7.5, rel=1e-9)


def test_hours_read_off_and_spot_watts(tmp_path):
    span = {"start": dt.date(2025, 3, 3), "end": dt.date(2025, 3, 30), "logged_hours": 672}
    rows = [
        logger("a", "hours", value=280, **span),
        logger("b", "hours", value=252, **span),
        logger("f1", "watts", period="before", value=110),
        logger("f2", "watts", period="before", value=114),
    ]
    fields, findings = site_isolation(
        describe(tmp_path, [fixture(watts_before=105)], rows),
        whole_facility=around(20000.0, 9000.0, "kWh", confidence=0.9),
    )
    assert findings == ()
    hours = 8760 * 266 / 672
    assert fields["saving"]["value"] == pytest.approx((11.2 - 4.0) * hours, rel=1e-12)
    assert fields["spot_watts"][0]["watts"] == 112.0
    assert fields["difference"]["agree"] is True
    assert fields["hours"][0]["loggers_for_ten_percent"] >= 2


def test_a_bad_logger_is_left_out_and_told(tmp_path):
    days = pd.date_range("2025-06-02", periods=14)
    for name in ("a", "b"):
        state_file(tmp_path / f"{name}.csv", days, "08", "18")
    (tmp_path / "c.csv").write_text("time,state\n2025-06-02 08:00,on\n2025-06-02 09:00,dim\n")
    rows = [
        logger("a", file="a.csv"),
        logger("b", file="b.csv"),
        logger("c", file="c.csv", value_column="state", line=4),
        logger("d", line=5),
        logger("e", "hours", line=6, value=10, logged_hours=5, start=days[0], end=days[1]),
        logger("p", "power", line=7, file="a.csv"),
    ]
    fields, findings = site_isolation(describe(tmp_path, [fixture()], rows))
    assert len(fields["loggers"]) == 2
    assert [(f.rule, f.line, f.message) for f in findings] == [
        (
            "logger_left_out",
            4,
            "logger c: c.csv, line 3: 1 of 2 records have no readable time or a state other than "
            "on and off, the first on line 3.",
        ),
        ("logger_left_out", 5, "logger d: file is empty, and data is on_off."),
        ("logger_left_out", 6, "logger e: 10 on hours in 5 logged hours."),
        ("logger_left_out", 7, "logger p: connected_load is empty, and data is power."),
    ]


def test_groups_that_can_not_be_joined_are_told(tmp_path):
    state_file(tmp_path / "a.csv", pd.date_range("2025-06-02", periods=14), "08", "18")
    rows = [
        logger("a", file="a.csv"),
        logger("b", file="a.csv", group="roof", line=3),
        logger("w", "watts", group="roof", value=50, line=4),
    ]
    fields, findings = site_isolation(describe(tmp_path, [fixture()], rows))
    assert fields == {}
    assert [(f.rule, f.line) for f in findings] == [("isolation_incomplete", n) for n in (2, 3, 4)]
    assert findings[0].message == (
        "usage group hall: 1 logger; at least 2 are needed to see how its units differ. Its "
        "agreed hours are used."
    )


def test_without_a_schedule_there_is_nothing_to_join(tmp_path):
    fields, findings = site_isolation(describe(tmp_path, [], [logger("a", file="a.csv")]))
    assert fields == {}
    assert [f.rule for f in findings] == ["isolation_incomplete"]
    assert site_isolation(describe(tmp_path, [fixture()], [])) == ({}, ())


def test_usage_groups_join_spaces(tmp_path):
    days = pd.date_range("2025-06-02", periods=14)
    for name in ("a", "b"):
        state_file(tmp_path / f"{name}.csv", days, "08", "18")
    lines = [
        fixture("room 1", usage_group="offices", count_before=10, count_after=10),
        fixture("room 2", usage_group="offices", count_before=30, count_after=30),
    ]
    rows = [logger(n, file=f"{n}.csv", group="offices") for n in ("a", "b")]
    fields, findings = site_isolation(describe(tmp_path, lines, rows))
    assert findings == ()
    assert fields["hours"][0]["population"] == 40
    assert len(fields["groups"]) == 1
