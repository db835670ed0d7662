"""How long does it take to price three years of quarter-hours under time of use and demand?

    python tests/benchmarks/rate_speed.py

Prints milliseconds of processor time (best and median of the repeats) for reading the rate, for one
load, for the two loads whose difference is the saving, and for a site's saving with its interval.
"""

from __future__ import annotations

import statistics
import time

import numpy as np

from mv.money.cost_saving import Priced, cost_saving
from mv.money.load import Load
from mv.money.rates import open_rate, price_load, price_use, use_of
from mv.portfolio.schema import Block, Source
from mv.quantity import around

RATE = {
    "holidays": "Sun",
    "seasons": {"summer": "06-01..09-30", "winter": "rest"},
    "periods": {
        "peak": ["summer Mon-Fri 12:00-18:00", "winter Mon-Fri 17:00-20:00"],
        "shoulder": ["summer Mon-Fri 08:00-12:00", "summer Mon-Fri 18:00-22:00"],
        "off_peak": "rest",
    },
    "fixed": [{"amount": 45.0}],
    "energy": [
        {"season": "summer", "period": "peak", "price": 0.285},
        {"season": "summer", "period": "shoulder", "price": 0.172},
        {"season": "summer", "period": "off_peak", "price": 0.098},
        {"season": "winter", "period": "peak", "price": 0.190},
        {"season": "winter", "period": "shoulder", "price": 0.150},
        {"season": "winter", "period": "off_peak", "price": 0.098},
    ],
    "demand": [
        {"price": 14.5, "window": 30, "ratchet": {"share": 0.8, "months": 11}},
        {"name": "on-peak demand", "price": 6.0, "window": 15, "period": "peak"},
    ],
    "tax": [{"percent": 6.0}],
}
DAYS, PER_DAY = 3 * 365 + 1, 96


def three_years(seed: int) -> Load:
    """Quarter-hours of a site with a working day."""
    n = DAYS * PER_DAY
    start = np.datetime64("2022-01-01", "s") + np.arange(n) * np.timedelta64(900, "s")
    hour = (np.arange(n) % PER_DAY) / 4
    kw = 40 + 60 * ((hour > 7) & (hour < 19)) + np.random.default_rng(seed).gamma(2, 3, n)
    return Load(start, np.full(n, 0.25), kw / 4, "interval")


def timed(job, repeats: int = 15) -> tuple[float, float]:
    """Best and median milliseconds of processor time."""
    took = []
    for _ in range(repeats):
        begin = time.process_time()
        job()
        took.append(1000 * (time.process_time() - begin))
    return min(took), statistics.median(took)


def fresh(load: Load) -> Load:
    """The same load without what was computed on it before."""
    return load.with_energy(load.energy)


def main() -> dict[str, tuple[float, float]]:
    """Time the jobs and print them."""
    block = Block(key="general", values=RATE, source=Source(file="rates.toml", line=1))
    rate = open_rate(block)
    measured, adjusted = three_years(1), three_years(2)
    adjusted = adjusted.scaled(1.2)
    holidays = np.array(["2022-12-25", "2023-12-25", "2024-12-25"], dtype="datetime64[D]")

    def both():
        use = use_of(rate, fresh(measured), holidays=holidays)
        base = use_of(rate, fresh(adjusted), beside=use)
        return price_use(rate, base).total - price_use(rate, use).total

    def site():
        one, other = fresh(measured), fresh(adjusted)
        saved = other.total - one.total
        part = Priced(
            carrier="electricity",
            unit="kWh",
            savings=around(saved, 0.3 * saved, "kWh", confidence=0.9),
            rate=rate,
            measured=one,
            adjusted=other,
        )
        return cost_saving(part, "EUR", holidays)

    jobs = {
        "reading the rate": lambda: open_rate(block),
        "one load": lambda: price_load(rate, fresh(measured), holidays=holidays),
        "two loads, same clock": both,
        "a site's saving with its interval": site,
    }
    print(f"{DAYS * PER_DAY:,} quarter-hours, 6 energy prices, 2 demand charges")
    found = {}
    for name, job in jobs.items():
        found[name] = timed(job)
        print(f"{name:36s} best {found[name][0]:6.1f} ms   median {found[name][1]:6.1f} ms")
    return found


if __name__ == "__main__":
    main()
