"""Whether the periods hold enough: limits, reasons, remedies."""

import numpy as np
import pandas as pd
import pytest

from mv.portfolio.schema import Limits
from mv.readings.sufficiency import sufficiency


def days(first: str, count: int, out: slice | None = None, rule: str = "coverage_low"):
    index = pd.date_range(first, periods=count, name="date")
    status = np.full(count, "used", dtype=object)
    if out is not None:
        status[out] = rule
    season = 12 - 9 * np.cos(2 * np.pi * (index.day_of_year - 20) / 365)
    return pd.DataFrame({"status": status, "temperature": season}, index=index)


def bills(first: str, count: int):
    start = pd.date_range(first, periods=count + 1, freq="30D")
    return pd.DataFrame({"start": start[:-1], "end": start[1:], "days": 30, "status": "used"})


def judge(baseline, reporting, of_bills=False):
    return sufficiency(baseline, reporting, bills=of_bills, limits=Limits())


def test_two_whole_years_are_enough():
    got = judge(days("2022-01-01", 365), days("2023-01-01", 365))
    assert (got.reason, got.remedy, got.findings) == ("", "", ())


@pytest.mark.parametrize(
    ("count", "reason"),
    [(200, "the baseline period holds 6.6 months of usable readings, at least 9 are needed")],
)
def test_baseline_under_nine_months_is_refused(count, reason):
    got = judge(days("2022-06-01", count), days("2023-01-01", 365))
    assert got.reason == reason
    assert got.remedy.startswith("Give 2.4 more months of readings from before the works")


def test_ten_months_are_usable_and_told():
    got = judge(days("2022-03-01", 306), days("2023-01-01", 365))
    assert got.reason == ""
    assert [f.rule for f in got.findings] == ["baseline_short"]


def test_short_reporting_period_is_told():
    got = judge(days("2022-01-01", 365), days("2023-01-01", 150))
    assert [f.rule for f in got.findings] == ["reporting_short"]
    assert "holds 4.9 of 12 months" in got.findings[0].message


def test_too_many_days_left_out():
    got = judge(days("2022-01-01", 365, slice(100, 240)), days("2023-01-01", 365))
    assert (
        got.reason
        == "only 61.6\u202f% of the baseline period is usable, at least 75\u202f% is needed"
    )
    assert "coverage_low (140)" in got.remedy


def test_a_share_just_short_is_not_told_as_the_limit():
    got = judge(days("2022-01-01", 365, slice(100, 192)), days("2023-01-01", 365))
    assert (
        got.reason
        == "only 74.7\u202f% of the baseline period is usable, at least 75\u202f% is needed"
    )


def test_thin_month_and_temperatures_are_told():
    got = judge(days("2022-01-01", 365, slice(181, 230)), days("2023-01-01", 365))
    assert [f.rule for f in got.findings] == ["coverage_uneven", "coverage_uneven"]
    assert "2022-07, 2022-08" in got.findings[0].message
    assert "20 to 25 °C" in got.findings[1].message


def test_bills_under_nine_are_refused():
    got = judge(bills("2022-01-01", 8), bills("2023-01-01", 12), of_bills=True)
    assert "holds 7.9 months" in got.reason or "8 usable bills" in got.reason
    got = judge(bills("2022-01-01", 10), bills("2023-01-01", 12), of_bills=True)
    assert got.reason == ""
    assert "baseline_short" in [f.rule for f in got.findings]


def test_nothing_usable():
    got = judge(days("2022-01-01", 365, slice(0, 365)), days("2023-01-01", 365))
    assert got.reason == "the baseline period has no usable day"
