"""The months to come, laid out from a normal year or from the baseline itself."""

import datetime as dt

import numpy as np
import pandas as pd
import pytest

from mv.findings import ModelError
from mv.plan.expected import expected_rows, first_months, months_after


def days(first, count):
    index = pd.date_range(first, periods=count, name="date")
    return pd.DataFrame(
        {"energy": 1.0, "temperature": index.day_of_year.to_numpy(float), "operating": 1.0,
         "status": "used"},
        index=index,
    )  # fmt: skip


def test_days_take_the_same_day_of_the_year():
    rows, words = expected_rows(None, days("2022-03-01", 365), "daily", dt.date(2023, 4, 1), 12)
    assert len(rows) == 366  # 29 February 2024 is among them
    assert rows.loc["2023-07-14", "temperature"] == 195.0
    assert rows.loc["2024-02-29", "temperature"] == 59.0  # as the day before
    assert words == "the baseline period's own conditions"


def test_a_day_that_the_baseline_lacks_takes_its_neighbour():
    short = days("2022-03-01", 275)  # ends on 30 November
    rows, _ = expected_rows(None, short, "daily", dt.date(2023, 12, 1), 3)
    assert rows.loc["2023-12-05", "temperature"] == 334.0  # 30 November
    assert rows.loc["2024-02-20", "temperature"] == 60.0  # 1 March is nearer


def test_bills_are_whole_months_from_the_start():
    edges = pd.date_range("2022-03-01", periods=13, freq="MS")
    year = pd.DataFrame(
        {"start": edges[:-1], "end": edges[1:], "temperature": np.arange(3.0, 15.0) % 12,
         "operating": 0.7, "status": "used"}
    )  # fmt: skip
    year["days"] = (year["end"] - year["start"]).dt.days.astype(float)
    rows, _ = expected_rows(None, year, "bills", dt.date(2023, 5, 1), 14)
    assert len(rows) == 14
    assert rows["temperature"].iloc[0] == 5.0  # May
    assert rows["temperature"].iloc[12] == 5.0
    assert rows["days"].sum() == (dt.date(2024, 7, 1) - dt.date(2023, 5, 1)).days
    assert len(first_months(rows, dt.date(2023, 5, 1), 3)) == 3


def test_first_months_of_days():
    rows, _ = expected_rows(None, days("2022-01-01", 365), "daily", dt.date(2023, 1, 31), 12)
    assert len(first_months(rows, dt.date(2023, 1, 31), 1)) == 28
    assert months_after(dt.date(2023, 1, 31), 1) == dt.date(2023, 2, 28)


def test_refusals():
    with pytest.raises(ModelError, match="0 months asked for; at least 1 is needed"):
        expected_rows(None, days("2022-01-01", 9), "daily", dt.date(2023, 1, 1), 0)
    with pytest.raises(ModelError, match="the baseline has no usable row"):
        expected_rows(None, days("2022-01-01", 0), "daily", dt.date(2023, 1, 1), 1)


@pytest.mark.parametrize("start", ["2023-01-01", "2023-01-31", "2024-02-29", "2023-12-15"])
def test_months_after_are_those_of_a_calendar(start):
    for months in range(40):
        expected = pd.Timestamp(start) + pd.DateOffset(months=months)
        assert months_after(dt.date.fromisoformat(start), months) == expected.date()
