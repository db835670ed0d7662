"""The comparison group: used where the trials or the claim's own months ask for it, and covered."""

import math

import numpy as np
import pytest

from mv.savings.contrast import comparison_group
from mv.savings.controls import Controls, Group, Months
from mv.savings.drift import DAYS_A_MONTH
from mv.savings.placebo import Trial, placebo

TAU, NU, MODEL = 0.04, 2.2, 0.01
FIRST, MONTHS = 588, 60
"""January 2019, and five years."""
SHAPE = np.full(12, 1 / 12)


def trial(site, cut, false_saving):
    start = str(np.datetime64(FIRST + cut, "M").astype("datetime64[D]"))
    return Trial(site, site, "natural_gas", "daily", start, float(false_saving), MODEL, TAU, NU)


def months(site, level):
    """A site without weather; gas, so that the latest months don't correct its level."""
    products, crossed = np.zeros((len(level), 4, 4)), np.zeros((len(level), 4))
    products[:, 0, 0] = DAYS_A_MONTH
    crossed[:, 0] = DAYS_A_MONTH * level
    return Months(site, "natural_gas", FIRST, products, crossed, SHAPE)


def made(common, *, seed=1, sites=30, controls=15, own=0.004):
    """Levels, trials of all sites at yearly cuts, and the comparison sites among them."""
    rng = np.random.default_rng(seed)
    level = 1 + np.asarray(common) + np.cumsum(rng.normal(0, own, (sites, MONTHS)), axis=1)
    keys = [f"s{i:02d}" for i in range(sites)]
    trials = [
        trial(key, cut, 1 - one[cut : cut + 12].mean() / one[cut - 12 : cut].mean())
        for key, one in zip(keys, level, strict=True)
        for cut in (48, 36, 24, 12)
    ]
    group = Controls(
        tuple(months(key, one) for key, one in zip(keys[:controls], level, strict=False))
    )
    return level, placebo(trials).trials, group, dict.fromkeys(keys, SHAPE)


def judged(common, **how):
    _, trials, controls, shapes = made(common, **how)
    return comparison_group("natural_gas", trials, controls, shapes)


JUMP = 0.10 * (np.arange(MONTHS) >= 30)
"""All sites' level rises by a tenth in the middle of a year."""
STILL = np.zeros(MONTHS)


def test_a_jump_that_all_share_is_adopted_and_taken_off_whole():
    verdict = judged(JUMP)
    assert verdict.covers
    assert verdict.narrows
    assert verdict.narrowing > 0.3
    assert verdict.words.startswith(
        "Adopted (comparison group): what the comparison sites seem to have saved over the site's "
        "own months is taken off; 120 site-years: half-width \u2212"
    )
    level, _, controls, _ = made(JUMP)
    inside = []
    for site in range(15, 30):
        nearest = controls.nearest(f"s{site}", SHAPE)
        for cut in (20, 26, 30, 33):  # the jump in the reporting year, at the works, before them
            before, after = (cut - 12, cut), (cut, cut + 12)
            group = controls.group(nearest, *((FIRST + a, FIRST + b) for a, b in (before, after)))
            error = 1 - level[site, slice(*after)].mean() / level[site, slice(*before)].mean()
            assert abs(error - group.change) < 0.5 * max(abs(error), 0.08)
            own = verdict.own_drift(group, f"s{site}")
            half = own.quantile(0.9) * math.hypot(MODEL, own.factor * TAU)
            inside.append(abs(error - group.change) < half)
    assert np.mean(inside) > 0.8


def test_sites_that_drift_alone_have_nothing_taken_off():
    verdict = judged(STILL)
    assert verdict.covers
    assert not verdict.narrows
    assert "it doesn't narrow the interval" in verdict.words
    assert not verdict.used(Group(0.01, np.array([-0.03, -0.01, 0.0, 0.01, 0.03, 0.04]), 4))


def test_what_the_trials_never_saw_is_taken_off_where_the_controls_moved_together():
    """Half of the trials' years are still; a claim over the months of a change is not left with
    it."""
    verdict = judged(STILL)
    together = Group(-0.10, np.array([-0.03, -0.01, 0.0, 0.01, 0.03, 0.04]), 0)
    assert together.moved
    assert verdict.used(together)


@pytest.mark.parametrize(
    ("number", "saved", "moved"),
    [(5, 5, False), (6, 6, True), (6, 0, True), (8, 7, False), (20, 15, True), (20, 14, False)],
)
def test_moving_together_is_a_sign_test(number, saved, moved):
    """Against scipy's exact binomial test."""
    from scipy.stats import binomtest

    assert Group(0.0, np.zeros(number), saved).moved is moved
    assert bool(binomtest(saved, number).pvalue <= 0.05) is moved


def test_months_that_are_worse_than_the_trials_widen_the_drift():
    verdict = judged(JUMP)
    usual = np.quantile([abs(t.false_saving) for t in verdict.trials], 0.68)
    calm = Group(0.0, np.full(9, usual / 2), 5)
    wild = Group(0.0, np.full(9, usual * 3), 5)
    assert verdict.widening(calm) == 1.0
    # nine sites against a prior that weighs as four: 9 ÷ 13 of the logarithm counts
    assert verdict.widening(wild) == pytest.approx(3.0 ** (9 / 13))
    assert verdict.widening(wild, horizon=1.5) == pytest.approx(2.0 ** (9 / 13))
    assert verdict.widening(wild, horizon=4.0) == 1.0
    assert verdict.own_drift(wild, "s01").factor == pytest.approx(
        3.0 ** (9 / 13) * verdict.own_drift(calm, "s01").factor
    )
    assert verdict.own_drift(calm, "s01").buildings == 29


def test_an_offset_of_the_controls_is_refused_by_coverage():
    """Comparison sites that are unlike the others: their own jumps come into every trial."""
    _, trials, controls, shapes = made(STILL, own=0.002)
    rng = np.random.default_rng(3)
    odd = Controls(
        tuple(
            months(m.site, 1 + 0.3 * rng.standard_normal() * (np.arange(MONTHS) >= 24))
            for m in controls.months
        )
    )
    verdict = comparison_group("natural_gas", trials, odd, shapes)
    assert not verdict.narrows


def test_too_few_trials_are_refused_in_words():
    _, trials, controls, shapes = made(JUMP)
    few = [t for t in trials if t.site < "s08"]
    verdict = comparison_group("natural_gas", few, controls, shapes)
    assert not verdict.covers
    assert verdict.words == (
        "Not adopted (comparison group): 0 site-years of placebo trials with a group over the "
        "same months; each building needs 30 of 5 others to measure the drift that remains."
    )
    assert not verdict.used(Group(-0.1, np.zeros(20), 0))


def test_new_sites_are_covered_whatever_their_dates():
    """30 portfolios whose sites share a jump; ten sites each at dates of their own."""
    inside = []
    for seed in range(30):
        rng = np.random.default_rng(1000 + seed)
        jump = 0.10 * rng.choice([-1, 1]) * (np.arange(MONTHS) >= rng.integers(14, 46))
        level, trials, controls, shapes = made(jump, seed=seed)
        verdict = comparison_group("natural_gas", trials, controls, shapes)
        for i in range(20, 30):
            cut = int(rng.integers(13, 48))
            spans = (FIRST + cut - 12, FIRST + cut), (FIRST + cut, FIRST + cut + 12)
            group = controls.group(controls.nearest(f"s{i}", SHAPE), *spans)
            error = 1 - level[i, cut : cut + 12].mean() / level[i, cut - 12 : cut].mean()
            own = placebo(trials).own_drift("natural_gas", f"s{i}")
            if verdict.used(group):
                error, own = error - group.change, verdict.own_drift(group, f"s{i}")
            inside.append(abs(error) <= own.quantile(0.9) * math.hypot(MODEL, own.factor * TAU))
    assert np.mean(inside) == pytest.approx(0.90, abs=0.035)


def test_the_trials_may_hold_a_site_without_enough_controls_over_its_months():
    level, trials, controls, shapes = made(JUMP)
    late = Controls(
        tuple(months(m.site, m.crossed[:, 0] / DAYS_A_MONTH) for m in controls.months[:4])
        + tuple(
            Months(m.site, m.carrier, FIRST + 24, m.products[24:], m.crossed[24:], SHAPE)
            for m in controls.months[4:]
        )
    )
    verdict = comparison_group("natural_gas", trials, late, shapes)
    assert verdict.site_years == 2 * len(level)  # cuts at 36 and 48 alone
