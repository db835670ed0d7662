"""Annual savings at normal conditions."""

import numpy as np
import pytest

from mv.findings import ModelError
from mv.savings.avoided import avoided_energy
from mv.savings.drift import load_prior
from mv.savings.normalised import both_models, normal_rows, realisation_rate, saved_fraction
from mv.savings.uncertainty import interval

NORMAL = 12 - 10 * np.cos(2 * np.pi * (np.arange(1, 366) - 15) / 365)


def calendar(start, days):
    dates = np.datetime64(start) + np.arange(days)
    return dates, np.is_busday(dates)


def test_normal_year_of_days():
    rows = normal_rows(NORMAL, *calendar("2023-07-01", 366), "daily").frame()
    assert len(rows) == 365
    assert not ((rows.index.month == 2) & (rows.index.day == 29)).any()
    assert rows.loc["2024-03-01", "temperature"] == NORMAL[59]
    assert rows.loc["2023-12-31", "temperature"] == NORMAL[364]
    assert rows.loc["2024-01-06", "operating"] == 0.0


def test_normal_year_of_bills_keeps_days_and_means():
    daily = normal_rows(NORMAL, *calendar("2023-01-01", 365), "daily").frame()
    bills = normal_rows(NORMAL, *calendar("2023-01-01", 365), "bills").frame()
    assert bills["days"].tolist() == [31, 28, 31, 30, 31, 30, 31, 31, 30, 31, 30, 31]
    for column in ("temperature", "operating"):
        assert bills["days"] @ bills[column] == pytest.approx(daily[column].sum(), rel=1e-12)
    july = daily.loc["2023-07", "temperature"].mean()
    assert bills["temperature"][6] == pytest.approx(july, rel=1e-12)
    assert bills["daily_temperatures"][6].mean() == pytest.approx(july, rel=1e-12)
    assert sum(len(piece) for piece in bills["daily_temperatures"]) == 365


def test_normal_year_must_be_whole():
    with pytest.raises(ModelError, match="365 consecutive days, found 300"):
        normal_rows(NORMAL, *calendar("2023-01-01", 300), "daily")
    with pytest.raises(ModelError, match="each of 365 days"):
        normal_rows(
            np.where(np.arange(365) != 6, NORMAL, np.nan), *calendar("2023-01-01", 365), "daily"
        )


@pytest.fixture
def site(fit_line, daily_rows):
    base = daily_rows(21, start="2022-06-01", noise=4.0)
    after = daily_rows(22, start="2023-06-01", level=85.0, noise=4.0)
    fit = fit_line(base)
    saving = avoided_energy(fit, base, after)
    uncertainty = interval(
        fit,
        base,
        after,
        carrier="electricity",
        granularity="daily",
        confidence=0.9,
        prior=load_prior(),
        adjusted_baseline=saving.adjusted_baseline,
        avoided=saving.avoided,
    )
    return fit, base, after, saving, uncertainty


def test_both_models_is_the_difference_of_the_lines(site, fit_line):
    fit, base, after, _, uncertainty = site
    normal = normal_rows(NORMAL, *calendar("2023-06-01", 365 + 1), "daily")
    after_fit = fit_line(after)
    got = both_models(
        fit,
        base,
        after_fit,
        after,
        normal,
        granularity="daily",
        uncertainty=uncertainty,
        unit="kWh",
    )
    b, a = fit.coefficients, after_fit.coefficients
    by_hand = 365 * (b[0] - a[0]) + (b[1] - a[1]) * NORMAL.sum()
    assert got.savings.value == pytest.approx(by_hand, rel=1e-9)
    assert got.savings.value == pytest.approx(365 * 15.0, rel=0.1)  # the truth that was simulated
    assert got.savings.low < 365 * 15.0 < got.savings.high
    drift = uncertainty.quantile * uncertainty.drift_tau * got.adjusted_baseline
    assert got.savings.half_width > drift
    assert got.savings.half_width < 1.2 * drift
    assert got.route == "both models"


def test_saved_fraction_of_half_a_year_is_wider(site):
    fit, base, after, _, uncertainty = site
    normal = normal_rows(NORMAL, *calendar("2023-06-01", 366), "daily")
    half_year = after.iloc[:183]
    saving = avoided_energy(fit, base, half_year)

    def at(months):
        return saved_fraction(
            fit,
            normal,
            avoided=saving.avoided,
            adjusted_baseline=saving.adjusted_baseline,
            uncertainty=uncertainty,
            reporting_months=months,
            unit="kWh",
        )

    whole, half = at(12), at(6)
    base_use = float(fit.predict(normal).sum())
    assert half.savings.value == pytest.approx(saving.fraction * base_use, rel=1e-12)
    spread = uncertainty.quantile * 0.5 * 0.25 * saving.fraction * base_use
    expected = np.hypot(whole.savings.half_width, spread)
    assert half.savings.half_width == pytest.approx(expected, rel=1e-9)
    assert "50\u202f% of a year not yet measured" in half.method
    assert "extrapolation" in half.method


def test_realisation_rate():
    from mv.quantity import around

    got = realisation_rate(around(900.0, 300.0, "kWh", confidence=0.9), 1200.0)
    assert (got.value, got.low, got.high) == pytest.approx((0.75, 0.5, 1.0))
    assert got.kind == "ratio"
    assert realisation_rate(around(900.0, 300.0, "kWh"), 0.0) is None
