"""Loads, rates and retrofits as the tests of money write them."""

from __future__ import annotations

import datetime as dt

import numpy as np
import pytest

from mv.money.load import Load
from mv.money.rates import open_rate
from mv.portfolio.schema import Block, Retrofit, Source
from mv.portfolio.settings import rates


@pytest.fixture
def rate():
    """From the text of a rate, under the key `r`, to the rate."""

    def make(text: str):
        found = []
        blocks = rates(f"[r]\n{text}".encode(), "rates.toml", found)
        assert not found
        return open_rate(blocks["r"])

    return make


@pytest.fixture
def flat_rate():
    """From a price to a rate of one price."""

    def make(price: float, **rest):
        values = {"price": price, **rest}
        return open_rate(Block(key="flat", values=values, source=Source(file="rates.toml", line=1)))

    return make


@pytest.fixture
def intervals():
    """From first day, number of days, minutes and kW (number, or function of the local hour) to a
    load."""

    def make(first: str, days: int, minutes: int, power) -> Load:
        n = days * 1440 // minutes
        start = np.datetime64(first, "s") + np.arange(n) * np.timedelta64(minutes * 60, "s")
        kw = power(start) if callable(power) else np.full(n, float(power))
        return Load(start, np.full(n, minutes / 60), kw * minutes / 60, "interval")

    return make


@pytest.fixture
def retrofit():
    """A retrofit with the given costs."""

    def make(**values) -> Retrofit:
        base = {
            "source": Source(file="retrofits.csv", line=2),
            "retrofit": "led",
            "site": "hall",
            "installation_start": dt.date(2023, 11, 1),
            "installation_end": dt.date(2023, 12, 31),
            "acceptance_date": dt.date(2024, 1, 1),
        }
        return Retrofit(**{**base, **values})

    return make
