"""The hourly model against statsmodels on the full design, and its choices."""

import numpy as np
import pandas as pd
import pytest

from mv.baseline.hourly import HOURS_OF_WEEK, fit_hourly
from mv.findings import ModelError


def hours(n=24 * 7 * 20, seed=0, night=0.0, gap=None):
    """A site occupied on weekdays from 7 to 19, heated and cooled then; `night` is how much of
    that answer it keeps at other times."""
    rng = np.random.default_rng(seed)
    index = pd.date_range("2023-01-02", periods=n, freq="h", tz="UTC", name="start")
    t = 13 - 13 * np.cos(2 * np.pi * np.arange(n) / n) - 5 * np.cos(np.arange(n) * np.pi / 12)
    t = t + rng.normal(0, 1.5, n)
    how = np.arange(n) % HOURS_OF_WEEK
    busy = (how // 24 < 5) & (how % 24 >= 7) & (how % 24 < 19)
    answer = 2 * np.maximum(12 - t, 0) + 3 * np.maximum(t - 19, 0)
    energy = 20 + 60 * busy + answer * np.where(busy, 1, night) + rng.normal(0, 2, n)
    rows = pd.DataFrame(
        {"energy": energy, "temperature": t, "hour_of_week": how, "operating": 1.0}
        | {"status": "used"},
        index=index,
    )
    return rows if gap is None else rows[rows["hour_of_week"] != gap]


@pytest.mark.parametrize("answer", ["alike", "one slope", "apart"])
def test_same_as_statsmodels_on_the_full_design(answer):
    import statsmodels.api as sm

    rows = hours(night=0.4)
    fit = fit_hourly(rows, answer=answer)
    x = fit.design(rows)
    theirs = sm.OLS(rows["energy"].to_numpy(), x).fit()
    assert fit.statistics.sse == pytest.approx(theirs.ssr, rel=1e-9)
    assert fit.predict(rows) == pytest.approx(theirs.fittedvalues, rel=1e-8)
    assert fit.parameters == np.linalg.matrix_rank(x)
    k = len(fit.slopes)
    assert fit.slopes == pytest.approx(theirs.params[-k:], rel=1e-6, abs=1e-8)
    assert np.sqrt(np.diag(fit.slopes_covariance)) == pytest.approx(theirs.bse[-k:], rel=1e-6)


def test_occupied_hours_are_found():
    fit = fit_hourly(hours())
    how = np.arange(HOURS_OF_WEEK)
    busy = (how // 24 < 5) & (how % 24 >= 7) & (how % 24 < 19)
    assert (fit.occupied == busy).all()


@pytest.mark.parametrize(("night", "answer"), [(0.0, "one slope"), (0.5, "apart"), (1.0, "alike")])
def test_answer_to_temperature_is_chosen(night, answer):
    assert fit_hourly(hours(night=night)).answer == answer


def test_an_hour_never_seen_is_not_predicted():
    rows = hours(gap=40)
    fit = fit_hourly(rows)
    assert np.isnan(fit.levels[40])
    everything = hours()
    predicted = fit.predict(everything)
    assert np.isnan(predicted[everything["hour_of_week"] == 40]).all()
    assert np.isfinite(predicted[everything["hour_of_week"] != 40]).all()
    assert fit.parameters == 167 + len(fit.slopes)


def test_bins_outside_the_data_are_dropped():
    """A component that is zero on all rows counts no parameter."""
    rows = hours()
    fit = fit_hourly(
        rows, edges=(0, 10, 20, 90), occupied=np.ones(HOURS_OF_WEEK, dtype=bool), answer="alike"
    )
    assert fit.parameters == HOURS_OF_WEEK + 4
    assert np.isfinite(fit.predict(rows)).all()


def test_components_add_up_to_the_temperature():
    rows = hours()
    fit = fit_hourly(rows, answer="alike", occupied=np.ones(HOURS_OF_WEEK, dtype=bool))
    parts = fit.design(rows)[:, HOURS_OF_WEEK:]
    assert parts.sum(axis=1) == pytest.approx(rows["temperature"].to_numpy(), abs=1e-9)


def test_four_weeks_are_needed():
    with pytest.raises(ModelError, match="an hourly model needs at least 672 hours, found 300"):
        fit_hourly(hours().iloc[:300])


def test_formula_says_how_unoccupied_hours_answer():
    fit = fit_hourly(hours(), answer="one slope")
    assert fit.formula() == (
        "energy (kWh/h) = α(hour of week) + Σ β(k)·T(k), 6 temperature components in occupied "
        "hours, one slope in unoccupied hours"
    )
