"""Avoided energy: sums, signs, rows that count, refusals."""

import numpy as np
import pandas as pd
import pytest

from mv.baseline.select import select
from mv.findings import ModelError
from mv.savings.avoided import avoided_energy, avoided_under


def test_avoided_is_adjusted_baseline_less_measured_plus_adjustment(fit_line, daily_rows):
    base, after = daily_rows(1), daily_rows(2, start="2024-01-01", level=90.0)
    fit = fit_line(base)
    got = avoided_energy(fit, base, after, adjustment=500.0, adjustment_se=80.0)
    by_hand = fit.coefficients[0] * 365 + fit.coefficients[1] * after["temperature"].sum()
    assert got.adjusted_baseline == pytest.approx(by_hand, rel=1e-12)
    assert got.measured == pytest.approx(after["energy"].sum(), rel=1e-12)
    assert got.avoided == pytest.approx(by_hand - after["energy"].sum() + 500.0, rel=1e-12)
    assert got.fraction == pytest.approx(got.avoided / by_hand, rel=1e-12)
    rows = got.modelled_rows.sum() - got.measured_rows.sum() + 500.0
    assert rows == pytest.approx(got.avoided, rel=1e-12)


def test_rows_left_out_leave_both_sides(fit_line, daily_rows):
    base, after = daily_rows(1), daily_rows(2, start="2024-01-01")
    fit = fit_line(base)
    marked = after.assign(status=np.where(np.arange(365) < 100, "event_excluded", "used"))
    marked.iloc[:100, marked.columns.get_loc("energy")] = np.nan
    got, cut = avoided_energy(fit, base, marked), avoided_energy(fit, base, after.iloc[100:])
    assert (got.rows, got.days) == (265, 265.0)
    assert got.avoided == pytest.approx(cut.avoided, rel=1e-12)


def test_level_correction_counts_every_day(fit_line, daily_rows):
    base, after = daily_rows(1), daily_rows(2, start="2024-01-01")
    fit = fit_line(base)
    plain = avoided_energy(fit, base, after)
    corrected = avoided_energy(fit, base, after, level_correction=-2.0)
    assert corrected.level_energy == -730.0
    assert corrected.avoided == pytest.approx(plain.avoided - 730.0, rel=1e-9)


def test_bills_count_with_their_days(fit_line, daily_rows):
    base = daily_rows(1, days=12).assign(days=np.linspace(27, 33, 12))
    after = daily_rows(2, days=10).assign(days=np.linspace(33, 28, 10))
    fit = fit_line(base)
    got = avoided_energy(fit, base, after)
    assert got.days == pytest.approx(after["days"].sum(), rel=1e-12)
    assert got.measured == pytest.approx((after["energy"] * after["days"]).sum(), rel=1e-12)
    modelled = (fit.predict(after) * after["days"]).sum()
    assert got.adjusted_baseline == pytest.approx(modelled, rel=1e-12)


def test_refusals(fit_line, daily_rows):
    base = daily_rows(1)
    fit = fit_line(base)
    with pytest.raises(ModelError, match=r"^no row of the reporting period can be used$"):
        avoided_energy(fit, base, base.assign(status="coverage_low"))
    with pytest.raises(ModelError, match="must both be bills or both be days"):
        avoided_energy(fit, base, base.assign(days=30.0))
    with pytest.raises(ModelError, match="has no energy or no temperature"):
        avoided_energy(fit, base, base.assign(energy=np.nan))


def test_no_fraction_of_nothing(fit_line, daily_rows):
    base = daily_rows(1, level=0.0, slope=0.0, noise=1.0)
    fit = fit_line(base)
    got = avoided_energy(fit, base, base, level_correction=-1e6)
    assert got.fraction is None


def test_several_models_at_once_give_what_each_gives_alone():
    dates = pd.date_range("2023-01-01", periods=730, name="date")
    rng = np.random.default_rng(3)
    t = 12 - 11 * np.cos(2 * np.pi * np.arange(730) / 365) + rng.normal(0, 3, 730)
    operating = (dates.day_of_week < 5).astype(float)
    energy = 200 + 60 * operating + 4 * np.maximum(14 - t, 0) + rng.normal(0, 12, 730)
    columns = {"energy": energy, "temperature": t, "operating": operating}
    rows = pd.DataFrame(columns | {"weight": 1.0, "status": "used"}, index=dates)
    base, report = rows.iloc[:365], rows.iloc[365:].copy()
    report.iloc[5, report.columns.get_loc("status")] = "coverage_low"
    fits = [c.fit for c in select(base, "daily").candidates if c.fit is not None]
    levels = np.linspace(-3.0, 3.0, len(fits)).tolist()
    together = avoided_under(fits, base, report, adjustment=40.0, level_corrections=levels)
    assert len(fits) >= 5
    for fit, level, saving in zip(fits, levels, together, strict=True):
        alone = avoided_energy(fit, base, report, adjustment=40.0, level_correction=level)
        assert saving == pytest.approx(alone.avoided, rel=1e-9, abs=1e-9 * alone.measured)
