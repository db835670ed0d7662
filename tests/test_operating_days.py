"""Operating week, holidays, exceptions."""

import datetime as dt

import numpy as np
import pandas as pd
import pytest

from mv.findings import FolderError
from mv.operating_days import learn_week, operating_days, parse_week, week_words
from mv.portfolio.schema import OperatingException, Source
from tests.readings.build import description

FIRST, LAST = dt.date(2023, 1, 1), dt.date(2023, 12, 31)


@pytest.mark.parametrize(
    ("text", "days", "words"),
    [
        ("Mon-Fri", "1111100", "Mon-Fri"),
        ("Tue, Thu,Sat", "0101010", "Tue, Thu, Sat"),
        ("Sun-Thu", "1111001", "Mon-Thu, Sun"),
        ("sat - mon", "1000011", "Mon, Sat-Sun"),
        ("daily", "1111111", "daily"),
        ("Monday–Saturday", "1111110", "Mon-Sat"),
    ],
)
def test_words_for_a_week(text, days, words):
    week = parse_week(text)
    assert week == tuple(d == "1" for d in days)
    assert week_words(week) == words


def test_given_week_and_federal_holidays(tmp_path):
    # Dates observed under 5 U.S.C. 6103: 2 January 2023 (New Year on a Sunday), 10 November
    # 2023 (Veterans Day on a Saturday).
    calendar = operating_days(
        description(tmp_path, operating_week="Mon-Fri", country="US"), FIRST, LAST
    )
    days = calendar.days
    assert calendar.origin == "given"
    for date in ("2023-01-02", "2023-07-04", "2023-11-10", "2023-11-23", "2023-12-25"):
        assert not days.loc[date, "operating"]
        assert days.loc[date, "reason"] == "holiday"
    assert days.loc["2023-01-03", "operating"]
    assert days.loc["2023-01-07", "reason"] == "week"
    assert len(days) == 365
    assert calendar.findings == ()


def test_exceptions_overrule_week_and_holidays(tmp_path):
    asked = description(tmp_path, operating_week="Mon-Fri", country="US")
    rows = tuple(
        OperatingException(
            source=Source(file="operating_days.csv", line=i), site=site, start=a, end=b, day=day
        )
        for i, (site, a, b, day) in enumerate(
            [
                ("hall", dt.date(2023, 7, 4), dt.date(2023, 7, 4), "operating"),
                ("*", dt.date(2023, 8, 7), dt.date(2023, 8, 11), "non_operating"),
                ("other", dt.date(2023, 9, 4), dt.date(2023, 9, 8), "non_operating"),
            ],
            start=2,
        )
    )
    days = operating_days(asked.model_copy(update={"operating_days": rows}), FIRST, LAST).days
    assert days.loc["2023-07-04", "operating"]
    assert not days.loc["2023-08-07":"2023-08-11", "operating"].any()
    assert (days.loc["2023-08-07":"2023-08-11", "reason"] == "exception").all()
    assert days.loc["2023-09-05", "operating"]


def year(week: str, rng, drop: float, noise: float = 0.05) -> pd.Series:
    days = pd.date_range(FIRST, LAST)
    on = np.array([d == "1" for d in week])[days.day_of_week]
    season = 1 + 0.3 * np.cos(2 * np.pi * days.day_of_year / 365)
    values = 100 * season * np.where(on, 1.0, 1 - drop) * rng.lognormal(0, noise, len(days))
    return pd.Series(values, index=days)


@pytest.mark.parametrize("week", ["1111100", "1111110", "0111110", "1111001", "1010100"])
def test_week_is_learned(week):
    rng = np.random.default_rng(7)
    learned, step = learn_week(year(week, rng, 0.5))
    assert learned == tuple(d == "1" for d in week)
    assert step == pytest.approx(1.0, abs=0.25)


def test_week_without_difference_is_daily():
    rng = np.random.default_rng(8)
    assert learn_week(year("1111100", rng, 0.0, noise=0.2)) == ((True,) * 7, 0.0)


def test_learned_week_is_reported(tmp_path):
    daily = year("1111110", np.random.default_rng(9), 0.4)
    calendar = operating_days(description(tmp_path, country="PT"), FIRST, LAST, daily)
    assert calendar.origin == "learned"
    assert calendar.week_words == "Mon-Sat"
    assert [f.rule for f in calendar.findings] == ["week_learned"]
    assert calendar.days.loc["2023-04-25", "reason"] == "holiday"  # Freedom Day, Portugal


def test_bills_without_week_assume_monday_to_friday(tmp_path):
    calendar = operating_days(description(tmp_path, country="PT"), FIRST, LAST, None)
    assert calendar.week_words == "Mon-Fri"
    assert [f.rule for f in calendar.findings] == ["week_assumed"]


def test_no_country_and_unknown_country(tmp_path):
    asked = description(tmp_path, operating_week="Mon-Fri")
    assert [f.rule for f in operating_days(asked, FIRST, LAST).findings] == ["holidays_none"]
    asked = description(tmp_path, operating_week="Mon-Fri", country="PT", region="XX")
    assert [f.rule for f in operating_days(asked, FIRST, LAST).findings] == ["holidays_unknown"]


def test_unreadable_week(tmp_path):
    with pytest.raises(FolderError, match="'Funday' is no weekday"):
        operating_days(description(tmp_path, operating_week="Mon-Funday"), FIRST, LAST)
