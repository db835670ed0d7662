"""Does a table have a row a day and a column for each interval of it, and what does it read?

Columns are headed by clock times (00:00, 00:15 ... or 00:15 ... 24:00) or by numbers (1 to 24,
48, 96; H1, HE01).  On switching days a table may leave the missing hour empty, give the repeated
hour a column of its own, or count the intervals as they passed; each is recognised by which
cells of the day are filled.
"""

from __future__ import annotations

import re
from dataclasses import dataclass

import numpy as np

from mv.readings import clock, dates, shape
from mv.readings.number_text import to_numbers
from mv.readings.table import Table

COUNTS = (24, 48, 96, 144, 288)
"""Intervals a day that a wide table may have."""
_CLOCK = re.compile(r"(\d{1,2})[:.h](\d{2})")
_NUMBER = re.compile(r"(\d{1,3})(?!.*\d)")


@dataclass(frozen=True)
class Layout:
    """A wide table's columns.

    `date`: column of the day; `values`: columns of the intervals in order; `labels`: seconds of
    the day that each is headed by (−1 for a column of the repeated hour, filled once a year);
    `ends`: whether heads name ends of intervals.
    """

    date: int
    values: tuple[int, ...]
    labels: np.ndarray
    step: int
    ends: bool
    why: str


@dataclass(frozen=True)
class Melted:
    """Cells of a wide table as rows, in order of day and column, times on the file's clock."""

    seconds: np.ndarray
    values: np.ndarray
    lines: np.ndarray
    untimed: np.ndarray
    unreadable: np.ndarray
    empty: np.ndarray


def layout(table: Table) -> Layout | None:
    """The layout of a wide table; None for any other shape."""
    if len(table.names) <= COUNTS[0]:
        return None
    heads = [_head(n) for n in table.names]
    kinds = shape.column_kinds(table)
    date = next((i for i, k in enumerate(kinds) if k == "time" and heads[i] is None), None)
    if date is None or not shape.days_only(table, date):
        return None
    columns = [i for i, h in enumerate(heads) if h is not None and kinds[i] in ("number", "empty")]
    clocks = sum(heads[i][0] == "clock" for i in columns)
    columns = [i for i in columns if (heads[i][0] == "clock") == (2 * clocks >= len(columns))]
    count = next((c for c in reversed(COUNTS) if c <= len(columns) <= c + c // 24), None)
    if count is None:
        return None
    step = dates.DAY // count
    numbers = [heads[i][1] for i in columns]
    if 2 * clocks >= len(columns):
        ends = numbers[0] == step
        labels = [dates.DAY if ends and n == 0 else n for n in numbers]
    else:
        ends = False
        labels = [(n - (numbers[0] != 0)) * step for n in numbers]
    seen: set[int] = set()
    for k, label in enumerate(labels):
        if label in seen or label >= dates.DAY + (step if ends else 0):
            labels[k] = -1
        seen.add(label)
    if sum(label >= 0 for label in labels) != count:
        return None
    why = f"the columns run from {table.names[columns[0]]!r} to {table.names[columns[-1]]!r}"
    return Layout(date, tuple(columns), np.array(labels, np.int64), step, ends, why)


def melt(table: Table, form: Layout, day_first: bool | None, zone: str) -> Melted:
    """Cells as rows; `zone` tells which days have 23 or 25 hours.

    Empty cells are rows without a value, but for the hour that spring skips and for columns of
    the repeated hour on other days.  Where the cells of a switching day are filled from the left
    without a hole, or the repeated hour's columns are filled, they count the intervals as they
    passed.
    """
    days = dates.to_times(
        table.columns[form.date],
        file=table.file,
        name=table.names[form.date],
        day_first=day_first,
        lines=table.lines,
    )
    n, m = len(table), len(form.values)
    values = np.empty((n, m))
    empty = np.empty((n, m), dtype=bool)
    unreadable = np.empty((n, m), dtype=bool)
    for j, at in enumerate(form.values):
        values[:, j], empty[:, j], unreadable[:, j], _ = to_numbers(
            table.columns[at], table.separator
        )
    spare = form.labels < 0
    midnight = days.seconds // dates.DAY * dates.DAY
    first = clock.to_utc(midnight, zone).utc
    length = clock.to_utc(midnight + dates.DAY, zone).utc - first
    seconds = midnight[:, None] + np.where(spare, 0, form.labels)[None, :]
    keep = ~empty | ~spare[None, :]
    keep &= ~(empty.all(axis=1) & ~days.readable)[:, None]
    for i in np.flatnonzero(days.readable & (length != dates.DAY)):
        filled = np.flatnonzero(~empty[i])
        passed = length[i] // form.step
        from_left = len(filled) == passed and filled[-1] == passed - 1
        longer = length[i] > dates.DAY and (~empty[i] & spare).any()
        if longer or (length[i] < dates.DAY and from_left):
            instants = first[i] + (np.arange(len(filled)) + form.ends) * form.step
            offsets = clock.offsets_of(zone, int(instants[0]), int(instants[-1]))
            seconds[i, filled] = offsets.local(instants)
            keep[i] = ~empty[i]
        elif length[i] < dates.DAY:
            skipped = clock.to_utc(seconds[i] - form.ends * form.step, zone).in_gap
            keep[i, skipped] = ~empty[i, skipped]
    return Melted(
        seconds[keep],
        values[keep],
        np.repeat(table.lines, m).reshape(n, m)[keep],
        np.repeat(~days.readable, m).reshape(n, m)[keep],
        unreadable[keep],
        empty[keep],
    )


def _head(name: str) -> tuple[str, int] | None:
    match = _CLOCK.search(name)
    if match and int(match[1]) <= 25 and int(match[2]) < 60:
        return "clock", int(match[1]) * 3600 + int(match[2]) * 60
    match = _NUMBER.search(name)
    if match and len(name) <= 12 and int(match[1]) <= 300:
        return "number", int(match[1])
    return None
