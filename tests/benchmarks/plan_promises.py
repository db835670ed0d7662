"""Does the plan keep its promises?  Simulated sites whose truth is known.

    python tests/benchmarks/plan_promises.py [sites]

Two studies, printed as tables:

- *Detection*: sites with true savings from 0 to 20 % are planned from their baseline year alone
  and then verified a year later.  Promised chance of "savings shown" against the achieved share.
- *Looks*: sites with no saving are looked at every month for two years.  Share that shows a
  saving at any look, with the widened interval and with the single-look one.

What is invented: weather, load, day-to-day scatter with memory, and drift, drawn with the size
and tails of the shipped prior, either as one level for the whole period, or as a walk, or as a
jump in one month.  How real buildings drift is another question; `mv/savings/drift.py` has it.
"""

from __future__ import annotations

import datetime as dt
import sys
from dataclasses import dataclass

import numpy as np
import pandas as pd

from mv.baseline.select import select
from mv.plan.detection import Outlook, detection
from mv.savings.avoided import avoided_energy, verdict
from mv.savings.drift import load_prior, recency_level
from mv.savings.looks import look_plan, running_verdict
from mv.savings.uncertainty import interval

START = dt.date(2022, 1, 1)
WORKS_DAYS = 31
CARRIER = "electricity"
LAWS = ("level", "walk", "jump")
TAU, NU = 0.040, 2.0
"""Shipped prior for daily electricity, all sites."""


@dataclass(frozen=True)
class Sites:
    """One simulated site: daily rows of three years, saved from the first day after the works."""

    baseline: pd.DataFrame
    reporting: pd.DataFrame
    saving: float
    """True saving, fraction of what use would have been."""
    first: dt.date
    """First day of the reporting period."""


def simulate(rng: np.random.Generator, saving: float, law: str, years: int = 1) -> Sites:
    """One site; `law` of its drift: level, walk or jump."""
    count = 365 + WORKS_DAYS + 365 * years + 1
    dates = pd.date_range(START, periods=count, name="date")
    season = np.cos(2 * np.pi * (dates.day_of_year.to_numpy() - 20) / 365.25)
    temperature = 13 - 9 * season + _memory(rng, count, 0.7, 2.5)
    operating = (dates.day_of_week < 5).astype(float)
    base = rng.uniform(300, 3000)
    load = base * (1 + rng.uniform(0.1, 0.5) * operating)
    load = load + base * rng.uniform(0.0, 0.03) * np.clip(temperature - 16, 0, None)
    load = load + base * rng.uniform(0.0, 0.03) * np.clip(11 - temperature, 0, None)
    noisy = load * (1 + _memory(rng, count, 0.5, rng.uniform(0.02, 0.08)))
    first = 365 + WORKS_DAYS
    drift = np.zeros(count)
    drift[first:] = _drift(rng, law, count - first)
    use = noisy * (1 + drift)
    after = np.arange(count) >= first
    use = np.where(after, use - saving * load, use)
    rows = pd.DataFrame(
        {
            "energy": use,
            "temperature": temperature,
            "operating": operating,
            "day_type": np.where(operating > 0, 0, 1).astype(np.int8),
            "weight": 1.0,
            "status": "used",
        },
        index=dates,
    )
    return Sites(
        rows.iloc[:365],
        rows.iloc[first : first + 365 * years],
        saving,
        dates[first].date(),
    )


def _memory(rng: np.random.Generator, count: int, rho: float, sd: float) -> np.ndarray:
    """First-order autoregressive noise of a given standard deviation."""
    from scipy.signal import lfilter

    fresh = rng.standard_normal(count) * sd * np.sqrt(1 - rho**2)
    return lfilter([1.0], [1.0, -rho], fresh)


def _drift(rng: np.random.Generator, law: str, days: int) -> np.ndarray:
    """Relative change of use on each reporting day; scale and tails of the prior over a year."""
    scale = TAU * np.sqrt(NU / rng.chisquare(NU))
    if law == "level":
        path = np.full(days, scale * rng.standard_normal())
    elif law == "walk":
        steps = rng.standard_normal(days) / np.sqrt(365)
        # The mean of a walk over its first year has a variance of a third of its end's.
        path = scale * np.cumsum(steps) * np.sqrt(3)
    else:
        month = rng.integers(0, days)
        path = np.where(np.arange(days) >= month, scale * rng.standard_normal(), 0.0)
    return np.clip(path, -0.9, 3.0)


@dataclass(frozen=True)
class Kept:
    """What was promised to one site, and what came."""

    saving: float
    chance: float
    detectable: bool
    shown: bool


def planned_and_verified(rng: np.random.Generator, saving: float, law: str) -> Kept:
    """Plan a site from its baseline, then verify it a year later; the estimate is the truth."""
    site = simulate(rng, saving, law)
    prior = load_prior()
    fit = select(site.baseline, "daily", CARRIER).fit
    level = recency_level(fit, site.baseline, CARRIER)
    expected = float((fit.predict(site.baseline) + level).sum())
    outlook = Outlook(
        fit=fit,
        baseline=site.baseline,
        all_rows=site.baseline,
        carrier=CARRIER,
        granularity="daily",
        level=level,
        normal=None,
        start=site.first,
        baseline_months=12.0,
        gap_months=WORKS_DAYS / (365.25 / 12),
        confidence=0.9,
        prior=prior,
    )
    seen = detection(outlook, saving * expected, 12, most=12)
    got = avoided_energy(fit, site.baseline, site.reporting, level_correction=level)
    how = interval(
        fit,
        site.baseline,
        site.reporting,
        carrier=CARRIER,
        granularity="daily",
        confidence=0.9,
        prior=prior,
        adjusted_baseline=got.adjusted_baseline,
        avoided=got.avoided,
        gap_months=outlook.gap_months,
    )
    shown = verdict(got.avoided - how.half_width, got.avoided + how.half_width)
    return Kept(saving, seen.planned.chance, seen.planned.detectable, shown == "savings shown")


def detection_study(sites: int, law: str, seed: int = 1) -> list[Kept]:
    """Savings spread evenly from 0 to 20 %."""
    rng = np.random.default_rng(seed)
    return [planned_and_verified(rng, s, law) for s in np.linspace(0.0, 0.20, sites)]


@dataclass(frozen=True)
class Looked:
    """Two years of looks at one site that saved nothing."""

    controlled: bool
    """Whether any widened look showed a saving."""
    single: bool
    """Whether any single-look interval did."""
    twelfth: bool
    """Whether the single look at twelve months did."""


def looked_at(rng: np.random.Generator, law: str) -> Looked:
    """Monthly looks over two years, the interval made anew at each as a report would."""
    site = simulate(rng, 0.0, law, years=2)
    prior = load_prior()
    fit = select(site.baseline, "daily", CARRIER).fit
    level = recency_level(fit, site.baseline, CARRIER)
    months, ends, values, halves = [], [], [], []
    noise = 0.0
    for month in range(1, 25):
        end = pd.Timestamp(site.first) + pd.DateOffset(months=month)
        rows = site.reporting[site.reporting.index < end]
        got = avoided_energy(fit, site.baseline, rows, level_correction=level)
        how = interval(
            fit,
            site.baseline,
            rows,
            carrier=CARRIER,
            granularity="daily",
            confidence=0.9,
            prior=prior,
            adjusted_baseline=got.adjusted_baseline,
            avoided=got.avoided,
            reporting_months=float(month),
            gap_months=WORKS_DAYS / (365.25 / 12),
        )
        months.append(month)
        ends.append(str(rows.index[-1].date()))
        values.append(got.avoided)
        halves.append(how.half_width)
        if month == 12:
            noise, nu = how.model_part / how.drift_part, how.degrees_of_freedom
    plan = look_plan(12, confidence=0.9, degrees_of_freedom=nu, noise_to_drift=noise)
    looks = running_verdict(plan, months, ends, values, halves)
    return Looked(
        any(look.verdict == "savings shown" for look in looks),
        any(look.single_low > 0 for look in looks),
        looks[11].single_low > 0,
    )


def looks_study(sites: int, law: str, seed: int = 2) -> list[Looked]:
    """Sites with no saving."""
    rng = np.random.default_rng(seed)
    return [looked_at(rng, law) for _ in range(sites)]


def promised_against_achieved(kept: list[Kept]) -> list[tuple[str, int, float, float]]:
    """Rows of the table: which sites, how many, mean promised chance, achieved share."""
    groups = [("called detectable", [k for k in kept if k.detectable])]
    groups.append(("not called detectable", [k for k in kept if not k.detectable]))
    for low in (0.0, 0.05, 0.10, 0.15):
        inside = [k for k in kept if low <= k.saving < low + 0.05 + 1e-12]
        groups.append((f"true saving {low:.0%} to {low + 0.05:.0%}", inside))
    return [
        (name, len(g), float(np.mean([k.chance for k in g])), float(np.mean([k.shown for k in g])))
        for name, g in groups
        if g
    ]


def main(sites: int) -> None:
    """Print both tables."""
    for law in LAWS:
        print(f"\nDetection, {sites} sites, drift as a {law}: promised and achieved share shown")
        for name, n, promised, achieved in promised_against_achieved(detection_study(sites, law)):
            print(f"  {name:28s} {n:5d}   {promised:6.1%}   {achieved:6.1%}")
    for law in LAWS:
        got = looks_study(sites, law)
        shares = [
            np.mean([getattr(g, k) for g in got]) for k in ("controlled", "single", "twelfth")
        ]
        print(
            f"\nLooks, {sites} sites without a saving, drift as a {law}, 24 months: shown at any "
            f"look {shares[0]:.1%} widened, {shares[1]:.1%} single-look; at month 12 alone "
            f"{shares[2]:.1%}; declared 5.0%"
        )


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 200)
