"""What must hold of any rate: no jumps, no reward for using more, no effect of slicing."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from mv.money.load import Load, bill_load, daily_load
from mv.money.rates import open_rate, price_load
from mv.portfolio.schema import Block, Source

prices = st.floats(0.0, 1.0, allow_nan=False)
edges = st.lists(st.floats(1.0, 5000.0), min_size=1, max_size=4, unique=True).map(sorted)


def make_rate(**values):
    return open_rate(Block(key="r", values=values, source=Source(file="rates.toml", line=1)))


def block_rate(ends, cost, per="month"):
    blocks = [{"up_to": e, "price": p} for e, p in zip(ends, cost, strict=False)]
    return make_rate(energy=[{"per": per, "blocks": [*blocks, {"price": cost[-1]}]}])


def march(energy: float, peak: float = 10.0) -> Load:
    start, end = np.datetime64("2024-03-01", "D"), np.datetime64("2024-04-01", "D")
    return bill_load(np.array([start]), np.array([end]), np.array([energy]), np.array([peak]))


def quarter_hours(energy: np.ndarray) -> Load:
    start = np.datetime64("2024-03-01", "s") + np.arange(len(energy)) * np.timedelta64(900, "s")
    return Load(start, np.full(len(energy), 0.25), energy, "interval")


@settings(max_examples=60, deadline=None)
@given(ends=edges, data=st.data(), per=st.sampled_from(["month", "day", "kW"]))
def test_cost_is_continuous_at_block_edges(ends, data, per):
    cost = data.draw(st.lists(prices, min_size=len(ends) + 1, max_size=len(ends) + 1))
    rate = block_rate(ends, cost, per)
    scale = {"month": 1.0, "day": 31.0, "kW": 10.0}[per]
    for end in ends:
        step = end * scale * 1e-6
        below, above = (price_load(rate, march(end * scale + s)).total for s in (-step, step))
        # over so small a step the cost can move by no more than the dearest price allows
        assert -1e-9 <= above - below <= 2 * step * max(cost) * (1 + 1e-6) + 1e-9


@settings(max_examples=40, deadline=None)
@given(
    seed=st.integers(0, 10_000),
    ends=edges,
    data=st.data(),
    per=st.sampled_from(["month", "day"]),
)
def test_slicing_a_month_never_changes_an_energy_only_bill(seed, ends, data, per):
    cost = data.draw(st.lists(prices, min_size=len(ends) + 1, max_size=len(ends) + 1))
    rate = block_rate(ends, cost, per)
    fine = quarter_hours(np.random.default_rng(seed).gamma(2.0, 1.0, 31 * 96))
    by_day = fine.energy.reshape(31, 96).sum(axis=1)
    days = np.arange(np.datetime64("2024-03-01", "D"), np.datetime64("2024-04-01", "D"))
    costs = [
        price_load(rate, load).total
        for load in (fine, daily_load(days, by_day), march(float(fine.energy.sum())))
    ]
    assert costs[1] == pytest.approx(costs[0], rel=1e-9)
    assert costs[2] == pytest.approx(costs[0], rel=1e-9)


FULL = make_rate(
    holidays="Sun",
    seasons={"spring": "03-16..06-15", "else": "rest"},
    periods={"peak": "Mon-Fri 08:00-20:00", "night": "rest"},
    fixed=[{"amount": 20.0}],
    energy=[
        {"period": "peak", "price": 0.24},
        {"period": "night", "season": "spring", "price": 0.11},
        {
            "period": "night",
            "season": "else",
            "blocks": [{"up_to": 900, "price": 0.14}, {"price": 0.09}],
        },
    ],
    demand=[
        {"price": 7.0, "window": 30, "ratchet": {"share": 0.7, "months": 3}},
        {"name": "on-peak demand", "price": 3.0, "period": "peak", "window": 15},
    ],
    minimum=[{"amount": 500.0}],
    rider=[{"percent": 4.0, "of": ["energy"]}, {"per_unit": 0.002}],
    tax=[{"percent": 19.0}, {"per_unit": 0.0205}],
)


@settings(max_examples=40, deadline=None)
@given(seed=st.integers(0, 10_000), share=st.floats(0.0, 1.0))
def test_more_energy_never_costs_less(seed, share):
    random = np.random.default_rng(seed)
    less = random.gamma(2.0, 1.0, 75 * 96)
    more = less + np.where(random.random(len(less)) < share, random.gamma(1.0, 1.0, len(less)), 0.0)
    dear, cheap = price_load(FULL, quarter_hours(more)), price_load(FULL, quarter_hours(less))
    assert (dear.by_period >= cheap.by_period - 1e-9).all()


@settings(max_examples=20, deadline=None)
@given(seed=st.integers(0, 10_000))
def test_lines_add_up_and_nothing_used_costs_only_fixed_charges(seed):
    load = quarter_hours(np.random.default_rng(seed).gamma(2.0, 1.0, 75 * 96))
    bill = price_load(FULL, load)
    assert bill.total == pytest.approx(bill.by_period.sum(), rel=1e-12)
    nothing = price_load(FULL, load.with_energy(np.zeros(len(load.energy))))
    lines = {line.name: line.amount for line in nothing.lines}
    assert lines["energy, peak"].sum() == 0.0
    assert lines["demand"].sum() == 0.0
    # the minimum bill of 500, and 19 % tax, for a whole March, a whole April, 14 of 31 days of May
    assert nothing.total == pytest.approx(500 * 1.19 * (2 + 14 / 31), rel=1e-9)
