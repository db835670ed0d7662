"""Units: exact factors from outside, what a carrier's meter may read, and every refusal."""

import math

import pytest
import scipy.constants
from hypothesis import given
from hypothesis import strategies as st

from mv import units
from mv.units import CARRIERS, Door, UnitError, door, factor, kind_of, to_celsius

# NIST Special Publication 811 (2008), Appendix B.8: factors printed to seven digits; those in
# bold there are exact.  Typed in from the publication, not computed here.
NIST_SP811 = [
    ("therm", "J", 1.055056e8),  # therm (EC)
    ("Btu", "J", 1.055056e3),  # International Table
    ("kWh", "J", 3.6e6),  # exact
    ("MJ", "kWh", 2.777778e-1),
    ("ft3", "m3", 2.831685e-2),
    ("gal", "m3", 3.785412e-3),
    ("MMBtu", "GJ", 1.055056),
    ("ft2", "m2", 9.290304e-2),  # exact
]


@pytest.mark.parametrize(("unit", "into", "published"), NIST_SP811)
def test_factors_are_those_that_nist_publishes(unit, into, published):
    assert factor(unit, into) == pytest.approx(published, rel=2e-7)  # seven printed digits


def test_btu_is_the_international_table_one():
    # An independent table of constants; the thermochemical Btu is 0.07 % smaller.
    assert factor("Btu", "J") == pytest.approx(scipy.constants.Btu_IT, rel=1e-12)
    assert factor("therm", "kWh") == pytest.approx(29.3071070172, rel=1e-11)
    assert factor("ton_hour", "kWh") == pytest.approx(3.51685284207, rel=1e-11)


@pytest.mark.parametrize(
    ("spelling", "unit"),
    [
        ("kwh", "kWh"), ("KWH", "kWh"), ("mwh", "MWh"), ("MWH", "MWh"), ("gj", "GJ"),
        ("CCF", "ccf"), ("therms", "therm"), ("thm", "therm"), ("m³", "m3"), ("ft³", "ft3"),
        ("mmbtu", "MMBtu"), ("MMBTU", "MMBtu"), ("kBTU", "kBtu"), ("hcf", "ccf"),
        ("1000 ft3", "mcf"), ("100 cf", "ccf"), ("KW", "kW"), ("gallons", "gal"),
    ],
)  # fmt: skip
def test_spellings_that_meters_print(spelling, unit):
    assert factor(spelling, unit) == pytest.approx(1.0, rel=1e-12)


def test_units_of_every_day_are_what_pint_says():
    registry = units._registry()
    canonical = {"energy": "J", "power": "W", "volume": "m**3", "area": "m**2"}
    for unit, (kind, size) in units._COMMON.items():
        known = units._parse(unit).to(registry.Unit(canonical[kind])).magnitude
        assert size == pytest.approx(known, rel=1e-14), unit


@pytest.mark.parametrize("text", ["1.026 therm/ccf", "38.3 MJ/m3", "38 MJ / m³", "1000 Btu/cf"])
def test_heat_contents_of_every_day_are_what_pint_says(text):
    known = units._parse(text).to("joule / meter**3").magnitude
    assert units._joules_in_cubic_metre(text) == pytest.approx(known, rel=1e-14)


@pytest.mark.parametrize(
    ("unit", "kind"), [("kWh", "energy"), ("therm", "energy"), ("W", "power"), ("ccf", "volume")]
)
def test_kind(unit, kind):
    assert kind_of(unit) == kind


def test_power_is_energy_once_multiplied_by_hours():
    assert door("electricity", "W") == Door(
        "power", 0.001, "kWh", "kWh = W × 0.001 × hours of the interval"
    )


def test_gas_in_volume_stays_volume_until_its_heat_content_is_given():
    assert door("natural_gas", "ccf").canonical == "m3"
    assert door("natural_gas", "ccf").factor == pytest.approx(2.8316846592, rel=1e-12)
    priced = door("natural_gas", "ccf", "1.026 therm/ccf")
    assert (priced.kind, priced.canonical) == ("energy", "kWh")
    assert priced.factor == pytest.approx(1.026 * 29.3071070172, rel=1e-11)
    metric = door("natural_gas", "m3", "38.3 MJ/m3")
    assert metric.factor == pytest.approx(38.3 / 3.6, rel=1e-12)


@given(st.floats(min_value=0.001, max_value=1e6))
def test_there_and_back_is_where_it_began(value):
    there = value * factor("therm", "kWh")
    assert there * factor("kWh", "therm") == pytest.approx(value, rel=1e-12)


def test_fahrenheit_freezing_and_boiling():
    assert to_celsius(32.0, "degF") == 0.0
    assert to_celsius(212.0, "degF") == pytest.approx(100.0, rel=1e-12)
    assert to_celsius(-40.0, "degF") == pytest.approx(-40.0, rel=1e-12)  # where both scales meet


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (lambda: door("electricity", "ccf"),
         '"ccf" measures volume, but a meter of electricity reads in energy or power'),
        (lambda: door("water", "kWh"),
         '"kWh" measures energy, but a meter of water reads in volume'),
        (lambda: door("electricity", "kWhh"), '"kWhh" is not a unit that can be read'),
        (lambda: kind_of("metre"), '"metre" measures neither energy, power nor volume'),
        (lambda: kind_of(" "), "no unit is given"),
        (lambda: kind_of("0 kWh"), '"0 kWh" is not a unit: its scale must be a number above zero'),
        (lambda: kind_of("1e999 kWh"),
         '"1e999 kWh" is not a unit: its scale must be a number above zero'),
        (lambda: factor("kWh", "m3"), '"kWh" can\'t be converted into "m3"'),
        (lambda: door("natural_gas", "m3", "38.3 MJ"),
         'heat content "38.3 MJ" is not an energy per volume, such as 38.3 MJ/m3'),
        (lambda: to_celsius(1.0, "K"), 'temperature unit "K" is not degC or degF'),
    ],
)  # fmt: skip
def test_every_refusal_says_what_was_found_and_what_is_allowed(call, message):
    with pytest.raises(UnitError) as refusal:
        call()
    assert str(refusal.value) == message


@pytest.mark.parametrize(
    "text",
    [
        "9**9**9**9",
        "9^9^9^9 kWh",
        "kWh**99999999",
        "__import__('os')",
        "kWh;m3",
        "(" * 300,
        "k" * 41,
    ],
)
def test_a_unit_is_never_a_program(text):
    with pytest.raises(UnitError, match="is not a unit that can be read"):
        kind_of(text)


def test_every_carrier_has_a_unit_that_its_door_takes():
    usual = {"energy": "kWh", "power": "kW", "volume": "m3"}
    for carrier in CARRIERS.values():
        for kind in carrier.kinds:
            opened = door(carrier.name, usual[kind])
            assert opened.kind == kind
            assert math.isclose(opened.factor, 1.0)
