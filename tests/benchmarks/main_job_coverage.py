"""How often does the main job's interval hold the truth, from files to results.json?

Invented sites with a known saving go through the command line as a user's folder would.  A site is
a level, heating and cooling slopes, working days, noise that lasts (AR(1) over days), and a drift
that nobody sees: between one year and the next its level moves by tau times a Student variable
with nu degrees of freedom, both as in the shipped prior for calm electricity sites read by the day.

Two kinds of portfolio: *short* holds a year before the works and a year after, so the shipped prior
decides; *history* holds four years before, so the portfolio's own placebo trial may take its place.

    python tests/benchmarks/main_job_coverage.py [--sites 60] [--portfolios 4]

Printed: share of intervals that hold the true saving, with its standard error; share of verdicts
"savings shown" and "use increased" (both false where nothing was saved).
"""

from __future__ import annotations

import argparse
import json
import math
import os
import subprocess
import sys
import tempfile
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from mv.savings.drift import load_prior

ROOT = Path(__file__).parents[2]
WORKS = np.datetime64("2023-03-06"), np.datetime64("2023-03-17")
LAST = np.datetime64("2024-03-16")
YEARS_BEFORE = {"short": 1, "history": 4}
PERSISTENCE, NOISE = 0.6, 0.06
"""AR(1) coefficient of a day's noise, and its standard deviation as a fraction of the level."""
LARGEST_STEP = 0.5
"""Largest change of level from year to year, fraction.  Student tails at so few degrees of freedom
have no end; a site that doubles is another site, and no interval is meant to average it."""


@dataclass(frozen=True)
class Outcome:
    """One site's official interval beside the truth, kWh."""

    low: float
    high: float
    truth: float
    verdict: str


def _temperature(days: np.ndarray, random: np.random.Generator) -> np.ndarray:
    day = (days - days.astype("datetime64[Y]")).astype(float)
    weather = np.zeros(len(days))
    for i, step in enumerate(random.normal(0, 2.2, len(days))):
        weather[i] = step + 0.7 * (weather[i - 1] if i else 0.0)
    return np.round(12 - 8 * np.cos(2 * np.pi * (day - 20) / 365.25) + weather, 2)


def _site(
    days: np.ndarray, temperature: np.ndarray, saving: float, random: np.random.Generator
) -> tuple[np.ndarray, float]:
    """Daily use, kWh, and the energy that the retrofit truly saved in the reporting period."""
    drift = load_prior().size("electricity", "daily", level="recent", calm=True)
    level = random.uniform(200, 2000)
    weekday = (days.astype(np.int64) + 3) % 7
    use = level * (
        1
        + random.uniform(0.1, 0.6) * (weekday < 5)
        + random.uniform(0.0, 0.04) * np.maximum(13 - temperature, 0)
        + random.uniform(0.0, 0.05) * np.maximum(temperature - 18, 0)
    )
    noise = np.zeros(len(days))
    step_sd = NOISE * math.sqrt(1 - PERSISTENCE**2)
    for i, step in enumerate(random.normal(0, step_sd, len(days))):
        noise[i] = step + PERSISTENCE * (noise[i - 1] if i else 0.0)
    # Years are counted from the works; each begins with a step of its own.
    year = np.floor((days - WORKS[0]).astype(float) / 365.25).astype(int)
    moved = np.ones(len(days))
    for y in range(year.min() + 1, year.max() + 1):
        step = drift.tau * random.standard_t(drift.nu)
        moved[year >= y] *= 1 + min(max(step, -LARGEST_STEP), LARGEST_STEP)
    use = use * (1 + noise) * moved
    after = days > WORKS[1]
    truth = saving * float(use[after].sum())
    use[days >= WORKS[0]] *= 1 - saving
    return np.round(use, 2), truth


def write_portfolio(
    folder: Path, *, sites: int, saving: float, kind: str, seed: int
) -> dict[str, float]:
    """Write one folder; the true avoided energy by site."""
    random = np.random.default_rng([seed, sites, round(1000 * saving), YEARS_BEFORE[kind]])
    first = WORKS[0] - np.timedelta64(365 * YEARS_BEFORE[kind] + 10, "D")
    days = np.arange(first, LAST + 1)
    temperature = _temperature(days, random)
    stamps = np.datetime_as_string(days)
    (folder / "meters").mkdir(parents=True)
    tables = {
        "portfolio.toml": ['name = "Invented sites"', 'currency = "EUR"'],
        "rates.toml": ["[flat]", "price = 0.2"],
        "weather.csv": ["station,file,temperature_unit,time_zone", "hill,hill.csv,degC,UTC"],
        "hill.csv": ["date,degC", *(f"{d},{t}" for d, t in zip(stamps, temperature, strict=True))],
        "sites.csv": ["site,time_zone,weather,operating_week"],
        "meters.csv": ["meter,site,carrier,data,file,unit,stamp,rate"],
        "retrofits.csv": ["retrofit,site,installation_start,installation_end"],
    }
    truths = {}
    for i in range(sites):
        key = f"s{i:03d}"
        use, truths[key] = _site(days, temperature, saving, random)
        lines = ["date,kWh", *(f"{d},{u}" for d, u in zip(stamps, use, strict=True))]
        (folder / "meters" / f"{key}.csv").write_text("\n".join(lines) + "\n")
        tables["sites.csv"].append(f"{key},UTC,hill,Mon-Fri")
        tables["meters.csv"].append(
            f"m{key},{key},electricity,interval,meters/{key}.csv,kWh,start,flat"
        )
        tables["retrofits.csv"].append(f"r{key},{key},{WORKS[0]},{WORKS[1]}")
    for name, lines in tables.items():
        (folder / name).write_text("\n".join(lines) + "\n")
    return truths


def run(folder: Path, truths: dict[str, float]) -> tuple[list[Outcome], Outcome]:
    """The main job on a folder: each site's outcome and the total's."""
    out = folder.with_name(folder.name + "_report")
    subprocess.run(
        [sys.executable, "-m", "mv", "report", folder, "--out", out, "--no-cache"],
        cwd=folder.parent,
        env=os.environ | {"PYTHONPATH": str(ROOT)},
        check=True,
        capture_output=True,
    )
    results = json.loads((out / "results.json").read_text(encoding="utf-8"))
    outcomes = []
    for site in results["sites"]:
        got = site["avoided_energy"]
        if got is None:
            raise SystemExit(f"{site['site']} could not be verified: {site['reason']}")
        outcomes.append(Outcome(got["low"], got["high"], truths[site["site"]], site["verdict"]))
    total = results["totals"][0]["avoided_energy"]
    return outcomes, Outcome(total["low"], total["high"], sum(truths.values()), "")


def study(sites: int, portfolios: int) -> list[str]:
    """The table, one line a kind of portfolio and saving."""
    lines = [f"{'portfolio':<10}{'saving':>7}{'sites':>7}{'interval holds':>17}"]
    lines[0] += f"{'shown':>9}{'increased':>11}{'totals held':>13}{'half-width':>12}"
    for kind in YEARS_BEFORE:
        for saving in (0.0, 0.1):
            outcomes, totals = [], []
            for seed in range(portfolios):
                with tempfile.TemporaryDirectory() as place:
                    folder = Path(place) / "portfolio"
                    truths = write_portfolio(
                        folder, sites=sites, saving=saving, kind=kind, seed=seed
                    )
                    got, total = run(folder, truths)
                outcomes += got
                totals.append(total)
            n = len(outcomes)
            held = sum(o.low <= o.truth <= o.high for o in outcomes) / n
            shown = sum(o.verdict == "savings shown" for o in outcomes) / n
            more = sum(o.verdict == "use increased" for o in outcomes) / n
            whole = sum(o.low <= o.truth <= o.high for o in totals)
            # Truth is `saving` of the use without it.
            width = (
                float(np.median([(o.high - o.low) / 2 / o.truth for o in outcomes])) * saving
                if saving
                else math.nan
            )
            error = math.sqrt(held * (1 - held) / n)
            lines.append(
                f"{kind:<10}{saving:>7.0%}{n:>7}{held:>10.1%} ± {error:>4.1%}{shown:>9.1%}"
                f"{more:>11.1%}{f'{whole} of {len(totals)}':>13}{width:>12.1%}"
            )
            print(lines[-1], file=sys.stderr, flush=True)
    return lines


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--sites", type=int, default=60)
    parser.add_argument("--portfolios", type=int, default=4)
    given = parser.parse_args()
    print("\n".join(study(given.sites, given.portfolios)))


if __name__ == "__main__":
    main()
