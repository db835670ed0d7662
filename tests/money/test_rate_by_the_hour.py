"""Pricing against a second route: one hour after the other, with the calendar of the standard
library and no arrays."""

from __future__ import annotations

import datetime as dt
from collections import defaultdict
from zoneinfo import ZoneInfo

import numpy as np
import pandas as pd
import pytest

from mv.money.load import interval_load
from mv.money.rates import price_load
from mv.readings.clock import epoch_seconds

ZONE = "America/New_York"
HOLIDAYS = [dt.date(2024, 11, 11), dt.date(2024, 11, 28), dt.date(2024, 12, 25)]
TEXT = """
    holidays = "Sat"
    seasons = { winter = "12-01..02-28", rest_of_year = "rest" }
    periods.peak = ["winter Mon-Fri 06:00-10:00", "rest_of_year Mon-Fri 14:00-19:00"]
    periods.night = "daily 22:00-06:00"
    periods.shoulder = "rest"
    fixed = [{ amount = 0.40, per = "day" }]
    energy = [
      { period = "peak", price = 0.31, until = 2024-11-14 },
      { period = "peak", price = 0.37, from = 2024-11-15 },
      { period = "night", season = "winter", price = 0.08 },
      { period = "night", season = "rest_of_year", price = 0.07 },
      { period = "shoulder", price = 0.16 },
      { name = "winter surcharge", season = "winter", price = 0.013 },
    ]
    demand = [
      { price = 9.0, window = 60 },
      { name = "on-peak demand", period = "peak", price = 4.0, window = 60 },
    ]
    rider = [{ percent = 2.5, of = ["energy", "demand"] }]
    tax = [{ per_unit = 0.005 }, { percent = 7.0 }]
"""


def period_of(day: dt.date, hour: int) -> tuple[str, str]:
    """Season and period, in plain words of the rate."""
    season = "winter" if day.month in (12, 1, 2) else "rest_of_year"
    weekday = 5 if day in HOLIDAYS else day.weekday()
    if hour >= 22 or hour < 6:
        return season, "night"
    hours = range(6, 10) if season == "winter" else range(14, 19)
    return season, "peak" if weekday < 5 and hour in hours else "shoulder"


def by_the_hour(index, energy) -> dict[str, float]:
    """Cost by month (YYYY-MM)."""
    energy_cost, used, days = (defaultdict(float) for _ in range(3))
    peak, on_peak = defaultdict(float), defaultdict(float)
    for moment, kwh in zip(index, energy, strict=True):
        local = moment.to_pydatetime().astimezone(ZoneInfo(ZONE))
        month = f"{local:%Y-%m}"
        days[month] += 1 / 24
        used[month] += kwh
        season, period = period_of(local.date(), local.hour)
        price = {"night": 0.08 if season == "winter" else 0.07, "shoulder": 0.16}.get(period)
        if price is None:
            price = 0.31 if local.date() <= dt.date(2024, 11, 14) else 0.37
        energy_cost[month] += kwh * (price + (0.013 if season == "winter" else 0.0))
        peak[month] = max(peak[month], kwh)
        if period == "peak":
            on_peak[month] = max(on_peak[month], kwh)
    cost = {}
    for month, covered in days.items():
        whole = pd.Period(month).days_in_month
        demand = (9.0 * peak[month] + 4.0 * on_peak[month]) * covered / whole
        charges = 0.40 * covered + energy_cost[month] + demand
        charges += 0.025 * (energy_cost[month] + demand)
        per_unit = 0.005 * used[month]
        cost[month] = charges + per_unit + 0.07 * (charges + per_unit)
    return cost


@pytest.mark.parametrize("seed", range(4))
def test_agrees_with_hour_by_hour(rate, seed):
    """Over the change of clocks in November, two holidays, a change of season and of price."""
    first, last = (pd.Timestamp(d, tz=ZONE) for d in ("2024-10-20", "2024-12-21"))
    index = pd.date_range(first, last, freq="h", inclusive="left").tz_convert("UTC")
    energy = np.random.default_rng(seed).gamma(2.0, 10.0, len(index))
    holidays = np.array(HOLIDAYS, dtype="datetime64[D]")
    bill = price_load(
        rate(TEXT), interval_load(epoch_seconds(index), energy, 3600, ZONE), holidays=holidays
    )
    found = dict(
        zip([str(d)[:7] for d in bill.use.load.billing.first], bill.by_period, strict=True)
    )
    assert found == pytest.approx(by_the_hour(index, energy), rel=1e-10)
