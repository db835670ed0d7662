"""How many hours do the lights burn, as loggers on a sample of them saw it?

One logger gives *on hours* within *logged hours*.  State loggers record changes (on, off); power
loggers record kW at a regular step, from which *equivalent full-load hours* follow: energy ÷
full-load kW, so that dimming counts as fewer hours.

A *usage group* is a set of fixtures or circuits that burn alike.  Its hours come from the n
loggers drawn among its N units:

    h̄ = Σ w_i h_i / Σ w_i,   se² = (1 − n/N)/n · Σ w_i²(h_i − h̄)² / ((n − 1) w̄²)

with w the connected load behind each logger (equal where none is given: then the plain mean and
its usual error).  A year is

    by share      H = 8760 · on hours / logged hours
    by day type   H = Σ_k D_k · (on hours a day on days of type k),  D_k days of the year

The step to a year rests on weeks that stand for all weeks.  What can be seen of that error, the
spread between whole weeks, is a part of its own; what can't be seen (school terms, daylight,
seasons not logged) is said in words and not put in a number.

Source: Cochran, Sampling Techniques, 3rd ed. 1977, sections 2.6 and 6.4; UMP chapter 2 on hours
of use (both from memory).
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from mv.findings import ModelError
from mv.sampling.estimate import effective_freedom, student

HOURS_A_YEAR = 8760.0
"""Hours of a year of 365 days."""

WEEKS_A_YEAR = 365 / 7

WEEKS_LEAST = 3
"""Whole weeks from which a spread between weeks is computed (common practice, no source)."""

SOURCE = "Cochran, Sampling Techniques, 3rd ed., sections 2.6 and 6.4 (from memory)"

_HOUR = np.timedelta64(1, "h")


@dataclass(frozen=True, slots=True)
class LoggerRun:
    """What one logger saw."""

    logger: str
    on_hours: float
    logged_hours: float
    first: np.datetime64
    last: np.datetime64
    """End of the logged span."""
    weekly: tuple[float, ...] = ()
    """Share of time on in each whole week from the first reading."""
    by_day_type: Mapping[str, tuple[float, float]] | None = None
    """Day type → (on hours, logged hours) where the logger's days are known."""

    @property
    def share(self) -> float:
        """On hours ÷ logged hours."""
        return self.on_hours / self.logged_hours


@dataclass(frozen=True, slots=True)
class GroupHours:
    """Hours of use a year of one usage group, with sampling error."""

    group: str
    hours: float
    """Hours a year."""
    standard_error: float
    """Of `hours`, all parts in quadrature."""
    degrees_of_freedom: float
    sampling_error: float
    """Part: fixtures or circuits not logged."""
    period_error: float | None
    """Part: weeks not logged; None where fewer than three whole weeks were."""
    half_width: float
    confidence: float
    loggers: int
    population: int | None
    method: str
    caveat: str

    @property
    def low(self) -> float:
        """Lower end of the interval, hours a year."""
        return self.hours - self.half_width

    @property
    def high(self) -> float:
        """Upper end of the interval, hours a year."""
        return self.hours + self.half_width


def run_from_states(
    logger: str,
    times: np.ndarray,
    states: np.ndarray,
    *,
    end: np.datetime64 | None = None,
    day_type: np.ndarray | None = None,
) -> LoggerRun:
    """On hours of a state logger.

    Parameters
    ----------
    times : (n,) datetime64, increasing: the moments at which the state was recorded.
    states : (n,) 1 on, 0 off, from that moment to the next.
    end : when the logger was taken down; the last record's time when not given.
    day_type : (n,) label of the day each record belongs to; give records at midnight for it to
        be exact.

    Raises ModelError for times that don't increase, states other than 0 and 1, no span.
    """
    at = np.asarray(times, dtype="datetime64[s]")
    on = np.asarray(states, dtype=float)
    if at.size != on.size:
        raise ModelError(f"logger {logger}: {at.size} times and {on.size} states")
    if at.size == 0:
        raise ModelError(f"logger {logger}: no record")
    if not np.isin(on, (0.0, 1.0)).all():
        raise ModelError(f"logger {logger}: a state is neither 0 (off) nor 1 (on)")
    stop = at[-1] if end is None else np.datetime64(end, "s")
    edges = np.append(at, stop)
    spans = np.diff(edges) / _HOUR
    if (spans < 0).any():
        line = int(np.argmax(spans < 0)) + 1
        raise ModelError(f"logger {logger}: time runs backwards after record {line}")
    return _run(logger, edges, spans, on, day_type)


def run_from_power(
    logger: str,
    start: np.ndarray,
    power: np.ndarray,
    step_hours: float,
    *,
    full_load: float,
    day_type: np.ndarray | None = None,
) -> LoggerRun:
    """Equivalent full-load hours of a power logger.

    Parameters
    ----------
    start : (n,) datetime64, starts of the intervals.
    power : (n,) mean kW in each; NaN where missing (left out of logged hours too).
    step_hours : length of an interval.
    full_load : kW of the circuit with everything on.

    Raises ModelError for no readings, negative power, or a full load that isn't above zero.
    """
    kw = np.asarray(power, dtype=float)
    at = np.asarray(start, dtype="datetime64[s]")
    if not full_load > 0:
        raise ModelError(f"logger {logger}: full load is {full_load!r} kW; it must be above 0")
    if np.nanmin(kw, initial=0.0) < 0:
        raise ModelError(f"logger {logger}: power below zero")
    have = np.isfinite(kw)
    step = np.timedelta64(round(step_hours * 3600), "s")
    edges = np.append(at, at[-1:] + step)
    return _run(logger, edges, have * step_hours, np.where(have, kw, 0.0) / full_load, day_type)


def annual_hours(run: LoggerRun, days_of_year: Mapping[str, float] | None = None) -> float:
    """Hours a year that one logger stands for, by share or, given the year's days, by day type.

    Raises ModelError where the year has a day type that was never logged.
    """
    if days_of_year is None or run.by_day_type is None:
        return HOURS_A_YEAR * run.share
    total = 0.0
    for kind, days in days_of_year.items():
        on, logged = run.by_day_type.get(kind, (0.0, 0.0))
        if days > 0 and logged <= 0:
            raise ModelError(
                f"logger {run.logger}: no {kind} day was logged, but the year has {days:g}"
            )
        total += days * 24 * on / logged if days > 0 else 0.0
    return total


def group_hours(
    group: str,
    runs: Sequence[LoggerRun],
    *,
    population: int | None = None,
    weights: Sequence[float] | None = None,
    confidence: float = 0.90,
    days_of_year: Mapping[str, float] | None = None,
) -> GroupHours:
    """Hours a year of a usage group from its loggers.

    Parameters
    ----------
    runs : one a logger.
    population : fixtures or circuits of the group from which the loggers were drawn; None for
        very many.
    weights : connected load behind each logger, any one unit; equal when not given.
    days_of_year : days of each type in a year, for the step to a year by day type.

    Raises ModelError for no logger, or one logger of several units (no error can be given).
    """
    n = len(runs)
    if n == 0:
        raise ModelError(f"usage group {group}: no logger")
    if population is not None and n > population:
        raise ModelError(f"usage group {group}: {n} loggers on {population} units")
    if n == 1 and population != 1:
        raise ModelError(
            f"usage group {group}: 1 logger; at least 2 are needed to see how its units differ"
        )
    h = np.array([annual_hours(run, days_of_year) for run in runs])
    w = np.ones(n) if weights is None else np.asarray(weights, dtype=float)
    if w.size != n or not (w > 0).all():
        raise ModelError(f"usage group {group}: weights must be {n} numbers above 0")
    mean = float((w * h).sum() / w.sum())
    rest = 1.0 if population is None else 1 - n / population
    spread = float((w**2 * (h - mean) ** 2).sum()) / max(n - 1, 1) / float(w.mean()) ** 2
    sampling = math.sqrt(rest / n * spread)
    period, weeks = _period_error(runs, w)
    variances, freedoms = [sampling**2], [float(max(n - 1, 1))]
    if period is not None:
        variances.append(period**2)
        freedoms.append(float(weeks - 1))
    freedom = effective_freedom(variances, freedoms)
    error = math.sqrt(sum(variances))
    by_type = days_of_year is not None and all(run.by_day_type for run in runs)
    return GroupHours(
        group,
        mean,
        error,
        freedom,
        sampling,
        period,
        student(confidence, freedom) * error,
        confidence,
        n,
        population,
        "hours by day type times the days of a year" if by_type else "share of time on times 8760",
        _caveat(runs, period),
    )


def _run(logger, edges, spans, level, day_type) -> LoggerRun:
    logged = float(spans.sum())
    if logged <= 0:
        raise ModelError(f"logger {logger}: the records span no time")
    kinds = None
    if day_type is not None:
        label = np.asarray(day_type)
        kinds = {
            str(k): (float((spans * level)[label == k].sum()), float(spans[label == k].sum()))
            for k in np.unique(label)
        }
    return LoggerRun(
        logger,
        float((spans * level).sum()),
        logged,
        edges[0],
        edges[-1],
        _weekly(edges, spans, level),
        kinds,
    )


def _weekly(edges: np.ndarray, spans: np.ndarray, level: np.ndarray) -> tuple[float, ...]:
    """Share of time on per whole week from the first record, by interpolating running sums."""
    at = (edges - edges[0]) / _HOUR
    weeks = int(at[-1] // 168)
    if weeks < 1:
        return ()
    marks = np.arange(weeks + 1) * 168.0
    on = np.interp(marks, at, np.concatenate([[0.0], np.cumsum(spans * level)]))
    logged = np.interp(marks, at, np.concatenate([[0.0], np.cumsum(spans)]))
    span = np.diff(logged)
    return tuple((np.diff(on)[span > 0] / span[span > 0]).tolist())


def _period_error(runs: Sequence[LoggerRun], w: np.ndarray) -> tuple[float | None, int]:
    """Standard error, hours a year, from the spread of the group's whole weeks; week count."""
    weeks = min(len(run.weekly) for run in runs)
    if weeks < WEEKS_LEAST:
        return None, weeks
    table = np.array([run.weekly[:weeks] for run in runs])
    group = (w[:, None] * table).sum(axis=0) / w.sum()
    rest = max(0.0, 1 - weeks / WEEKS_A_YEAR)
    return HOURS_A_YEAR * float(group.std(ddof=1)) * math.sqrt(rest / weeks), weeks


def _caveat(runs: Sequence[LoggerRun], period: float | None) -> str:
    first = min(run.first for run in runs)
    last = max(run.last for run in runs)
    days = float((last - first) / np.timedelta64(1, "D"))
    span = f"{str(first)[:10]} to {str(last)[:10]}"
    if days >= 365:
        return f"Logged over a full year ({span})."
    seen = (
        "the interval holds the spread between the weeks logged, not"
        if period is not None
        else "the interval holds the spread between loggers alone, neither weeks nor"
    )
    return (
        f"Logged over {days:.0f} days ({span}) and carried to a year: {seen} seasons, daylight or "
        "holidays outside that span."
    )
