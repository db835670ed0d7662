"""Does a file's clock follow summer time, or keep standard time all year?

On the day the clocks go forward a local file has 23 hours, in autumn 25.  A file with 24 on
every such day keeps a fixed clock, or had an hour put in.  The load decides: people get up by
the local clock, so in a file of fixed clock the day's shape moves by an hour across the change,
and in a local file it stays.  Where the load can't tell, standard time is assumed and asked for.
"""

from __future__ import annotations

import numpy as np

from mv.readings import clock
from mv.readings.interval import Grid
from mv.readings.rows import Rows
from mv.readings.table import Table

DAY = 86_400
HOUR = 3_600
WINDOW = 21 * DAY
"""How long before and after a change days are compared (common practice, no source)."""
DAYS_LEAST = 5
CLEAR = 0.5
"""The better reading's squared difference must be below this share of the other's."""


def settle_clock(rows: Rows, zone: str) -> str:
    """Turn the rows' local times into UTC in place; returns the clock the file keeps.

    Findings: `clock_standard`, `hour_nonexistent`, `autumn_hour_once`.
    """
    read = clock.to_utc(rows.seconds, zone)
    if not len(read.in_gap) and not read.single:
        rows.seconds = read.utc
        return zone
    if float(np.median(np.abs(np.diff(rows.seconds)))) > HOUR:  # days, not hours, are counted
        rows.seconds = read.utc
        return zone
    table = clock.offsets_of(zone, int(rows.seconds.min()), int(rows.seconds.max()))
    moved = ramp_test(rows.seconds, rows.values, table)
    fixed = int(table.offsets.min())
    every_day_24 = not read.repeated and (len(read.in_gap) > 0 or read.single > 0)
    if every_day_24 and (moved == "fixed" or (moved == "unclear" and len(read.in_gap))):
        name = clock.offset_name(fixed)
        how = (
            "and the load moves by an hour against the clock"
            if moved == "fixed"
            else "and the load does not tell otherwise; enter time_zone for this meter to be sure"
        )
        rows.tell(
            "clock_standard",
            f"the days on which {zone} changes its clock have 24 hours {how}: times were read "
            f"as standard time all year ({name}).",
            count=len(rows),
        )
        rows.seconds = rows.seconds - fixed
        return name
    if read.single:
        rows.tell(
            "autumn_hour_once",
            f"the hour that occurs twice in autumn stands in the file once ({read.single} "
            "times); the other pass stays missing.",
            count=read.single,
        )
    rows.seconds = read.utc
    if len(read.in_gap):
        mask = np.zeros(len(rows), dtype=bool)
        mask[read.in_gap] = True
        rows.leave(
            mask,
            "hour_nonexistent",
            f"{{n}} row[|s] lie[s|] in the hour that {zone} skips in spring and [was|were] left "
            "out.",
        )
    return zone


def local_as_utc(rows: Rows, zone: str) -> bool:
    """Whether epoch seconds are local clock times written as if they were UTC: stamps repeat,
    and all repeats lie in hours that the local clock of `zone` shows twice."""
    if clock.even_step(rows.seconds) > 0 or (np.diff(rows.seconds) > 0).all():
        return False
    ordered = np.sort(rows.seconds)
    repeats = ordered[1:][ordered[1:] == ordered[:-1]]
    if not len(repeats) or len(repeats) > 0.01 * len(ordered):
        return False
    table = clock.offsets_of(zone, int(ordered[0]), int(ordered[-1]))
    back = table.offsets[1:] < table.offsets[:-1]
    first = table.changes[back] + table.offsets[1:][back]
    last = table.changes[back] + table.offsets[:-1][back]
    inside = np.zeros(len(repeats), dtype=bool)
    for a, b in zip(first, last, strict=True):
        inside |= (repeats >= a) & (repeats < b)
    if not inside.all():
        return False
    rows.tell(
        "clock_local_epoch",
        f"times are written as UTC and repeat in the hours that {zone} shows twice: they are "
        "local clock times and were read so.",
        count=len(rows),
    )
    return True


def split_autumn_hour(grid: Grid, rows: Rows, zone: str) -> None:
    """Spread an autumn value that holds both passes of the hour that occurs twice.

    Only energies can hold both; the value must be about twice its neighbours'.
    """
    if grid.step > HOUR:
        return
    table = clock.offsets_of(zone, int(grid.starts[0]), int(grid.starts[-1]))
    per_hour = HOUR // grid.step
    for change, before, after in zip(
        table.changes, table.offsets[:-1], table.offsets[1:], strict=True
    ):
        at = int(change - grid.starts[0]) // grid.step
        if after - before != -HOUR or not 2 * per_hour <= at < len(grid.starts) - 2 * per_hour:
            continue
        first = slice(at - per_hour, at)
        second = slice(at, at + per_hour)
        beside = np.r_[
            grid.values[at - 2 * per_hour : at - per_hour],
            grid.values[at + per_hour : at + 2 * per_hour],
        ]
        value, other = grid.values[first], grid.values[second]
        if not (np.isnan(other).all() and np.isfinite(value).all() and np.isfinite(beside).all()):
            continue
        if not 1.6 <= value.mean() / max(beside.mean(), 1e-300) <= 2.5:
            continue
        grid.values[first] = grid.values[second] = value / 2
        grid.flags[second] = grid.flags[first]
        rows.findings = [f for f in rows.findings if f.rule != "autumn_hour_once"]
        rows.tell(
            "autumn_hour_split",
            f"the value of the hour that occurs twice on {np.datetime64(int(change), 'D')} is "
            "twice its neighbours' and was spread evenly over both passes.",
            count=per_hour,
        )


def compare_offset(table: Table, rows: Rows, zone: str) -> None:
    """Tell when the file's own offset from UTC is none that the site's clock ever has."""
    stated = table.declared.get("utc_offset")
    if stated is None:
        return
    known = clock.offsets_of(zone, int(rows.seconds.min()), int(rows.seconds.max())).offsets
    if int(stated) not in known:
        rows.tell(
            "clock_contradicted",
            f"the file states an offset of {clock.offset_name(int(stated))} and {zone} has "
            f"{' and '.join(sorted({clock.offset_name(int(o)) for o in known}))}. Check the "
            "time zone of the site.",
        )


def ramp_test(local: np.ndarray, values: np.ndarray, table: clock.Offsets) -> str:
    """`local`, `fixed` or `unclear`: which clock keeps the weekdays' shape across the changes."""
    stays = moves = 0.0
    bins = 96
    for change, before, after in zip(
        table.changes, table.offsets[:-1], table.offsets[1:], strict=True
    ):
        middle = change + min(before, after)
        left = _shape(local, values, middle - WINDOW, middle - DAY, bins)
        right = _shape(local, values, middle + DAY, middle + WINDOW, bins)
        if left is None or right is None:
            continue
        shift = round((after - before) / (DAY / bins))
        stays += float(((right - left) ** 2).sum())
        moves += float(((right - np.roll(left, -shift)) ** 2).sum())
    if moves < CLEAR * stays:
        return "fixed"
    if stays < CLEAR * moves:
        return "local"
    return "unclear"


def _shape(local, values, first: int, last: int, bins: int) -> np.ndarray | None:
    """Mean weekday shape by time of day, centred and scaled; None for too few days."""
    inside = (local >= first) & (local < last) & np.isfinite(values)
    times, loads = local[inside], values[inside]
    weekday = (times // DAY + 3) % 7 < 5
    times, loads = times[weekday], loads[weekday]
    if len(np.unique(times // DAY)) < DAYS_LEAST:
        return None
    place = (times % DAY) * bins // DAY
    counts = np.bincount(place, minlength=bins)
    filled = counts > 0
    if filled.sum() < 12:
        return None
    means = np.bincount(place, weights=loads, minlength=bins)[filled] / counts[filled]
    at = np.arange(bins)
    step = bins / filled.sum()
    # Coarse steps hold their value until the next, so that a shift by an hour shifts them.
    held = means[np.searchsorted(at[filled], at, side="right") - 1] if step > 1 else means
    spread = held.std()
    return (held - held.mean()) / spread if spread > 1e-12 else None
