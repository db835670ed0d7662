"""Which intervals can't be what the meter's load was, and go out under a rule?

Each rule is one small function: energies on the regular grid in, a mask of intervals out.  An
interval that a rule names is excluded, never replaced.  Thresholds are the portfolio's
`[limits]`.  Rules look at the meter's own distribution; none knows of retrofits or weather.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from mv.findings import Finding
from mv.portfolio.schema import Limits
from mv.readings.interval import Grid
from mv.readings.rows import ESTIMATED, EXCLUDED, Rows

BASE_SHARE = 0.1
"""A meter never goes near zero when its 2 % quantile is above this share of its median (common
practice, no source)."""
FALLS_FEW, FALLS_DAYS = 3, 30
"""Falls to zero that still count as exceptions: three, and one more a month (common practice, no
source).  A meter that falls more often rests as a habit."""
CHANCE = 1e-6
"""Probability under which a run of equal values is taken for a stuck meter, given how often
neighbours are equal on this meter."""
FLAT_SHARE = 0.2
"""A meter that repeats values for more than this share of the time has a flat load by habit."""
CATCH_UP = (0.5, 2.0)
"""A value after a gap that lies within these multiples of (gap + 1) typical intervals makes up for
the gap."""
NEGATIVE_TOLERANCE = 1e-9


def negative_values(energy: np.ndarray, step: int, limits: Limits) -> np.ndarray:
    """Energies below zero, where no generation is declared."""
    return energy < -NEGATIVE_TOLERANCE


def catch_up(energy: np.ndarray, step: int, limits: Limits) -> np.ndarray:
    """A single value right after a gap that holds the gap's energy as well: far above everything
    usual and about as large as the gap would have been."""
    missing = np.isnan(energy)
    if not missing.any() or missing.all():
        return np.zeros(len(energy), dtype=bool)
    good = energy[~missing]
    usual = float(np.median(good[good > 0])) if (good > 0).any() else 0.0
    high = float(np.quantile(good, 0.995))
    after = np.flatnonzero(missing[:-1] & ~missing[1:]) + 1
    begin = np.flatnonzero(np.diff(np.r_[False, missing].astype(np.int8)) == 1)
    begin = begin[: len(after)]
    length = after - begin
    expected = (length + 1) * usual
    value = energy[after]
    hit = (value > 1.5 * high) & (value >= CATCH_UP[0] * expected) & (length >= 2)
    hit &= value <= CATCH_UP[1] * expected
    mask = np.zeros(len(energy), dtype=bool)
    mask[after[hit]] = True
    return mask


def spikes(energy: np.ndarray, step: int, limits: Limits) -> np.ndarray:
    """Values above `spike_factor` times the meter's own 99.5 % quantile."""
    good = energy[np.isfinite(energy)]
    if len(good) < 200:  # the quantile would be one of the few highest values itself
        return np.zeros(len(energy), dtype=bool)
    limit = limits.spike_factor * float(np.quantile(good, 0.995))
    return energy > limit if limit > 0 else np.zeros(len(energy), dtype=bool)


def zeros_for_missing(energy: np.ndarray, step: int, limits: Limits) -> np.ndarray:
    """Runs of zeros of at least `zero_hours` on a meter that never goes near zero otherwise."""
    if not base_load(energy, step):
        return np.zeros(len(energy), dtype=bool)
    return _runs(energy == 0, max(math.ceil(limits.zero_hours * 3600 / step), 1))


def outages(energy: np.ndarray, step: int, limits: Limits) -> np.ndarray:
    """Falls below `outage_share` of the base load, on a meter that never goes near zero
    otherwise: the supply was off, which saves nothing."""
    base = base_load(energy, step)
    if not base:
        return np.zeros(len(energy), dtype=bool)
    with np.errstate(invalid="ignore"):
        return energy < limits.outage_share * base


def stuck_values(energy: np.ndarray, step: int, limits: Limits) -> np.ndarray:
    """Runs of one identical value, not zero, of at least `stuck_hours` that chance does not
    explain on this meter."""
    equal = np.zeros(len(energy), dtype=bool)
    equal[1:] = (energy[1:] == energy[:-1]) & (energy[1:] != 0)
    known = int(np.isfinite(energy).sum())
    least = max(math.ceil(limits.stuck_hours * 3600 / step), 8)
    if int(equal.sum()) < least - 1:
        return np.zeros(len(energy), dtype=bool)
    inside = _runs(equal, least - 1)
    outside = equal & ~inside
    share = (outside.sum() + 1) / max(known - inside.sum(), 1)
    if share >= 0.9 or inside.sum() > FLAT_SHARE * known:
        return np.zeros(len(energy), dtype=bool)  # a load that is flat as a rule
    needed = max(least, math.ceil(math.log(CHANCE / max(known, 1)) / math.log(share)))
    run = _runs(equal, needed - 1)
    first = np.r_[run[1:], False] & ~run  # the value that the run repeats
    return run | first


def base_load(energy: np.ndarray, step: int) -> float:
    """2 % quantile of the energies above zero on a meter that never goes near zero, else 0.

    Such a meter's quantile is above `BASE_SHARE` of the median, and falls below a tenth of it
    are rare: `FALLS_FEW` and one more for each `FALLS_DAYS`.
    """
    known = np.isfinite(energy)
    good = energy[known]
    positive = good[good > 0]
    if len(positive) < 48 or 2 * len(positive) < len(good):
        return 0.0
    ordered = np.partition(positive, (len(positive) // 50, len(positive) // 2))
    base, median = float(ordered[len(positive) // 50]), float(ordered[len(positive) // 2])
    if base <= BASE_SHARE * median:
        return 0.0
    low = good < 0.1 * base
    falls = int(low[0]) + int(np.count_nonzero(low[1:] & ~low[:-1]))
    return base if falls <= FALLS_FEW + len(good) * step / 86_400 / FALLS_DAYS else 0.0


@dataclass(frozen=True, slots=True)
class CleaningRule:
    """A rule's name, its function, and what it says when it takes intervals out."""

    name: str
    find: Callable[[np.ndarray, int, Limits], np.ndarray]
    words: str


CLEANING: tuple[CleaningRule, ...] = (
    CleaningRule("negative_value", negative_values, "{n} intervals have a use below zero."),
    CleaningRule(
        "catch_up",
        catch_up,
        "{n} values right after a gap hold the gap's energy as well; their split is not known.",
    ),
    CleaningRule(
        "spike",
        spikes,
        "{n} values are more than {limits.spike_factor:g} times the meter's own 99.5 % quantile.",
    ),
    CleaningRule(
        "zero_run",
        zeros_for_missing,
        "{n} intervals are zeros in runs of {limits.zero_hours:g} hours or more on a meter that "
        "never goes near zero: readings that are missing, or an outage.",
    ),
    CleaningRule(
        "outage",
        outages,
        "{n} intervals lie below {limits.outage_share:.0%} of the base load: an outage, which is "
        "no saving.",
    ),
    CleaningRule(
        "stuck_value",
        stuck_values,
        "{n} intervals repeat one value for {limits.stuck_hours:g} hours or more.",
    ),
)
"""In the order in which they are applied; an interval leaves under the first that names it."""


def clean(grid: Grid, rows: Rows, limits: Limits, *, signed: bool) -> None:
    """Apply all rules to a grid of energies in place; `signed` lets values below zero stand."""
    for rule in CLEANING:
        if signed and rule.name != "stuck_value":
            continue
        mask = rule.find(grid.values, grid.step, limits)
        if not mask.any():
            continue
        mask &= np.isfinite(grid.values)
        take_out(grid, rows, mask, rule.name, rule.words.format(n=int(mask.sum()), limits=limits))


def take_out(grid: Grid, rows: Rows, mask: np.ndarray, rule: str, message: str) -> None:
    """Exclude intervals of a grid under a rule, keeping count of rows and energy."""
    n = int(mask.sum())
    if not n:
        return
    energy = float(grid.values[mask].sum())
    first = int(np.flatnonzero(mask)[0])
    rows.findings.append(
        Finding(
            rule,
            f"{message} They were left out; the first begins "
            f"{np.datetime64(int(grid.starts[first]), 's')}Z.",
            file=rows.file,
            count=n,
            effect=f"{energy:.6g} {rows.unit} left out".replace("  ", " "),
        )
    )
    rows.excluded[rule] = rows.excluded.get(rule, 0) + int(grid.counts[mask].sum())
    rows.lost[rule] = rows.lost.get(rule, 0.0) + energy
    grid.values[mask] = np.nan
    grid.flags[mask] = EXCLUDED
    grid.counts[mask] = 0


def used_rows(grid: Grid) -> int:
    """Rows of the file that the intervals in use are made of."""
    return int(grid.counts[grid.flags <= ESTIMATED].sum())


def _runs(mask: np.ndarray, least: int) -> np.ndarray:
    """The members of runs of True at least `least` long."""
    if not mask.any():
        return mask.copy()
    edges = np.flatnonzero(np.diff(np.r_[False, mask, False].astype(np.int8)))
    begin, end = edges[::2], edges[1::2]
    long = end - begin >= least
    marks = np.zeros(len(mask) + 1, dtype=np.int64)
    np.add.at(marks, begin[long], 1)
    np.add.at(marks, end[long], -1)
    return np.cumsum(marks[:-1]) > 0
