"""Which rows of time and value does a table hold for one meter?

Long tables have a row an interval, wide ones a row a day; several meters share a file by a
column each or by a column that names them.  Here all become rows of one meter.  A row of `Rows`
is one reading: a line of a long table, a cell of a wide one.  Rows leave only under a rule.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
import pyarrow.compute as pc

from mv.findings import Finding, ReadingsError, counted
from mv.portfolio.schema import Meter
from mv.readings import dates, flags, shape, wide
from mv.readings.number_text import to_numbers
from mv.readings.series import ESTIMATED
from mv.readings.table import Table, meter_column_of

UNREADABLE_SHARE = 0.05
"""Share of rows with an unreadable time or value above which a file is refused (common
practice, no source)."""
UNREADABLE_FEW = 5
"""Unreadable rows that never refuse a file: totals, remarks, repeated headers."""


@dataclass
class Rows:
    """Readings of one meter on their way to a grid.

    `seconds` (n,) on the clock of the file, later UTC starts; `values` (n,) in the file's unit;
    `flags` (n,) MEASURED or ESTIMATED; `lines` (n,) where each stands.  `read` is how many the
    file held; `excluded` and `lost` give rows and values that left, by rule.
    """

    file: str
    seconds: np.ndarray
    values: np.ndarray
    flags: np.ndarray
    lines: np.ndarray
    read: int
    zoned: bool = False
    """Whether `seconds` are UTC already."""
    excluded: dict[str, int] = field(default_factory=dict)
    lost: dict[str, float] = field(default_factory=dict)
    findings: list[Finding] = field(default_factory=list)
    ends: bool | None = None
    """True or False where the table itself shows that a time is the end of its interval or is
    not; None where it doesn't."""
    why: str = ""
    """How the table shows it."""
    unit: str = ""
    """Unit of the values once they are energies, for what findings say of their effect."""
    says_utc: bool = False
    """Whether the header of the times says UTC."""

    def __len__(self) -> int:
        return len(self.seconds)

    def leave(self, mask: np.ndarray, rule: str, message: str) -> None:
        """Take the rows of `mask` out under `rule`; `message` as `counted` takes it."""
        n = int(np.count_nonzero(mask))
        if not n:
            return
        first = int(np.flatnonzero(mask)[0])
        self.tell(rule, counted(message, n), line=int(self.lines[first]), count=n)
        self.excluded[rule] = self.excluded.get(rule, 0) + n
        self.lost[rule] = self.lost.get(rule, 0.0) + float(np.nansum(self.values[mask]))
        self.keep(~mask)

    def tell(self, rule: str, message: str, **place) -> None:
        """Add a finding on this file."""
        self.findings.append(Finding(rule, message, file=self.file, **place))

    def keep(self, which: np.ndarray) -> None:
        """Keep or reorder rows by a mask or an index."""
        self.seconds, self.values = self.seconds[which], self.values[which]
        self.flags, self.lines = self.flags[which], self.lines[which]


def meter_rows(table: Table, meter: Meter, zone: str) -> Rows:
    """The rows of one meter; `zone` is the clock of the file.

    Raises ReadingsError when columns, dates or too many cells are unclear.
    """
    table = only_meter(table, meter)
    named = meter.value_column is not None or meter.meter in table.names
    layout = None if named else wide.layout(table)
    if layout is not None:
        rows = _wide_rows(table, layout, meter, zone)
    else:
        roles = shape.interval_roles(
            table,
            time=meter.time_column,
            value=meter.value_column,
            flag=meter.flag_column,
            unit=meter.unit,
            key=meter.meter,
        )
        rows = long_rows(table, roles, meter.day_first)
    if not len(rows):
        raise ReadingsError(
            Finding("file_empty", "no row of the file has both a time and a value.")
        )
    return rows


def only_meter(table: Table, meter: Meter) -> Table:
    """The rows that a meter column gives to this meter; the table itself where there is none.

    Raises ReadingsError when the column or the meter is not in the table.
    """
    name = meter_column_of(table.names, meter.meter_column)
    if name is None:
        if meter.meter_column:
            raise shape.unclear(table, f"there is no column {meter.meter_column!r}", "meter_column")
        return table
    at = table.names.index(name)
    column = shape.as_text(table.columns[at])
    known = pc.unique(column)
    mine = pc.equal(pc.utf8_trim_whitespace(column), meter.meter)
    count = int(pc.sum(mine).as_py() or 0)
    if not count:
        if len(known) == 1 and meter.meter_column is None:
            return _without(table, at)
        listed = ", ".join(repr(k) for k in known.to_pylist()[:8])
        raise ReadingsError(
            Finding(
                "meter_absent",
                f"no row is of meter {meter.meter!r}; column {name!r} names {listed}"
                f"{' ...' if len(known) > 8 else ''}. Enter the meter under one of these keys.",
                file=table.file,
                column=name,
            )
        )
    if count == len(table):
        return _without(table, at)
    mask = pc.fill_null(mine, False)
    return _without(
        Table(
            table.file,
            table.names,
            [c.filter(mask) for c in table.columns],
            table.lines[mask.to_numpy(zero_copy_only=False)],
            malformed=0,
            separator=table.separator,
            headed=table.headed,
            preamble=table.preamble,
            declared=table.declared,
        ),
        at,
    )


def long_rows(table: Table, roles: shape.Roles, day_first: bool | None) -> Rows:
    """Rows of a table with a line an interval, unreadable ones left out under their rules."""
    times = column_times(table, roles, day_first)
    values, empty, unreadable, _ = to_numbers(table.columns[roles.value], table.separator)
    untimed = ~times.readable
    blank = blank_rows(table) if untimed.any() else np.zeros(len(table), dtype=bool)
    marks = np.zeros(len(table), dtype=np.int8)
    invalid = None
    if roles.flag is not None:
        flag_column = shape.as_text(table.columns[roles.flag])
        marks[flags.is_estimated(flag_column)] = ESTIMATED
        invalid = flags.is_invalid(flag_column)
    read = len(table) - int(np.count_nonzero(blank)) + table.malformed
    rows = Rows(table.file, times.seconds, values, marks, table.lines, read, times.zoned)
    rows.findings.extend(table.findings)
    if table.malformed:
        rows.excluded["row_malformed"] = table.malformed
    if blank.any():
        kept = ~blank
        rows.keep(kept)
        untimed, unreadable, empty = untimed[kept], unreadable[kept], empty[kept]
        invalid = invalid[kept] if invalid is not None else None
    leave_unreadable(rows, untimed, unreadable, empty, invalid)
    if times.midnights:
        rows.tell(
            "hour_24",
            counted(
                "{n} time[|s] [is|are] written 24:00 and [was|were] read as 00:00 of the next day.",
                times.midnights,
            ),
            count=times.midnights,
        )
    rows.ends, rows.why = _stamp_of_columns(table, roles, times)
    rows.says_utc = roles.utc
    return rows


def column_times(table: Table, roles: shape.Roles, day_first: bool | None) -> dates.Times:
    """Times of each row, date and clock joined where they stand in two columns."""
    at = roles.time if roles.time is not None else roles.date
    times = dates.to_times(
        table.columns[at],
        file=table.file,
        name=table.names[at],
        day_first=day_first,
        lines=table.lines,
    )
    if roles.clock is None:
        return times
    clocks, good = dates.seconds_of_day(table.columns[roles.clock])
    return dates.Times(
        times.seconds // dates.DAY * dates.DAY + clocks,
        times.readable & good,
        times.zoned,
        f"{times.form} and clock",
        int((clocks == dates.DAY).sum()),
    )


def blank_rows(table: Table) -> np.ndarray:
    """Which rows have no text in any column; shape (rows,), bool."""
    blank = np.ones(len(table), dtype=bool)
    for column in table.columns:
        if shape.is_text(column):
            nothing = pc.fill_null(pc.equal(column, ""), True)
        else:
            nothing = column.is_null()
        blank &= nothing.to_numpy(zero_copy_only=False)
        if not blank.any():
            break
    return blank


def leave_unreadable(
    rows: Rows,
    untimed: np.ndarray,
    unreadable: np.ndarray,
    empty: np.ndarray,
    invalid: np.ndarray | None = None,
) -> None:
    """Let rows without a usable time or value leave; too many of them refuse the file
    (ReadingsError)."""
    n = len(rows)
    for mask, rule, what in (
        (untimed, "times_unreadable", "times"),
        (unreadable, "values_unreadable", "values"),
    ):
        bad = int(np.count_nonzero(mask))
        if bad == n or bad > max(UNREADABLE_SHARE * n, UNREADABLE_FEW):
            raise ReadingsError(
                Finding(
                    rule,
                    f"{bad} of {n} {what} can't be read. Name the right column in meters.csv, or "
                    "export the file again.",
                    line=int(rows.lines[np.flatnonzero(mask)[0]]),
                    count=bad,
                )
            )
    left = [
        (
            untimed,
            "time_unreadable",
            "{n} row[|s] ha[s|ve] a time that can't be read (totals, remarks?).",
        ),
        (unreadable, "value_unreadable", "{n} row[|s] ha[s|ve] a value that is not a number."),
        (
            empty,
            "value_empty",
            "{n} row[|s] ha[s|ve] a time and no value; nothing was put in its place.",
        ),
    ]
    if invalid is not None:
        left.append(
            (invalid, "flagged_invalid", "{n} row[|s] [is|are] flagged as not valid by the file.")
        )
    gone = np.zeros(n, dtype=bool)
    for mask, rule, message in left:
        if mask.any():
            rows.leave((mask & ~gone)[~gone], rule, message)
            gone |= mask


def _wide_rows(table: Table, layout: wide.Layout, meter: Meter, zone: str) -> Rows:
    melted = wide.melt(table, layout, meter.day_first, zone)
    rows = Rows(
        table.file,
        melted.seconds,
        melted.values,
        np.zeros(len(melted.seconds), dtype=np.int8),
        melted.lines,
        len(melted.seconds) + table.malformed,
    )
    rows.findings.extend(table.findings)
    if table.malformed:
        rows.excluded["row_malformed"] = table.malformed
    leave_unreadable(rows, melted.untimed, melted.unreadable, melted.empty)
    rows.ends, rows.why = layout.ends, layout.why
    return rows


def _stamp_of_columns(
    table: Table, roles: shape.Roles, times: dates.Times
) -> tuple[bool | None, str]:
    """Whether the table itself shows what a time marks."""
    declared = table.declared.get("stamp")
    if declared:
        return declared == "end", "the file says so"
    if roles.marks:
        at = roles.time if roles.time is not None else roles.clock
        return roles.marks == "end", f"its column is headed {table.names[at]!r}"
    if times.midnights:
        return True, "24:00 ends a day"
    return None, ""


def _without(table: Table, at: int) -> Table:
    """The table less its column `at`."""
    return Table(
        table.file,
        [n for i, n in enumerate(table.names) if i != at],
        [c for i, c in enumerate(table.columns) if i != at],
        table.lines,
        malformed=table.malformed,
        findings=table.findings,
        separator=table.separator,
        headed=table.headed,
        preamble=table.preamble,
        declared=table.declared,
    )
