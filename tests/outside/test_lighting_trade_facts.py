"""What the lighting trade reckons with.  Common practice, no source.

Converting the strip lights of a warehouse (same housings, new lamps) saves about a third of the
lighting energy, costs about 1.3 years of savings net of incentive and pays back in about 15
months; replacing the fixtures costs about 2.5 years of savings and takes about 30.
"""

from __future__ import annotations

import pytest

from mv.lighting import estimate
from mv.money.payback import simple_payback
from mv.portfolio.schema import Fixture, Source

PRICE = 0.12
FIXTURES = 200


def warehouse(watts_after: float) -> Fixture:
    return Fixture(
        source=Source(file="fixtures.csv", line=2),
        retrofit="led",
        space="warehouse",
        description="2 x 59 W T8, electronic ballast, to LED",
        count_before=FIXTURES,
        watts_before=110,
        count_after=FIXTURES,
        watts_after=watts_after,
        hours_before=4000,
    )


NET_COST_CONVERSION, NET_COST_REPLACEMENT = 23.0, 66.0
"""Net of incentive, a fixture: chosen for the facts, the right size for a strip light."""


def test_conversion_pays_back_in_about_fifteen_months():
    made = estimate([warehouse(73)], price=PRICE)
    before = FIXTURES * 110 * 4000 / 1000
    assert made.energy / before == pytest.approx(1 / 3, abs=0.01)
    net_cost = NET_COST_CONVERSION * FIXTURES
    assert net_cost / made.cost == pytest.approx(1.3, abs=0.02)
    assert simple_payback(net_cost, made.cost).months == pytest.approx(15, abs=1)


def test_replacement_takes_about_thirty():
    made = estimate([warehouse(55)], price=PRICE)
    assert made.energy / (FIXTURES * 110 * 4000 / 1000) == pytest.approx(1 / 2, abs=0.01)
    net_cost = NET_COST_REPLACEMENT * FIXTURES
    assert simple_payback(net_cost, made.cost).months == pytest.approx(30, abs=1)


def test_the_promise_is_missed_when_hours_are_shorter():
    """A sixth fewer hours than the interview said turn 15 months into 19."""
    promised = estimate([warehouse(73)], price=PRICE)
    came = estimate([warehouse(73).model_copy(update={"hours_before": 4000 * 5 / 6})], price=PRICE)
    assert simple_payback(1.3 * promised.cost, came.cost).months == pytest.approx(
        1.3 * 12 * 6 / 5, rel=1e-12
    )
