"""What did a site's loggers and spot readings say, and what did its lighting save by them?

Reads the rows of loggers.csv that belong to a site, joins them with its lighting schedule and
sets the result beside the whole-facility saving.  A logger that can't be read is left out of
its group and told; a group with too few loggers keeps its agreed hours and is told.

Files of state loggers hold a time and a state (1/0, on/off) a record; files of power loggers
are read like any meter's.  Hours are split by operating and non-operating days where every
logger of a group saw both; otherwise the share of time on is carried to the year.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc

from mv.findings import Finding, ModelError, ReadingsError
from mv.portfolio.schema import Fixture, Logger, Meter, SiteDescription
from mv.quantity import Interval
from mv.readings import clock, shape
from mv.readings.number_text import to_numbers
from mv.readings.read import read_source
from mv.readings.rows import column_times
from mv.readings.source import open_source
from mv.readings.table import read_delimited
from mv.sampling.estimate import SampleMean, sample_mean
from mv.sampling.isolation import as_fields, beside_whole_facility, isolation_saving
from mv.sampling.loggers import (
    GroupHours,
    LoggerRun,
    group_hours,
    run_from_power,
    run_from_states,
)
from mv.sampling.sizes import size_with_student

ON_WORDS = ("on", "1", "true", "1.0")
OFF_WORDS = ("off", "0", "false", "0.0")

TARGET_PRECISION = 0.10
"""Precision for which the number of loggers is worked out afterwards (90/10; BPA, FEMP, from
memory)."""

OPERATING, NON_OPERATING = "operating", "non_operating"


def usage_group(fixture: Fixture) -> str:
    """The usage group of a line of the schedule: its own, or its space."""
    return fixture.usage_group or fixture.space


def site_isolation(
    description: SiteDescription,
    *,
    days: pd.DataFrame | None = None,
    whole_facility: Interval | None = None,
) -> tuple[dict[str, Any], tuple[Finding, ...]]:
    """Isolation result of a site as plain fields, and what was amiss with its loggers.

    Parameters
    ----------
    days : the operating calendar's days (index: naive dates, column `operating`).
    whole_facility : verified annual saving of the electricity meter, kWh, with its interval.

    Empty fields where the site has no loggers or no schedule to join them with.  Never raises
    for bad readings.
    """
    rows = description.loggers
    if not rows:
        return {}, ()
    findings: list[Finding] = []
    if not description.fixtures:
        return {}, (
            _finding(
                "isolation_incomplete",
                rows[0],
                "loggers are entered, but fixtures.csv holds no line of this retrofit to join "
                "them with. Enter the lighting schedule.",
                description,
            ),
        )
    confidence = description.settings.confidence
    runs, lines = _runs(description, rows, days, findings)
    hours = {
        period: _hours(description, period, rows, runs, days, confidence, findings)
        for period in ("before", "after")
    }
    watts = {
        period: _watts(description, period, rows, confidence, findings)
        for period in ("before", "after")
    }
    if not any(hours.values()) and not any(watts.values()):
        return {}, tuple(findings)
    result = isolation_saving(
        description.fixtures,
        hours["after"],
        hours_before=hours["before"],
        watts_before=watts["before"],
        watts_after=watts["after"],
        group_of=usage_group,
        confidence=confidence,
    )
    difference = None
    if (
        whole_facility is not None
        and whole_facility.half_width is not None
        and result.at_the_meter.half_width is not None
    ):
        difference = beside_whole_facility(result, whole_facility)
    fields = as_fields(result, difference)
    fields["loggers"] = lines
    fields["hours"] = [
        _hours_fields(period, group)
        for period, groups in hours.items()
        for group in groups.values()
    ]
    fields["spot_watts"] = [
        {"period": period, "space": space, "watts": m.mean, "half_width": m.half_width,
         "readings": m.n, "population": m.population}
        for period, spaces in watts.items()
        for space, m in spaces.items()
    ]  # fmt: skip
    return fields, tuple(findings)


def read_states(description: SiteDescription, row: Logger) -> tuple[np.ndarray, np.ndarray]:
    """Times (UTC, datetime64[s], increasing) and states (0/1) of a state logger's file.

    Raises ReadingsError naming file and line.
    """
    source = open_source(description.folder, row.file)
    table = read_delimited(source.name, source.data)
    at = _state_column(table, row)
    roles = shape.interval_roles(
        table,
        time=row.time_column,
        value=table.names[at],
        flag=None,
        unit="on_off",
        key=row.logger,
    )
    times = column_times(table, roles, None)
    states = _states(table, at)
    bad = ~times.readable | np.isnan(states)
    if bad.any():
        line = int(table.lines[int(np.argmax(bad))])
        raise ReadingsError(
            Finding(
                "logger_left_out",
                f"{int(bad.sum())} of {len(table)} records have no readable time or a state other "
                f"than on and off, the first on line {line}.",
                file=table.file,
                line=line,
            )
        )
    zone = row.time_zone or description.site.time_zone
    seconds = times.seconds if times.zoned else clock.to_utc(times.seconds, zone).utc
    order = np.argsort(seconds, kind="stable")
    return seconds[order].astype("datetime64[s]"), states[order]


def _runs(
    description: SiteDescription,
    rows: Sequence[Logger],
    days: pd.DataFrame | None,
    findings: list[Finding],
) -> tuple[dict[int, LoggerRun], list[dict[str, Any]]]:
    """What each logger saw, by position in `rows`; and a line each for the report."""
    runs: dict[int, LoggerRun] = {}
    lines: list[dict[str, Any]] = []
    for at, row in enumerate(rows):
        if row.data == "watts":
            continue
        try:
            run = _run(description, row, days)
        except ReadingsError as error:
            findings += [
                _finding("logger_left_out", row, f"logger {row.logger}: {f}", description)
                for f in error.findings[:1]
            ]
            continue
        except ModelError as error:
            findings.append(_finding("logger_left_out", row, f"{error}.", description))
            continue
        runs[at] = run
        lines.append(
            {
                "logger": row.logger,
                "usage_group": row.usage_group,
                "period": row.period,
                "on_hours": run.on_hours,
                "logged_hours": run.logged_hours,
                "share": run.share,
                "first": str(run.first)[:10],
                "last": str(run.last)[:10],
                "source": row.file or f"{row.source.file}, line {row.source.line}",
            }
        )
    return runs, lines


def _run(description: SiteDescription, row: Logger, days: pd.DataFrame | None) -> LoggerRun:
    zone = description.site.time_zone
    if row.data == "hours":
        for name in ("value", "logged_hours", "start", "end"):
            if getattr(row, name) is None:
                raise ModelError(f"logger {row.logger}: {name} is empty, and data is hours")
        if row.value > row.logged_hours:
            raise ModelError(
                f"logger {row.logger}: {row.value:g} on hours in {row.logged_hours:g} logged hours"
            )
        return LoggerRun(
            row.logger,
            row.value,
            row.logged_hours,
            np.datetime64(row.start, "s"),
            np.datetime64(row.end, "s") + np.timedelta64(1, "D"),
        )
    if row.file is None:
        raise ModelError(f"logger {row.logger}: file is empty, and data is {row.data}")
    if row.data == "power":
        if row.connected_load is None:
            raise ModelError(f"logger {row.logger}: connected_load is empty, and data is power")
        meter = Meter(
            source=row.source,
            meter=row.logger,
            site=description.site.site,
            carrier="electricity",
            data="interval",
            file=row.file,
            unit=row.unit,
            time_zone=row.time_zone,
            time_column=row.time_column,
            value_column=row.value_column,
            boundary="retrofit_isolation",
        )
        source = open_source(description.folder, row.file)
        got = read_source(source, meter, zone, description.settings.limits)
        step = got.step_seconds / 3600
        start = got.series.starts.view("datetime64[s]")
        kw = got.series.energy / step
        label = _labels(start, zone, days)
        return run_from_power(
            row.logger, start, kw, step, full_load=row.connected_load, day_type=label
        )
    at, on = read_states(description, row)
    end = None
    if row.end is not None:
        after = np.array([np.datetime64(row.end) + 1]).astype("datetime64[s]").astype(np.int64)
        end = clock.to_utc(after, zone).utc.astype("datetime64[s]")[0]
    if days is not None:
        at, on = _with_midnights(at, on, zone, end)
    return run_from_states(row.logger, at, on, end=end, day_type=_labels(at, zone, days))


def _with_midnights(at, on, zone, end):
    """Add a record at each local midnight, so that every span lies within one day."""
    last = at[-1] if end is None else max(end, at[-1])
    offset = pd.DatetimeIndex([at[0], last], tz="UTC").tz_convert(zone).tz_localize(None)
    span = np.arange(
        offset[0].to_datetime64().astype("datetime64[D]") + 1,
        offset[1].to_datetime64().astype("datetime64[D]") + 1,
    )
    midnights = clock.to_utc(span.astype("datetime64[s]").astype(np.int64), zone).utc
    midnights = midnights.astype("datetime64[s]")
    midnights = midnights[(midnights > at[0]) & (midnights < last) & ~np.isin(midnights, at)]
    state = on[np.searchsorted(at, midnights, side="right") - 1]
    every = np.concatenate([at, midnights])
    order = np.argsort(every, kind="stable")
    return every[order], np.concatenate([on, state])[order]


def _labels(at: np.ndarray, zone: str, days: pd.DataFrame | None) -> np.ndarray | None:
    """Kind of day of each UTC moment; None without a calendar that holds them all."""
    if days is None:
        return None
    local = pd.DatetimeIndex(at, tz="UTC").tz_convert(zone).tz_localize(None).normalize()
    place = days.index.get_indexer(local)
    if (place < 0).any():
        return None
    return np.where(days["operating"].to_numpy()[place], OPERATING, NON_OPERATING)


def _year(days: pd.DataFrame | None) -> dict[str, float] | None:
    """Operating and non-operating days of a year of 365, from the calendar's latest year."""
    if days is None or len(days) < 365:
        return None
    operating = float(days["operating"].to_numpy()[-365:].sum())
    return {OPERATING: operating, NON_OPERATING: 365.0 - operating}


def _hours(description, period, rows, runs, days, confidence, findings) -> dict[str, GroupHours]:
    """Measured hours by usage group of one period."""
    groups: dict[str, list[int]] = {}
    for at, row in enumerate(rows):
        if at in runs and row.period == period:
            groups.setdefault(row.usage_group, []).append(at)
    names = {usage_group(f) for f in description.fixtures}
    found = {}
    for name, members in groups.items():
        first = rows[members[0]]
        if name not in names:
            words = (
                f"usage group {name!r} is in no line of the lighting schedule; there are: "
                f"{', '.join(sorted(names))}."
            )
            findings.append(_finding("isolation_incomplete", first, words, description))
            continue
        own = [runs[at] for at in members]
        loads = [rows[at].connected_load for at in members]
        given = [rows[at].population for at in members if rows[at].population is not None]
        population = max(given) if given else _count(description, name, period)
        year = _year(days)
        if year and not all(_saw(run, year) for run in own):
            year = None
        try:
            found[name] = group_hours(
                name,
                own,
                population=population,
                weights=None if None in loads else loads,
                confidence=confidence,
                days_of_year=year,
            )
        except ModelError as error:
            words = f"{error}. Its agreed hours are used."
            findings.append(_finding("isolation_incomplete", first, words, description))
    return found


def _saw(run: LoggerRun, year: dict[str, float]) -> bool:
    return run.by_day_type is not None and all(
        run.by_day_type.get(kind, (0.0, 0.0))[1] > 0 for kind, count in year.items() if count > 0
    )


def _count(description: SiteDescription, name: str, period: str) -> int:
    """Fixtures of a usage group by the schedule."""
    lines = [f for f in description.fixtures if usage_group(f) == name]
    return max(1, round(sum(getattr(f, f"count_{period}") for f in lines)))


def _watts(description, period, rows, confidence, findings) -> dict[str, SampleMean]:
    """Spot watts by space of one period."""
    spaces: dict[str, list[Logger]] = {}
    for row in rows:
        if row.data == "watts" and row.period == period:
            spaces.setdefault(row.usage_group, []).append(row)
    found = {}
    for space, members in spaces.items():
        lines = [f for f in description.fixtures if f.space == space]
        values = [m.value for m in members if m.value is not None]
        count = max(1, round(sum(getattr(f, f"count_{period}") for f in lines)))
        problem = ""
        if not lines:
            problem = f"spot watts name the space {space!r}, which no line of the schedule has."
        elif len({getattr(f, f"watts_{period}") for f in lines}) > 1:
            problem = (
                f"space {space!r} has fixtures of different watts {period} the works, so that its "
                "spot watts can't be told apart. Give each kind of fixture a space of its own."
            )
        else:
            try:
                found[space] = sample_mean(values, count, confidence=confidence)
            except ModelError as error:
                problem = f"spot watts of {space!r}: {error}. The schedule's watts are used."
        if problem:
            findings.append(_finding("isolation_incomplete", members[0], problem, description))
    return found


def _hours_fields(period: str, group: GroupHours) -> dict[str, Any]:
    mean = group.hours
    cv = None
    if group.loggers > 1 and mean > 0:
        rest = 1 - group.loggers / group.population if group.population else 1.0
        cv = group.sampling_error * (group.loggers / rest) ** 0.5 / mean if rest > 0 else None
    needed = None
    if cv is not None and cv > 0:
        needed = size_with_student(
            group.population, cv=cv, precision=TARGET_PRECISION, confidence=group.confidence
        )
    return {
        "period": period,
        "usage_group": group.group,
        "hours": group.hours,
        "low": group.low,
        "high": group.high,
        "loggers": group.loggers,
        "population": group.population,
        "cv": cv,
        "loggers_for_ten_percent": needed,
        "sampling_error": group.sampling_error,
        "period_error": group.period_error,
        "method": group.method,
        "caveat": group.caveat,
    }


def _state_column(table, row: Logger) -> int:
    """Position of the column of states: the named one, or the one that holds nothing else."""
    if row.value_column is not None:
        if row.value_column in table.names:
            return table.names.index(row.value_column)
        raise ReadingsError(
            Finding(
                "logger_left_out",
                f"no column is called {row.value_column!r}; there are: {', '.join(table.names)}.",
                file=table.file,
            )
        )
    for at in range(len(table.columns)):
        states = _states(table, at)
        if len(states) and not np.isnan(states).any():
            return at
    raise ReadingsError(
        Finding(
            "logger_left_out",
            "no column holds states alone (1 and 0, or on and off). Name it in value_column.",
            file=table.file,
        )
    )


def _states(table, at: int) -> np.ndarray:
    """States of a column: 1, 0, NaN for anything else."""
    column = table.columns[at]
    if not pa.types.is_string(column.type) and not pa.types.is_large_string(column.type):
        if pa.types.is_boolean(column.type):
            return pc.cast(column, pa.int8()).to_numpy(zero_copy_only=False).astype(float)
        if not (pa.types.is_integer(column.type) or pa.types.is_floating(column.type)):
            return np.full(len(table), np.nan)
        values = to_numbers(column)[0]
        return np.where(np.isin(values, (0.0, 1.0)), values, np.nan)
    text = pc.utf8_lower(pc.utf8_trim_whitespace(column)).to_numpy(zero_copy_only=False)
    return np.select([np.isin(text, ON_WORDS), np.isin(text, OFF_WORDS)], [1.0, 0.0], np.nan)


def _finding(rule: str, row: Logger, words: str, description: SiteDescription) -> Finding:
    return Finding(
        rule, words, file=row.source.file, line=row.source.line, site=description.site.site
    )
