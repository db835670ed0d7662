"""Do contrasts narrow the interval and keep its coverage?

Simulated portfolios of hourly sites with four years of history and a reporting year in which a
lighting retrofit saves in lit hours alone.  Drift is of three kinds: all hours of a site drift
alike; half of it (in squared scale) changes the shape of the day; nothing but the shape.  And of
two kinds between sites: each drifts alone, or most of it is common to a year.

    python tests/benchmarks/narrower.py [sites]
"""

from __future__ import annotations

import math
import sys
from dataclasses import dataclass

import numpy as np
import pandas as pd

from mv.baseline.hourly import fit_hourly
from mv.baseline.select import select
from mv.savings.avoided import avoided_energy
from mv.savings.contrast import (
    contrast,
    group_companion,
    group_companions,
    hour_pairs,
    untouched_hours,
    year_shape,
)
from mv.savings.drift import load_prior, recency_level
from mv.savings.placebo import placebo, trials_of_site
from mv.savings.uncertainty import interval

YEARS, YEAR = 5, 365
NIGHT = tuple(day * 24 + hour for day in range(7) for hour in (0, 1, 2, 3, 4))
LIT = tuple(range(7, 19))
SAVING = 0.15


@dataclass(frozen=True)
class Drift:
    """How sites drift."""

    name: str
    together: float
    """Share of the squared scale that day and night have in common."""
    common: float
    """Standard deviation of what all sites of a year share."""
    tau: float = 0.04
    nu: float = 2.2


DRIFTS = (
    Drift("whole day", 1.0, 0.008),
    Drift("half of it shape", 0.5, 0.008),
    Drift("shape alone", 0.0, 0.008),
    Drift("common years", 1.0, 0.06, tau=0.015),
)


def simulated(drift: Drift, seed: int, common: np.ndarray):
    """Hourly and daily rows of one site, five years."""
    rng = np.random.default_rng(seed)
    n = YEARS * YEAR
    start = pd.date_range("2019-01-01", periods=n * 24, freq="h", tz="UTC", name="start")
    day, hour = np.divmod(np.arange(n * 24), 24)
    weekday = (day + 1) % 7  # 1 January 2019 was a Tuesday
    work = weekday < 5
    season = 11 - 10 * np.cos(2 * np.pi * (day % YEAR - 20) / YEAR)
    weather = np.repeat(np.convolve(rng.normal(0, 2.0, n + 6), np.ones(7) / 2.6, "valid"), 24)
    temperature = season + weather + 4 * np.sin(2 * np.pi * (hour - 9) / 24)
    profile = 0.4 + np.where(work, 1.0, 0.25) * np.exp(-(((hour - 13) / 4.5) ** 2))
    use = profile + 0.01 * np.clip(temperature - 16, 0, None)
    shares = math.sqrt(drift.together), math.sqrt(1 - drift.together)

    def path():
        both, lit, dark = drift.tau * rng.standard_t(drift.nu, (3, YEARS))
        return np.cumsum(shares[0] * both + shares[1] * lit), np.cumsum(
            shares[0] * both + shares[1] * dark
        )

    by_day, by_night = (np.clip(p - p[0] + common, -0.8, 3.0)[day // YEAR] for p in path())
    level = np.where(np.isin(hour, LIT), by_day, by_night)
    noise = np.repeat(0.05 * rng.standard_normal(n), 24) + 0.06 * rng.standard_normal(n * 24)
    hourly = pd.DataFrame(
        {
            "energy": 50 * use * (1 + level + noise),
            "temperature": temperature,
            "hour_of_week": weekday * 24 + hour,
            "operating": work.astype(float),
            "status": "used",
        },
        index=start,
    )
    return hourly, as_days(hourly)


def as_days(hourly: pd.DataFrame) -> pd.DataFrame:
    """Daily rows of hourly ones."""
    shaped = {
        c: hourly[c].to_numpy(float).reshape(-1, 24) for c in ("energy", "temperature", "operating")
    }
    operating = shaped["operating"][:, 0]
    return pd.DataFrame(
        {
            "energy": shaped["energy"].sum(axis=1),
            "temperature": shaped["temperature"].mean(axis=1),
            "operating": operating,
            "day_type": (operating < 0.5).astype(np.int8),
            "weight": 1.0,
            "status": "used",
        },
        index=pd.date_range("2019-01-01", periods=len(operating), freq="D", name="date"),
    )


def study(drift: Drift, sites: int, seed: int = 3) -> list[dict]:
    """Coverage and half-width, plain and with each contrast."""
    common = np.random.default_rng(seed).normal(0, drift.common, YEARS)
    trials, pairs, shapes, reporting = [], [], {}, []
    for i in range(sites):
        hourly, daily = simulated(drift, 1000 * seed + i, common)
        history = (YEARS - 1) * YEAR
        own = trials_of_site(
            daily.iloc[:history],
            site=str(i),
            carrier="electricity",
            granularity="daily",
            prior=load_prior(),
        )
        trials += own
        shapes[str(i)] = year_shape(daily.iloc[history - YEAR : history])
        pairs += hour_pairs(own, hourly.iloc[: history * 24], NIGHT)
        reporting.append(one_year(hourly, daily, history))
    trial = placebo(trials)
    hours = contrast("night hours", "electricity", pairs)
    group = contrast("comparison group", "electricity", group_companions(trials, shapes))
    # the even sites stand as comparison sites, the odd ones are verified
    seeming = {str(i): y["placebo"] for i, y in enumerate(reporting) if i % 2 == 0}
    lines = []
    for name, verdict in (("plain", None), ("night hours", hours), ("comparison group", group)):
        inside, widths = [], []
        for i, year in enumerate(reporting):
            if i % 2 == 0:
                continue
            own = (verdict or trial).own_drift(*(() if verdict else ("electricity",)), str(i))
            half = year["interval"](own) / year["adjusted_baseline"]
            fraction, companion = year["fraction"], 0.0
            if name == "night hours":
                companion = year["night"]
            elif name == "comparison group":
                companion = group_companion(shapes[str(i)], seeming, shapes)
            if verdict:
                fraction = verdict.corrected(fraction, companion)
            inside.append(abs(fraction - year["truth"]) <= half)
            widths.append(half)
        lines.append(
            {
                "drift": drift.name,
                "method": name,
                "adopted": "" if verdict is None else ("yes" if verdict.adopted else "no"),
                "k": np.nan if verdict is None else verdict.k,
                "narrowing in trials": np.nan if verdict is None else verdict.narrowing,
                "coverage of new year": np.mean(inside),
                "half-width": np.median(widths),
            }
        )
    return lines


def one_year(hourly: pd.DataFrame, daily: pd.DataFrame, history: int) -> dict:
    """The reporting year of one site, with a saving in lit hours."""
    lit = np.isin(np.arange(len(hourly)) % 24, LIT)
    saved = hourly["energy"].to_numpy() * SAVING * lit
    saved[: history * 24] = 0.0
    after_hours = hourly.assign(energy=hourly["energy"] - saved).iloc[history * 24 :]
    base = daily.iloc[history - YEAR : history]
    after = daily.assign(energy=daily["energy"] - saved.reshape(-1, 24).sum(axis=1)).iloc[history:]
    fit = select(base, "daily", "electricity").fit
    level = recency_level(fit, base, "electricity")
    got = avoided_energy(fit, base, after, level_correction=level)
    base_hours = hourly.iloc[(history - YEAR) * 24 : history * 24]

    def half_width(own):
        return interval(
            fit,
            base,
            after,
            carrier="electricity",
            granularity="daily",
            confidence=0.9,
            prior=load_prior(),
            adjusted_baseline=got.adjusted_baseline,
            avoided=got.avoided,
            own=own,
        ).half_width

    return {
        "adjusted_baseline": got.adjusted_baseline,
        "fraction": got.avoided / got.adjusted_baseline,
        "truth": float(saved.sum()) / got.adjusted_baseline,
        "placebo": (got.avoided - float(saved.sum())) / got.adjusted_baseline,
        "night": untouched_hours(
            fit_hourly(base_hours), base_hours, after_hours, NIGHT, "electricity"
        ),
        "interval": half_width,
    }


if __name__ == "__main__":
    number = int(sys.argv[1]) if len(sys.argv) > 1 else 120
    for nth, kind in enumerate(DRIFTS):
        table = pd.DataFrame(study(kind, number))
        text = table.to_string(index=False, float_format=lambda v: f"{v:.3f}", col_space=12)
        print(text if nth == 0 else text.partition("\n")[2], flush=True)
