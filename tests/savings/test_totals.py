"""Totals of heavy-tailed sites: quadrature covers too little, the calibrated total does not."""

import random
import time

import numpy as np
import pytest

from mv.savings.drift import load_prior
from mv.savings.own_drift import Trial
from mv.savings.placebo import placebo
from mv.savings.pooled import independent_half_width, portfolio_half_width
from mv.verify.context import Summary, learn

CONFIDENCE, SITES, TAU, STEP, NU = 0.9, 20, 0.04, 0.08, 1.9


def steps(rng, shape, nu=NU):
    """Student steps without those beyond 12.5 times their scale."""
    drawn = rng.standard_t(nu, (3, *shape))
    kept = np.where(np.abs(drawn[0]) <= 12.5, drawn[0], drawn[1])
    return STEP * np.clip(np.where(np.abs(kept) <= 12.5, kept, drawn[2]), -12.5, 12.5)


def trials_of(r, shared=0.0):
    """Two trials a building."""
    return [
        Trial(f"s{i // 2}", f"b{i // 2}", "electricity", "daily", f"{2019 + i % 2}-01-01",
              float(value) + shared, 0.01, TAU, 2.0)
        for i, value in enumerate(r)
    ]  # fmt: skip


def test_totals_cover_nine_in_ten_where_quadrature_does_not():
    """Twelve portfolios of 300 heavy-tailed trials each, judged by sums that are drawn anew."""
    plain, calibrated = [], []
    for seed in range(12):
        rng = np.random.default_rng(seed)
        trial = placebo(trials_of(steps(rng, (300,))))
        own = trial.own_drift("electricity")
        half = np.full(SITES, own.quantile(CONFIDENCE) * np.hypot(0.01, own.factor * TAU))
        off = np.abs(steps(rng, (2000, SITES)).sum(axis=1))
        factor = trial.widening("electricity", SITES, CONFIDENCE)
        plain.append((off <= independent_half_width(half)).mean())
        calibrated.append((off <= independent_half_width(half, factor)).mean())
    assert np.mean(plain) < 0.87
    assert 0.87 <= np.mean(calibrated) <= 0.93


def test_it_never_narrows_and_light_tails_need_nothing_of_it():
    for seed in range(6):
        rng = np.random.default_rng(seed)
        light = placebo(trials_of(rng.normal(0, STEP, 300)))
        factors = [light.widening("electricity", n, CONFIDENCE) for n in (2, 5, 20, 75, 400)]
        assert min(factors) >= 1
        assert max(factors) < 1.2


def test_few_trials_one_site_and_another_kind_leave_quadrature_as_it_is():
    r = steps(np.random.default_rng(3), (58,))
    assert placebo(trials_of(r)).widening("electricity", SITES, CONFIDENCE) == 1
    enough = placebo(trials_of(steps(np.random.default_rng(3), (200,))))
    assert enough.widening("electricity", 1, CONFIDENCE) == 1
    assert enough.widening("natural_gas", SITES, CONFIDENCE) == 1
    assert enough.widening("electricity", SITES, CONFIDENCE) > 1


def test_a_group_holds_half_of_the_buildings_at_most():
    trial = placebo(trials_of(steps(np.random.default_rng(3), (200,))))
    of_half = trial.widening("electricity", 50, CONFIDENCE)
    assert trial.widening("electricity", 5000, CONFIDENCE) == of_half


def test_the_order_of_sites_is_nothing_to_it():
    trials = trials_of(steps(np.random.default_rng(4), (200,)))
    there = placebo(trials).widening("electricity", SITES, CONFIDENCE)
    random.Random(1).shuffle(trials)
    assert placebo(trials).widening("electricity", SITES, CONFIDENCE) == there


def test_the_portfolio_takes_it_from_the_summaries_of_its_sites():
    trials = trials_of(steps(np.random.default_rng(4), (200,)))
    summaries = {
        t.site: Summary(trials=tuple(u for u in trials if u.site == t.site)) for t in trials[::2]
    }
    there = learn(load_prior(), summaries)
    back = learn(load_prior(), {key: summaries[key] for key in reversed(summaries)})
    expected = placebo(trials).widening("electricity", SITES, CONFIDENCE)
    assert expected > 1
    assert there.widening("electricity", SITES, CONFIDENCE) == expected
    assert back.widening("electricity", SITES, CONFIDENCE) == expected
    assert learn(load_prior(), {}).widening("electricity", SITES, CONFIDENCE) == 1


def test_what_all_sites_share_is_not_counted_here():
    """A shift of every trial moves no sum of random signs as it would move a plain sum."""
    r = np.random.default_rng(5).normal(0, STEP, 300)
    shared = placebo(trials_of(r, shared=STEP)).widening("electricity", SITES, CONFIDENCE)
    plain = np.sqrt(SITES) / 1.645  # of 20 shifts of one standard deviation, in half-widths
    assert shared < 1.2 < plain


def test_a_total_is_never_wider_than_plain_addition():
    assert independent_half_width([100.0, 1.0], 1.5) == 101
    assert portfolio_half_width([30.0, 40.0], [1000.0], 0.0, 1.645, 1.2) == pytest.approx(60)


def test_a_thousand_trials_cost_little():
    trial = placebo(trials_of(steps(np.random.default_rng(6), (1000,))))
    trial.own_drift("electricity")
    spent = []
    for _ in range(3):
        before = time.process_time()
        trial.widening("electricity", SITES, CONFIDENCE)
        spent.append(time.process_time() - before)
    assert min(spent) < 0.15
