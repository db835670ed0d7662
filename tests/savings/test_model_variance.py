"""The model part against brute force and against another library's robust covariance."""

import numpy as np
import pytest

from mv.findings import ModelError
from mv.savings.model_variance import mean_response_part, model_part, newey_west, solve, summed


def brute_force(u, lags):
    total = float(u @ u)
    for k in range(1, lags + 1):
        total += 2 * (1 - k / (lags + 1)) * float(u[k:] @ u[:-k])
    return total


@pytest.mark.parametrize("lags", [1, 3, 30])
def test_newey_west_is_its_definition(lags):
    u = np.random.default_rng(5).normal(size=200)
    assert newey_west(u, np.arange(200), lags) == pytest.approx(brute_force(u, lags), rel=1e-12)


def test_lags_beyond_the_rows_are_harmless():
    u = np.array([1.0, -2.0, 3.0])
    expected = 14 + 2 * ((1 - 1 / 11) * (-8) + (1 - 2 / 11) * 3)
    assert newey_west(u, np.arange(3), 10) == pytest.approx(expected, rel=1e-12)


def test_a_missing_row_is_a_gap_and_not_a_neighbour():
    u = np.random.default_rng(6).normal(size=100)
    whole = u.copy()
    whole[40:43] = 0.0
    keep = np.r_[0:40, 43:100]
    got = newey_west(u[keep], keep, 5)
    assert got == pytest.approx(brute_force(whole, 5), rel=1e-12)
    assert got != pytest.approx(brute_force(u[keep], 5), rel=1e-6)


def test_mean_response_is_statsmodels_hac(fit_line, daily_rows):
    """Outside route: statsmodels' HAC covariance, 30 lags, small-sample correction n/(n-p)."""
    import statsmodels.api as sm

    base, after = daily_rows(1), daily_rows(2, start="2024-03-01", days=200)
    fit = fit_line(base)
    result = sm.OLS(base["energy"].to_numpy(), fit.design(base)).fit(
        cov_type="HAC", cov_kwds={"maxlags": 30, "use_correction": True}
    )
    g = fit.design(after).sum(axis=0)
    expected = float(np.sqrt(g @ result.cov_params() @ g))
    assert mean_response_part(summed(fit, base, after, "daily")) == pytest.approx(
        expected, rel=1e-9
    )


def test_model_part_adds_the_new_residuals(fit_line, daily_rows):
    base, after = daily_rows(1), daily_rows(2, start="2024-03-01", days=200)
    fit = fit_line(base)
    modelled = summed(fit, base, after, "daily")
    s, response = model_part(modelled), mean_response_part(modelled)
    noise = 200 * brute_force(fit.residuals, 30) / (365 - 2)
    assert modelled.degrees == 363
    assert s == pytest.approx(np.hypot(response, np.sqrt(noise)), rel=1e-12)


def test_independent_noise_gives_the_expected_variance(fit_line, daily_rows):
    """Independent noise: the mean of s² over 200 years is what residuals of a fit must give.

    Residuals e = (I - H)ε, so E[NW] = σ² tr((I - H) K (I - H)) with K the triangular weights: an
    eighth under the true variance at 30 lags, which the drift part outweighs by far.
    """
    base, after = daily_rows(0, rho=0.0), daily_rows(999, rho=0.0, start="2024-01-01")
    x = fit_line(base).design(base)
    make = np.eye(365) - x @ np.linalg.inv(x.T @ x) @ x.T
    lag = np.abs(np.subtract.outer(np.arange(365), np.arange(365)))
    kernel = np.clip(1 - lag / 31, 0, None)
    a = x @ np.linalg.inv(x.T @ x) @ fit_line(base).design(after).sum(axis=0)
    of_coefficients = np.trace(make @ (kernel * np.outer(a, a)) @ make) * 365 / 363
    of_new = 365 * np.trace(make @ kernel @ make) / 363
    expected = 64.0 * (of_coefficients + of_new)
    rng = np.random.default_rng(8)
    line = 100 + 2 * base["temperature"].to_numpy()
    got = []
    for _ in range(200):
        year = base.assign(energy=line + rng.normal(0, 8.0, 365))
        got.append(model_part(summed(fit_line(year), year, after, "daily")) ** 2)
    assert np.mean(got) == pytest.approx(expected, rel=0.06)
    assert expected / (64.0 * (365 + a @ a)) == pytest.approx(0.88, abs=0.03)


def test_bills_weigh_by_their_days(fit_line, daily_rows):
    """Equal bills of 30 days: totals are 30 times the daily rate, and so is s."""
    rows = daily_rows(3, days=12)
    bills = rows.assign(days=30.0)
    ahead = daily_rows(4, days=12, start="2024-01-01")
    s_rows = model_part(summed(fit_line(rows), rows, ahead, "bills"))
    s_bills = model_part(summed(fit_line(bills), bills, ahead.assign(days=30.0), "bills"))
    assert s_bills == pytest.approx(30 * s_rows, rel=1e-9)


def test_rows_must_be_those_of_the_fit(fit_line, daily_rows):
    base = daily_rows(1)
    fit = fit_line(base)
    with pytest.raises(ModelError, match="fitted on 365 rows, the baseline has 300 used"):
        summed(fit, base.iloc[:300], base, "daily")


def test_solved_is_the_pseudo_inverse():
    rng = np.random.default_rng(8)
    x = np.column_stack([np.ones(50), rng.uniform(-5, 30, 50), rng.uniform(0, 1e4, 50)])
    weight = rng.uniform(25, 35, 50)
    g = np.array([365.0, 5000.0, 2e6])
    inverse = np.linalg.pinv(x.T @ (weight[:, None] * x))
    assert solve(x, weight, g) == pytest.approx(inverse @ g, rel=1e-9)


def test_columns_that_depend_on_others_share_the_answer():
    x = np.column_stack([np.ones(20), np.ones(20), np.arange(20.0), np.zeros(20)])
    found = solve(x, np.ones(20), np.array([2.0, 2.0, 19.0, 0.0]))
    assert found[0] == pytest.approx(found[1], rel=1e-9)
    assert found[3] == 0.0
    assert x.T @ (x @ found) == pytest.approx([2.0, 2.0, 19.0, 0.0], rel=1e-9, abs=1e-9)
