"""Worked cases of change-point, weighted and degree-day fits.

Expected numbers were computed outside this project by two routes each: numpy by hand and the
closed form of Hudson (1966), W4 also with R's segmented.  Temperatures are °F; the arithmetic
does not care.
"""

import numpy as np
import pandas as pd
import pytest

from mv.baseline.change_point import fit_change_point
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
