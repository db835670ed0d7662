"""What did a meter read, as its file says it: regular, in canonical units, with nothing lost?

`read_meter` opens the meter's file, finds its shape, reads times and values, and returns one
table: intervals on a UTC grid or bills with their read dates.  Every row of the file is used,
excluded under a rule, or the file is refused; repairs are findings.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
import pandas as pd
import pyarrow.compute as pc

from mv import units
from mv.findings import Finding, ReadingsError
from mv.portfolio.schema import Limits, Meter, SiteDescription
from mv.readings import bills, clock, dates, flags, interval, shape
from mv.readings.number_text import to_numbers
from mv.readings.source import SourceFile, open_source
from mv.readings.table import Table, read_delimited

UNREADABLE_SHARE = 0.05
"""Share of rows with an unreadable time or value above which a file is refused (common
practice, no source)."""


@dataclass(frozen=True, kw_only=True)
class MeterReadings:
    """One meter's readings.

    `table`: intervals (index `start`, UTC; columns energy, flag) or bills (start, end, energy,
    flag, demand, cost), energy in `unit`.  `input`: file, digest, rows read, used and excluded
    by rule, coverage.  `energy`: the file's energy by where it went (`used` or a rule), in
    `unit`; its sum is the energy of the file.
    """

    meter: Meter
    kind: str
    table: pd.DataFrame
    unit: str
    step_seconds: int | None
    time_zone: str
    stamp: str
    input: dict
    findings: tuple[Finding, ...] = ()
    energy: dict[str, float] = field(default_factory=dict)


def read_meter(description: SiteDescription, meter: Meter) -> MeterReadings:
    """Read one meter (ReadingsError when its file can't be read right)."""
    source = open_source(description.folder, meter.file)
    return read_source(source, meter, description.site.time_zone, description.settings.limits)


def read_source(source: SourceFile, meter: Meter, site_zone: str, limits: Limits) -> MeterReadings:
    """Read one meter from bytes at hand; `site_zone` is the clock where the meter names none."""
    try:
        door = units.door(meter.carrier, meter.unit, meter.heat_content)
    except units.UnitError as error:
        raise ReadingsError(
            Finding(
                "unit_invalid",
                f"{error}.",
                file=meter.source.file,
                line=meter.source.line,
                column="unit",
            )
        ) from error
    zone = meter.time_zone or site_zone
    table = read_delimited(source.name, source.data)
    try:
        if meter.data == "bills":
            return _read_bills(source, table, meter, door, zone, limits)
        return _read_interval(source, table, meter, door, zone, limits)
    except ReadingsError as error:
        raise ReadingsError([f.at(file=source.name) for f in error.findings]) from error


def _read_interval(
    source: SourceFile, table: Table, meter: Meter, door: units.Door, zone: str, limits: Limits
) -> MeterReadings:
    roles = shape.interval_roles(
        table,
        time=meter.time_column,
        value=meter.value_column,
        flag=meter.flag_column,
        unit=meter.unit,
        key=meter.meter,
    )
    times = column_times(table, roles, meter.day_first)
    values, empty, unreadable, _ = to_numbers(table.columns[roles.value])
    blank = blank_rows(table)
    marks = np.zeros(len(table), dtype=np.int8)
    if roles.flag is not None:
        marks[flags.is_estimated(table.columns[roles.flag])] = interval.ESTIMATED
    rows = interval.Rows(table.file, times.seconds, values, marks, table.lines)
    rows.findings.extend(table.findings)
    if table.malformed:
        rows.excluded["row_malformed"] = table.malformed
    read = int((~blank).sum()) + table.malformed
    bad = (~times.readable, unreadable, empty)
    if blank.any():
        rows.keep(~blank)
        bad = tuple(b[~blank] for b in bad)
    _leave_unreadable(rows, *bad)
    if not len(rows):
        raise ReadingsError(
            Finding("file_empty", "no row of the file has both a time and a value.")
        )

    stamp = meter.stamp or "start"
    if meter.stamp is None:
        rows.findings.append(
            Finding(
                "stamp_assumed",
                "a time is taken as the start of its interval. If it marks the end, enter "
                "stamp = end for this meter; days and peaks then move by one interval.",
                file=table.file,
            )
        )
    if times.zoned:
        zone_of_file, rows.utc = "UTC", rows.utc
    else:
        zone_of_file = zone
        rows.utc = clock.to_utc(rows.utc, zone).utc
    interval.sort_rows(rows)
    step = interval.step_of(rows.utc, table.file)
    if stamp == "end":
        rows.utc = _interval_starts(rows.utc, step, zone)
    grid = interval.to_grid(rows, step, zone, limits)

    scale = door.factor * meter.multiplier
    if door.kind == "power":
        scale *= step / 3600
    energy = grid.values * scale
    missing = int((grid.flags == interval.MISSING).sum())
    if missing:
        rows.findings.append(
            Finding(
                "readings_missing",
                f"{missing} of {len(energy)} intervals have no reading and stay missing.",
                file=table.file,
                count=missing,
                effect=f"coverage {1 - missing / len(energy):.1%}",
            )
        )
    estimated = int((grid.flags == interval.ESTIMATED).sum())
    if estimated:
        rows.findings.append(
            Finding(
                "readings_estimated",
                f"{estimated} of {len(energy)} intervals are marked as estimated; they are used.",
                file=table.file,
                count=estimated,
            )
        )
    index = pd.DatetimeIndex(grid.starts.astype("datetime64[s]").astype("datetime64[ns]"))
    frame = pd.DataFrame(
        {
            "energy": energy,
            "flag": pd.Categorical.from_codes(grid.flags, categories=list(interval.FLAGS)),
        },
        index=index.tz_localize("UTC").rename("start"),
    )
    used = int((grid.flags <= interval.ESTIMATED).sum())
    return MeterReadings(
        meter=meter,
        kind="interval",
        table=frame,
        unit=door.canonical,
        step_seconds=step,
        time_zone=zone_of_file,
        stamp=stamp,
        input={
            "file": source.name,
            "sha256": source.sha256,
            "rows_read": read,
            "rows_used": used,
            "excluded": rows.excluded,
            "step": interval.duration_words(step),
            "time_basis": f"{zone_of_file}, stamps mark the {stamp}",
            "unit": meter.unit,
            "coverage": used / len(frame),
            "first": _iso(grid.starts[0]),
            "last": _iso(grid.starts[-1]),
        },
        findings=tuple(rows.findings),
    )


def _read_bills(
    source: SourceFile, table: Table, meter: Meter, door: units.Door, zone: str, limits: Limits
) -> MeterReadings:
    if door.kind == "power":
        raise ReadingsError(
            Finding(
                "unit_invalid",
                f"bills hold energy, but {meter.unit!r} measures power.",
                file=meter.source.file,
                line=meter.source.line,
                column="unit",
            )
        )
    read = bills.read_bills(table, meter, door.factor * meter.multiplier, limits)
    return MeterReadings(
        meter=meter,
        kind="bills",
        table=read.table,
        unit=door.canonical,
        step_seconds=None,
        time_zone=zone,
        stamp="end",
        input={
            "file": source.name,
            "sha256": source.sha256,
            "rows_read": read.rows_read,
            "rows_used": read.rows_used,
            "excluded": read.excluded,
            "step": "bills",
            "time_basis": f"{zone}, read dates",
            "unit": meter.unit,
            "coverage": read.coverage,
            "first": read.table["start"].iloc[0].date().isoformat(),
            "last": read.table["end"].iloc[-1].date().isoformat(),
        },
        findings=tuple(read.findings),
    )


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
        times.seconds + clocks,
        times.readable & good,
        times.zoned,
        f"{times.form} and clock",
        int((clocks == interval.DAY).sum()),
    )


def blank_rows(table: Table) -> np.ndarray:
    """Which rows have no text in any column; shape (rows,), bool."""
    blank = np.ones(len(table), dtype=bool)
    for column in table.columns:
        nothing = column.is_null().to_numpy(zero_copy_only=False)
        if not nothing.all() and not nothing.any():
            text = column.type in ("string", "large_string")
            nothing = pc.equal(column, "").to_numpy(zero_copy_only=False) if text else nothing
        blank &= nothing
        if not blank.any():
            return blank
    return blank


def _leave_unreadable(
    rows: interval.Rows, untimed: np.ndarray, unreadable: np.ndarray, empty: np.ndarray
) -> None:
    n = len(rows)
    for mask, rule, what in (
        (untimed, "times_unreadable", "times"),
        (unreadable, "values_unreadable", "values"),
    ):
        if mask.sum() > max(UNREADABLE_SHARE * n, 5):
            raise ReadingsError(
                Finding(
                    rule,
                    f"{int(mask.sum())} of {n} {what} can't be read. Name the right column in "
                    "meters.csv, or export the file again.",
                    line=int(rows.lines[np.flatnonzero(mask)[0]]),
                    count=int(mask.sum()),
                )
            )
    rows.leave(untimed, "time_unreadable", "{n} rows have a time that can't be read.")
    unreadable, empty = unreadable[~untimed], empty[~untimed]
    rows.leave(unreadable, "value_unreadable", "{n} rows have a value that is not a number.")
    rows.leave(
        empty[~unreadable], "value_empty", "{n} rows have a time and no value; nothing was put in."
    )


def _interval_starts(utc: np.ndarray, step: int, zone: str) -> np.ndarray:
    """Starts of intervals whose ends are given; steps over an hour follow the local clock."""
    if step <= 3600:
        return utc - step
    local = clock.offsets_of(zone, int(utc[0]), int(utc[-1])).local(utc)
    return clock.to_utc(local - step, zone).utc


def _iso(seconds: int) -> str:
    return str(np.datetime64(int(seconds), "s")) + "Z"
