"""Sampling of sites: reproducible, complete, and its interval covers the truth."""

import math

import numpy as np
import pytest

from mv.findings import ModelError
from mv.sampling.site_sample import SitePlan, draw, estimate


def programme(sites=240, seed=3):
    """Invented programme: estimates over two decades, verified about 0.8 of them."""
    rng = np.random.default_rng(seed)
    x = np.exp(rng.normal(9.0, 1.0, sites))
    x[:3] = 40 * np.median(x)
    y = 0.8 * x + rng.normal(0, 0.9, sites) * x**0.8 * 3
    keys = [f"s{i:03d}" for i in range(sites)]
    return dict(zip(keys, x, strict=True)), dict(zip(keys, y, strict=True))


def test_every_site_stands_somewhere_once():
    x, _ = programme()
    x["none"] = None
    x["zero"] = 0.0
    plan = draw(x, seed=1)
    placed = [s for h in plan.strata for s in (*h.sites, *h.replacements)]
    assert sorted(placed) == sorted(k for k, v in x.items() if v)
    assert plan.not_in_frame == ("none", "zero")
    assert sum(h.size for h in plan.strata) == plan.frame == 240
    assert math.fsum(h.estimated for h in plan.strata) == pytest.approx(plan.estimated, rel=1e-12)
    assert all(len(h.sites) == h.take for h in plan.strata)


def test_the_largest_are_a_census():
    x, _ = programme()
    plan = draw(x, seed=1)
    census = plan.strata[0]
    assert census.census
    assert {"s000", "s001", "s002"} <= set(census.sites)
    assert min(x[s] for s in census.sites) >= max(h.largest for h in plan.strata[1:])


def test_order_of_the_frame_does_not_matter_but_the_seed_does():
    x, _ = programme()
    backwards = dict(reversed(x.items()))
    assert draw(x, seed=5) == draw(backwards, seed=5)
    assert draw(x, seed=5).sites != draw(x, seed=6).sites


def test_a_plan_survives_being_written_down():
    import json

    x, _ = programme()
    plan = draw(x, seed=5)
    assert SitePlan.from_fields(json.loads(json.dumps(plan.as_fields()))) == plan


def test_neyman_takes_more_of_the_large_than_proportional():
    x, _ = programme()
    neyman = draw(x, seed=1).strata[1]
    even = draw(x, seed=1, allocation="proportional").strata[1]
    assert neyman.take / neyman.size > even.take / even.size


def test_proportional_allocation_takes_the_same_share_everywhere():
    x = {f"s{i:03d}": 10.0 + i for i in range(200)}
    plan = draw(x, seed=1, allocation="proportional", size=50)
    for stratum in plan.strata:
        assert stratum.take == pytest.approx(stratum.size / 4, abs=1.0)


def test_a_census_returns_the_sum_itself():
    x, y = programme(12)
    plan = draw(x, seed=1, size=12)
    result = estimate(plan, x, y, unit="kWh")
    assert result.combined.value == pytest.approx(sum(y.values()), rel=1e-12)
    assert result.separate.value == pytest.approx(sum(y.values()), rel=1e-12)
    assert result.combined.half_width == pytest.approx(0.0, abs=1e-9)


def test_a_census_still_carries_the_sites_own_errors():
    x, y = programme(12)
    plan = draw(x, seed=1, size=12)
    errors = dict.fromkeys(x, 500.0)
    result = estimate(plan, x, y, errors, unit="kWh")
    # Twelve independent errors: √12 · 500 · 1.645 (known errors, so the normal quantile).
    assert result.combined.half_width == pytest.approx(math.sqrt(12) * 500 * 1.644854, rel=1e-6)


def test_ratio_of_one_stratum_by_the_textbook_formula():
    # Written out: N = 10, n = 4, x and y below; Cochran's variance of a ratio estimate.
    x = {f"s{i}": v for i, v in enumerate([8.0, 9, 10, 11, 12, 9.5, 10.5, 8.5, 11.5, 10])}
    plan = draw(x, seed=2, strata=1, size=4)
    sampled = list(plan.sites)
    y = {s: 0.7 * x[s] + d for s, d in zip(sampled, [0.4, -0.3, 0.1, -0.5], strict=True)}
    result = estimate(plan, x, y, unit="MWh")
    xs, ys = np.array([x[s] for s in sampled]), np.array([y[s] for s in sampled])
    r = ys.sum() / xs.sum()
    d = ys - r * xs
    variance = 10**2 * (1 - 0.4) / 4 * (d**2).sum() / 3 * (sum(x.values()) / 10 / xs.mean()) ** 2
    half = 2.353363 * math.sqrt(variance)  # t of 3 degrees of freedom at 90 %
    assert result.combined.value == pytest.approx(r * sum(x.values()), rel=1e-12)
    assert result.combined.half_width == pytest.approx(half, rel=1e-6)
    assert result.separate.half_width == pytest.approx(half, rel=1e-6)


def test_replacements_step_in_in_order_and_are_named():
    x, y = programme()
    plan = draw(x, seed=1)
    stratum = plan.strata[2]
    lost = stratum.sites[0]
    verified = {s: y[s] for s in plan.sites if s != lost}
    verified |= {s: y[s] for s in stratum.replacements}
    result = estimate(plan, x, verified, unit="kWh")
    assert result.not_verified == (lost,)
    assert result.replaced == ((lost, stratum.replacements[0]),)
    assert result.verified == len(plan.sites)


def test_intervals_cover_the_programme_total():
    x, y = programme()
    truth = sum(y.values())
    rounds, combined, separate = 400, 0, 0
    for seed in range(rounds):
        result = estimate(draw(x, seed=seed, precision=0.15), x, y, unit="kWh")
        combined += result.combined.low <= truth <= result.combined.high
        separate += result.separate.low <= truth <= result.separate.high
    # Binomial standard error 1.5 points; ratio estimates are biased at small n by a little.
    assert combined / rounds == pytest.approx(0.90, abs=0.05)
    assert separate / rounds == pytest.approx(0.90, abs=0.05)


def test_refusals():
    with pytest.raises(ModelError, match="nothing to sample from"):
        draw({"a": None}, seed=1)
    with pytest.raises(ModelError, match="0 strata asked for; at least 1 is needed"):
        draw({"a": 1.0}, seed=1, strata=0)
    with pytest.raises(ModelError, match="must be neyman or proportional"):
        draw({"a": 1.0}, seed=1, allocation="equal")
    x, y = programme()
    plan = draw(x, seed=1)
    keep = {s: y[s] for h in plan.strata[:-1] for s in h.sites}
    with pytest.raises(ModelError, match="no site of stratum 3 of 3 was verified"):
        estimate(plan, x, keep, unit="kWh")
