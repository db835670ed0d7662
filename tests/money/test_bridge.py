"""Bridges: the steps add up, name what evidence separates, and blame nobody for noise."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from mv.findings import ModelError
from mv.money.bridge import (
    Change,
    Deal,
    Explained,
    bill_bridge,
    payback_bridge,
    responsibilities,
    savings_bridge,
)
from mv.quantity import Interval

ESTIMATED = Deal(cost=60_000, incentive=10_000, price=0.125, energy=100_000)
REALISED = Deal(cost=66_000, incentive=8_000, price=0.145, energy=80_000)
ANNUAL = Interval(80_000, 60_000, 95_000, "kWh", confidence=0.9)


def bars(bridge):
    return {step.name: step.amount for step in bridge.steps}


def test_payback_from_four_to_five_years():
    """Estimate 60,000 less 10,000, 100,000 kWh at 0.125: 4 years.  Realised 66,000 less 8,000,
    80,000 kWh at 0.145: 5 years.  By hand over the 24 orders: f = N / (p E), and for a product of
    three the share of one is its change times [2·both old + both new·2 + the mixed ones] / 6:

        cost       6000 · k, k = mean of 1/(p E) over (p, E) weighted 1/3, 1/6, 1/6, 1/3
                   = 6000 · (1/12500/3 + 1/14500/6 + 1/10000/6 + 1/11600/3)
        incentive  2000 · k
    """
    bridge = payback_bridge(ESTIMATED, REALISED, ANNUAL, Explained())
    k = (1 / 12_500) / 3 + (1 / 14_500) / 6 + (1 / 10_000) / 6 + (1 / 11_600) / 3
    found = bars(bridge)
    assert (bridge.start, bridge.end) == (4.0, 5.0)
    assert found["install cost"] == pytest.approx(6_000 * k, rel=1e-12)
    assert found["incentive"] == pytest.approx(2_000 * k, rel=1e-12)
    assert found["install cost"] == pytest.approx(0.50137931, abs=5e-9)
    assert found["incentive"] == pytest.approx(0.16712644, abs=5e-9)
    assert found["measure performance"] == pytest.approx(1.00367816, abs=5e-9)
    assert found["energy price"] == pytest.approx(-0.67218391, abs=5e-9)
    assert sum(found.values()) == pytest.approx(1.0, abs=1e-12)


def test_steps_add_up_to_the_cent_on_a_thousand_portfolios():
    random = np.random.default_rng(11)
    for _ in range(1000):
        sites = random.integers(1, 6)
        total, begin, end = 0.0, 0.0, 0.0
        for _ in range(sites):
            estimated = Deal(
                cost=random.uniform(1e3, 1e6),
                incentive=random.uniform(0, 900),
                price=random.uniform(0.05, 0.5),
                energy=random.uniform(1e3, 1e6),
            )
            realised = replace(
                estimated,
                price=estimated.price * random.uniform(0.7, 1.4),
                energy=estimated.energy * random.uniform(-0.2, 1.3),
            )
            explained = Explained(
                ratios=[Change(name="hours", amount=random.uniform(0.6, 1.2), evidence="loggers")],
                additions=[
                    Change(name=name, amount=random.normal(0, 0.05) * estimated.energy, evidence="")
                    for name in ("weather", "days of operation", "non-routine events")
                ],
            )
            annual = Interval(realised.energy, realised.energy - 5e3, realised.energy + 5e3, "kWh")
            bridge = savings_bridge(estimated, realised, annual, "EUR", explained)
            assert bridge.start + sum(bars(bridge).values()) == pytest.approx(bridge.end, abs=0.005)
            total += sum(bars(bridge).values())
            begin, end = begin + bridge.start, end + bridge.end
        assert begin + total == pytest.approx(end, abs=0.005)


def test_bars_do_not_depend_on_the_order_in_which_changes_are_named():
    changes = [
        Change(name="weather", amount=1_500.0, evidence="both models"),
        Change(name="days of operation", amount=-700.0, evidence="calendar"),
        Change(name="non-routine events", amount=-2_000.0, evidence="ledger"),
    ]
    ratios = [
        Change(name="count", amount=0.98, evidence="as built"),
        Change(name="watts", amount=1.04, evidence="spot readings"),
        Change(name="hours", amount=0.90, evidence="loggers"),
    ]
    one, other = (
        savings_bridge(ESTIMATED, REALISED, ANNUAL, "EUR", Explained(ratios=r, additions=c))
        for r, c in ((ratios, changes), (ratios[::-1], changes[::-1]))
    )
    assert bars(one) == bars(other)


def test_what_did_not_change_has_a_bar_of_exactly_zero():
    same = replace(REALISED, price=0.125, cost=60_000)
    explained = Explained(
        ratios=[Change(name="watts", amount=1.0, evidence="as built")],
        additions=[Change(name="weather", amount=0.0, evidence="both models")],
    )
    found = bars(payback_bridge(ESTIMATED, same, ANNUAL, explained))
    assert [found[n] for n in ("energy price", "install cost", "watts", "weather")] == [0.0] * 4
    assert found["incentive"] != 0.0


def test_what_evidence_does_not_separate_is_one_bar():
    bridge = savings_bridge(ESTIMATED, REALISED, ANNUAL, "EUR", Explained())
    last = bridge.steps[-1]
    assert [s.name for s in bridge.steps] == ["energy price", "measure performance"]
    assert last.note == (
        "count, watts and hours are not separable at this meter; one bar for all of them"
    )
    # verified 80,000 of 100,000 kWh, at most 95,000: the shortfall is beyond the meter's doubt
    assert last.low == pytest.approx((60_000 - 100_000) * 0.135, rel=1e-9)
    assert last.high == pytest.approx((95_000 - 100_000) * 0.135, rel=1e-9)
    assert last.high < 0
    assert bridge.words == ""


def test_within_measurement_uncertainty_nobody_is_to_blame():
    wide = replace(ANNUAL, high=110_000.0)
    told = Explained(responsible={"hours": "owner", "watts": "contractor"})
    bridge = savings_bridge(ESTIMATED, REALISED, wide, "EUR", told)
    last = bridge.steps[-1]
    assert last.low < 0 < last.high
    assert last.note.endswith("within measurement uncertainty")
    assert last.responsible == "nobody"
    assert bridge.words == (
        "The bar 'measure performance' is within measurement uncertainty: its interval holds zero, "
        "so nobody is to blame for it."
    )


def test_evidenced_factors_stand_alone_with_who_answers_for_them():
    told = Explained(
        ratios=[Change(name="hours", amount=0.85, evidence="8 loggers, 6 weeks")],
        responsible=responsibilities(["contractor: count and watts; owner: hours"]),
    )
    bridge = savings_bridge(ESTIMATED, REALISED, ANNUAL, "EUR", told)
    steps = {s.name: s for s in bridge.steps}
    assert steps["hours"].responsible == "owner"
    assert steps["hours"].note == "8 loggers, 6 weeks"
    assert steps["hours"].amount == pytest.approx(-15_000 * 0.135, rel=1e-9)
    assert steps["unexplained"].note.startswith("what no evidence separates")
    assert steps["energy price"].responsible == "nobody"


def test_responsibilities_as_the_plan_words_them():
    assert responsibilities(["contractor: count and watts; owner: hours", "the installer"]) == {
        "count": "contractor",
        "watts": "contractor",
        "hours": "owner",
        "measure performance": "the installer",
    }


def test_no_payback_bridge_over_a_saving_that_is_not_above_zero():
    nothing = replace(REALISED, energy=-5_000)
    annual = Interval(-5_000, -9_000, -1_000, "kWh")
    assert payback_bridge(ESTIMATED, nothing, annual, Explained()) is None
    assert payback_bridge(replace(ESTIMATED, cost=None), REALISED, ANNUAL, Explained()) is None
    # the saving's interval reaches zero: the bar has no end there
    wide = replace(ANNUAL, low=-10_000)
    last = payback_bridge(ESTIMATED, REALISED, wide, Explained()).steps[-1]
    assert (last.low, last.high) == (None, None)
    assert last.responsible == ""
    # and where it even holds the estimate, nobody answers for the bar, ends or no ends
    told = Explained(responsible={"hours": "owner", "count": "builder", "watts": "builder"})
    wider = replace(wide, high=110_000)
    last = payback_bridge(ESTIMATED, REALISED, wider, told).steps[-1]
    assert (last.low, last.high, last.responsible) == (None, None, "nobody")
    last = payback_bridge(ESTIMATED, REALISED, wide, told).steps[-1]
    assert last.responsible == "builder (count, watts), owner (hours)"


def test_bill_from_last_year_to_this():
    bridge = bill_bridge(
        last_cost=12_000,
        last_energy=100_000,
        this_cost=11_050,
        this_energy=85_000,
        retrofit=Interval(20_000, 15_000, 25_000, "kWh"),
        weather=3_000,
        days=1_000,
        events=None,
        currency="EUR",
    )
    found = bars(bridge)
    # price 0.12 to 0.13 over a mean use of 92,500; changes of use at a mean price of 0.125
    assert found == pytest.approx(
        {
            "price": 0.01 * 92_500,
            "weather": 3_000 * 0.125,
            "days of operation": 1_000 * 0.125,
            "retrofit": -20_000 * 0.125,
            "other changes": 1_000 * 0.125,
        },
        rel=1e-9,
    )
    assert 12_000 + sum(found.values()) == pytest.approx(11_050, abs=0.005)
    retrofit = next(s for s in bridge.steps if s.name == "retrofit")
    assert (retrofit.low, retrofit.high) == pytest.approx((-25_000 * 0.125, -15_000 * 0.125))
    assert bridge.words == (
        "The bill went down by 950 EUR: price +925, weather +375, days of operation +125, "
        "retrofit −2\u202f500, other changes +125."
    )
    assert bridge.steps[-1].note == "holds non-routine events, which no evidence separates"


def test_fixed_charges_are_not_taken_for_a_change_of_price():
    """500 fixed in both years and 0.12 a unit: the average price rises as use falls, the price
    doesn't."""
    bridge = bill_bridge(
        last_cost=500 + 0.12 * 100_000,
        last_energy=100_000,
        this_cost=520 + 0.12 * 80_000,
        this_energy=80_000,
        retrofit=Interval(20_000, 15_000, 25_000, "kWh"),
        weather=0.0,
        days=0.0,
        events=0.0,
        currency="EUR",
        last_fixed=500.0,
        this_fixed=520.0,
    )
    found = bars(bridge)
    assert found["price"] == 0.0
    assert found["fixed and demand charges"] == pytest.approx(20.0)
    assert found["retrofit"] == pytest.approx(-2_400.0)
    assert bridge.words == (
        "The bill went down by 2\u202f380 EUR: fixed and demand charges +20, retrofit −2\u202f400."
    )
    with pytest.raises(ModelError, match="needs use above zero in both years"):
        bill_bridge(
            last_cost=1.0, last_energy=0.0, this_cost=1.0, this_energy=1.0, retrofit=ANNUAL,
            weather=None, days=None, events=None, currency="EUR",
        )  # fmt: skip
