"""Which periods did the bills cover, and what was used in each?

A bill runs from one read date to the next: the end day is the day of the read and starts the
next period, so ends are exclusive.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from mv.findings import Finding, ReadingsError
from mv.portfolio.schema import Limits, Meter
from mv.readings import dates, flags, shape
from mv.readings.number_text import to_numbers
from mv.readings.table import Table

DAY = 86_400


@dataclass
class Bills:
    """Bills in order, with what became of every row."""

    table: pd.DataFrame
    rows_read: int
    rows_used: int
    excluded: dict[str, int]
    findings: list[Finding]
    coverage: float


def read_bills(table: Table, meter: Meter, scale: float, limits: Limits) -> Bills:
    """Read a bill table; energies are the file's values × `scale`.

    Raises ReadingsError when columns or dates can't be told.
    """
    roles = shape.bill_roles(
        table, value=meter.value_column, flag=meter.flag_column, unit=meter.unit
    )
    ends = []
    for at in (roles.start, roles.end):
        ends.append(
            dates.to_times(
                table.columns[at],
                file=table.file,
                name=table.names[at],
                day_first=meter.day_first,
                lines=table.lines,
            )
        )
    start, end = (t.seconds // DAY for t in ends)
    values, empty, unreadable, _ = to_numbers(table.columns[roles.value])
    n = len(table)
    extra = {}
    for name, at in (("demand", roles.demand), ("cost", roles.cost)):
        extra[name] = to_numbers(table.columns[at])[0] if at is not None else np.full(n, np.nan)
    estimated = np.zeros(n, dtype=bool)
    if roles.flag is not None:
        estimated = flags.is_estimated(table.columns[roles.flag])

    findings = list(table.findings)
    excluded: dict[str, int] = {"row_malformed": table.malformed} if table.malformed else {}
    blank = empty & ~ends[0].readable & ~ends[1].readable
    alive = ~blank

    def leave(mask: np.ndarray, rule: str, message: str) -> None:
        nonlocal alive
        mask = mask & alive
        count = int(mask.sum())
        if count:
            excluded[rule] = excluded.get(rule, 0) + count
            line = int(table.lines[np.flatnonzero(mask)[0]])
            findings.append(
                Finding(rule, message.format(n=count), file=table.file, line=line, count=count)
            )
            alive = alive & ~mask

    leave(
        ~ends[0].readable | ~ends[1].readable,
        "time_unreadable",
        "{n} bills have a date that can't be read.",
    )
    leave(unreadable, "value_unreadable", "{n} bills have a use that is not a number.")
    leave(empty, "value_empty", "{n} bills have dates and no use.")
    leave(end <= start, "bill_dates_impossible", "{n} bills end on or before their first day.")
    order = np.argsort(start, kind="stable")
    order = order[alive[order]]
    overlap = np.zeros(n, dtype=bool)
    overlap[order[1:]] = start[order[1:]] < end[order[:-1]]
    leave(overlap, "bill_overlap", "{n} bills begin before the bill before them has ended.")
    order = order[alive[order]]
    if not len(order):
        raise ReadingsError(
            Finding("file_empty", "no row of the file is a bill with dates and use.")
        )
    frame = pd.DataFrame(
        {
            "start": _midnights(start[order]),
            "end": _midnights(end[order]),
            "energy": values[order] * scale,
            "flag": pd.Categorical.from_codes(
                estimated[order].astype(np.int8), categories=["measured", "estimated"]
            ),
            "demand": extra["demand"][order],
            "cost": extra["cost"][order],
        }
    )
    days = (end - start)[order].sum()
    return Bills(
        frame,
        int((~blank).sum()) + table.malformed,
        len(frame),
        excluded,
        findings,
        float(days / (end[order].max() - start[order].min())),
    )


def _midnights(days: np.ndarray) -> np.ndarray:
    return days.astype("datetime64[D]").astype("datetime64[ns]")
