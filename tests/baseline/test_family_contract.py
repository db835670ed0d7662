"""What every registered baseline family must keep: run against all of them."""

import numpy as np
import pandas as pd
import pytest

from mv.baseline.change_point import fit_change_point, joint_standard_errors
from mv.baseline.family import FAMILIES
from mv.findings import ModelError

HOURS = pd.date_range("2023-01-02", periods=24 * 7 * 30, freq="h", tz="UTC", name="start")


def days(n=300, seed=0):
    rng = np.random.default_rng(seed)
    t = 12 - 12 * np.cos(2 * np.pi * np.arange(n) / 365) + rng.normal(0, 3, n)
    dates = pd.date_range("2023-01-01", periods=n, name="date")
    return pd.DataFrame(
        {"temperature": t, "operating": (dates.day_of_week < 5).astype(float)}
        | {"weight": 1.0, "status": "used"},
        index=dates,
    )


def bills(n=24, seed=0):
    rng = np.random.default_rng(seed)
    starts = pd.date_range("2021-01-04", periods=n, freq="30D")
    season = 12 - 12 * np.cos(2 * np.pi * (np.arange(30 * n)) / 365)
    daily = (season + rng.normal(0, 3, 30 * n)).reshape(n, 30)
    return pd.DataFrame(
        {
            "start": starts,
            "end": starts + pd.Timedelta(days=30),
            "days": 30.0,
            "temperature": daily.mean(axis=1),
            "operating": rng.uniform(0.6, 0.75, n),
            "weight": 30.0,
            "status": "used",
            "daily_temperatures": list(daily),
        }
    )


def hours():
    rng = np.random.default_rng(0)
    n = len(HOURS)
    t = 12 - 9 * np.cos(2 * np.pi * np.arange(n) / n) + 5 * np.sin(2 * np.pi * np.arange(n) / 24)
    return pd.DataFrame(
        {
            "temperature": t + rng.normal(0, 1, n),
            "hour_of_week": np.arange(n) % 168,
            "operating": 1.0,
            "weight": 1.0,
            "status": "used",
        },
        index=HOURS,
    )


def heat(t, c):
    return np.maximum(c - t, 0)


def cool(t, c):
    return np.maximum(t - c, 0)


def per_day(rows, side, c):
    return np.array([side(piece, c).mean() for piece in rows["daily_temperatures"]])


# For each form: rows, true use, true change points, true coefficients (None: judged by the
# predictions alone).
TRUTH = {
    ("change_point", "1P"): (days, lambda r: 50 + 0 * r.temperature, (), [50]),
    ("change_point", "2P"): (days, lambda r: 50 + 2 * r.temperature, (), [50, 2]),
    ("change_point", "3PH"): (days, lambda r: 50 + 3 * heat(r.temperature, 13.2), (13.2,), [50, 3]),
    ("change_point", "3PC"): (days, lambda r: 50 + 4 * cool(r.temperature, 17.7), (17.7,), [50, 4]),
    ("change_point", "4P"): (
        days,
        lambda r: 50 + 3 * heat(r.temperature, 14.1) + 4 * cool(r.temperature, 14.1),
        (14.1,),
        [50, 3, 4],
    ),
    ("change_point", "5P"): (
        days,
        lambda r: 50 + 3 * heat(r.temperature, 9.3) + 4 * cool(r.temperature, 18.6),
        (9.3, 18.6),
        [50, 3, 4],
    ),
    ("degree_days", "HDD"): (bills, lambda r: 50 + 3 * per_day(r, heat, 14.4), (14.4,), [50, 3]),
    ("degree_days", "CDD"): (bills, lambda r: 50 + 4 * per_day(r, cool, 16.2), (16.2,), [50, 4]),
    ("degree_days", "HDDCDD"): (
        bills,
        lambda r: 50 + 3 * per_day(r, heat, 12.3) + 4 * per_day(r, cool, 18.2),
        (12.3, 18.2),
        [50, 3, 4],
    ),
    ("time_of_week", "time of week and temperature"): (
        hours,
        lambda r: 5 + r.hour_of_week % 24 / 4 + 0.3 * r.temperature,
        None,
        None,
    ),
}
FORMS = [(family.name, form) for family in FAMILIES for form in family.forms]


def made(family, form, noise=0.0):
    make, use, change_points, coefficients = TRUTH[family, form]
    rows = make()
    energy = np.asarray(use(rows), dtype=float)
    energy = energy + np.random.default_rng(1).normal(0, noise, len(rows))
    return rows.assign(energy=energy), change_points, coefficients


def fitted(family, form, rows):
    return FAMILIES[family].fit(rows, form)


def test_every_form_has_its_truth():
    assert set(FORMS) == set(TRUTH)


@pytest.mark.parametrize(("family", "form"), FORMS)
def test_known_coefficients_come_back(family, form):
    rows, change_points, coefficients = made(family, form)
    fit = fitted(family, form, rows)
    if coefficients is not None:
        assert fit.change_points == pytest.approx(change_points, abs=1e-6)
        assert fit.coefficients == pytest.approx(coefficients, rel=1e-6)
    assert fit.predict(rows) == pytest.approx(rows["energy"].to_numpy(), rel=1e-6)
    assert fit.design(rows) @ fit.coefficients == pytest.approx(fit.predict(rows), rel=1e-9)
    assert fit.residuals == pytest.approx(np.zeros(len(rows)), abs=1e-5)
    assert isinstance(fit.formula(), str)


@pytest.mark.parametrize(("family", "form"), FORMS)
def test_row_order_does_not_matter(family, form):
    rows, *_ = made(family, form, noise=2.0)
    mixed = rows.sample(frac=1, random_state=4)
    a, b = fitted(family, form, rows), fitted(family, form, mixed)
    assert a.coefficients == pytest.approx(b.coefficients, rel=1e-7, abs=1e-9)
    assert a.residuals == pytest.approx(b.residuals, rel=1e-6, abs=1e-8)
    assert a.statistics.autocorrelation == pytest.approx(b.statistics.autocorrelation, rel=1e-6)
    assert a.predict(rows) == pytest.approx(b.predict(rows), rel=1e-8)


@pytest.mark.parametrize(("family", "form"), FORMS)
def test_units_scale_through(family, form):
    rows, *_ = made(family, form, noise=2.0)
    a = fitted(family, form, rows)
    b = fitted(family, form, rows.assign(energy=rows["energy"] * 3.6))
    assert b.coefficients == pytest.approx(a.coefficients * 3.6, rel=1e-6, abs=1e-9)
    assert b.statistics.rmse == pytest.approx(a.statistics.rmse * 3.6, rel=1e-8)
    assert b.statistics.cv_rmse == pytest.approx(a.statistics.cv_rmse, rel=1e-8)
    assert b.statistics.r2 == pytest.approx(a.statistics.r2, rel=1e-8, abs=1e-12)


@pytest.mark.parametrize(("family", "form"), FORMS)
def test_rows_left_out_stay_out(family, form):
    rows, *_ = made(family, form, noise=2.0)
    rows = rows.astype({"status": object})
    dirty = rows.copy()
    place = dirty.columns.get_loc
    dirty.iloc[3, place("status")] = "coverage_low"
    dirty.iloc[3, place("energy")] = np.nan
    a = fitted(family, form, rows.drop(index=rows.index[3]))
    b = fitted(family, form, dirty)
    assert a.n == b.n == len(rows) - 1
    assert a.coefficients == pytest.approx(b.coefficients, rel=1e-9, abs=1e-12)


@pytest.mark.parametrize(("family", "form"), FORMS)
def test_too_few_rows_are_refused(family, form):
    rows, *_ = made(family, form, noise=2.0)
    with pytest.raises(ModelError, match=r"rows|hours"):
        fitted(family, form, rows.iloc[:3])


@pytest.mark.parametrize(("family", "form"), FORMS)
def test_a_used_row_without_energy_is_refused(family, form):
    rows, *_ = made(family, form, noise=2.0)
    rows.iloc[4, rows.columns.get_loc("energy")] = np.nan
    with pytest.raises(ModelError, match="no energy or no temperature"):
        fitted(family, form, rows)


@pytest.mark.parametrize("searched", [False, True])
def test_intervals_of_coefficients_cover(searched):
    """Simulated: the 90 % interval of the heating slope covers the truth as often as it says,
    with the change point given and, by the joint errors, with the change point searched."""
    make, use, (c,), _ = TRUTH["change_point", "3PH"]
    rows = make()
    truth = np.asarray(use(rows))
    rng = np.random.default_rng(8)
    inside, trials = 0, 500
    for _ in range(trials):
        noisy = rows.assign(energy=truth + rng.normal(0, 6, len(rows)))
        fit = fit_change_point(noisy, "3PH", change_points=None if searched else (c,))
        error = joint_standard_errors(fit)[0][1] if searched else fit.standard_errors[1]
        inside += abs(fit.coefficients[1] - 3) < 1.645 * error
    # 90 % of 500 trials, four standard deviations of the count on either side
    assert abs(inside / trials - 0.9) < 4 * np.sqrt(0.9 * 0.1 / trials)
