"""Does the 90 % interval hold the truth nine times in ten?

Simulated portfolios, 500 sites a setting: autocorrelated noise, holidays, weather of its own for
each year, a change of level from year to year with heavy tails, a part that all sites of a year
share, with and without a saving.  The true saving is known: what each site would have used, less
what it used.  Bills, days and hours of the same sites go through the official choice of model and
the official interval; totals are of 20 sites each.

Settings
    step      the level changes between the years as the shipped prior says, calm sites and
              others (these miss days) half and half, bills by its row for bills; shipped prior
    walk      the level wanders month by month with heavy-tailed steps, sized so that the median
              error of days is what the study behind the prior found (4 to 5 %); shipped prior
    gas       as `step`, heated buildings, the prior's gas figures, less what sites share (the
              prior's τ is of all that moves a site; the shared part is large for gas and is added)
    restless  twice the prior's drift, four years of history; own placebo trial
    quiet     a third of the prior's drift, four years of history; own placebo trial
    restless, prior only     what the shipped prior would have covered there
    walk, N months           as `walk`, with another length of the reporting period
    walk, N months, own trial    the same with four years of history; own placebo trial
    few       twice the prior's drift, five sites a portfolio with three years of history each

Settings that nothing was made for, with the shipped prior and the drift of `step`
    noisy     noise of 20 to 30 % a day
    events    one site in ten changes by 20 %, up or down, somewhere in the reporting year, and
              nobody says so
    holes     8 % of the days are missing at every site
    short     nine or ten months of baseline
    summer    noise three times as large from May to September

No level changes by more than 12.5 times τ in a year (half of use at the prior's τ): beyond that the
meter or the building is another one, which the event finder tells and no interval averages.  The
tails matter for totals: were they Student's without end, quadrature would cover 80 to 87 % of
totals of 20 sites, not 90 %.  Totals are 1,000 drawings of 20 of the sites, each with a common part
of its own.

    python tests/benchmarks/coverage.py [sites] [--data bills,daily,hourly] [--settings "step;walk"]
                                        [--portfolios 1]

What 500 sites say has a standard error of 1.3 points, more where they share a trial; `--portfolios`
draws that many and counts them together.
"""

from __future__ import annotations

import argparse
import warnings
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from mv.baseline.hourly import fit_hourly
from mv.baseline.select import select
from mv.savings.avoided import avoided_energy
from mv.savings.drift import Granularity, load_prior, recency_level
from mv.savings.placebo import FIRST_MONTHS, placebo, trials_of_site
from mv.savings.pooled import portfolio_half_width
from mv.savings.quantiles import normal_quantile
from mv.savings.uncertainty import interval

CONFIDENCE = 0.9
PER_TOTAL = 20
YEAR = 365
SAVING = 0.10
LARGEST_STEP = 12.5
"""Multiple of τ."""
TOTALS = 1000


@dataclass(frozen=True)
class Setting:
    """One kind of simulated portfolio."""

    name: str
    carrier: str = "electricity"
    size: float = 1.0
    """Drift as a multiple of what the shipped prior says of the data at hand."""
    common: float = 0.008
    walk: bool = False
    years_before: int = 1
    own: bool = False
    months: int = 12
    """Length of the reporting period."""
    together: int | None = None
    """Sites whose trials are put together; None: all."""
    noise: tuple[float, float] = (0.04, 0.16)
    """Smallest and largest CV of a day."""
    events: float = 0.0
    """Share of sites that change by 20 % somewhere in the reporting year."""
    missing: float = 0.0
    """Share of days missing at every site."""
    baseline_months: tuple[int, int] = (12, 12)
    summer: float = 1.0
    """Noise from May to September against that of the rest of the year."""

    @property
    def years(self) -> int:
        """Years simulated."""
        return self.years_before + -(-self.months // 12)


SETTINGS = (
    Setting("step"),
    Setting("walk", walk=True),
    Setting("gas", carrier="natural_gas", size=0.86, common=0.044),
    Setting("restless", size=2, years_before=4, own=True),
    Setting("quiet", size=1 / 3, years_before=4, own=True),
    Setting("restless, prior only", size=2, years_before=1),
    *(Setting(f"walk, {m} months", walk=True, months=m) for m in (3, 6, 24)),
    *(
        Setting(f"walk, {m} months, own trial", walk=True, months=m, years_before=4, own=True)
        for m in (3, 6)
    ),
    Setting("few", size=2, years_before=3, own=True, together=5),
    Setting("noisy", noise=(0.20, 0.30)),
    Setting("events", events=0.1),
    Setting("holes", missing=0.08),
    Setting("short", baseline_months=(9, 10)),
    Setting("summer", summer=3.0),
)
WALK_NU = 2.5
"""Degrees of freedom of the monthly steps of a walk."""
EVENT = 0.20
"""Size of an event, fraction of use."""


def simulated_site(
    setting: Setting,
    seed: int,
    common: np.ndarray,
    *,
    hours: bool,
    granularity: Granularity = "daily",
) -> tuple[pd.DataFrame, pd.DataFrame | None, np.ndarray]:
    """Daily rows, hourly rows (or None) and the level of each day that no model knows.

    `common`: what all sites share, per year; `granularity`: data whose drift is drawn (days and
    hours have the same).
    """
    rng = np.random.default_rng(seed)
    years = setting.years
    n = years * YEAR
    dates = pd.date_range("2019-01-01", periods=n, freq="D", name="date")
    year = np.arange(n) // YEAR
    day = np.arange(n) % YEAR
    weather = _autoregressive(rng, n, 0.8) * 3.5 + rng.normal(0, 0.8, years)[year]
    temperature = 11 - 10 * np.cos(2 * np.pi * (day - 20) / YEAR) + weather
    operating = (dates.day_of_week.to_numpy() < 5).astype(float)
    holiday = np.isin(day, rng.choice(YEAR, 10, replace=False))
    operating[holiday] = 0.0
    shutdown = (day >= 357) & (rng.random() < 0.5)
    operating[shutdown] = 0.0

    mean = np.exp(rng.normal(np.log(800), 0.3))
    if setting.carrier == "electricity":
        rest = rng.uniform(0.35, 0.95)
        cool = rng.uniform(0, 0.03) * np.clip(temperature - rng.uniform(14, 19), 0, None)
        shape = rest + (1 - rest) * operating + cool
    else:
        heat = np.clip(rng.uniform(14, 17) - temperature, 0, None) / 10
        shape = rng.uniform(0.02, 0.15) + heat * (1 - rng.uniform(0, 0.3) * (1 - operating))
    cv = rng.uniform(*setting.noise)
    noise = cv * _autoregressive(rng, n, rng.uniform(0.3, 0.75), tails=6)
    noise *= np.where((day >= 120) & (day < 273), setting.summer, 1.0)
    scale = np.sqrt(shape / shape.mean()) if setting.carrier != "electricity" else 1.0
    calm = rng.random() < 0.5
    level = _level(rng, setting, year, _drift(setting, granularity, calm)) + common[year]
    if setting.events and rng.random() < setting.events:
        changed = np.arange(n) >= setting.years_before * YEAR + rng.integers(60, 305)
        level = level + rng.choice([-EVENT, EVENT]) * changed
    use = mean * (shape * (1 + level) + noise * shape.mean() * scale)
    rows = pd.DataFrame(
        {
            "energy": use,
            "temperature": temperature,
            "operating": operating,
            "day_type": (operating < 0.5).astype(np.int8),
            "weight": 1.0,
            "status": np.where(
                rng.random(n) < (0.0 if calm else 0.1) + setting.missing, "coverage_low", "used"
            ),
        },
        index=dates,
    )
    return rows, _hours(rng, rows) if hours else None, level


def _autoregressive(rng, n, rho, tails=None) -> np.ndarray:
    """First-order autoregression of variance one."""
    from scipy.signal import lfilter

    shocks = rng.standard_normal(n)
    if tails:
        shocks = rng.standard_t(tails, n) / np.sqrt(tails / (tails - 2))
    shocks[1:] *= np.sqrt(1 - rho**2)
    return lfilter([1.0], [1.0, -rho], shocks)


def _drift(setting: Setting, granularity: Granularity, calm: bool) -> tuple[float, float]:
    """τ and ν of a site."""
    level = "recent" if setting.carrier == "electricity" else "plain"
    calm = calm and granularity != "bills"  # bills tell no calm year
    drift = load_prior().size(setting.carrier, granularity, level=level, calm=calm)
    return setting.size * drift.tau, WALK_NU if setting.walk else drift.nu


def _level(rng, setting: Setting, year: np.ndarray, drift: tuple[float, float]) -> np.ndarray:
    (tau, nu), n = drift, len(year)
    if setting.walk:
        months = n // 30 + 2
        walk = np.cumsum(tau / np.sqrt(8) * rng.standard_t(nu, months))
        path = np.interp(np.arange(n) / 30, np.arange(months), walk)
        return np.clip(path - path[0], -0.9, 5.0)
    steps = tau * rng.standard_t(nu, 20 * (year[-1] + 1))
    steps = steps[np.abs(steps) <= LARGEST_STEP * tau][: year[-1] + 1]
    path = np.cumsum(steps)[year]
    return np.clip(path - path[0], -0.9, 5.0)


def _hours(rng, rows: pd.DataFrame) -> pd.DataFrame:
    """Hours of the same days: a profile by kind of day, noise within the day, totals kept."""
    n = len(rows)
    hour = np.arange(24)
    work = 0.6 + np.exp(-(((hour - rng.uniform(12, 15)) / 4.5) ** 2))
    rest = 0.9 + 0.1 * np.sin(hour / 24 * 2 * np.pi)
    operating = rows["operating"].to_numpy() > 0.5
    profile = np.where(operating[:, None], work / work.sum(), rest / rest.sum())
    jitter = 1 + 0.05 * _autoregressive(rng, n * 24, 0.7).reshape(n, 24)
    energy = profile * jitter
    energy *= (rows["energy"].to_numpy() / energy.sum(axis=1))[:, None]
    swing = 4 * np.sin(2 * np.pi * (hour - 9) / 24)
    weekday = np.where(
        operating, rows.index.day_of_week.to_numpy(), np.maximum(rows.index.day_of_week, 5)
    )
    start = pd.date_range(rows.index[0], periods=n * 24, freq="h", tz="UTC", name="start")
    return pd.DataFrame(
        {
            "energy": energy.ravel(),
            "temperature": (rows["temperature"].to_numpy()[:, None] + swing).ravel(),
            "hour_of_week": (weekday[:, None] * 24 + hour).ravel(),
            "operating": np.repeat(operating.astype(float), 24),
            "status": np.repeat(rows["status"].to_numpy(), 24),
        },
        index=start,
    )


def as_bills(rows: pd.DataFrame) -> pd.DataFrame:
    """Monthly bills of the same days; a bill knows no missing days."""
    month = (rows.index.year * 12 + rows.index.month).to_numpy()
    month = month - month[0]
    days = np.bincount(month).astype(float)
    edge = np.concatenate(([0], np.cumsum(days))).astype(int)
    start = rows.index.to_numpy()[edge[:-1]]
    mean = {
        name: np.bincount(month, rows[name].to_numpy(dtype=float)) / days
        for name in ("energy", "temperature", "operating")
    }
    temperature = rows["temperature"].to_numpy()
    pieces = np.empty(len(days), dtype=object)
    for i in range(len(days)):
        pieces[i] = temperature[edge[i] : edge[i + 1]]
    return pd.DataFrame(
        {
            "start": start,
            "end": start + (days * 86400).astype("timedelta64[s]"),
            "days": days,
            **mean,
            "total": mean["energy"] * days,
            "weight": days,
            "status": "used",
            "daily_temperatures": pieces,
        }
    )


@dataclass(frozen=True)
class Outcome:
    """One site at one granularity: error of avoided energy, its half-width, P and the saving."""

    error: float
    half_width: float
    adjusted_baseline: float
    saving: float
    common: float = 0.0
    """Change of level that the site shares with others, fraction."""
    widening: float = 1.0
    """Of totals, by the trial of the site's portfolio."""


def verified(
    setting: Setting,
    rows: pd.DataFrame,
    granularity: str,
    savings: tuple[float, ...],
    own,
    baseline_months: int = 12,
) -> list[Outcome]:
    """Fit the last year but one, verify the last, in which each saving of use is taken off."""
    starts = rows["start"].to_numpy() if granularity == "bills" else rows.index
    starts = pd.DatetimeIndex(starts).tz_localize(None)
    first = pd.Timestamp("2019-01-01") + pd.Timedelta(days=YEAR * (setting.years_before - 1))
    cut = first + pd.Timedelta(days=YEAR)
    missed = pd.Timedelta(days=YEAR * (12 - baseline_months) / 12)
    baseline = rows[(starts >= first + missed) & (starts < cut)]
    last = cut + pd.Timedelta(days=YEAR * setting.months / 12)
    inside = (starts >= cut) & (starts < last)
    without = rows[inside & (rows["status"] == "used").to_numpy()]
    if granularity == "hourly":
        fit = fit_hourly(baseline)
    else:
        fit = select(baseline, granularity, setting.carrier).fit
    level = recency_level(fit, baseline, setting.carrier)
    days = without["days"] if granularity == "bills" else 1.0
    made, outcomes = None, []
    for saving in savings:
        # on each day another share is saved, `saving` on the whole
        share = saving * np.linspace(0.5, 1.5, len(without))
        reporting = without.assign(energy=without["energy"] * (1 - share))
        truth = float((without["energy"] * days * share).sum())
        got = avoided_energy(fit, baseline, reporting, level_correction=level)
        # the interval does not depend on what was saved, so it is made once
        made = made or interval(
            fit,
            baseline,
            reporting,
            carrier=setting.carrier,
            granularity=granularity,
            confidence=CONFIDENCE,
            prior=load_prior(),
            adjusted_baseline=got.adjusted_baseline,
            avoided=got.avoided,
            baseline_months=baseline_months,
            reporting_months=setting.months,
            own=own,
        )
        outcomes.append(Outcome(got.avoided - truth, made.half_width, got.adjusted_baseline, truth))
    return outcomes


def _tables(
    setting: Setting, seed: int, common: np.ndarray, granularities: tuple[str, ...]
) -> dict[str, pd.DataFrame]:
    """Rows of one site by granularity."""
    tables = {}
    if "bills" in granularities:
        days, _, _ = simulated_site(setting, seed, common, hours=False, granularity="bills")
        tables["bills"] = as_bills(days)
    if set(granularities) - {"bills"}:
        days, hours, _ = simulated_site(setting, seed, common, hours="hourly" in granularities)
        tables |= {"daily": days, "hourly": hours}
    return {g: tables[g] for g in granularities}


def portfolio(setting: Setting, sites: int, granularities: tuple[str, ...], seed: int) -> dict:
    """Outcomes by granularity and with or without a saving."""
    rng = np.random.default_rng(seed)
    common = rng.normal(0, setting.common, (sites // PER_TOTAL + 1, setting.years))
    # what the reporting year shares, against the year before it
    changes = np.cumsum(common[:, setting.years_before :], axis=1).mean(axis=1)
    together = setting.together or sites

    def tables(i: int) -> dict[str, pd.DataFrame]:
        """Of one site; made again where they are needed again, as hours fill the memory."""
        shared = np.cumsum(common[i // PER_TOTAL])
        return _tables(setting, seed * 100_000 + i, shared - shared[0], granularities)

    trials: dict[tuple[str, int], list] = {}
    for i in range(sites if setting.own else 0):
        end = pd.Timestamp("2019-01-01") + pd.Timedelta(days=YEAR * setting.years_before)
        for granularity, rows in tables(i).items():
            starts = pd.DatetimeIndex(rows["start"] if granularity == "bills" else rows.index)
            found = trials_of_site(
                rows[starts.tz_localize(None) < end],
                site=str(i),
                carrier=setting.carrier,
                granularity=granularity,
                prior=load_prior(),
                fit=fit_hourly if granularity == "hourly" else None,
                first_months=FIRST_MONTHS if setting.months < 12 else (),
            )
            trials.setdefault((granularity, i // together), []).extend(found)
    trial = {g: placebo(each) for g, each in trials.items()}
    baseline_months = rng.integers(*setting.baseline_months, sites, endpoint=True)
    widening = {
        key: each.widening(setting.carrier, PER_TOTAL, CONFIDENCE) for key, each in trial.items()
    }
    outcomes: dict[tuple[str, bool], list[Outcome]] = {}
    for i in range(sites):
        for granularity, rows in tables(i).items():
            own = None
            if setting.own:
                own = trial[granularity, i // together].own_drift(
                    setting.carrier, str(i), first_months=setting.months < 12
                )
            both = verified(setting, rows, granularity, (0.0, SAVING), own, int(baseline_months[i]))
            for saved, outcome in zip((False, True), both, strict=True):
                mine = replace(
                    outcome,
                    common=float(changes[i // PER_TOTAL]),
                    widening=widening.get((granularity, i // together), 1.0),
                )
                outcomes.setdefault((granularity, saved), []).append(mine)
    return outcomes


def summary(setting: Setting, outcomes: dict) -> list[dict]:
    """Coverage of sites and of totals, widths, false verdicts, by granularity and saving."""
    z = normal_quantile(CONFIDENCE)
    sigma = load_prior().common(setting.carrier)
    lines = []
    for (granularity, saved), each in outcomes.items():
        error = np.array([o.error for o in each])
        half = np.array([o.half_width for o in each])
        base = np.array([o.adjusted_baseline for o in each])
        widening = np.array([o.widening for o in each])
        shown = error + np.array([o.saving for o in each]) > half
        totals = []
        rng = np.random.default_rng(5)
        alone = error + np.array([o.common for o in each]) * base
        for _ in range(TOTALS):
            part = rng.choice(len(each), PER_TOTAL, replace=False)
            off = alone[part].sum() - rng.normal(0, setting.common) * base[part].sum()
            width = portfolio_half_width(
                half[part], base[part], sigma, z, float(widening[part].mean())
            )
            totals.append((abs(off) <= width, width / base[part].sum()))
        lines.append(
            {
                "setting": setting.name,
                "data": granularity,
                "saving": f"{SAVING:.0%}" if saved else "none",
                "sites": np.mean(np.abs(error) <= half),
                "half-width": np.median(half / base),
                "median error": np.median(np.abs(error / base)),
                "shown": np.mean(shown),
                "totals": np.mean([t[0] for t in totals]),
                "widened": np.mean(widening),
                "total half-width": np.median([t[1] for t in totals]),
            }
        )
    return lines


def study(
    sites: int, *, kinds=("bills", "daily", "hourly"), settings=SETTINGS, portfolios: int = 1
):
    """One table a setting."""
    for setting in settings:
        seed = 11 + 17 * SETTINGS.index(setting)
        outcomes: dict[tuple[str, bool], list[Outcome]] = {}
        for nth in range(portfolios):
            for key, each in portfolio(setting, sites, kinds, seed=seed + 1000 * nth).items():
                outcomes.setdefault(key, []).extend(each)
        yield pd.DataFrame(summary(setting, outcomes))


if __name__ == "__main__":
    parser = argparse.ArgumentParser()
    parser.add_argument("sites", nargs="?", type=int, default=500)
    parser.add_argument("--data", default="bills,daily,hourly")
    parser.add_argument(
        "--settings",
        default=";".join(s.name for s in SETTINGS),
        help="names with semicolons between",
    )
    parser.add_argument("--portfolios", type=int, default=1)
    asked = parser.parse_args()
    chosen = [s for s in SETTINGS if s.name in asked.settings.split(";")]
    warnings.simplefilter("error")
    tables = study(
        asked.sites,
        kinds=tuple(asked.data.split(",")),
        settings=chosen,
        portfolios=asked.portfolios,
    )
    for nth, table in enumerate(tables):
        text = table.to_string(index=False, float_format=lambda v: f"{v:.3f}", col_space=9)
        print(text if nth == 0 else text.partition("\n")[2], flush=True)
