"""Bases of degree days against a fine grid, and where the daily temperatures come from."""

import itertools

import numpy as np
import pandas as pd
import pytest

from mv.baseline.degree_days import FORMS, DegreeDays, fit_degree_days, temperatures_of
from mv.baseline.fit import Sample
from mv.baseline.terms import LinearTerms
from mv.findings import ModelError


def bills(seed, n=15, noise=6.0):
    rng = np.random.default_rng(seed)
    length = rng.integers(27, 36, n)
    first = np.concatenate([[0], np.cumsum(length)])
    total = first[-1]
    t = 12 - 11 * np.cos(2 * np.pi * np.arange(total) / 365) + rng.normal(0, 3.5, total)
    starts = pd.Timestamp("2021-01-05") + pd.to_timedelta(first[:-1], unit="D")
    pieces = [t[a:b] for a, b in itertools.pairwise(first)]
    use = [np.mean(40 + 3 * np.maximum(14.3 - p, 0) + 5 * np.maximum(p - 18.4, 0)) for p in pieces]
    return pd.DataFrame(
        {
            "start": starts,
            "end": starts + pd.to_timedelta(length, unit="D"),
            "days": length.astype(float),
            "energy": np.array(use) + rng.normal(0, noise, n),
            "temperature": [p.mean() for p in pieces],
            "operating": rng.uniform(0.6, 0.75, n),
            "weight": length.astype(float),
            "status": "used",
            "daily_temperatures": pieces,
        }
    )


def sse_at(rows, form, bases, terms):
    sample = Sample.of(rows)
    x = np.hstack([terms.columns(rows), DegreeDays(form, bases).columns(rows)])
    root = np.sqrt(sample.unit_weights)
    b = np.linalg.lstsq(root[:, None] * x, root * sample.y, rcond=None)[0]
    e = root * (sample.y - x @ b)
    return float(e @ e), b


@pytest.mark.parametrize("seed", range(16))
@pytest.mark.parametrize("days", ["none", "operating"])
def test_no_base_of_a_fine_grid_does_better(seed, days):
    rows, terms = bills(seed), LinearTerms(days)
    everything = np.concatenate(rows["daily_temperatures"].to_list())
    low, high = np.quantile(everything, [0.05, 0.95])
    inside = np.sort(everything[(everything >= low) & (everything <= high)])
    low, high = inside[[0, -1]]
    for form in ("HDD", "CDD"):
        try:
            fit = fit_degree_days(rows, form, terms, signs=True)
        except ModelError:
            found = [sse_at(rows, form, (c,), terms) for c in np.linspace(low, high, 200)]
            assert all(b[-1] <= 0 for _, b in found)
            continue
        assert fit.coefficients[-1] > 0
        grid = [sse_at(rows, form, (c,), terms) for c in np.linspace(low, high, 200)]
        best = min(sse for sse, b in grid if b[-1] > 0)
        assert fit.statistics.sse <= best * (1 + 1e-9)
        assert fit.statistics.sse == pytest.approx(
            sse_at(rows, form, fit.change_points, terms)[0], rel=1e-9
        )


@pytest.mark.parametrize("seed", range(4))
def test_no_pair_of_bases_does_better(seed):
    rows, terms = bills(seed, n=24, noise=2.0), LinearTerms()
    fit = fit_degree_days(rows, "HDDCDD", terms, signs=True)
    assert fit.change_points[0] <= fit.change_points[1]
    grid = np.linspace(6, 24, 37)
    best = min(
        sse
        for i, a in enumerate(grid)
        for c in grid[i:]
        for sse, b in [sse_at(rows, "HDDCDD", (a, c), terms)]
        if b[1] > 0 and b[2] > 0
    )
    assert fit.statistics.sse <= best * (1 + 1e-9)


def test_a_mean_temperature_biases_the_base_and_degree_days_do_not():
    """True base 14.3 °C, no noise: the change point by bill means is off, the base is not."""
    from mv.baseline.change_point import fit_change_point

    rows = bills(2, n=36, noise=0.0)
    degree = fit_degree_days(rows, "HDDCDD")
    mean = fit_change_point(rows, "5P")
    assert degree.change_points == pytest.approx([14.3, 18.4], abs=1e-6)
    assert abs(mean.change_points[0] - 14.3) > 0.3


def test_daily_temperatures_of_bills():
    rows = bills(1)
    flat, first, count = temperatures_of(rows)
    assert count.tolist() == rows["days"].to_list()
    assert all(
        (flat[a : a + n] == piece).all()
        for a, n, piece in zip(first, count, rows["daily_temperatures"], strict=True)
    )
    with pytest.raises(ModelError, match="need the temperature of each of their days"):
        temperatures_of(rows.drop(columns="daily_temperatures"))


def test_a_day_is_its_own_mean():
    rows = pd.DataFrame({"temperature": [3.0, 20.0]}, index=pd.date_range("2024-01-01", periods=2))
    assert DegreeDays("HDDCDD", (10, 18)).columns(rows).tolist() == [[7, 0], [0, 2]]


def test_unknown_form():
    with pytest.raises(ModelError, match=f"no form is called '9P'; there are: {FORMS[0]}"):
        fit_degree_days(bills(1), "9P")
