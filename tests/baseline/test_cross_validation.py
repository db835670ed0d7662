"""Held-out blocks against fits that really leave them out."""

import numpy as np
import pandas as pd
import pytest

from mv.baseline.change_point import fit_change_point
from mv.baseline.cross_validation import blocks_of, hold_out
from mv.baseline.fit import Sample
from mv.baseline.terms import LinearTerms


def rows(n=365, seed=0, weights=None):
    rng = np.random.default_rng(seed)
    dates = pd.date_range("2023-01-10", periods=n, name="date")
    t = 11 - 10 * np.cos(2 * np.pi * np.arange(n) / 365) + rng.normal(0, 3, n)
    operating = (dates.day_of_week < 5).astype(float)
    energy = 100 + 40 * operating + 3 * np.maximum(13 - t, 0) + rng.normal(0, 8, n)
    return pd.DataFrame(
        {"energy": energy, "temperature": t, "operating": operating, "status": "used"}
        | {"weight": np.ones(n) if weights is None else weights},
        index=dates,
    )


@pytest.mark.parametrize("weighted", [False, True])
def test_same_as_leaving_each_month_out(weighted):
    """Every month is left out in turn and predicted by a fit (statsmodels) to the others."""
    weights = np.random.default_rng(1).integers(1, 5, 365).astype(float) if weighted else None
    table = rows(weights=weights)
    terms = LinearTerms("operating")
    fit = fit_change_point(table, "3PH", terms)
    sample = Sample.of(table)
    out = hold_out(fit, sample)
    months = table.index.to_period("M")
    assert out.blocks == 13  # 10 January to 9 January
    errors = np.empty(365)
    for month in months.unique():
        held = months == month
        rest = fit_change_point(
            table[~held], "3PH", terms, change_points=fit.change_points, official=True
        )
        errors[held] = table["energy"][held] - rest.predict(table[held])
    assert out.errors == pytest.approx(errors, rel=1e-8, abs=1e-8)
    w = sample.unit_weights
    mean = np.average(table["energy"], weights=w)
    assert out.cv_rmse == pytest.approx(np.sqrt(np.mean(w * errors**2)) / mean, rel=1e-9)
    assert out.nmbe == pytest.approx(np.mean(w * errors) / mean, rel=1e-7)
    assert out.cv_rmse > fit.statistics.cv_rmse * 0.98


def test_change_points_that_stay_flatter_little():
    """Searched anew without each month, the change point makes the held-out error larger, by
    less than 3 % of itself."""
    held, anew = 0.0, 0.0
    for seed in range(5):
        table = rows(seed=seed)
        terms = LinearTerms("operating")
        fit = fit_change_point(table, "3PH", terms, least=10)
        out = hold_out(fit, Sample.of(table))
        months = table.index.to_period("M")
        for month in months.unique():
            out_month = months == month
            rest = fit_change_point(table[~out_month], "3PH", terms, least=10)
            e = table["energy"][out_month] - rest.predict(table[out_month])
            anew += float(e @ e)
        held += float(out.errors @ out.errors)
    assert 1 < np.sqrt(anew / held) < 1.03


def test_bills_are_held_out_one_by_one():
    starts = pd.date_range("2023-01-01", periods=12, freq="30D")
    rng = np.random.default_rng(2)
    t = np.array([2, 3, 6, 10, 14, 18, 21, 20, 16, 11, 6, 3.0])
    table = pd.DataFrame(
        {
            "start": starts,
            "end": starts + pd.Timedelta(days=30),
            "energy": 80 - 2 * t + rng.normal(0, 2, 12),
            "temperature": t,
            "operating": 0.7,
            "weight": 30.0,
            "status": "used",
        }
    )
    fit = fit_change_point(table, "2P")
    sample = Sample.of(table)
    assert blocks_of(sample).tolist() == list(range(12))
    out = hold_out(fit, sample)
    # Leave-one-out residual e/(1 − h), any regression text.
    x = fit.x
    h = np.diag(x @ np.linalg.inv(x.T @ x) @ x.T)
    assert out.errors == pytest.approx(fit.residuals / (1 - h), rel=1e-9)


def test_few_blocks_hold_nothing_out():
    table = rows(80)
    assert hold_out(fit_change_point(table, "1P"), Sample.of(table)) is None


def test_a_term_seen_in_one_month_only_holds_nothing_out():
    table = rows()
    table["operating"] = (table.index.to_period("M") == "2023-05").astype(float)
    fit = fit_change_point(table, "1P", LinearTerms("operating"))
    assert hold_out(fit, Sample.of(table)) is None


def test_mean_of_zero_has_no_fractions():
    table = rows()
    table["energy"] -= table["energy"].mean() + 1
    out = hold_out(fit_change_point(table, "1P"), Sample.of(table))
    assert (out.cv_rmse, out.nmbe) == (None, None)
    assert len(out.errors) == 365
