"""A month's bill under time-of-use energy and demand, and what a saving is worth, by hand.

Peak 3,120 kWh at 0.285, mid 5,280 at 0.172, off 9,600 at 0.098; 68 kW at 14.50; 45 fixed:
2,738.16 + 986.00 + 45.00 = 3,769.16.  720 / 960 / 240 kWh and 12 kW × 0.78 saved are worth
393.84 + 135.72 = 529.56, where the average price would say 402.04.
"""

from __future__ import annotations

import numpy as np
import pytest

from mv.money.cost_saving import Priced, cost_saving
from mv.money.load import Load
from mv.money.rates import open_rate, price_load
from mv.portfolio.schema import Block, Source
from mv.quantity import Interval, around

RATE = open_rate(
    Block(
        key="general",
        source=Source(file="rates.toml", line=1),
        values={
            "holidays": "none",
            "periods": {
                "peak": "Mon-Fri 12:00-18:00",
                "mid": ["Mon-Fri 07:00-12:00", "Mon-Fri 18:00-22:00"],
                "off": "rest",
            },
            "fixed": [{"amount": 45.0}],
            "energy": [
                {"period": "peak", "price": 0.285},
                {"period": "mid", "price": 0.172},
                {"period": "off", "price": 0.098},
            ],
            "demand": [{"price": 14.50, "window": 60}],
        },
    )
)

START = np.datetime64("2024-06-01", "s") + np.arange(30 * 24) * np.timedelta64(3600, "s")
HOUR = (START - START.astype("datetime64[D]").astype("datetime64[s]")).astype(int) // 3600
WORKDAY = np.is_busday(START.astype("datetime64[D]"))
PEAK = WORKDAY & (HOUR >= 12) & (HOUR < 18)
MID = WORKDAY & (HOUR >= 7) & (HOUR < 22) & ~PEAK
OFF = ~PEAK & ~MID


def load(peak: float, mid: float, off: float, highest: float) -> Load:
    """A month with these energies; one peak hour takes `highest` kW."""
    kw = np.where(PEAK, peak / PEAK.sum(), np.where(MID, mid / MID.sum(), off / OFF.sum()))
    first = np.flatnonzero(PEAK)[0]
    kw[PEAK] -= (highest - kw[first]) / (PEAK.sum() - 1)
    kw[first] = highest
    return Load(START, np.ones(len(START)), kw, "interval")


BEFORE = load(3120, 5280, 9600, 68.0)
AFTER = load(3120 - 720, 5280 - 960, 9600 - 240, 68.0 - 12 * 0.78)


def test_the_bill():
    bill = price_load(RATE, BEFORE)
    amounts = {line.name: float(line.amount.sum()) for line in bill.lines}
    assert amounts["energy, peak"] == pytest.approx(889.20, abs=0.005)
    assert amounts["energy, mid"] == pytest.approx(908.16, abs=0.005)
    assert amounts["energy, off"] == pytest.approx(940.80, abs=0.005)
    assert amounts["demand"] == pytest.approx(986.00, abs=0.005)
    assert bill.total == pytest.approx(3_769.16, abs=0.005)
    assert bill.total / BEFORE.total == pytest.approx(0.209398, abs=5e-7)


def test_the_saving_is_the_difference_of_two_bills_not_the_average_price():
    saved = price_load(RATE, BEFORE).total - price_load(RATE, AFTER).total
    assert saved == pytest.approx(529.56, abs=0.005)
    average = price_load(RATE, BEFORE).total / BEFORE.total
    assert average * (BEFORE.total - AFTER.total) == pytest.approx(402.04, abs=0.005)


def test_demand_saves_only_what_is_claimed():
    """Without a claimed demand saving both loads are billed for the measured peak."""
    energy = Interval(1920.0, 1500.0, 2340.0, "kWh", confidence=0.9)
    part = Priced(
        carrier="electricity", unit="kWh", savings=energy, rate=RATE, measured=AFTER,
        adjusted=BEFORE,
    )  # fmt: skip
    assert cost_saving(part, "USD").savings.value == pytest.approx(393.84, abs=0.005)
    claimed = Priced(
        carrier="electricity", unit="kWh", savings=energy, rate=RATE, measured=AFTER,
        adjusted=BEFORE, demand_savings={"": around(12 * 0.78, 4.0, "kW")},
    )  # fmt: skip
    assert cost_saving(claimed, "USD").savings.value == pytest.approx(529.56, abs=0.005)
