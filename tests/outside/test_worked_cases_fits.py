"""Worked cases of change-point, weighted and degree-day fits.

Expected numbers were computed outside this project by two routes each: numpy by hand and the
closed form of Hudson (1966), W4 also with R's segmented.  Temperatures are °F; the arithmetic
does not care.
"""

import numpy as np
import pandas as pd
import pytest

from mv.baseline.change_point import fit_change_point
from mv.baseline.degree_days import DegreeDays
from mv.baseline.terms import LinearTerms
from mv.findings import ModelError

T = [31, 35, 43, 53, 63, 72, 77, 75, 68, 57, 46, 36]
DIGITS = 5e-6
"""Six printed digits."""


def monthly(energy, **columns):
    return pd.DataFrame(
        {"energy": np.array(energy, dtype=float), "temperature": np.array(T, dtype=float)}
        | {"operating": 1.0, "weight": 1.0, "status": "used"}
        | columns,
        index=pd.date_range("2023-01-01", periods=12, name="date"),
    )


def test_w1_line():
    fit = fit_change_point(
        monthly([410, 418, 432, 455, 486, 512, 530, 521, 500, 466, 438, 421]), "2P"
    )
    assert fit.coefficients == pytest.approx([323.656, 2.59928], rel=DIGITS)
    assert fit.standard_errors == pytest.approx([4.89898, 0.0861150], rel=DIGITS)
    assert fit.t_values == pytest.approx([66.0660, 30.1839], rel=DIGITS)


def test_w1_held_out_quarter():
    rows = monthly([410, 418, 432, 455, 486, 512, 530, 521, 500, 466, 438, 421])
    fit = fit_change_point(rows.iloc[:9], "2P")
    last = rows.iloc[9:]
    e = last["energy"].to_numpy() - fit.predict(last)
    assert e.sum() == pytest.approx(-9.44171, rel=DIGITS)
    assert e.sum() / last["energy"].sum() == pytest.approx(-0.00712582, rel=DIGITS)


CASES = {
    "W2 cooling": (
        "3PC",
        [300, 302, 298, 301, 312, 352, 381, 372, 334, 303, 299, 301],
        [61.0427],
        [300.571, 4.98413],
        {"sse": 36.4825, "rmse": 2.01336, "cv_rmse": 0.00626727, "r2": 0.996475}
        | {"autocorrelation": -0.585750, "effective_n": 12},
    ),
    "W3 heating": (
        "3PH",
        [52, 47, 38, 24, 11, 6.2, 5.8, 6.0, 7.9, 19, 34, 46],
        [66.8306],
        [6.47500, 1.28454],
        {"sse": 4.82451, "cv_rmse": 0.0295921},
    ),
    "W4 both": (
        "4P",
        [318, 314, 306, 297, 299, 331, 352, 343, 316, 295, 303, 312],
        [60.9607],
        [290.353, 0.895018, 3.76984],
        {"sse": 7.64573, "cv_rmse": 0.00309860},
    ),
    "W5 apart": (
        "5P",
        [405, 388, 352, 312, 309, 336, 362, 351, 318, 307, 339, 383],
        [53.5832, 66.0692],
        [308.000, 4.27100, 4.86957],
        {"sse": 10.3204, "cv_rmse": 0.00350089},
    ),
}


@pytest.mark.parametrize("case", CASES)
def test_w2_to_w5_change_points(case):
    form, energy, change_points, coefficients, statistics = CASES[case]
    fit = fit_change_point(monthly(energy), form)
    assert fit.change_points == pytest.approx(change_points, rel=DIGITS)
    assert fit.coefficients == pytest.approx(coefficients, rel=DIGITS)
    for name, value in statistics.items():
        assert getattr(fit.statistics, name) == pytest.approx(value, rel=DIGITS), name


GRID = {
    "W2 cooling": ((61,), [300.545, 4.96927], 36.5223),
    "W3 heating": ((67,), [6.41331, 1.27872], 4.87820),
    "W4 both": ((61,), [290.395, 0.891590, 3.77834], 7.66535),
    "W5 apart": ((54, 66), [307.332, 4.20747, 4.90789], 13.0627),
}


@pytest.mark.parametrize("case", GRID)
def test_given_change_points(case):
    """The best points of a 1 °F grid, as published with each case: never below the optimum."""
    form, energy, *_ = CASES[case]
    change_points, coefficients, sse = GRID[case]
    fit = fit_change_point(monthly(energy), form, change_points=change_points)
    assert fit.coefficients == pytest.approx(coefficients, rel=DIGITS)
    assert fit.statistics.sse == pytest.approx(sse, rel=DIGITS)


def test_too_few_rows_are_refused():
    with pytest.raises(ModelError, match="form 5P has 5 parameters and needs at least 8 rows"):
        fit_change_point(monthly(CASES["W5 apart"][1]).iloc[:7], "5P", change_points=(54, 66))


# -- W6: bills ------------------------------------------------------------------------------

DAYS = np.array([33, 28, 31, 30, 32, 29, 31, 31, 30, 30, 33, 27.0])
HDD = np.array([1090, 870, 660, 372, 141, 28, 3, 7, 63, 262, 590, 812.0])
THERMS = np.array([1702, 1365, 1093, 690, 402, 241, 205, 214, 270, 540, 1005, 1263.0])


def test_w6_bills_weighted_by_days():
    rows = monthly(THERMS / DAYS, weight=DAYS).assign(**{"driver:hdd": HDD / DAYS})
    for official in (False, True):
        fit = fit_change_point(rows, "1P", LinearTerms(drivers=("hdd",)), official=official)
        assert fit.coefficients == pytest.approx([6.46230, 1.35387], rel=DIGITS)
        assert fit.standard_errors == pytest.approx([0.133064, 0.00734667], rel=DIGITS)
        # Weighted by days, the model gives back exactly what was billed.
        assert DAYS @ fit.predict(rows) == pytest.approx(8990, rel=1e-12)
        assert fit.statistics.mean == pytest.approx(8990 / DAYS.sum(), rel=1e-12)


def test_w6_unweighted_bills_do_not_add_up():
    rows = monthly(THERMS / DAYS).assign(**{"driver:hdd": HDD / DAYS})
    fit = fit_change_point(rows, "1P", LinearTerms(drivers=("hdd",)))
    assert fit.coefficients == pytest.approx([6.46775, 1.35323], rel=DIGITS)
    total = DAYS @ fit.predict(rows)
    assert total == pytest.approx(8988.85, abs=5e-3)
    assert (8990 - total) / 8990 == pytest.approx(0.000128092, rel=1e-3)


# -- W7: degree days ------------------------------------------------------------------------

LOW = np.array([28, 55, 61, 70, 48, 64.5])
HIGH = np.array([44, 75, 70, 90, 66, 66.5])


@pytest.mark.parametrize(
    ("form", "base", "total"), [("HDD", 65, 37), ("CDD", 65, 16), ("HDD", 55, 19), ("CDD", 70, 10)]
)
def test_w7_daily_degree_days(form, base, total):
    mean = (LOW + HIGH) / 2
    assert mean.tolist() == [36, 65, 65.5, 80, 57, 65.5]
    response = DegreeDays(form, (base,))
    assert response.at(mean).sum() == pytest.approx(total, abs=1e-12)
    bill = pd.DataFrame({"daily_temperatures": [mean], "days": [6.0]})
    assert 6 * response.columns(bill)[0, 0] == pytest.approx(total, abs=1e-12)


def test_w7_hourly_degree_days_see_more_than_daily_ones():
    t = 60 + 15 * np.cos(2 * np.pi * (np.arange(24) - 15) / 24)
    hot, cold = DegreeDays("CDD", (65,)), DegreeDays("HDD", (65,))
    assert hot.at(t).sum() / 24 == pytest.approx(2.54882, rel=DIGITS)
    assert cold.at(t).sum() / 24 == pytest.approx(7.54882, rel=DIGITS)
    daily = np.array([t.mean()])
    assert hot.at(daily)[0, 0] == 0
    assert cold.at(daily)[0, 0] == pytest.approx(5, abs=1e-12)
