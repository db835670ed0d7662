"""Does a comparison group narrow the interval and keep its coverage, whatever the drift?

Simulated portfolios of sites known by the month, seven years: each wanders or steps by itself, and
all share nothing, a random walk, one jump on a calendar day, or several.  Works begin at all sites
on one date or at each on its own.  Trials, groups and judgement are those of the main job; the
baseline is a mean with its level corrected by the latest months, as nothing else moves.

The second table asks the same of older years: a baseline of two and three years instead of one, and
a drift scaled by the site's own trials.

    python tests/benchmarks/narrower.py [portfolios]
"""

from __future__ import annotations

import math
import sys
from dataclasses import dataclass, replace

import numpy as np

from mv.savings.contrast import comparison_group
from mv.savings.controls import Controls, Months
from mv.savings.drift import (
    DAYS_A_MONTH,
    RECENCY_HALF_LIFE,
    RECENCY_SHARE,
    horizon_factor,
    load_prior,
)
from mv.savings.placebo import Placebo, Trial, placebo

MONTHS, FIRST = 84, 576
"""Months of history, the first of them counted from January 1970."""
MODEL, TAU, NU = 0.008, 0.037, 2.3
"""Model part and drift of a calm site, as the shipped prior has them."""
WALK = 0.0012 * math.sqrt(DAYS_A_MONTH)
LARGEST_STEP = 0.4
CONFIDENCE = 0.9


@dataclass(frozen=True)
class Setting:
    """One kind of portfolio."""

    own: str
    common: str
    size: float
    apart: bool
    """Whether each site has works on a date of its own."""
    controls: int = 20
    claims: int = 20
    unlike: float = 0.0
    """Standard deviation, over sites, of the factor by which they follow the common part."""

    @property
    def words(self) -> str:
        """For the table."""
        dates = "own dates" if self.apart else "one date"
        unlike = ", unlike" if self.unlike else ""
        return f"{self.own:<6}{self.common:<6}{self.size:>4.0%}  {dates}, {self.controls}{unlike}"


COMMON = (("none", 0), ("walk", 0.02), ("walk", 0.05), ("jump", 0.06), ("jump", 0.12))
SETTINGS = (
    *(
        Setting(own, common, size, apart)
        for own in ("walk", "steps")
        for common, size in (*COMMON, ("jumps", 0.05))
        for apart in (False, True)
    ),
    *(Setting(own, "jump", 0.12, True, unlike=0.3) for own in ("walk", "steps")),
    *(Setting(own, *c, True, controls=8) for own in ("walk", "steps") for c in COMMON),
)


def levels(setting: Setting, rng: np.random.Generator) -> np.ndarray:
    """Level of each site by month, (sites, months); comparison sites first."""
    sites, month = setting.controls + setting.claims, np.arange(MONTHS)
    if setting.own == "walk":
        own = np.cumsum(rng.normal(0, WALK, (sites, MONTHS)), axis=1)
    else:
        steps = np.clip(TAU * rng.standard_t(NU, (sites, MONTHS // 12 + 2)), *_LIMITS)
        year = (month + rng.integers(0, 12, sites)[:, None]) // 12
        own = np.take_along_axis(np.cumsum(steps, axis=1), year, axis=1)
    common = np.zeros(MONTHS)
    if setting.common == "walk":
        common = np.cumsum(rng.normal(0, setting.size / math.sqrt(12), MONTHS))
    elif setting.common == "jump":
        common = setting.size * rng.choice([-1, 1]) * (month >= rng.integers(40, 78))
    elif setting.common == "jumps":
        days = rng.integers(12, 80, (4, 1))
        common = (setting.size * rng.normal(size=(4, 1)) * (month >= days)).sum(axis=0)
    follows = 1 + setting.unlike * rng.standard_normal((sites, 1))
    return np.clip(1 + own + follows * common, 0.3, 3.0)


_LIMITS = (-LARGEST_STEP, LARGEST_STEP)


def false_saving(level: np.ndarray, start: int, cut: int, first: int, end: int) -> float:
    """Of a site of which a mean was fitted from `start` to `cut` and held against `first` to
    `end`."""
    base = level[start:cut]
    weight = np.exp2((np.arange(len(base)) - len(base)) * DAYS_A_MONTH / RECENCY_HALF_LIFE)
    latest = float(weight @ (base - base.mean()) / weight.sum())
    return 1 - level[first:end].mean() / (base.mean() + RECENCY_SHARE * latest)


def trials(site: str, level: np.ndarray, end: int, rng, years: int = 1) -> list[Trial]:
    """A history up to `end` cut into trials of `years` against one, the latest first."""
    cuts = range(end - 12, 12 * years - 1, -12)
    return [
        Trial(
            site=site,
            building=site,
            carrier="electricity",
            granularity="daily",
            start=str(np.datetime64(FIRST + cut, "M").astype("datetime64[D]")),
            false_saving=false_saving(level, cut - 12 * years, cut, cut, cut + 12)
            + rng.normal(0, MODEL),
            model=MODEL,
            drift=TAU,
            nu=NU,
        )
        for cut in cuts
    ]


def read(site: str, level: np.ndarray, shape: np.ndarray, rng) -> Months:
    """A comparison site's sums by month, with as much noise as its year has."""
    products = np.zeros((MONTHS, 4, 4))
    products[:, 0, 0] = DAYS_A_MONTH
    crossed = np.zeros((MONTHS, 4))
    noisy = level + rng.normal(0, MODEL * math.sqrt(6), MONTHS)
    crossed[:, 0] = DAYS_A_MONTH * noisy
    return Months(site, "electricity", FIRST, products, crossed, shape)


def portfolio(setting: Setting, rng: np.random.Generator) -> list[tuple]:
    """Of each claim: plain and official error, their half-widths, whether the group was used."""
    level = levels(setting, rng)
    keys = [f"q{i:02d}" for i in range(setting.controls)]
    keys += [f"v{i:02d}" for i in range(setting.claims)]
    shapes = {key: 1 / 12 + rng.normal(0, 0.003, 12) for key in keys}
    ends = np.full(len(keys), MONTHS)
    ends[setting.controls :] = rng.integers(52, 72, setting.claims) if setting.apart else 71
    made = placebo(
        t
        for key, own, end in zip(keys, level, ends, strict=True)
        for t in trials(key, own, end, rng)
    )
    controls = Controls(
        tuple(
            read(key, level[i], shapes[key], rng) for i, key in enumerate(keys[: setting.controls])
        )
    )
    verdict = comparison_group("electricity", made.trials, controls, shapes)
    lines = []
    for key, own, end in list(zip(keys, level, ends, strict=True))[setting.controls :]:
        error = false_saving(own, end - 12, end, end + 1, end + 13) + rng.normal(0, MODEL)
        before, after = (
            tuple(FIRST + int(end) + at for at in span) for span in ((-12, 0), (1, 13))
        )
        plain = half_width(made, key, gap=1.0)
        group = controls.group(controls.nearest(key, shapes[key]), before, after)
        used = group is not None and verdict.used(group)
        rest, half = error, plain
        if used:
            drift = verdict.own_drift(group, key, horizon=_horizon(1.0))
            size = math.hypot(MODEL, drift.factor * TAU * _horizon(1.0))
            rest, half = error - group.change, drift.quantile(CONFIDENCE) * size
        lines.append((abs(error) <= plain, plain, abs(rest) <= half, half, used))
    return lines


def half_width(made: Placebo, building: str, *, gap: float = 0.0) -> float:
    """Plain half-width of a site, by the others' trials or the prior."""
    own = made.own_drift("electricity", building)
    if own is None:
        from mv.savings.quantiles import student_quantile

        return student_quantile(CONFIDENCE, NU) * math.hypot(MODEL, TAU * _horizon(gap))
    return own.quantile(CONFIDENCE) * math.hypot(MODEL, own.factor * TAU * _horizon(gap))


def _horizon(gap: float) -> float:
    return horizon_factor(
        load_prior(), baseline_months=12, reporting_months=12, gap_months=gap, level="recent"
    )


def study(setting: Setting, portfolios: int) -> dict[str, float]:
    """Coverage and half-width over several portfolios, plain and official."""
    lines = []
    for seed in range(portfolios):
        lines += portfolio(setting, np.random.default_rng([7, seed]))
    plainly, plain, inside, half, used = np.array(lines, dtype=float).T
    chosen = used > 0
    return {
        "claims": len(lines),
        "covered plain": plainly.mean(),
        "half plain": float(np.median(plain)),
        "covered": inside.mean(),
        "half": float(np.median(half)),
        "used": used.mean(),
        "covered where used": inside[chosen].mean() if chosen.any() else math.nan,
    }


def older_years(setting: Setting, portfolios: int, scatter: float = 0.0) -> dict[str, tuple]:
    """Coverage, half-width and median error of the last year, by what is made of older ones.

    `scatter`: standard deviation, over sites, of the logarithm of the size of drift.
    """
    lines: dict[str, list] = {}
    for seed in range(portfolios):
        rng = np.random.default_rng([8, seed])
        level = levels(replace(setting, controls=0, claims=40), rng)
        level = 1 + (level - 1) * np.exp(scatter * rng.standard_normal((40, 1)))
        level = np.clip(level, 0.3, 3.0)
        sites = [(f"v{i:02d}", own) for i, own in enumerate(level)]
        for years in (1, 2, 3):
            made = placebo(t for k, own in sites for t in trials(k, own, 72, rng, years))
            for key, own in sites:
                error = false_saving(own, 72 - 12 * years, 72, 72, 84) + rng.normal(0, MODEL)
                half = half_width(made, key)
                lines.setdefault(f"{years} years fitted", []).append((error, half))
                if years == 1:
                    mine = [t for t in made.trials if t.site == key]
                    lines.setdefault("scaled by own trials", []).append(
                        (error, half * _own_scale(mine, made))
                    )
    told = {}
    for name, pairs in lines.items():
        error, half = np.abs(np.array(pairs)).T
        told[name] = (
            float((error <= half).mean()),
            float(np.median(half)),
            float(np.median(error)),
        )
    return told


def _own_scale(mine: list[Trial], made: Placebo) -> float:
    """How much larger a site's own false savings are than the others', drawn half-way to one."""
    others = np.median([abs(t.false_saving) for t in made.trials])
    return math.sqrt(float(np.median([abs(t.false_saving) for t in mine])) / others)


def main() -> None:
    """Print both tables."""
    number = int(sys.argv[1]) if len(sys.argv) > 1 else 25
    for setting in SETTINGS:
        told = study(setting, number if setting.controls >= 20 else 2 * number)
        print(setting.words, *(f"{k} {v:.3f}" for k, v in told.items()), sep="; ", flush=True)
    for own, scatter in (("walk", 0.0), ("steps", 0.0), ("steps", 0.5)):
        for name, found in older_years(Setting(own, "none", 0, False), number, scatter).items():
            figures = "covered {:.3f}; half {:.3f}; median error {:.4f}".format(*found)
            print(f"{own}, sizes apart {scatter}: {name}; {figures}", flush=True)


if __name__ == "__main__":
    main()
