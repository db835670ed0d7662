"""Avoided emissions by declared factors; checks against published factors of the US EPA."""

from __future__ import annotations

import numpy as np
import pytest

from mv.money.cost_saving import Priced
from mv.money.emissions import avoided_emissions
from mv.money.load import Load, daily_load
from mv.portfolio.schema import Emissions
from mv.quantity import around

LB = 0.45359237


def saved(amount, carrier="electricity", unit="kWh", **rest):
    return Priced(carrier=carrier, unit=unit, savings=around(amount, 1.0, unit), **rest)


def test_a_lighting_retrofit_with_its_gas_penalty():
    """43.70454 MWh at 823.1 lb/MWh (US average of eGRID2022, from memory) less 333.288 therm at
    53.06 kg CO2/MMBtu (EPA emission factors hub 2024, table 1): 16,317.2 − 1,768.43 kg."""
    factors = [
        Emissions(
            carrier="electricity", factor=823.1 * LB, unit="MWh", source="US average, eGRID2022"
        ),
        Emissions(
            carrier="natural_gas", factor=53.06, unit="MMBtu", source="EPA hub 2024, table 1"
        ),
    ]
    therm = 29.3071070172
    made, findings, derivations = avoided_emissions(
        [saved(43_704.54), saved(-333.288 * therm, "natural_gas")], factors
    )
    assert findings == []
    assert made["electricity, kg CO2e"] == pytest.approx(16_317.2, abs=0.05)
    assert made["natural_gas, kg CO2e"] == pytest.approx(-1_768.43, abs=0.005)
    assert made["total, kg CO2e"] == pytest.approx(14_548.7, abs=0.1)
    assert "US average, eGRID2022" in made["electricity, factor"]
    for d in derivations:
        assert d.steps[0].value * d.steps[1].value == pytest.approx(d.value)


def test_nothing_is_built_in():
    assert avoided_emissions([saved(1000.0)], []) == ({}, [], [])


def test_a_carrier_without_a_factor_is_named():
    factor = Emissions(carrier="electricity", factor=0.2, source="grid 2024")
    made, findings, _ = avoided_emissions([saved(100.0), saved(5.0, "propane")], [factor])
    assert made["total, kg CO2e"] == pytest.approx(20.0)
    assert [f.rule for f in findings] == ["emission_factor_missing"]
    assert [f.message for f in findings] == [
        "No emission factor is declared for propane, so its change counts in no emissions figure; "
        "add [[emissions]] to portfolio.toml."
    ]


def test_factors_by_hour_and_month_are_weighted_by_when_energy_was_saved():
    n = 2 * 24
    start = np.datetime64("2024-06-30", "s") + np.arange(n) * np.timedelta64(3600, "s")
    measured = Load(start, np.ones(n), np.full(n, 5.0), "interval")
    extra = np.zeros(n)
    extra[[3, 12, 24 + 23]] = [10.0, 30.0, 60.0]  # night of 30 June, its noon, late on 1 July
    adjusted = measured.with_energy(measured.energy + extra)
    factor = Emissions(
        carrier="electricity",
        factor=0.30,
        source="hourly marginal factors",
        by_month={"Jul": 0.20},
        by_hour={"22-06": 0.10},
    )
    made, _, _ = avoided_emissions([saved(100.0, measured=measured, adjusted=adjusted)], [factor])
    assert made["total, kg CO2e"] == pytest.approx(10 * 0.10 + 30 * 0.30 + 60 * 0.10)
    by_month = factor.model_copy(update={"by_hour": {}})
    made, _, _ = avoided_emissions([saved(100.0, measured=measured, adjusted=adjusted)], [by_month])
    assert made["total, kg CO2e"] == pytest.approx(40 * 0.30 + 60 * 0.20)


def test_hours_that_the_readings_lack_are_told():
    days = np.array(["2024-06-30"], dtype="datetime64[D]")
    one = daily_load(days, np.array([5.0]))
    factor = Emissions(
        carrier="electricity", factor=0.30, source="marginal", by_hour={"07-19": 0.5}
    )
    made, findings, _ = avoided_emissions(
        [saved(5.0, measured=one, adjusted=one.scaled(2.0))], [factor]
    )
    assert made["total, kg CO2e"] == pytest.approx(1.5)
    assert [f.rule for f in findings] == ["emissions_not_by_hour"]
    wrong = Emissions(carrier="electricity", factor=0.30, unit="m3", source="marginal")
    _, findings, _ = avoided_emissions([saved(5.0)], [wrong])
    assert [f.rule for f in findings] == ["rate_unit"]
