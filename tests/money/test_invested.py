"""Net cost: invoices before estimates, and no incentive deducted that hasn't come."""

from __future__ import annotations

import pytest

from mv.money.invested import invested


def notes(made):
    return [str(f) for f in made.findings]


def rules(made):
    return [f.rule for f in made.findings]


def test_invoiced_and_paid(retrofit):
    made = invested(
        [
            retrofit(actual_cost=66_000.0, incentive_paid=8_000.0, estimated_cost=60_000.0),
            retrofit(retrofit="tubes", actual_cost=4_000.0, estimated_cost=5_000.0),
        ],
        "EUR",
    )
    assert (made.net_cost, made.cost, made.cost_actual, made.cost_estimated) == (
        62_000.0,
        70_000.0,
        70_000.0,
        65_000.0,
    )
    assert made.incentive_actual == 8_000.0
    assert made.cost_source == "retrofits.csv, line 2; cost as invoiced, less incentive received"
    assert made.findings == ()
    assert sum(s.value for s in made.steps if s.symbol.startswith("C")) == made.cost


def test_estimates_stand_in_and_are_named(retrofit):
    made = invested([retrofit(estimated_cost=60_000.0, estimated_incentive=10_000.0)], "EUR")
    assert (made.net_cost, made.net_cost_estimated, made.cost_actual) == (50_000, 50_000, None)
    assert rules(made) == ["cost_estimated", "cost_estimated"]
    assert notes(made) == [
        "retrofits.csv, line 2, column actual_cost: led: no invoiced cost is given, so the "
        "estimate of 60\u202f000 EUR stands in; add actual_cost.",
        "retrofits.csv, line 2, column incentive_paid: led: no invoice and no payment are given, "
        "so the estimated incentive of 10\u202f000 EUR stands in; add incentive_paid.",
    ]


def test_an_incentive_that_has_not_come_is_not_deducted(retrofit):
    made = invested(
        [retrofit(actual_cost=66_000.0, estimated_incentive=10_000.0, incentive_pending=9_000.0)],
        "EUR",
    )
    assert (made.net_cost, made.incentive_pending) == (66_000.0, 9_000.0)
    assert rules(made) == ["incentive_open"]
    assert notes(made) == [
        "retrofits.csv, line 2, column incentive_pending: led: an incentive of 9\u202f000 EUR is "
        "promised and not yet received; it is not deducted from the cost."
    ]
    made = invested([retrofit(actual_cost=66_000.0, estimated_incentive=10_000.0)], "EUR")
    assert made.net_cost == 66_000.0
    assert notes(made) == [
        "retrofits.csv, line 2, column incentive_paid: led: the estimated incentive of "
        "10\u202f000 EUR is not reported as received; it is not deducted. "
        "Fill incentive_paid (0 if none came)."
    ]


def test_one_unknown_cost_makes_the_sum_unknown(retrofit):
    made = invested([retrofit(actual_cost=1.0), retrofit(retrofit="tubes")], "EUR")
    assert (made.net_cost, made.cost, made.cost_actual) == (None, None, None)
    assert rules(made) == ["cost_missing"]
    assert notes(made) == [
        "retrofits.csv, line 2, column actual_cost: tubes: neither actual_cost nor estimated_cost "
        "is given, so the site's net cost and payback are not known; add the cost."
    ]
    assert invested([], "EUR").net_cost is None


@pytest.mark.parametrize("paid", [0.0, 3_000.0])
def test_partly_paid_and_partly_pending(retrofit, paid):
    made = invested(
        [retrofit(actual_cost=10_000.0, incentive_paid=paid, incentive_pending=1_000.0)], "EUR"
    )
    assert made.net_cost == 10_000.0 - paid
