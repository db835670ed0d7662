"""How numbers, money and dates are written."""

import math

import numpy as np
import pytest

from mv.quantity import around
from mv.report.format import (
    Figure,
    Name,
    Numbers,
    Say,
    date,
    decimals_for,
    listed,
    month,
    sentence,
    share,
    unit_words,
)
from mv.wording import MINUS, NARROW

SAY = Say("EUR")


@pytest.mark.parametrize(
    ("half", "decimals"), [(24_012.0, -3), (240.0, -1), (24.0, 0), (2.4, 1), (0.024, 3), (99.6, 0)]
)
def test_second_digit_of_the_half_width_decides(half, decimals):
    assert decimals_for(half) == decimals


def test_interval_is_rounded_alike():
    told = SAY.interval(around(34_512.7, 24_012.0, "kWh", base=295_000.0), "avoided_energy")
    assert str(told["value"]) == f"35{NARROW}000 kWh"
    assert str(told["low"]) == f"11{NARROW}000 kWh"
    assert str(told["high"]) == f"59{NARROW}000 kWh"
    assert told["value"].value == 34_512.7  # the full value stays
    assert told["low"].path == "avoided_energy.low"
    assert str(told["fraction"]) == f"11.7{NARROW}%"


def test_negative_numbers_carry_a_minus_sign_and_never_minus_zero():
    assert SAY.fixed(-1234.5, 0) == f"{MINUS}1{NARROW}234"
    assert SAY.fixed(-0.2, 0) == "0"


def test_small_share_never_prints_as_zero():
    assert str(SAY.percent(0.00012, "x")) == f"0.012{NARROW}%"
    assert str(SAY.percent(1e-16, "x")) == f"about 0{NARROW}%"
    assert str(SAY.percent(0.0, "x")) == f"0{NARROW}%"


def test_a_column_is_written_as_its_numbers_are():
    rng = np.random.default_rng(5)
    values = np.concatenate(
        [
            np.exp(rng.normal(0, 9, 2000)) * rng.choice([-1, 1], 2000),
            rng.integers(-200_000, 200_000, 200),
            [0.0, -0.0, 1e-12, -1e-7, 1e5, 99_999.0, 123_456.0, 999.96, -999.96, 0.0001],
        ]
    )
    for say in (Say("EUR"), Say("EUR", ",", ".")):
        for digits in (2, 3, 4):
            texts = [say.number(v, digits) for v in values.tolist()]
            assert say.columns([Numbers(values, digits), Numbers([])]) == [texts, []]
    gaps = Numbers([None, 1.5, math.nan, math.inf], missing="open")
    assert Say().columns([gaps, Numbers([3])]) == [["open", "1.50", "open", "open"], ["3"]]
    assert Say().columns([]) == []


def test_missing_and_non_finite_values_are_said():
    assert SAY.figure(None, "kWh", "x") == Figure("not given")
    assert SAY.figure(float("nan"), "kWh", "x").text == "not given"
    assert SAY.money(None, "x").value is None
    assert SAY.years(float("inf"), "x").value is None


def test_money_by_size():
    assert str(SAY.money(32_300.4, "x")) == f"32{NARROW}300 EUR"
    assert str(SAY.money(0.21, "x")) == "0.21 EUR"
    assert str(SAY.money(7_248.0, "x", half=5_000.0)) == f"7{NARROW}200 EUR"


def test_marks_follow_the_settings():
    german = Say("EUR", decimal=",", group=".")
    assert german.fixed(12_345.67, 1) == "12.345,7"
    assert german.number(0.1234) == "0,123"


def test_years_keep_months_as_value():
    told = SAY.years(30.0, "money.simple_payback_realised.months")
    assert str(told) == "2.5 years"
    assert told.value == 30.0


def test_dates_in_words():
    assert date("2024-03-01") == "1 March 2024"
    assert date("2024-03-01T09:00:00Z") == "1 March 2024"
    assert month("2024-03") == "March 2024"
    assert date(None) == "not given"


def test_units_in_words():
    assert unit_words("kWh/day/degC") == "kWh a day per °C"
    assert unit_words("EUR/year") == "EUR a year"
    assert unit_words("m3") == "m³"
    assert unit_words("fraction") == ""
    assert unit_words("1/year") == "a year"


def test_sentence_sets_parts_in_place():
    inner = sentence(" and {b}", b=Name("<b>"))
    told = sentence("{a} goes{tail}.", a=Figure("1", "kWh", "p", 1.0), tail=inner)
    assert str(told) == "1 kWh goes and <b>."


def test_lists_and_shares():
    assert listed(["a"]) == "a"
    assert listed(["a", "b", "c"]) == "a, b and c"
    assert share(0.966) == f"97{NARROW}%"


def test_us_units_change_what_is_printed_and_not_the_value():
    """NIST SP 811, appendix B: 1 ft² = 0.092 903 04 m²; t/°F = 1.8 t/°C + 32."""
    say = Say("USD", us=True)
    area = say.figure(929.0304, "m2", "floor_area")
    assert (area.unit, area.value) == ("ft²", 929.0304)
    assert area.text == f"10{NARROW}000"
    warm = say.figure(14.0, "degC", "x")
    assert (str(warm), warm.value) == ("57.2 °F", 14.0)
    slope = say.figure(18.0, "kWh/day/K", "x")
    assert str(slope) == "10 kWh a day per °F"
    assert say.temperature(100.0) == 212.0


@pytest.mark.parametrize(
    ("value", "text"),
    [(7.9e-16, "about 0"), (5e-05, f"5.00{NARROW}×{NARROW}10⁻⁵"), (0.00012, "0.000120"), (0, "0")],
)
def test_small_numbers(value, text):
    assert SAY.number(value) == text
