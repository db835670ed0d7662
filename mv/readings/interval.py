"""How do rows of time and value become one regular series?

Rows are sorted, repeated times settled, times moved onto the grid of their step, and every
interval between the first and the last gets a place; intervals without a row stay missing.
Each row ends up used or under the name of a rule.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from mv.findings import Finding, ReadingsError, counted
from mv.portfolio.schema import Limits
from mv.readings import clock
from mv.readings.rows import Rows
from mv.readings.series import MISSING
from mv.wording import percent

DAY = 86_400
STEP_LEAST, STEP_MOST = 60, DAY
OFF_GRID_MOST = 0.2
"""Share of times off the grid above which a file has no grid (common practice, no source)."""
RUN_OF_STEP = 12
"""Equal distances in a row that make a step of its own in a file of mixed steps."""


@dataclass
class Grid:
    """A regular series: `starts` (m,) UTC seconds, `values` (m,) NaN where missing, `flags` (m,),
    `counts` (m,) rows of the file that each interval in use is made of, 0 of any other."""

    starts: np.ndarray
    values: np.ndarray
    flags: np.ndarray
    counts: np.ndarray
    step: int


def step_of(utc: np.ndarray, file: str) -> int:
    """Most frequent distance of sorted, distinct times, in seconds (ReadingsError if none)."""
    step = clock.even_step(utc)
    if step <= 0:
        gaps = np.diff(utc)
        lengths, counts = np.unique(gaps[gaps > 0], return_counts=True)
        step = int(lengths[np.argmax(counts)]) if len(lengths) else 0
    if not step:
        raise ReadingsError(
            Finding(
                "step_unclear",
                "the file holds fewer than two different times, so the length of an interval is "
                "not known.",
                file=file,
            )
        )
    if step in (DAY - 3600, DAY + 3600):
        step = DAY
    nearest = int(np.rint(step / 60)) * 60
    if abs(step - nearest) <= 5 and nearest:
        step = nearest
    if not STEP_LEAST <= step <= STEP_MOST or DAY % step:
        raise ReadingsError(
            Finding(
                "step_unclear",
                f"most times lie {duration_words(step)} apart; intervals must be between 1 "
                "minute and 1 day and fit into a day. If these are bills, enter data = bills.",
                file=file,
            )
        )
    return step


def sort_rows(rows: Rows) -> None:
    """Put rows in order of time, stable; tells when they weren't (newest first is an order)."""
    if clock.even_step(rows.seconds) > 0:
        return
    gaps = np.diff(rows.seconds)
    if (gaps >= 0).all():
        return
    if (gaps <= 0).all():
        rows.keep(np.arange(len(rows))[::-1])
        return
    back = int((gaps < 0).sum())
    first = int(np.flatnonzero(gaps < 0)[0]) + 1
    rows.findings.append(
        Finding(
            "rows_unordered",
            counted("times run backwards at {n} place[|s]; rows were sorted by time.", back),
            file=rows.file,
            line=int(rows.lines[first]),
            count=back,
        )
    )
    rows.keep(np.argsort(rows.seconds, kind="stable"))


def to_grid(rows: Rows, step: int, zone: str, limits: Limits) -> Grid:
    """Place sorted rows on the grid of their step.

    Steps up to an hour are regular in UTC; longer ones follow the local clock of `zone`, so that
    a daily interval lasts 23 or 25 hours on switching days.  Raises ReadingsError when too many
    times lie off the grid.
    """
    if step <= 3600 and clock.even_step(rows.seconds) == step:
        whole = np.ones(len(rows), dtype=np.int64)
        return Grid(rows.seconds, rows.values.copy(), rows.flags, whole, step)
    if step <= 3600:
        phase = _phase(rows.seconds, step)
        place = np.rint((rows.seconds - phase) / step).astype(np.int64)
        drift = rows.seconds - phase - place * step
        first, last = int(place.min()), int(place.max())
        starts = phase + np.arange(first, last + 1, dtype=np.int64) * step
    else:
        local = clock.offsets_of(zone, int(rows.seconds[0]), int(rows.seconds[-1])).local(
            rows.seconds
        )
        phase = _phase(local, step)
        place = np.rint((local - phase) / step).astype(np.int64)
        first, last = int(place.min()), int(place.max())
        grid = phase + np.arange(first, last + 1, dtype=np.int64) * step
        starts = clock.to_utc(grid, zone).utc
        drift = rows.seconds - starts[place - first]
    off = np.abs(drift) > limits.snap_seconds
    if off.sum() > OFF_GRID_MOST * len(off):
        raise ReadingsError(
            Finding(
                "step_unclear",
                f"{int(off.sum())} of {len(off)} times lie off the {duration_words(step)} grid of "
                "the file by more than may be mended; the times follow no regular step.",
                file=rows.file,
                line=int(rows.lines[np.flatnonzero(off)[0]]),
                count=int(off.sum()),
            )
        )
    if off.any():
        place = place[~off]
        rows.leave(
            off,
            "off_grid",
            f"{{n}} row[|s] lie[s|] more than {limits.snap_seconds:g} s off the "
            f"{duration_words(step)} grid of the file and [was|were] left out.",
        )
        drift = drift[~off]
    moved = int((drift != 0).sum())
    if moved:
        i = int(np.flatnonzero(drift)[0])
        rows.findings.append(
            Finding(
                "stamps_snapped",
                counted(
                    f"{{n}} [time was|times were up to] {int(np.abs(drift).max())} s off the "
                    f"{duration_words(step)} grid and [was|were] moved onto it.",
                    moved,
                ),
                file=rows.file,
                line=int(rows.lines[i]),
                count=moved,
            )
        )
    place = settle_repeats(rows, place - first, limits)
    values = np.full(len(starts), np.nan)
    flags = np.full(len(starts), MISSING, dtype=np.int8)
    counts = np.zeros(len(starts), dtype=np.int64)
    values[place] = rows.values
    flags[place] = rows.flags
    counts[place] = 1
    return Grid(starts, values, flags, counts, step)


def mixed_steps(seconds: np.ndarray) -> tuple[int, ...]:
    """The steps that rule long stretches of sorted, distinct times, ascending; one as a rule."""
    if len(seconds) <= 2 * RUN_OF_STEP or clock.even_step(seconds):
        return ()
    gaps = np.diff(seconds)
    begin = np.flatnonzero(np.r_[True, gaps[1:] != gaps[:-1]])
    runs = np.diff(np.r_[begin, len(gaps)])
    lengths = {int(g) for g in gaps[begin[runs >= RUN_OF_STEP]]}
    return tuple(sorted(g for g in lengths if STEP_LEAST <= g < DAY and DAY % g == 0))


def durations(seconds: np.ndarray, steps: tuple[int, ...], ends: bool) -> np.ndarray:
    """Seconds that each row of a file of mixed steps stands for.

    A row lasts until the next (from the one before, where stamps mark ends) when that distance
    is a step of the file which a neighbour confirms, else as long as the row beside it.
    """
    if ends:
        return durations(-seconds[::-1], steps, False)[::-1]
    gap = np.r_[np.diff(seconds), 0]
    sure = np.isin(gap, steps)
    sure &= (gap == np.r_[gap[1:], 0]) | (gap == np.r_[0, gap[:-1]])
    at = np.maximum.accumulate(np.where(sure, np.arange(len(gap)), 0))
    first = np.flatnonzero(sure)
    own = gap[at]
    if len(first):
        own[: first[0]] = gap[first[0]]
    return own


def join_to_coarsest(
    rows: Rows, lengths: np.ndarray, step: int, limits: Limits
) -> tuple[Rows, np.ndarray]:
    """Add rows of finer steps up into intervals of `step`; values must be energies.

    Returns rows of one step and how many rows of the file each is made of.  Intervals that the
    finer rows do not fill leave as `step_incomplete`.  Raises ReadingsError when none is filled.
    """
    phase = _phase(rows.seconds[lengths == step], step)
    place = (rows.seconds - phase) // step
    first = np.flatnonzero(np.r_[True, place[1:] != place[:-1]])
    filled = np.add.reduceat(lengths, first)
    counts = np.diff(np.r_[first, len(place)])
    whole = np.repeat(filled == step, counts)
    rows.leave(
        ~whole,
        "step_incomplete",
        f"{{n}} row[|s] of a finer step do[es|] not fill [its|their] "
        f"{duration_words(step)} and [was|were] left out.",
    )
    place = place[whole]
    first = np.flatnonzero(np.r_[True, place[1:] != place[:-1]]) if len(place) else first[:0]
    if not len(first):
        raise ReadingsError(Finding("step_unclear", "no interval is filled.", file=rows.file))
    counts = np.diff(np.r_[first, len(place)])
    rows.tell(
        "steps_mixed",
        f"the file changes its step; all readings were added up to {duration_words(step)}.",
        count=int((counts > 1).sum()),
    )
    values = np.add.reduceat(rows.values, first)
    flags = np.maximum.reduceat(rows.flags, first)
    rows.seconds = place[first] * step + phase
    rows.values, rows.flags, rows.lines = values, flags, rows.lines[first]
    return rows, counts


def settle_repeats(rows: Rows, place: np.ndarray, limits: Limits) -> np.ndarray:
    """Let each place keep one row at most: equal repeats once, contradicting ones not at all.

    Returns the places of the rows that stay.  Raises ReadingsError when more rows than
    `limits.duplicate_share` contradict each other.
    """
    same = np.r_[False, place[1:] == place[:-1]]
    if not same.any():
        return place
    group = np.cumsum(~same) - 1
    first = np.flatnonzero(~same)
    lowest = np.minimum.reduceat(rows.values, first)
    highest = np.maximum.reduceat(rows.values, first)
    contradict = (highest - lowest > 1e-9 * np.maximum(np.abs(highest), 1e-12))[group]
    # A measured value outranks an estimate of the same interval.
    best = np.minimum.reduceat(rows.flags, first)[group]
    ranked = rows.flags == best
    alone = np.bincount(group, weights=ranked)[group] == 1
    settled = contradict & alone
    unequal = contradict & ~alone
    superseded = settled & ~ranked
    equal = same & ~contradict
    if unequal.sum() > limits.duplicate_share * len(place):
        i = int(np.flatnonzero(unequal)[0])
        raise ReadingsError(
            Finding(
                "duplicates_contradict",
                f"{int(unequal.sum())} of {len(place)} rows give different values for the same "
                f"time (more than {percent(limits.duplicate_share)}). If the file holds several "
                "meters, name the column that tells them apart (meter_column).",
                file=rows.file,
                line=int(rows.lines[i]),
                count=int(unequal.sum()),
            )
        )
    out = unequal | superseded | equal
    place = place[~out]
    rest_equal, rest_superseded = equal[~unequal], superseded[~unequal]
    rows.leave(
        unequal,
        "duplicate_unequal",
        "{n} row[|s] repeat[s|] a time with different values; none of them was used.",
    )
    rows.leave(
        rest_superseded,
        "duplicate_superseded",
        "{n} estimated row[|s] [is|are] followed or preceded by a measured one of the same time, "
        "which counts instead.",
    )
    rows.leave(
        rest_equal[~rest_superseded],
        "duplicate_equal",
        "{n} row[|s] repeat[s|] a time with the same value; each counts once.",
    )
    return place


def _phase(seconds: np.ndarray, step: int) -> int:
    """Most frequent remainder of times by the step."""
    phases = seconds % step
    if (phases == phases[0]).all():
        return int(phases[0])
    remainders, counts = np.unique(phases, return_counts=True)
    return int(remainders[np.argmax(counts)])


def duration_words(seconds: int) -> str:
    """`15 minutes`, `1 hour`, `1 day` of seconds."""
    for length, word in ((DAY, "day"), (3600, "hour"), (60, "minute")):
        if seconds >= length and seconds % length == 0:
            return f"{seconds // length} {word}{'s' if seconds != length else ''}"
    return f"{seconds} seconds"
