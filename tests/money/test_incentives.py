"""A programme's terms on the verified figure, worked by hand."""

from __future__ import annotations

import pytest

from mv.findings import FolderError
from mv.money.incentives import incentive, open_terms
from mv.portfolio.schema import Block, Source
from mv.quantity import around

ANNUAL = around(80_000.0, 20_000.0, "kWh/year", confidence=0.9)


def terms(**values):
    values = {"source": "agreement, clause 7", **values}
    return open_terms(Block(key="incentive", values=values, source=Source(file="portfolio.toml")))


def pay(agreed, annual=ANNUAL, **rest):
    given = {
        "unit": "kWh",
        "demand": None,
        "cost": 66_000.0,
        "estimated": 100_000.0,
        "paid": 8_000.0,
        "currency": "EUR",
        **rest,
    }
    return incentive(agreed, annual, **given)[0]


def test_per_kwh_on_the_value_and_on_the_lower_bound():
    found = pay(terms(per_kwh=0.11))
    assert (found["earned"], found["due"]) == pytest.approx((8_800.0, 800.0))
    assert found["words"] == (
        "8\u202f800 EUR earned on the value of the verified saving; 800 EUR due."
    )
    found = pay(terms(per_kwh=0.11, lower_bound=True))
    assert (found["earned"], found["due"]) == pytest.approx((6_600.0, -1_400.0))
    assert found["words"] == (
        "6\u202f600 EUR earned on the lower bound of the verified saving; "
        "1\u202f400 EUR to be paid back."
    )
    assert pay(terms(per_kwh=0.11, lower_bound=True, true_up=False))["due"] == 0.0


def test_per_kw():
    demand = around(12.0, 4.0, "kW", confidence=0.9)
    assert pay(terms(per_kw=95.0), demand=demand)["earned"] == pytest.approx(1_140.0)
    assert pay(terms(per_kw=95.0, lower_bound=True), demand=demand)["earned"] == pytest.approx(760)
    assert pay(terms(per_kw=95.0))["earned"] == 0.0


def test_caps_and_floors():
    found = pay(terms(per_kwh=0.9, cap_share_of_cost=0.5, cap=40_000.0))
    assert found["before_limits"] == pytest.approx(72_000.0)
    assert found["earned"] == pytest.approx(33_000.0)
    assert "cut to its share of the cost of 33\u202f000 EUR" in found["words"]
    assert pay(terms(per_kwh=0.9, cap=30_000.0))["earned"] == pytest.approx(30_000.0)
    found = pay(terms(per_kwh=0.11, least_share_of_estimate=0.9))
    assert found["earned"] == 0.0
    assert "nothing is paid below 90\u202f% of the estimate" in found["words"]
    found = pay(terms(per_kwh=0.11, least_payment=9_000.0))
    assert (found["earned"], found["due"]) == (0.0, -8_000.0)


def test_units_and_signs():
    gas = around(100.0, 10.0, "therm", confidence=0.9)
    assert pay(terms(per_kwh=0.1), gas, unit="therm", estimated=None)["earned"] == pytest.approx(
        293.071070172
    )
    loss = around(-5_000.0, 1_000.0, "kWh", confidence=0.9)
    assert pay(terms(per_kwh=0.1), loss)["earned"] == 0.0
    assert "no annual saving is verified" in pay(terms(per_kwh=0.1), None)["words"]


def test_the_derivation_repeats_the_sum():
    demand = around(12.0, 4.0, "kW", confidence=0.9)
    _, (made,) = incentive(
        terms(per_kwh=0.11, per_kw=95.0), ANNUAL, unit="kWh", demand=demand, cost=None,
        estimated=None, paid=0.0, currency="EUR",
    )  # fmt: skip
    v = {s.symbol: s.value for s in made.steps}
    assert v["k_E"] * v["E"] + v["k_P"] * v["P"] - v["paid"] == pytest.approx(made.value)


def test_terms_that_pay_for_nothing_are_refused():
    with pytest.raises(FolderError, match="give per_kwh, per_kw or both"):
        terms(cap=100.0)
    with pytest.raises(FolderError, match=r"incentive\.source: this must be given"):
        open_terms(Block(key="incentive", values={}, source=Source(file="portfolio.toml")))
