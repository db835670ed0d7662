"""The order-free split: against all orders one by one, and the properties that define it."""

from __future__ import annotations

import itertools
import math

import numpy as np
import pytest

from mv.findings import ModelError
from mv.money.shapley import shapley


def by_all_orders(before, after, figure):
    """Average over every order of change, one order after the other."""
    shares = dict.fromkeys(before, 0.0)
    orders = list(itertools.permutations(before))
    for order in orders:
        now = dict(before)
        last = figure(now)
        for name in order:
            now[name] = after[name]
            shares[name] += (figure(now) - last) / len(orders)
            last = figure(now)
    return shares


def figure(v):
    return (v["a"] - v["b"]) / (v["c"] * v["d"] + v["e"])


BEFORE = {"a": 60.0, "b": 10.0, "c": 0.125, "d": 100.0, "e": 0.5}
AFTER = {"a": 66.0, "b": 8.0, "c": 0.145, "d": 80.0, "e": 0.1}


def test_agrees_with_every_order_one_by_one():
    found, _ = shapley(BEFORE, AFTER, figure)
    assert found == pytest.approx(by_all_orders(BEFORE, AFTER, figure), rel=1e-12)


def test_several_ends_are_split_as_each_alone():
    ends = [AFTER, {**AFTER, "a": 40.0}, {**BEFORE, "e": 0.25}]
    shares, found = shapley(BEFORE, ends[0], figure, ends[1:])
    for each, end in zip([shares, *found], ends, strict=True):
        alone, _ = shapley(BEFORE, end, figure)
        assert each == pytest.approx(alone, rel=1e-12, abs=1e-12)
    assert [found[1][name] for name in "abcd"] == [0.0] * 4


def test_an_end_without_a_figure_leaves_the_others():
    before, after, end = {"p": 1.0, "q": 1.0}, {"p": 2.0, "q": 4.0}, {"p": 2.0, "q": 0.0}
    with np.errstate(divide="ignore"):
        shares, found = shapley(before, after, lambda v: v["p"] / v["q"], [end])
    assert found == [None]
    assert sum(shares.values()) == pytest.approx(-0.5, rel=1e-12)


def test_shares_do_not_depend_on_the_order_of_names_to_the_last_bit():
    found, _ = shapley(BEFORE, AFTER, figure)
    for names in itertools.permutations(BEFORE):
        again, _ = shapley({n: BEFORE[n] for n in names}, {n: AFTER[n] for n in names}, figure)
        assert again == found


def test_one_factor_takes_all_and_none_takes_nothing():
    after = {**BEFORE, "d": 80.0}
    shares, _ = shapley(BEFORE, after, figure)
    assert shares["d"] == figure(after) - figure(BEFORE)
    assert [shares[n] for n in "abce"] == [0.0] * 4
    assert set(shapley(BEFORE, BEFORE, figure)[0].values()) == {0.0}


def test_a_product_of_two_is_split_by_the_mean_of_the_other():
    found, _ = shapley({"p": 2.0, "q": 10.0}, {"p": 3.0, "q": 16.0}, lambda v: v["p"] * v["q"])
    assert found == pytest.approx({"p": 1.0 * 13.0, "q": 6.0 * 2.5}, rel=1e-15)


def test_many_factors_add_up():
    names = [f"x{i}" for i in range(16)]
    random = np.random.default_rng(3)
    before = dict(zip(names, random.uniform(1, 2, 16), strict=True))
    after = dict(zip(names, random.uniform(1, 2, 16), strict=True))

    def product(v):
        return math.prod(v.values())

    shares, _ = shapley(before, after, product)
    assert sum(shares.values()) == pytest.approx(product(after) - product(before), rel=1e-9)


def test_what_it_refuses():
    with pytest.raises(ModelError, match="different names"):
        shapley({"a": 1.0}, {"b": 1.0}, lambda v: v["a"])
    names = [str(i) for i in range(17)]
    with pytest.raises(ModelError, match="17 factors changed; at most 16 can be split"):
        shapley(dict.fromkeys(names, 0.0), dict.fromkeys(names, 1.0), lambda v: v["0"])
    with pytest.raises(ModelError, match="cannot be computed for some set of changes"):
        shapley({"a": 1.0}, {"a": 0.0}, lambda v: np.where(v["a"] > 0, v["a"], np.inf))
