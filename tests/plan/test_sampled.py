"""A report that rests on a sample of sites."""

from types import SimpleNamespace

import pytest

from mv.plan.sampled import sample_result
from mv.quantity import around
from mv.sampling.site_sample import draw

FRAME = {f"s{i:02d}": 10_000.0 + 500 * i for i in range(40)}


def verified(site, value, half):
    return SimpleNamespace(
        site=site,
        carrier="electricity",
        unit="kWh",
        verdict="savings shown",
        confidence=0.9,
        uncertainty=SimpleNamespace(quantile=2.5),
        annual=SimpleNamespace(verified_savings=around(value, half, "kWh")),
    )


@pytest.fixture(scope="module")
def plan():
    drawn = draw(FRAME, seed=3, precision=0.2)
    own = {"carrier": "electricity", "unit": "kWh", "frame_estimates": FRAME | {"none": None}}
    return {"sample": drawn.as_fields() | own}


def test_the_total_of_the_frame(plan):
    sites = [s for h in plan["sample"]["strata"] for s in h["sites"]]
    results = [verified(s, 0.8 * FRAME[s], 500.0) for s in sites]
    found = sample_result(plan, results)
    assert found["combined"]["value"] == pytest.approx(0.8 * sum(FRAME.values()))
    assert found["realisation_rate"]["value"] == pytest.approx(0.8)
    # Every ratio is alike, so what is uncertain is what the meters don't know: N/n·Σσ² with
    # σ = 500/2.5 = 200 a site; times X ÷ what the sample alone makes of X (ratio estimate).
    expanded = sum(
        h["size"] / h["take"] * sum(FRAME[s] for s in h["sites"]) for h in plan["sample"]["strata"]
    )
    variance = sum(h["size"] / h["take"] * h["take"] * 200.0**2 for h in plan["sample"]["strata"])
    assert found["combined"]["high"] - found["combined"]["value"] == pytest.approx(
        1.644854 * variance**0.5 * sum(FRAME.values()) / expanded, rel=1e-6
    )
    assert found["frame"] == 40
    assert found["words"].startswith("The total rests on a sample: ")


def test_too_few_verified_gives_no_total(plan):
    found = sample_result(plan, [])
    assert found["words"].startswith("The sample gives no total: no site of ")
    assert "combined" not in found


def test_no_sample_no_result():
    assert sample_result({}, []) == {}
    assert sample_result({"sample": {}}, []) == {}
