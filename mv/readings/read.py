"""What did a meter read, as its file says it: regular, in canonical units, with nothing lost?

`read_meter` opens the meter's file, finds its shape, reads times and values, and returns one
table: intervals on a UTC grid or bills with their read dates.  Every row of the file is used,
excluded under a rule, or the file is refused; repairs are findings.
"""

from __future__ import annotations

from contextlib import contextmanager
from dataclasses import dataclass, field
from functools import cached_property

import numpy as np
import pandas as pd

from mv import units
from mv.findings import Finding, ReadingsError, counted
from mv.portfolio.schema import Limits, Meter, SiteDescription
from mv.readings import bills, clock, interval, meter_changes, registers, switching
from mv.readings.cleaning import clean, used_rows
from mv.readings.formats import Asked, read_table
from mv.readings.many import from_store
from mv.readings.rows import Rows, meter_rows, only_meter
from mv.readings.series import ESTIMATED, MISSING, BilledUse, Intervals
from mv.readings.source import SourceFile, open_source
from mv.readings.table import Table
from mv.wording import percent


@dataclass(frozen=True, kw_only=True)
class MeterReadings:
    """One meter's readings.

    `series`: intervals or bills, energy in `unit`.  `input`: file, digest, rows read, used and
    excluded by rule, coverage.  `energy`: the file's energy by where it went (`used` or a rule),
    in `unit`; its sum is the energy of the file.
    """

    meter: Meter
    kind: str
    series: Intervals | BilledUse
    unit: str
    step_seconds: int | None
    time_zone: str
    stamp: str
    input: dict
    findings: tuple[Finding, ...] = ()
    energy: dict[str, float] = field(default_factory=dict)

    @cached_property
    def table(self) -> pd.DataFrame:
        """The series as a table, for looking at: intervals (index `start`, UTC; columns energy,
        flag) or bills (start, end, energy, flag, demand, cost)."""
        return self.series.frame()


def read_meter(description: SiteDescription, meter: Meter) -> MeterReadings:
    """Read one meter (ReadingsError when its file can't be read right)."""
    beside = any(
        other.flow == "generation" and other.carrier == meter.carrier
        for other in description.meters
    )
    zone, limits = description.site.time_zone, description.settings.limits
    stored = from_store(description.folder, meter.file, meter.meter)
    if stored is not None:
        table, sha256 = stored
        with _named(meter.file):
            return _read_table(
                SourceFile(meter.file, b"", sha256), table, meter, zone, limits, beside
            )
    source = open_source(description.folder, meter.file)
    return read_source(source, meter, zone, limits, beside)


def read_source(
    source: SourceFile,
    meter: Meter,
    site_zone: str,
    limits: Limits,
    generation_metered: bool = False,
) -> MeterReadings:
    """Read one meter from bytes at hand.

    Parameters
    ----------
    site_zone : clock of the site, and of the file where the meter names none.
    generation_metered : whether the site's own generation has a meter, so that values below
        zero may stand.
    """
    asked = Asked(
        key=meter.meter,
        carrier=meter.carrier,
        flow=meter.flow,
        value_column=meter.value_column,
        meter_column=meter.meter_column,
    )
    with _named(source.name):
        table = read_table(source, asked)
        return _read_table(source, table, meter, site_zone, limits, generation_metered)


def _read_table(
    source: SourceFile,
    table: Table,
    meter: Meter,
    site_zone: str,
    limits: Limits,
    generation_metered: bool,
) -> MeterReadings:
    door = _door(table, meter)
    zone = meter.time_zone or site_zone
    if meter.data == "bills":
        own = only_meter(table, meter)
        return _read_bills(source, own, meter, door, zone, limits, generation_metered)
    signed = generation_metered or meter.flow == "generation"
    return _read_interval(source, table, meter, door, (zone, site_zone), limits, signed)


@contextmanager
def _named(file: str):
    """Give findings that are raised inside the name of the file."""
    try:
        yield
    except ReadingsError as error:
        raise ReadingsError([f.at(file=file) for f in error.findings]) from error


def _door(table: Table, meter: Meter) -> units.Door:
    unit = table.declared.get("unit") or meter.unit
    try:
        return units.door(meter.carrier, unit, meter.heat_content)
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


def _read_interval(
    source: SourceFile,
    table: Table,
    meter: Meter,
    door: units.Door,
    zones: tuple[str, str],
    limits: Limits,
    signed: bool,
) -> MeterReadings:
    zone, site_zone = zones
    rows = meter_rows(table, meter, zone)
    ends = _ends(rows, meter, zone)
    if rows.says_utc and not rows.zoned and meter.time_zone is None:
        rows.tell("clock_of_header", "the header of the times says UTC; they were read so.")
        zone = "UTC"
    if rows.zoned and switching.local_as_utc(rows, zone):
        rows.zoned = False
    rule_clock = "UTC" if rows.zoned else switching.settle_clock(rows, zone)
    switching.compare_offset(table, rows, zone)
    interval.sort_rows(rows)
    grid, hours = _grid(rows, meter, door, rule_clock, limits, ends, table)
    if door.kind != "power":
        switching.split_autumn_hour(grid, rows, rule_clock)

    scale = door.factor * meter.multiplier * (hours if door.kind == "power" else 1.0)
    grid.values *= scale
    rows.unit = door.canonical
    rows.lost = {rule: value * scale for rule, value in rows.lost.items()}
    meter_changes.apply_multipliers(grid, rows, meter, rule_clock)
    if not signed:
        meter_changes.judge_flow(grid, rows, meter, site_zone, limits)
    clean(grid, rows, limits, signed=signed)
    _refuse_nothing_left(grid, rows)
    meter_changes.judge_factor(grid, rows, meter)
    meter_changes.judge_offset(grid, rows)
    _tell_flags(grid, rows)

    stamp = "end" if ends else "start"
    return MeterReadings(
        meter=meter,
        kind="interval",
        series=Intervals(grid.starts, grid.values, grid.flags),
        unit=door.canonical,
        step_seconds=grid.step,
        time_zone=rule_clock,
        stamp=stamp,
        input={
            "file": source.name,
            "sha256": source.sha256,
            "rows_read": rows.read,
            "rows_used": used_rows(grid),
            "excluded": rows.excluded,
            "step": interval.duration_words(grid.step),
            "time_basis": f"{rule_clock}, stamps mark the {stamp}",
            "unit": table.declared.get("unit") or meter.unit,
            "coverage": int(np.count_nonzero(grid.flags <= ESTIMATED)) / len(grid.flags),
            "first": _iso(grid.starts[0]),
            "last": _iso(grid.starts[-1]),
        },
        findings=tuple(rows.findings),
        energy={"used": float(np.nansum(grid.values))} | rows.lost,
    )


def _ends(rows: Rows, meter: Meter, zone: str) -> bool:
    """Whether times mark ends: declared, else shown by the file, else shown by the first and
    last time of day, else starts are assumed."""
    if meter.stamp is not None:
        return meter.stamp == "end"
    if rows.ends is not None:
        rows.tell(
            "stamp_detected",
            f"times mark the {'end' if rows.ends else 'start'} of their intervals: {rows.why}.",
        )
        return rows.ends
    ends_of_file = np.array([rows.seconds.min(), rows.seconds.max()])
    if rows.zoned:
        ends_of_file = clock.offsets_of(zone, *map(int, ends_of_file)).local(ends_of_file)
    first, last = ends_of_file % interval.DAY
    gap = float(np.median(np.abs(np.diff(rows.seconds[:1000])))) if len(rows) > 1 else 0.0
    if 0 < gap < interval.DAY and first == gap and last == 0:
        rows.tell(
            "stamp_detected",
            "times mark the end of their intervals: the file begins one interval after midnight "
            "and ends at midnight.",
        )
        return True
    if 0 < gap < interval.DAY and first == 0 and last == interval.DAY - gap:
        rows.tell(
            "stamp_detected",
            "times mark the start of their intervals: the file begins at midnight and ends one "
            "interval before midnight.",
        )
        return False
    rows.tell(
        "stamp_assumed",
        "a time is taken as the start of its interval. If it marks the end, enter stamp = end "
        "for this meter; days and peaks then move by one interval.",
    )
    return False


def _grid(
    rows: Rows,
    meter: Meter,
    door: units.Door,
    zone: str,
    limits: Limits,
    ends: bool,
    table: Table,
) -> tuple[interval.Grid, float]:
    """The regular series and the hours by which power becomes energy (1 where that is done)."""
    counter = meter.register_values
    if counter is None:
        counter = table.declared.get("values") == "register" or (
            table.declared.get("values") is None
            and door.kind != "power"
            and registers.looks_like_register(rows.values)
        )
    if counter:
        step = interval.step_of(rows.seconds, rows.file)
        return registers.difference(interval.to_grid(rows, step, zone, limits), rows), 1.0
    steps = interval.mixed_steps(rows.seconds)
    if len(steps) < 2 or any(steps[-1] % s for s in steps):
        step = interval.step_of(rows.seconds, rows.file)
        if ends:
            rows.seconds = _interval_starts(rows.seconds, step, zone)
        return interval.to_grid(rows, step, zone, limits), step / 3600
    interval.settle_repeats(rows, rows.seconds, limits)
    lengths = interval.durations(rows.seconds, steps, ends)
    if ends:
        rows.seconds = rows.seconds - lengths
    hours = steps[-1] / 3600
    if door.kind == "power":
        rows.values = rows.values * lengths / steps[-1]
    rows, counts = interval.join_to_coarsest(rows, lengths, steps[-1], limits)
    grid = interval.to_grid(rows, steps[-1], zone, limits)
    if len(counts) == len(rows):
        grid.counts[grid.flags != MISSING] = counts
    return grid, hours


def _refuse_nothing_left(grid: interval.Grid, rows: Rows) -> None:
    if np.isfinite(grid.values).any():
        return
    why = ", ".join(f"{rule} ({n})" for rule, n in rows.excluded.items())
    raise ReadingsError(
        Finding(
            "file_empty",
            f"none of the {rows.read} readings can be used: {why or 'none has a value'}.",
            file=rows.file,
        )
    )


def _tell_flags(grid: interval.Grid, rows: Rows) -> None:
    n = len(grid.values)
    missing = int(np.count_nonzero(grid.flags == MISSING))
    if missing:
        rows.tell(
            "readings_missing",
            counted(
                f"{{n}} of {n} intervals ha[s|ve] no reading and stay[s|] missing.",
                missing,
            ),
            count=missing,
            effect=f"{percent(1 - missing / n, 1)} of intervals have one",
        )
    estimated = int(np.count_nonzero(grid.flags == ESTIMATED))
    if estimated:
        rows.tell(
            "readings_estimated",
            counted(
                f"{{n}} of {n} intervals [is|are] marked as estimated; [it is|they are] used.",
                estimated,
            ),
            count=estimated,
        )


def _read_bills(
    source: SourceFile,
    table: Table,
    meter: Meter,
    door: units.Door,
    zone: str,
    limits: Limits,
    signed: bool,
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
    scale = door.factor * meter.multiplier
    read = bills.read_bills(table, meter, scale, limits, signed=signed)
    return MeterReadings(
        meter=meter,
        kind="bills",
        series=read.series,
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
            "first": str(read.series.start[0]),
            "last": str(read.series.end[-1]),
        },
        findings=tuple(read.findings),
        energy=read.energy,
    )


def _interval_starts(utc: np.ndarray, step: int, zone: str) -> np.ndarray:
    """Starts of intervals whose ends are given; steps over an hour follow the local clock."""
    if step <= 3600:
        return utc - step
    local = clock.offsets_of(zone, int(utc[0]), int(utc[-1])).local(utc)
    return clock.to_utc(local - step, zone).utc


def _iso(seconds: int) -> str:
    return str(np.datetime64(int(seconds), "s")) + "Z"
