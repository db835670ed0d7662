"""Which intervals can't be what the meter's load was, and go out under a rule?

Each rule is one small function: energies on the regular grid in, a mask of intervals out.  An
interval that a rule names is excluded, never replaced.  Thresholds are the portfolio's
`[limits]`.  Rules look at the meter's own distribution; none knows of retrofits or weather.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from functools import cached_property

import numpy as np

from mv.findings import Finding, counted
from mv.portfolio.schema import Limits
from mv.readings.interval import Grid
from mv.readings.rows import Rows
from mv.readings.series import EXCLUDED
from mv.wording import percent

DAY = 86_400
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
CONSTANT_DAYS = 30
"""Days of one value, not zero, that are told though they stay in (common practice, no source)."""
CATCH_UP = (0.5, 2.0)
"""A value after a gap that lies within these multiples of (gap + 1) typical intervals makes up for
the gap."""
NEGATIVE_TOLERANCE = 1e-9


class Load:
    """A meter's energies on the regular grid, with their distribution worked out once."""

    def __init__(self, energy: np.ndarray, step: int) -> None:
        self.energy = energy
        self.step = step
        self.none = np.zeros(len(energy), dtype=bool)
        finite = np.isfinite(energy)
        present = energy if finite.all() else energy[finite]
        self.known = len(present)
        """How many intervals have an energy."""
        self.positive = int(np.count_nonzero(present > 0))
        """How many of them are above zero."""
        self._present = present
        if self.known:
            self.least, self.most = float(present.min()), float(present.max())

    def _at(self, place: int) -> float:
        """The energy at a place of their order, from 0."""
        return float(np.partition(self._present, place)[place])

    def _above_zero(self, part: int) -> float:
        """The energy that one in `part` of those above zero does not reach."""
        below = self.known - self.positive
        return self._at(min(below + self.positive // part, self.known - 1))

    @cached_property
    def high(self) -> float:
        """99.5 % quantile."""
        return self._at(round(0.995 * (self.known - 1)))

    @cached_property
    def usual(self) -> float:
        """Median of the energies above zero."""
        return self._above_zero(2)

    @cached_property
    def low(self) -> float:
        """2 % quantile of the energies above zero."""
        return self._above_zero(50)

    @cached_property
    def repeats(self) -> np.ndarray:
        """Which energies, not zero, are those of the interval before, shape (intervals,)."""
        repeats = self.none.copy()
        repeats[1:] = (self.energy[1:] == self.energy[:-1]) & (self.energy[1:] != 0)
        return repeats

    @cached_property
    def base(self) -> float:
        """2 % quantile of the energies above zero on a meter that never goes near zero, else 0.

        Such a meter's quantile is above `BASE_SHARE` of the median, and falls below a tenth of
        it are rare: `FALLS_FEW` and one more for each `FALLS_DAYS`.
        """
        if self.positive < 48 or 2 * self.positive < self.known:
            return 0.0
        if self.low <= BASE_SHARE * self.usual:
            return 0.0
        if self.least >= 0.1 * self.low:
            return self.low
        low = self.energy[np.isfinite(self.energy)] < 0.1 * self.low
        falls = int(low[0]) + int(np.count_nonzero(low[1:] & ~low[:-1]))
        usual = FALLS_FEW + self.known * self.step / DAY / FALLS_DAYS
        return self.low if falls <= usual else 0.0


def negative_values(load: Load, limits: Limits) -> np.ndarray:
    """Energies below zero, where no generation is declared."""
    return load.none if load.least >= 0 else load.energy < -NEGATIVE_TOLERANCE


def catch_up(load: Load, limits: Limits) -> np.ndarray:
    """A single value right after a gap that holds the gap's energy as well: far above everything
    usual and about as large as the gap would have been."""
    energy = load.energy
    if load.known == len(energy) or not load.positive:
        return load.none
    missing = np.isnan(energy)
    after = np.flatnonzero(missing[:-1] & ~missing[1:]) + 1
    begin = np.flatnonzero(np.diff(np.r_[False, missing].astype(np.int8)) == 1)[: len(after)]
    length = after - begin
    expected = (length + 1) * load.usual
    value = energy[after]
    hit = (value > 1.5 * load.high) & (value >= CATCH_UP[0] * expected) & (length >= 2)
    hit &= value <= CATCH_UP[1] * expected
    mask = load.none.copy()
    mask[after[hit]] = True
    return mask


def spikes(load: Load, limits: Limits) -> np.ndarray:
    """Values above `spike_factor` times the meter's own 99.5 % quantile."""
    if load.known < 200:  # the quantile would be one of the few highest values itself
        return load.none
    if 2 * load.positive > load.known and load.most <= limits.spike_factor * load.usual:
        return load.none  # the quantile is no lower than what is usual
    limit = limits.spike_factor * load.high
    return load.energy > limit if 0 < limit < load.most else load.none


def zeros_for_missing(load: Load, limits: Limits) -> np.ndarray:
    """Runs of zeros of at least `zero_hours` on a meter that never goes near zero otherwise."""
    if load.least > 0 or not load.base:
        return load.none
    return _runs(load.energy == 0, max(math.ceil(limits.zero_hours * 3600 / load.step), 1))


def outages(load: Load, limits: Limits) -> np.ndarray:
    """Falls below `outage_share` of the base load, on a meter that never goes near zero
    otherwise: the supply was off, which saves nothing."""
    if load.least >= limits.outage_share * load.usual:
        return load.none  # the base load is no higher than what is usual
    limit = limits.outage_share * load.base
    return load.energy < limit if load.least < limit else load.none


def stuck_values(load: Load, limits: Limits) -> np.ndarray:
    """Runs of one identical value, not zero, of at least `stuck_hours` that chance does not
    explain on this meter."""
    equal = load.repeats
    least = max(math.ceil(limits.stuck_hours * 3600 / load.step), 8)
    if int(np.count_nonzero(equal)) < least - 1:
        return load.none
    inside = _runs(equal, least - 1)
    outside = equal & ~inside
    share = (outside.sum() + 1) / max(load.known - inside.sum(), 1)
    if share >= 0.9 or inside.sum() > FLAT_SHARE * load.known:
        return load.none  # a load that is flat as a rule
    needed = max(least, math.ceil(math.log(CHANCE / max(load.known, 1)) / math.log(share)))
    run = _runs(equal, needed - 1)
    first = np.r_[run[1:], False] & ~run  # the value that the run repeats
    return run | first


@dataclass(frozen=True, slots=True)
class CleaningRule:
    """A rule's name, its function, and what it says when it takes intervals out."""

    name: str
    find: Callable[[Load, Limits], np.ndarray]
    words: str


CLEANING: tuple[CleaningRule, ...] = (
    CleaningRule("negative_value", negative_values, "{n} interval[|s] ha[s|ve] a use below zero."),
    CleaningRule(
        "catch_up",
        catch_up,
        "{n} [value right after a gap holds the gap's energy as well; its|values right after a gap "
        "hold the gap's energy as well; their] split is not known.",
    ),
    CleaningRule(
        "spike",
        spikes,
        "{n} value[|s] [is|are] more than {limits.spike_factor:g} times the meter's own 99.5 % "
        "quantile.",
    ),
    CleaningRule(
        "zero_run",
        zeros_for_missing,
        "{n} interval[|s] [is|are] zero[|s] in runs of {limits.zero_hours:g} hours or more on a "
        "meter that never goes near zero: readings that are missing, or an outage.",
    ),
    CleaningRule(
        "outage",
        outages,
        "{n} interval[|s] lie[s|] below {outage_share} of the base load: an outage, "
        "which is no saving.",
    ),
    CleaningRule(
        "stuck_value",
        stuck_values,
        "{n} interval[|s] repeat[s|] one value for {limits.stuck_hours:g} hours or more.",
    ),
)
"""In the order in which they are applied; an interval leaves under the first that names it."""


def clean(grid: Grid, rows: Rows, limits: Limits, *, signed: bool) -> None:
    """Apply all rules to a grid of energies in place; `signed` lets values below zero stand."""
    load = Load(grid.values, grid.step)
    for rule in CLEANING:
        if not load.known or (signed and rule.name != "stuck_value"):
            continue
        mask = rule.find(load, limits)
        if mask is not load.none and mask.any() and (mask := mask & np.isfinite(grid.values)).any():
            words = rule.words.format(
                n="{n}", limits=limits, outage_share=percent(limits.outage_share)
            )
            take_out(grid, rows, mask, rule.name, words)
            load = Load(grid.values, grid.step)
    _tell_constant(grid, load, rows)


def _tell_constant(grid: Grid, load: Load, rows: Rows) -> None:
    """Tell the longest stretch of one value where it lasts for `CONSTANT_DAYS`.  On a meter that is
    flat as a rule no stretch is taken out, nor on one that hangs from its first row to its last."""
    values = grid.values
    least = CONSTANT_DAYS * DAY // grid.step
    if np.count_nonzero(load.repeats) < least - 1:
        return
    same = np.r_[load.repeats, False]
    edges = np.flatnonzero(same[1:] != same[:-1])
    lengths = edges[1::2] - edges[::2] + 1
    longest = int(np.argmax(lengths))
    first, length = int(edges[2 * longest]), int(lengths[longest])
    if length < least:
        return
    rows.tell(
        "value_constant",
        f"every interval is {values[first]:.6g} {rows.unit} for {length * grid.step // DAY} days "
        f"from {np.datetime64(int(grid.starts[first]), 'D')} on. They are used; is the load so "
        "flat, or did the meter hang? If it did, take these rows out of the file.",
        count=length,
    )


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
            counted(f"{message} [It was left out; it|They were left out; the first] begins ", n)
            + f"{np.datetime64(int(grid.starts[first]), 's')}Z.",
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
    return int(grid.counts.sum())


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
