"""How many non-routine events does the finder find, and how often does it cry for nothing?

Simulated sites: a year of baseline, a year of reporting with a saving of 8 %, temperature and
operating days, first-order autoregressive noise with heavy tails.  One event a site, in either
period, at a random day; and as many sites with none.

    python tests/benchmarks/event_finder.py [sites per cell]
"""

from __future__ import annotations

import sys

import numpy as np
import pandas as pd

from mv.baseline.select import select
from mv.savings.events import suspected_events

MEAN, SAVING = 1000.0, 0.08
NOISES = ((0.05, 0.3), (0.07, 0.5), (0.10, 0.6))
"""Pairs of (daily CV, day-to-day correlation)."""
SIZES = (0.03, 0.05, 0.10, 0.20, 0.30)
LENGTHS = (7, 14, 30, 60, 120, None)
"""Days; None lasts to the end of the period."""
MARGIN = 30
"""Days that a lasting change's start may be off and still count as found."""


def simulated_rows(
    rng: np.random.Generator, start: str, cv: float, rho: float, level: float = 1.0
) -> pd.DataFrame:
    """Daily rows of one year."""
    index = pd.date_range(start, periods=365, freq="D", name="date")
    day = index.day_of_year.to_numpy()
    temperature = 12 - 10 * np.cos(2 * np.pi * (day - 15) / 365) + rng.normal(0, 3, 365)
    operating = (index.day_of_week < 5).astype(float)
    use = MEAN * level * (0.72 + 0.28 * operating + 0.015 * np.clip(temperature - 16, 0, None))
    innovation = rng.standard_t(5, 365) / np.sqrt(5 / 3) * np.sqrt(1 - rho**2)
    noise = np.empty(365)
    noise[0] = innovation[0] / np.sqrt(1 - rho**2)
    for t in range(1, 365):
        noise[t] = rho * noise[t - 1] + innovation[t]
    return pd.DataFrame(
        {
            "energy": use + cv * MEAN * noise,
            "temperature": temperature,
            "operating": operating,
            "day_type": (operating < 0.5).astype(np.int8),
            "weight": 1.0,
            "status": "used",
        },
        index=index,
    )


def one_site(seed: int, cv: float, rho: float, size: float, length: int | None):
    """Suspected events of one simulated site, and (period, first, last, size) of the true one."""
    rng = np.random.default_rng(seed)
    periods = {
        "baseline": simulated_rows(rng, "2022-07-01", cv, rho),
        "reporting": simulated_rows(rng, "2023-08-01", cv, rho, 1 - SAVING),
    }
    truth = None
    if size:
        period = ("baseline", "reporting")[int(rng.integers(2))]
        days = length or 0
        first = int(rng.integers(10, 365 - days - 10) if length else rng.integers(40, 325))
        last = first + days - 1 if length else 364
        signed = size * (1 if rng.random() < 0.5 else -1)
        rows = periods[period]
        rows.iloc[first : last + 1, rows.columns.get_loc("energy")] += signed * MEAN
        truth = (period, first, last, signed, length is None)
    fit = select(periods["baseline"], "daily", "electricity").fit
    found = suspected_events(fit, periods["baseline"], periods["reporting"], level_corrected=True)
    return found, truth, periods


def is_hit(event, truth, periods) -> bool:
    """Whether an event is the true one: period, sign, and dates that overlap by half."""
    period, first, last, signed, lasting = truth
    if event.period != period or event.kind == "non-operating days":
        return False
    dates = periods[period].index
    begin = dates.get_loc(event.start)
    if lasting and event.end is None:
        return abs(begin - first) <= MARGIN and event.change_per_day * signed > 0
    finish = dates.get_loc(event.end) if event.end else len(dates) - 1
    if lasting and abs(finish + 1 - first) <= MARGIN and event.change_per_day * signed < 0:
        return True  # the same step, told from its other side
    both = min(last, finish) - max(first, begin) + 1
    return event.change_per_day * signed > 0 and both >= 0.5 * (
        max(last, finish) - min(first, begin) + 1
    )


def study(sites: int) -> pd.DataFrame:
    """Hit rates by size and length, false alarms per clean site-year, for each noise."""
    lines = []
    for cv, rho in NOISES:
        alarms = sum(len(one_site(i, cv, rho, 0.0, None)[0]) for i in range(2 * sites))
        for size in SIZES:
            line = {
                "CV": f"{cv:.0%}",
                "rho": rho,
                "false alarms per site-year": alarms / (4 * sites),
                "size": f"{size:.0%}",
            }
            for length in LENGTHS:
                hits = 0
                for i in range(sites):
                    found, truth, periods = one_site(10_000 + i, cv, rho, size, length)
                    hits += any(is_hit(e, truth, periods) for e in found)
                line[f"{length} days" if length else "lasting"] = hits / sites
            lines.append(line)
    return pd.DataFrame(lines)


def month_or_more(table: pd.DataFrame, size: str = "10%") -> pd.Series:
    """Mean hit rate of shifts of one size that last a month or more, by noise."""
    columns = ["30 days", "60 days", "120 days", "lasting"]
    rows = table[table["size"] == size]
    return rows.set_index("CV")[columns].mean(axis=1)


if __name__ == "__main__":
    number = int(sys.argv[1]) if len(sys.argv) > 1 else 60
    result = study(number)
    print(result.to_string(index=False, float_format=lambda v: f"{v:.2f}"))
    print("\nshifts of 10 % that last a month or more, found:")
    print(month_or_more(result).to_string(float_format=lambda v: f"{v:.2f}"))
