"""How long does a baseline take, beside a naive grid of statsmodels fits?

    python tests/benchmarks/baseline_speed.py [repeats]

Prints medians of wall and processor time for a simulated year: all forms fitted, selected and
inferred on 365 daily rows and on 12 bills; the hourly model on 8760 rows.  The naive route fits
the same forms with statsmodels at every change point of a quarter-kelvin grid, with and without
operating days (it tries no day types, no slopes by day, holds out nothing, and its optimum is a
little worse than ours, as the table says), and the three ways of the hourly model with a column
for every hour of the week.
"""

from __future__ import annotations

import itertools
import statistics
import sys
import time

import numpy as np
import pandas as pd

from mv.baseline.hourly import fit_hourly
from mv.baseline.search import ChangePointSearch
from mv.baseline.select import select

GRID_STEP = 0.25
"""Kelvin between the change points of the naive grid."""
BUDGET = {"daily": 20.0, "hourly": 15.0}
"""Milliseconds that a year may take."""


def year_of_days(seed: int = 1) -> pd.DataFrame:
    """A site with weekdays, holidays, half-used Saturdays, heating and cooling."""
    rng = np.random.default_rng(seed)
    dates = pd.date_range("2023-01-01", periods=365, name="date")
    t = 11 - 10 * np.cos(2 * np.pi * (np.arange(365) - 20) / 365) + rng.normal(0, 3, 365)
    operating = (dates.day_of_week < 5).astype(float)
    operating[rng.choice(365, 10, replace=False)] = 0
    noise = rng.normal(0, 15, 365)
    for i in range(1, 365):
        noise[i] += 0.5 * noise[i - 1]
    energy = 150 + 150 * operating + 60 * (dates.day_of_week == 5)
    energy = energy + 6 * np.maximum(9 - t, 0) + 8 * np.maximum(t - 17, 0) + noise
    return pd.DataFrame(
        {"energy": energy, "temperature": t, "operating": operating}
        | {"weight": 1.0, "status": "used"},
        index=dates,
    )


def year_of_bills(seed: int = 1) -> pd.DataFrame:
    """The same site billed every month."""
    days = year_of_days(seed)
    month = days.index.month.to_numpy() - 1
    count = np.bincount(month).astype(float)
    start = pd.date_range("2023-01-01", periods=12, freq="MS")

    def mean(column: str) -> np.ndarray:
        return np.bincount(month, days[column]) / count

    return pd.DataFrame(
        {
            "start": start,
            "end": start + pd.to_timedelta(count, unit="D"),
            "days": count,
            "energy": mean("energy"),
            "temperature": mean("temperature"),
            "operating": mean("operating"),
            "weight": count,
            "status": "used",
            "daily_temperatures": [days["temperature"].to_numpy()[month == m] for m in range(12)],
        }
    )


def year_of_hours(seed: int = 1) -> pd.DataFrame:
    """8760 hours with a working week."""
    rng = np.random.default_rng(seed)
    n = 8760
    t = 11 - 10 * np.cos(2 * np.pi * np.arange(n) / n) - 4 * np.cos(np.arange(n) * np.pi / 12)
    t = t + rng.normal(0, 2, n)
    how = np.arange(n) % 168
    busy = (how // 24 < 5) & (how % 24 >= 7) & (how % 24 < 19)
    energy = 10 + 20 * busy + 0.4 * np.maximum(12 - t, 0) * (0.4 + busy) + rng.normal(0, 1.5, n)
    return pd.DataFrame(
        {"energy": energy, "temperature": t, "hour_of_week": how, "operating": 1.0}
        | {"status": "used"},
        index=pd.date_range("2023-01-02", periods=n, freq="h", tz="UTC", name="start"),
    )


def naive_daily(rows: pd.DataFrame, step: float = GRID_STEP) -> tuple[int, float]:
    """Every form at every change point of the grid, with and without operating days: number of
    fits and the smallest sum of squares."""
    from statsmodels.regression.linear_model import OLS

    y, t = rows["energy"].to_numpy(), rows["temperature"].to_numpy()
    low, high = np.quantile(t, [0.05, 0.95])
    grid = np.arange(low, high, step)
    operating = rows["operating"].to_numpy()
    fits, smallest = 0, np.inf
    for z in (np.ones((len(y), 1)), np.column_stack([np.ones(len(y)), operating])):
        designs: list[tuple[np.ndarray, ...]] = [(), (t,)]
        designs += [(np.maximum(c - t, 0),) for c in grid]
        designs += [(np.maximum(t - c, 0),) for c in grid]
        designs += [
            (np.maximum(a - t, 0), np.maximum(t - b, 0))
            for a, b in itertools.combinations_with_replacement(grid, 2)
        ]
        best = (np.inf, np.inf)
        for columns in designs:
            result = OLS(y, np.column_stack([z, *columns])).fit()
            best = min(best, (result.bic, result.ssr))
            fits += 1
        smallest = min(smallest, best[1])
    return fits, smallest


def naive_hourly(rows: pd.DataFrame) -> float:
    """Regressions with a column for every hour of the week, unoccupied hours answering to
    temperature in three ways: the smallest BIC."""
    from statsmodels.regression.linear_model import OLS

    how, t = rows["hour_of_week"].to_numpy(), rows["temperature"].to_numpy()
    y = rows["energy"].to_numpy()
    edges = np.linspace(t.min(), t.max(), 7)[1:-1]
    parts = [np.minimum(t, edges[0])]
    parts += [np.clip(t - a, 0, b - a) for a, b in itertools.pairwise(edges)]
    parts.append(np.maximum(t - edges[-1], 0))
    parts = np.column_stack(parts)
    levels = (how[:, None] == np.arange(168)[None, :]).astype(float)
    weather = np.column_stack([np.ones(len(t)), np.maximum(10 - t, 0), np.maximum(t - 18.3, 0)])
    low = OLS(y, weather).fit().resid > 0
    busy = (np.bincount(how, low) / np.bincount(how) >= 0.65)[how][:, None]
    ways = (
        parts,
        np.hstack([parts * busy, t[:, None] * ~busy]),
        np.hstack([parts * busy, parts * ~busy]),
    )
    return min(OLS(y, np.hstack([levels, way])).fit().bic for way in ways)


def median_ms(call, repeats: int) -> tuple[float, float]:
    """Median wall and processor time of a call in milliseconds, after one warm-up."""
    call()
    wall, cpu = [], []
    for _ in range(repeats):
        a, b = time.perf_counter(), time.process_time()
        call()
        wall.append((time.perf_counter() - a) * 1e3)
        cpu.append((time.process_time() - b) * 1e3)
    return statistics.median(wall), statistics.median(cpu)


def main(repeats: int = 30, step: float = GRID_STEP) -> dict[str, float]:
    """Print the table; return milliseconds of processor time by name."""
    days, bills, hours = year_of_days(), year_of_bills(), year_of_hours()
    ours = {
        "daily": lambda: select(days, "daily"),
        "bills": lambda: select(bills, "bills"),
        "hourly": lambda: fit_hourly(hours),
    }
    naive = {"daily": lambda: naive_daily(days, step), "hourly": lambda: naive_hourly(hours)}
    print(
        f"{'a year of':<10}{'wall ms':>9}{'cpu ms':>9}{'budget':>9}{'naive cpu ms':>15}{'times':>8}"
    )
    out = {}
    for name, call in ours.items():
        wall, cpu = median_ms(call, repeats)
        out[name] = cpu
        line = f"{name:<10}{wall:>9.1f}{cpu:>9.1f}{BUDGET.get(name, np.nan):>9.0f}"
        if name in naive:
            _, slow = median_ms(naive[name], 1 if name == "daily" else min(3, repeats))
            out[f"{name} naive"] = slow
            line += f"{slow:>15.0f}{slow / cpu:>8.0f}"
        print(line)
    exact = ChangePointSearch(
        days["temperature"].to_numpy(),
        days["energy"].to_numpy(),
        np.column_stack([np.ones(len(days)), days["operating"]]),
        least=10,
    ).apart()
    fits, grid = naive_daily(days, step)
    print(f"naive: {fits} fits, 5P sum of squares {grid:.1f}; exact: {exact.sse:.1f}")
    out["excess"] = grid / exact.sse - 1
    return out


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 30)
