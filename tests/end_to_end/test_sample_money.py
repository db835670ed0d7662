"""What the sample's savings are worth, against the simulation behind it priced by hand.

The ferry hall pays by time of use and demand.  Here the simulated load without and with its
retrofit is priced hour by hour in plain loops: no code of the package takes part.
"""

from __future__ import annotations

import datetime as dt
import runpy
from collections import defaultdict
from pathlib import Path

import numpy as np
import pytest

SAMPLE = Path(__file__).parents[2] / "sample_meter_data"
PEAK, OFF_PEAK, DEMAND = 0.221, 0.153, 5.40  # rates.toml, [ferry_supply]
FIRST, LAST = dt.date(2024, 3, 11), dt.date(2025, 3, 10)
EVENT = (dt.date(2024, 9, 9), dt.date(2024, 9, 15))


def bill(stamps: list[dt.datetime], kwh: list[float], holidays: set[dt.date]) -> float:
    """Energy by time of use, and the highest hour of each month, over the reporting period."""
    energy, peaks, days = 0.0, defaultdict(float), defaultdict(set)
    for stamp, value in zip(stamps, kwh, strict=True):
        day = stamp.date()
        if not FIRST <= day <= LAST or EVENT[0] <= day <= EVENT[1]:
            continue
        month = (day.year, day.month)
        days[month].add(day)
        peaks[month] = max(peaks[month], value)
        working = day.weekday() < 5 and day not in holidays
        peak = working and (9 <= stamp.hour < 12 or 18 <= stamp.hour < 21)
        energy += value * (PEAK if peak else OFF_PEAK)
    # March counts at both ends of the period, each time for its part.
    months = {m: min(len(d) / 30.4, 1.0) for m, d in days.items()}
    return energy + sum(DEMAND * kw * months[m] for m, kw in peaks.items())


@pytest.fixture(scope="module")
def true_cost_savings() -> float:
    script = runpy.run_path(str(SAMPLE / "make_sample.py"), run_name="sample")
    place, seed = script["PLACES"][0], script["SEED"]
    assert place.site == "ferry_hall"
    temperature = script["temperatures"](np.random.RandomState(seed), "quay")
    load = script["simulate"](place, np.random.RandomState(seed + 100), temperature)
    return bill(load.clock.stamps, load.without.tolist(), script["HOLIDAYS"]) - bill(
        load.clock.stamps, load.with_.tolist(), script["HOLIDAYS"]
    )


def test_time_of_use_and_demand_are_priced_as_by_hand(sample, true_cost_savings: float):
    savings = sample.sites["ferry_hall"]["money"]["cost_savings"]
    assert savings["low"] < true_cost_savings < savings["high"]
    assert savings["value"] == pytest.approx(true_cost_savings, rel=0.04)


@pytest.mark.parametrize(
    ("site", "price"), [("net_loft", 0.214), ("fish_market", 0.186), ("harbour_office", 0.198)]
)
def test_one_price_prices_each_saved_unit(sample, site: str, price: float):
    result = sample.sites[site]
    worth = result["money"]["cost_savings"]["value"]
    assert worth == pytest.approx(result["avoided_energy"]["value"] * price, rel=1e-9)


def test_payback_is_net_cost_over_yearly_savings(sample):
    """Arithmetic redone from the table's own numbers (NIST Handbook 135, simple payback)."""
    money = sample.sites["net_loft"]["money"]
    assert money["net_cost"] == 17450 - 2500
    yearly = sample.sites["net_loft"]["annual"]["verified_savings"]["value"] * 0.214
    months = money["simple_payback_realised"]["months"]
    assert months == pytest.approx(12 * (17450 - 2500) / yearly, rel=1e-6)
    estimated = money["simple_payback_estimated"]["months"]
    assert estimated == pytest.approx(12 * (16900 - 2500) / (45630 * 0.214), rel=1e-9)
