"""What every rate component keeps to, whoever adds one: this runs against all that register."""

from __future__ import annotations

import numpy as np
import pytest

from mv.findings import FolderError
from mv.money.component import COMPONENTS, Entry
from mv.money.load import Load
from mv.money.rates import open_rate, price_load
from mv.portfolio.described import meanings
from mv.portfolio.schema import Block, Source

EXAMPLES = {
    "blended": {"price": 0.2},
    "demand": {"price": 12.0},
    "energy": {"price": 0.2},
    "fixed": {"amount": 30.0},
    "minimum": {"amount": 4_000.0},
    "rider": {"per_unit": 0.01},
    "tax": {"percent": 10.0},
}
WITHOUT_USE = {"fixed", "minimum"}
"""Components that charge for a month in which nothing is used."""


def rate_with(name: str, **more):
    values = {name: [{**EXAMPLES[name], **more}]}
    if name not in ("energy", "blended"):
        values["price"] = 0.1
    return open_rate(Block(key="r", values=values, source=Source(file="rates.toml", line=1)))


def months(first: str, last: str, kw: float) -> Load:
    start = np.arange(np.datetime64(first, "h"), np.datetime64(last, "h")).astype("datetime64[s]")
    hour = np.arange(len(start)) % 24
    return Load(start, np.ones(len(start)), kw * (1.0 + (hour > 8)), "interval")


def own(rate, name, load):
    return [line for line in price_load(rate, load).lines if line.component == name]


def test_every_component_has_an_example_here():
    assert set(EXAMPLES) == set(COMPONENTS.names())


@pytest.mark.parametrize("name", COMPONENTS.names())
class TestContract:
    def test_it_is_described(self, name):
        component = COMPONENTS[name]
        assert component.name == name
        assert component.label
        assert issubclass(component.entry, Entry)
        assert all(meanings(component.entry)[name] for name in component.entry.model_fields)

    def test_its_lines_have_one_finite_amount_a_billing_period(self, name):
        load = months("2024-01-01", "2024-05-01", 5.0)
        (line,) = own(rate_with(name), name, load)
        assert line.amount.shape == (4,)
        assert np.isfinite(line.amount).all()
        assert (line.amount > 0).all()
        assert line.name
        assert line.how

    def test_two_halves_cost_what_the_whole_costs(self, name):
        rate = rate_with(name)
        whole = own(rate, name, months("2024-01-01", "2024-05-01", 5.0))[0].amount
        first = own(rate, name, months("2024-01-01", "2024-03-01", 5.0))[0].amount
        second = own(rate, name, months("2024-03-01", "2024-05-01", 5.0))[0].amount
        assert np.concatenate([first, second]) == pytest.approx(whole, rel=1e-12)

    def test_nothing_used_costs_nothing_but_what_is_charged_for_being_there(self, name):
        (line,) = own(rate_with(name), name, months("2024-01-01", "2024-02-01", 0.0))
        assert (line.amount.sum() > 0) == (name in WITHOUT_USE)

    def test_dates_limit_it(self, name):
        rate = rate_with(name, **{"from": "2024-02-01", "until": "2024-02-29"})
        load = months("2024-01-01", "2024-04-01", 5.0)
        if name == "energy":
            assert price_load(rate, load).use.notes[0][0] == "rate_gap"
        (line,) = own(rate, name, load)
        assert (line.amount > 0).tolist() == [False, True, False]

    def test_unknown_names_are_refused(self, name):
        with pytest.raises(FolderError, match='"colour" means nothing in a rate'):
            rate_with(name, colour="blue")
