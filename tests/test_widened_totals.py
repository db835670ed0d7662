"""A portfolio whose trials say that totals need more than quadrature: its trail, money and page."""

import math
from dataclasses import fields, replace

import pytest

from mv.quantity import around
from mv.report.format import Say
from mv.report.portfolio_parts import carrier_tables
from mv.results import Money
from mv.rollup import roll_up
from mv.run.trail import portfolio_derivations
from mv.run.whole import _money_half_widths
from mv.savings.drift import load_prior
from tests.test_rollup import portfolio, site

FACTOR = 1.25


def rolled(sites, factor):
    return roll_up(
        portfolio(),
        sites,
        prior=load_prior(),
        money={},
        placebo={},
        version="0",
        widening=lambda carrier, number: factor,
    )


def test_the_derivation_tells_the_factor_and_gives_the_printed_end():
    sites = [site(f"s{i}", 100.0, 30.0, 1000.0, group="g") for i in range(4)]
    result = rolled(sites, FACTOR)
    low = next(
        d for d in portfolio_derivations(result) if d.figure == "totals[0].avoided_energy.low"
    )
    steps = {s.symbol: s.value for s in low.steps}
    halves = [v for k, v in steps.items() if k.startswith("h_")]
    made = math.sqrt(steps["w"] ** 2 * sum(h * h for h in halves) + steps["C"] ** 2)
    assert steps["w"] == pytest.approx(FACTOR)
    assert low.value == pytest.approx(steps["S"] - made)
    pooled, total = result.groups[0]["avoided_energy"], result.totals[0].avoided_energy
    assert (pooled["low"], pooled["high"]) == (total.low, total.high)


def test_without_trials_the_derivation_is_quadrature():
    result = rolled([site(f"s{i}", 100.0, 30.0, 1000.0) for i in range(4)], 1.0)
    low = next(d for d in portfolio_derivations(result) if d.figure.endswith("avoided_energy.low"))
    assert "w" not in {s.symbol for s in low.steps}
    assert "w" not in low.formula


def test_money_is_widened_as_energy_is():
    """Four sites at a price of 0.2: the money's half-width is the energy's at that price."""
    blank = dict.fromkeys(f.name for f in fields(Money) if f.name != "cash")
    money = Money(
        **blank
        | {
            "currency": "EUR",
            "price": 0.2,
            "net_cost": 100.0,
            "cost_savings": around(20.0, 6.0, "EUR", confidence=0.9),
            "annual_cost_savings": around(20.0, 6.0, "EUR", confidence=0.9),
        }
    )
    sites = [site(f"s{i}", 100.0, 30.0, 1000.0) for i in range(4)]
    claims = [(s.site, replace(s, money=money)) for s in sites]
    for factor in (1.0, FACTOR):
        half = rolled(sites, factor).totals[0].avoided_energy.half_width
        _, span = _money_half_widths(claims, load_prior(), 0.9, lambda *_, f=factor: f)
        assert span == pytest.approx(0.2 * half)


def test_the_page_says_by_how_much_and_why():
    sites = [site(f"s{i}", 100.0, 30.0, 1000.0) for i in range(4)]
    told = "times 1.25, as sums of the placebo trials' false savings need it"
    for factor in (1.0, FACTOR):
        (table,) = carrier_tables(rolled(sites, factor).totals, Say("EUR"), "90 %")
        assert (told in str(table)) == (factor == FACTOR)
