"""Payback in months, and the words where there is none: never infinite, never negative."""

from __future__ import annotations

import math

from hypothesis import given
from hypothesis import strategies as st

from mv.money.payback import derivation, simple_payback
from mv.quantity import Interval


def saving(value, low, high):
    return Interval(value, low, high, "EUR/year", confidence=0.9)


def test_interval_is_carried_through_the_larger_saving_first():
    found = simple_payback(10_000, saving(8_000, 6_000, 10_000))
    assert (found.low, found.months, found.high) == (12.0, 15.0, 20.0)
    assert found.words == "15 months (12 months to 20 months, 90\u202f% confidence)."


def test_beyond_five_years_in_years():
    found = simple_payback(10_000, saving(2_000, 1_500, 2_500))
    assert found.words == "5.0 years (4.0 years to 6.7 years, 90\u202f% confidence)."


def test_saving_whose_interval_reaches_zero():
    for low in (0.0, -3_000.0):
        found = simple_payback(10_000, saving(8_000, low, 19_000))
        assert (found.months, found.high) == (15.0, None)
        assert found.words == (
            "15 months; at least 6 months, with no upper limit, because the saving's interval "
            "reaches zero (90\u202f% confidence)."
        )


def test_no_saving_above_zero():
    found = simple_payback(10_000, saving(-500, -3_000, 2_000))
    assert (found.months, found.high) == (None, None)
    assert found.words == (
        "There is no payback, because the saving is not above zero; even at the top of its "
        "interval it would take 5.0 years (90\u202f% confidence)."
    )
    found = simple_payback(10_000, saving(0.0, -3_000, 0.0))
    assert found.words == "There is no payback, because the saving is not above zero."


def test_what_is_missing_is_said():
    assert simple_payback(None, 100.0).words == (
        "No payback is given, because the cost is not known."
    )
    assert simple_payback(10.0, None, missing="no rate is named for meter 7").words == (
        "No payback is given, because no rate is named for meter 7."
    )
    assert simple_payback(0.0, 100.0).words == ("Nothing to pay back: the net cost is not above 0.")
    assert simple_payback(1.0, 10_000.0).words == "less than a month."
    assert simple_payback(10_000, 8_000).words == "15 months."


@given(
    cost=st.floats(-1e6, 1e6),
    ends=st.lists(st.floats(-1e5, 1e5), min_size=3, max_size=3).map(sorted),
)
def test_never_negative_never_infinite_and_in_order(cost, ends):
    found = simple_payback(cost, saving(ends[1], ends[0], ends[2]))
    known = [v for v in (found.low, found.months, found.high) if v is not None]
    assert all(v >= 0 and not math.isnan(v) for v in known)
    assert known == sorted(known)
    if ends[1] <= 0 < cost:
        assert found.months is None
    assert found.words.endswith(".")


def test_derivation_repeats_the_figure():
    found = simple_payback(10_000, 8_000)
    made = derivation("money.x", found, 10_000, 8_000, "EUR", cost_source="retrofits.csv, line 2")
    cost, annual = (s.value for s in made.steps)
    assert made.value == 12 * cost / annual == 15.0
    nothing = simple_payback(10_000, -1.0)
    made = derivation("money.x", nothing, 10_000, -1.0, "EUR", cost_source="")
    assert made.value == "There is no payback, because the saving is not above zero."


def test_a_saving_that_is_rounding_noise_gives_words_not_millions_of_years():
    noise = Interval(1e-9, -50.0, 600.0, "EUR/year", confidence=0.9)
    got = simple_payback(9000.0, noise)
    assert got.months is None
    assert got.low == 180.0
    assert got.words == (
        "There is no payback within 100 years at this saving; at the top of its interval it would "
        "take 15.0 years."
    )
    assert simple_payback(9000.0, 1e-9).words == (
        "There is no payback within 100 years at this saving."
    )
