"""Monthly looks: the declared share holds under laws of drift it was not made from."""

import itertools
import math

import numpy as np
import pytest
from scipy import stats

from mv.findings import ModelError
from mv.savings.looks import correlation, look_plan, running_verdict

SITES = 20_000
PLANNED, LOOKS = 12, 24


def false_shares(plan, u):
    """Shares of sites (rows) that ever show a saving, with and without control."""
    factors = np.array(plan.factors)
    return (u > factors).any(axis=1).mean(), (u > 1).any(axis=1).mean()


def site_years(rng, nu):
    """Drift as a level that changes at each year's end: cumulative mean over 24 months."""
    years = rng.standard_t(nu, (SITES, 2))
    years[:, 1] = years[:, 0] * 0.7 + years[:, 1] * math.sqrt(1 - 0.49)
    level = np.repeat(years, 12, axis=1)
    return np.cumsum(level, axis=1) / np.arange(1, 25)


def one_jump(rng, nu):
    """Nothing, then one heavy-tailed jump in a month of its own (a tenant moves out)."""
    month = rng.integers(-12, 24, SITES)
    level = np.where(np.arange(24) >= month[:, None], rng.standard_t(nu, SITES)[:, None], 0.0)
    return np.cumsum(level, axis=1) / np.arange(1, 25)


@pytest.mark.parametrize("law", [site_years, one_jump])
@pytest.mark.parametrize("noise", [0.25, 1.0])
@pytest.mark.parametrize("nu", [2.0, 2.6])
def test_false_savings_stay_within_the_declared_share(law, noise, nu):
    """Two years of looks at sites that saved nothing.

    u is cumulative saving ÷ single-look half-width, the half-width made as the report makes it:
    Student quantile times √(noise² + drift²), drift not scaled down for short periods.
    """
    rng = np.random.default_rng(42)
    months = np.arange(1, LOOKS + 1)
    drift = law(rng, nu)
    monthly = rng.standard_normal((SITES, LOOKS)) * noise * math.sqrt(PLANNED)
    error = drift + np.cumsum(monthly, axis=1) / months
    quantile = stats.t.ppf(0.95, nu)
    half = quantile * np.sqrt(1 + noise**2 * PLANNED / months)
    plan = look_plan(PLANNED, confidence=0.9, degrees_of_freedom=nu, noise_to_drift=noise)
    controlled, uncontrolled = false_shares(plan, error / half)
    print(
        f"{law.__name__}, noise {noise}, nu {nu}: {controlled:.2%} controlled, "
        f"{uncontrolled:.2%} not, declared {plan.declared:.2%}"
    )
    # Binomial standard error 0.15 points.
    assert controlled <= plan.declared + 0.003
    assert uncontrolled > controlled


@pytest.mark.parametrize("walk", [False, True])
def test_the_share_is_spent_and_not_wasted_under_its_own_model(walk):
    plan = look_plan(PLANNED, confidence=0.9, degrees_of_freedom=2.3, noise_to_drift=0.5)
    rng = np.random.default_rng(1)
    values, vectors = np.linalg.eigh(correlation(LOOKS, PLANNED, 0.5, walk))
    z = rng.standard_normal((60_000, LOOKS)) @ (vectors * np.sqrt(values.clip(0))).T
    u = z * np.sqrt(2.3 / rng.chisquare(2.3, 60_000))[:, None] / stats.t.ppf(0.95, 2.3)
    controlled, uncontrolled = false_shares(plan, u)
    assert 0.035 <= controlled <= 0.053
    assert uncontrolled > 0.08
    assert uncontrolled <= plan.uncontrolled + 0.005


def test_simulated_single_look_is_the_single_look_interval():
    # One look planned and taken: nothing to control, so nothing is widened.
    plan = look_plan(1, confidence=0.9, degrees_of_freedom=2.3, noise_to_drift=0.5, looks=1)
    assert plan.factors == pytest.approx((1.0,), abs=0.03)
    assert plan.uncontrolled == pytest.approx(0.05, abs=0.003)


def test_limits_fall_to_little_by_the_planned_end():
    plan = look_plan(PLANNED, confidence=0.9, degrees_of_freedom=2.0, noise_to_drift=0.25)
    first_year = plan.factors[:PLANNED]
    assert all(a > b for a, b in itertools.pairwise(first_year))
    assert plan.factors[PLANNED - 1] < 1.3
    assert plan.spent[PLANNED - 1] == pytest.approx(0.04)
    assert plan.spent[-1] == pytest.approx(0.05)


def test_same_input_same_limits():
    a = look_plan(12, confidence=0.9, degrees_of_freedom=2.0, noise_to_drift=0.3)
    b = look_plan(12, confidence=0.9, degrees_of_freedom=2.0, noise_to_drift=0.45)
    assert a is b  # rounded up to the same noise


def test_running_verdict_by_hand():
    plan = look_plan(12, confidence=0.9, degrees_of_freedom=2.0, noise_to_drift=0.25)
    c = plan.factors
    halves = [10.0, 12.0, 15.0]
    values = [c[0] * 10 + 1, 12.0 * c[1] - 1, -15.0 * c[2] - 1]
    looks = running_verdict(
        plan, [1, 2, 3], ["2025-01-31", "2025-02-28", "2025-03-31"], values, halves
    )
    assert [look.verdict for look in looks] == [
        "savings shown", "not distinguishable", "use increased",
    ]  # fmt: skip
    assert looks[0].low == pytest.approx(1.0)
    assert looks[1].single_low == pytest.approx(12.0 * c[1] - 1 - 12.0)
    assert looks[2].month == 3


def test_words_state_both_shares():
    plan = look_plan(12, confidence=0.9, degrees_of_freedom=2.0, noise_to_drift=0.25)
    assert plan.words.startswith("Looking every month for 24 months with the single-look interval")
    assert plan.words.endswith("so that all looks together stay within 5\u202f%.")


def test_refusals():
    fine = {"confidence": 0.9, "degrees_of_freedom": 2.0, "noise_to_drift": 0.3}
    with pytest.raises(ModelError, match="0 months planned; at least 1 is needed"):
        look_plan(0, **fine)
    with pytest.raises(ModelError, match="confidence is 90; it must lie between 0 and 1"):
        look_plan(12, **fine | {"confidence": 90})
    with pytest.raises(ModelError, match="degrees of freedom are 0"):
        look_plan(12, **fine | {"degrees_of_freedom": 0})
    with pytest.raises(ModelError, match=r"noise ÷ drift is -1; it can't be below 0"):
        look_plan(12, **fine | {"noise_to_drift": -1})
    plan = look_plan(1, **fine)
    with pytest.raises(ModelError, match="2 months, 1 dates, 2 values and 2 half-widths"):
        running_verdict(plan, [1, 2], ["x"], [1.0, 2.0], [1.0, 2.0])
    with pytest.raises(ModelError, match="a look at month 3, but 2 were planned"):
        running_verdict(plan, [1, 2, 3], ["x"] * 3, [1.0] * 3, [1.0] * 3)
