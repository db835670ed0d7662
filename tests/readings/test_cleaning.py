"""Rules that look no further than they must name the intervals that their definitions name."""

import numpy as np
import pytest

from mv.portfolio.schema import Limits
from mv.readings.cleaning import Load, outages, spikes
from mv.readings.registers import looks_like_register

HOUR = 3600


def loads():
    random = np.random.default_rng(3)
    usual = random.gamma(9.0, 3.0, 2000)
    yield "usual", usual
    yield "one spike", np.where(np.arange(2000) == 700, 5000.0, usual)
    yield "supply off", np.where(np.arange(2000) // 10 == 70, 0.01, usual)
    yield "rests at night", np.where(np.arange(2000) % 24 < 8, 0.0, usual)
    yield "seldom on", np.where(random.random(2000) < 0.004, usual, 0.0)
    yield "half missing", np.where(np.arange(2000) % 2 == 0, np.nan, usual)
    yield "nothing", np.zeros(2000)
    yield "skewed", random.lognormal(0.0, 1.5, 2000)


@pytest.mark.parametrize("name", dict(loads()))
@pytest.mark.parametrize("factor", [1.0, 2.0, 5.0])
def test_spikes_and_outages_are_those_of_the_quantiles(name, factor):
    energy = dict(loads())[name]
    limits = Limits(spike_factor=factor, outage_share=factor / 10)
    load = Load(energy, HOUR)
    order = np.sort(energy[np.isfinite(energy)])
    high = order[round(0.995 * (len(order) - 1))]
    wanted = energy > factor * high if high > 0 else np.zeros(len(energy), bool)
    np.testing.assert_array_equal(spikes(load, limits), wanted)
    base = Load(energy, HOUR).base
    np.testing.assert_array_equal(outages(load, limits), energy < factor / 10 * base)


@pytest.mark.parametrize("falls", [0, 5, 26, 27, 28, 40])
@pytest.mark.parametrize("where", ["first", "spread"])
def test_a_counter_is_told_by_all_its_readings(falls, where):
    """Whether its few falls stand together at the beginning or not."""
    readings = np.cumsum(np.ones(26_000)) + 1e6
    at = np.arange(1, falls + 1) * (20 if where == "first" else 600)
    readings[at] -= 2.0
    steps = np.diff(readings)
    assert looks_like_register(readings) == ((steps >= 0).mean() >= 0.999)
