"""How much was used between two readings of a counter that runs up?

Use = reading − reading before.  A counter that passes its last digit starts again at zero
(roll-over); one that was exchanged starts anywhere (reset), and the use of that interval is not
known.  Across missing readings the total is known and its split over the intervals is not.
"""

from __future__ import annotations

import numpy as np

from mv.findings import counted
from mv.readings.interval import Grid
from mv.readings.rows import Rows
from mv.readings.series import EXCLUDED, MISSING

RISING_SHARE = 0.999
"""Share of differences that don't fall in a file that is taken for a register."""
RISING_LEAST = 24
"""Readings below which a file is not taken for a register unless it is declared one."""
HEAD = 1_000
"""Readings that are looked at first: other meters than counters fall often."""
ROLL_OVER_HIGH, ROLL_OVER_LOW = 0.9, 0.1
"""A fall from above 90 % to below 10 % of a power of ten is a roll-over."""
PLAUSIBLE_FACTOR = 50
"""Multiple of the typical difference above which a difference after a fall is not believed."""


def looks_like_register(values: np.ndarray) -> bool:
    """Whether values in order of time run up like a counter: almost never falling, and far from
    zero against the size of their steps."""
    falls = np.count_nonzero(np.diff(values[:HEAD]) < 0)
    if falls > 1 + (1 - RISING_SHARE) * len(values):
        return False  # the rest can't make up for it
    values = values[np.isfinite(values)]
    if len(values) < RISING_LEAST:
        return False
    steps = np.diff(values)
    if (steps >= 0).mean() < RISING_SHARE or (steps > 0).mean() < 0.2:
        return False
    return bool(np.median(values) > 10 * max(np.mean(np.abs(steps)), 1e-300))


def difference(grid: Grid, rows: Rows) -> Grid:
    """Use between readings, at the start of each interval; tells roll-overs, resets, gaps.

    The first reading, readings after a gap and after a reset give no interval of their own and
    are counted under `register_start`, `register_gap` and `register_reset`.
    """
    at = np.flatnonzero(np.isfinite(grid.values))
    readings = grid.values[at]
    use = np.diff(readings)
    whole = np.diff(at) == 1
    rising = use[(use > 0) & whole]
    typical = float(np.median(rising)) if len(rising) else 0.0
    falls = np.flatnonzero(use < 0)
    reset = np.zeros(len(use), dtype=bool)
    rolled = 0
    for i in falls:
        modulus = 10.0 ** np.ceil(np.log10(max(readings[i], 1.0)))
        mended = use[i] + modulus
        near = readings[i] > ROLL_OVER_HIGH * modulus and readings[i + 1] < ROLL_OVER_LOW * modulus
        steps = at[i + 1] - at[i]
        if near and mended <= PLAUSIBLE_FACTOR * typical * steps:
            use[i] = mended
            rolled += 1
        else:
            reset[i] = True
            use[i] = 0.0
    if rolled:
        rows.tell(
            "register_rolled_over",
            f"the register passed its last digit {rolled} times and went on from zero; the "
            "differences were completed.",
            count=rolled,
        )
    starts = at[:-1]
    gap = ~whole & ~reset
    values = np.full(len(grid.values), np.nan)
    flags = np.full(len(grid.values), MISSING, dtype=np.int8)
    good = whole & ~reset
    values[starts[good]] = use[good]
    flags[starts[good]] = np.maximum(grid.flags[at[:-1]], grid.flags[at[1:]])[good]
    flags[starts[reset]] = EXCLUDED
    counts = np.zeros(len(grid.values), dtype=np.int64)
    counts[starts[good]] = 1
    rows.excluded["register_start"] = 1
    rows.tell(
        "register_start",
        f"values run up like a counter; use is the difference of two readings ({len(use)} of "
        "them), so the first reading gives no use of its own. If the values are use, enter "
        "register_values = false for this meter.",
        count=1,
    )
    for mask, rule, words in (
        (
            gap,
            "register_gap",
            "after {n} gap[|s] the register tells the total over the gap and not its split; [that "
            "interval stays|those intervals stay] missing.",
        ),
        (
            reset,
            "register_reset",
            "the register falls at {n} place[|s] and is no roll-over (exchanged or reset?); use "
            "over th[at|ose] interval[|s] is not known.",
        ),
    ):
        n = int(mask.sum())
        if n:
            rows.excluded[rule] = n
            rows.lost[rule] = float(use[mask].sum())
            rows.tell(rule, counted(words, n), count=n)
    keep = slice(0, len(grid.values) - 1)
    return Grid(grid.starts[keep], values[keep], flags[keep], counts[keep], grid.step)
