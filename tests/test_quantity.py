"""Intervals: what scaling and a base do to them."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from mv.quantity import Interval, around

NUMBER = st.floats(-1e9, 1e9)
WIDTH = st.floats(0, 1e9)


def test_around_a_value_with_its_base():
    saving = around(
        120.0, 30.0, "kWh", base=1000.0, confidence=0.9, fraction_of="adjusted baseline"
    )
    assert (saving.low, saving.high, saving.half_width) == (90.0, 150.0, 30.0)
    assert (saving.fraction, saving.fraction_low, saving.fraction_high) == (0.12, 0.09, 0.15)
    assert (saving.confidence, saving.fraction_of) == (0.9, "adjusted baseline")


@pytest.mark.parametrize("base", [0.0, -5.0, math.nan, math.inf, None])
def test_no_fraction_of_a_base_that_is_none(base):
    assert around(1.0, 0.5, "kWh", base=base).fraction is None


def test_an_interval_without_ends_has_no_width():
    assert Interval(5.0, None, None, "kWh").half_width is None
    assert Interval(5.0, 1.0, None, "kWh").half_width is None


@given(NUMBER, WIDTH, st.floats(-1e3, 1e3))
def test_scaling_keeps_the_ends_in_order_and_the_value_between(value, width, factor):
    scaled = around(value, width, "kWh").scaled(factor, "EUR")
    assert scaled.low <= scaled.value <= scaled.high
    assert scaled.unit == "EUR"
    assert scaled.value == value * factor


def test_scaling_by_a_negative_number_turns_the_ends_round():
    assert Interval(2.0, 1.0, None, "kWh").scaled(-3.0, "EUR") == Interval(-6.0, None, -3.0, "EUR")
