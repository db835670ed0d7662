"""Which rows does a baseline model see?

One row is a local calendar day, a bill, or an hour: energy, temperature, whether the site does
its usual work, and a status.  A row whose status is not "used" carries the name of the rule that
leaves it out; no row disappears.  A day's energy is the sum of its intervals; where a few are
missing (but no more than the coverage allows) the day counts with the mean of those present, and
`coverage` says how many there were.  Bills are rows of energy per day that weigh as many days as
they cover (ASHRAE Guideline 14, from memory).
"""

from __future__ import annotations

from collections.abc import Mapping
from functools import lru_cache

import numpy as np
import pandas as pd

from mv.baseline.columns import Columns, Rows
from mv.readings.clock import epoch_seconds, local_hours, local_midnights
from mv.readings.series import EXCLUDED, FLAGS, BilledUse, Intervals

USED = "used"
BILL_COVERAGE = 0.9
"""Share of a bill's days that must have a temperature, and each driver (common practice, no
source)."""
DRIVER = "driver:"
"""Prefix of the columns that hold further independent variables."""

_DAY_S = 86_400
_HOUR_STATUSES = (USED, "temperature_missing", "coverage_low")
_STATUSES = (*_HOUR_STATUSES, "driver_missing", "bill_excluded")
_NO_DAYS = np.zeros(0, "datetime64[D]"), np.zeros(1, np.int64)
_EPOCH_WEEKDAY = 3  # 1970-01-01 was a Thursday; Monday is 0


def daily_rows(
    interval: Intervals,
    step_seconds: int,
    time_zone: str,
    temperature: pd.Series,
    calendar,
    coverage: float,
    drivers: Mapping[str, pd.Series] | None = None,
) -> Columns:
    """Sum intervals into local calendar days, from the first to the last that has a reading.

    Parameters
    ----------
    interval : readings of the meter, or their sum over meters.
    step_seconds : length of an interval.
    time_zone : IANA name of the site's zone; days of 23 and 25 hours count against their own
        length.
    temperature : mean of each local day, degC, index naive dates.
    calendar : operating calendar; `.dates` (k,) datetime64[D] and `.operating` (k,) bool.
    coverage : share of a day's intervals that must be present.
    drivers : further independent variables per day, by name.

    Returns
    -------
    Index the local days; columns energy, temperature, operating (1.0, 0.0), day_type (0
    operating, 1 not), coverage, weight (1.0), status ("used", "coverage_low",
    "temperature_missing", "driver_missing"), and `driver:<name>`.
    """
    start, energy = interval.starts, interval.energy
    # An interval belongs to the day in which its middle lies.
    middle = start + step_seconds // 2
    dates, midnight = _NO_DAYS
    if len(start):
        dates, midnight = local_midnights(time_zone, int(middle[0]), int(middle[-1]))
    present = np.isfinite(energy)
    edge = np.searchsorted(middle, midnight)
    if present.all():
        count = np.diff(edge)
    else:
        energy = np.where(present, energy, 0.0)
        count = np.diff(np.concatenate([[0], np.cumsum(present)])[edge])
    total = np.add.reduceat(np.append(energy, 0.0), edge[:-1])
    total[edge[:-1] == edge[1:]] = 0.0
    expected = np.diff(midnight) / step_seconds
    if step_seconds == _DAY_S:
        expected = np.ones(len(dates))  # one reading holds a day of 23 or 25 hours whole
    share = np.minimum(count / np.maximum(expected, 1.0), 1.0)
    with np.errstate(divide="ignore", invalid="ignore"):
        sums = np.where(share < 1.0, total / share, total)
    usable = (share >= coverage) & (count > 0)

    degrees = _at(temperature, _seconds(dates))
    operating = _operating_on(calendar, dates)
    status = np.zeros(len(dates), dtype=np.int8)
    columns = _driver_columns(drivers, dates)
    for values in columns.values():
        status[~np.isfinite(values)] = _STATUSES.index("driver_missing")
    status[~np.isfinite(degrees)] = _STATUSES.index("temperature_missing")
    status[~usable] = _STATUSES.index("coverage_low")
    return Columns(
        dates.astype("datetime64[s]"),
        {
            "energy": np.where(usable, sums, np.nan),
            "temperature": degrees,
            "operating": operating,
            "day_type": (operating < 0.5).astype(np.int8),
            "coverage": share,
            "weight": np.ones(len(dates)),
            "status": _words(status),
            **columns,
        },
    )


def bill_rows(
    bills: BilledUse,
    temperature: pd.Series,
    calendar,
    drivers: Mapping[str, pd.Series] | None = None,
) -> Columns:
    """One row a bill: energy per day, mean temperature, share of operating days.

    Parameters
    ----------
    bills : in any order.
    temperature : mean of each local day, degC, index naive dates.
    calendar, drivers : as in `daily_rows`; a driver's row is its mean over the bill's days.

    Returns
    -------
    Bills in order of start; columns start, end, days, energy (per day), total, temperature,
    operating (share, 0 to 1), weight (= days), status ("used", "bill_excluded",
    "temperature_missing", "driver_missing"), daily_temperatures (the bill's daily means, for
    degree days), flag, cost, and `driver:<name>`.
    """
    first, end, total, flags, cost = bills.start, bills.end, bills.energy, bills.flags, bills.cost
    if (first[1:] < first[:-1]).any():
        order = np.argsort(first, kind="stable")
        first, end, total, flags, cost = (a[order] for a in (first, end, total, flags, cost))
    days = (end - first).astype(float)
    span = np.arange(first.min(), end.max()) if len(bills) else first
    low = (first - span[:1]).astype(int)
    high = (end - span[:1]).astype(int)
    daily = _at(temperature, _seconds(span))
    operating = _operating_on(calendar, span)
    known = np.isfinite(daily)

    def mean(values: np.ndarray, counted: np.ndarray) -> np.ndarray:
        sums = np.concatenate([[0.0], np.cumsum(np.where(counted, values, 0.0))])
        counts = np.concatenate([[0], np.cumsum(counted)])
        n = counts[high] - counts[low]
        return np.where(n > 0, (sums[high] - sums[low]) / np.maximum(n, 1), np.nan)

    everywhere = np.ones(len(span), dtype=bool)
    status = np.zeros(len(bills), dtype=np.int8)
    columns = {}
    for name, values in _driver_columns(drivers, span).items():
        given = np.isfinite(values)
        columns[name] = mean(values, given)
        status[~(mean(given.astype(float), everywhere) >= BILL_COVERAGE)] = _STATUSES.index(
            "driver_missing"
        )
    enough = mean(known.astype(float), everywhere) >= BILL_COVERAGE
    status[~enough] = _STATUSES.index("temperature_missing")
    excluded = ~np.isfinite(total) | (days <= 0) | (flags == EXCLUDED)
    status[excluded] = _STATUSES.index("bill_excluded")
    pieces = np.empty(len(bills), dtype=object)
    whole = known.all()
    for row, (a, b) in enumerate(zip(low.tolist(), high.tolist(), strict=True)):
        piece = daily[a:b]
        pieces[row] = piece if whole else piece[known[a:b]]
    return Columns(
        np.arange(len(bills)),
        {
            "start": first.astype("datetime64[s]"),
            "end": end.astype("datetime64[s]"),
            "days": days,
            "energy": total / np.where(days > 0, days, np.nan),
            "total": total,
            "temperature": mean(daily, known),
            "operating": mean(operating, everywhere),
            "weight": days,
            "status": _words(status),
            "flag": np.array(FLAGS, dtype=object)[flags],
            "daily_temperatures": pieces,
            "cost": cost,
            **columns,
        },
    )


def hourly_rows(
    interval: Intervals,
    step_seconds: int,
    time_zone: str,
    temperature: pd.DataFrame | pd.Series,
    calendar,
    coverage: float,
) -> Columns:
    """Sum intervals into UTC hours with the hour of the week on the site's clock.

    Parameters
    ----------
    interval, step_seconds, time_zone, calendar, coverage : as in `daily_rows`; the step must be
        an hour or a whole part of it.
    temperature : hourly degC, index UTC start (a Series, or a DataFrame with `temperature`).

    Returns
    -------
    Index the hours' UTC starts; columns energy (per hour), temperature, local_hour (as
    `local_hours`), hour_of_week (0 is Monday midnight; non-operating weekdays are given Sunday's
    hours), operating, status (a categorical).
    """
    if isinstance(temperature, pd.DataFrame):
        temperature = temperature["temperature"]
    start, energy = interval.starts, interval.energy
    if step_seconds > 3600:
        start, energy = start[:0], energy[:0]
    seconds, sums, usable = _by_utc_hour(start, energy, step_seconds, coverage)
    degrees = _at(temperature, seconds)
    # "used", but for what is missing: "coverage_low" before "temperature_missing"
    status = np.int8(2) - usable - (usable & np.isfinite(degrees))
    local = local_hours(seconds, time_zone)
    dates, place = _NO_DAYS[0], local
    if len(local):
        dates = np.arange(local[0] // 24, local[-1] // 24 + 1).astype("datetime64[D]")
        place = local - local[0] // 24 * 24
    # Of each hour of each date: what its kind of day makes of it.
    operating = _operating_on(calendar, dates)
    weekday = _weekday(dates)
    group = np.where((operating < 0.5) & (weekday < 5), 6, weekday)
    week_hour = (group[:, None] * 24 + np.arange(24)).ravel()
    return Columns(
        seconds.view("datetime64[s]"),
        {
            "energy": sums,
            "temperature": degrees,
            "local_hour": local,
            "hour_of_week": week_hour[place],
            "operating": operating.repeat(24)[place],
            "status": pd.Categorical.from_codes(status, dtype=_hour_statuses()),
        },
    )


def _by_utc_hour(
    start: np.ndarray, energy: np.ndarray, step_seconds: int, coverage: float
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Start of every hour from the first to the last, UTC seconds, its energy, and whether enough
    of it was measured."""
    present = np.isfinite(energy)
    if not len(start) or (step_seconds == 3600 and (start[1:] - start[:-1] == 3600).all()):
        return start - start[:1] % 3600, energy, present  # each interval is an hour
    hour = start // 3600
    size = int(hour[-1] - hour[0]) + 1
    place = hour - hour[0]
    count = np.bincount(place, present, minlength=size)
    share = count * step_seconds / 3600
    sums = np.bincount(place, np.where(present, energy, 0.0), minlength=size)
    usable = (share >= coverage) & (count > 0)
    with np.errstate(divide="ignore", invalid="ignore"):
        sums = np.where(usable, sums / np.minimum(share, 1.0), np.nan)
    return (hour[0] + np.arange(size)) * 3600, sums, usable


def used(rows: Rows) -> Rows:
    """Rows that a model may see, in order of time."""
    if isinstance(rows, Columns) and rows.settled:
        return rows
    if "status" in rows.columns:
        keep = is_used(rows)
        if not keep.all():
            rows = rows[keep]
    moments = moments_of(rows).view(np.int64)
    if len(moments) > 1 and not (moments[1:] > moments[:-1]).all():
        rows = rows.take(np.argsort(moments, kind="stable"))
    if isinstance(rows, Columns):
        rows.settled = True
    return rows


def is_used(rows: Rows) -> np.ndarray:
    """Which rows have the status that lets a model see them, shape (rows,); don't write to it."""
    if isinstance(rows, Columns):
        return rows.having("status", USED)
    return np.asarray(rows["status"], dtype=object) == USED


def moments_of(rows: Rows) -> np.ndarray:
    """Start of each row as datetime64[s] on its own clock, shape (rows,)."""
    if "start" in rows.columns:
        return np.asarray(rows["start"]).astype("datetime64[s]")
    index = rows.index
    if isinstance(index, np.ndarray) and index.dtype.kind == "M":
        return index
    if isinstance(index, pd.DatetimeIndex):
        return epoch_seconds(index).view("datetime64[s]")
    return np.arange(len(rows)).astype("datetime64[s]")


def consecutive_of(rows: Rows) -> np.ndarray:
    """Whether each row is followed at once by the next, shape (rows − 1,)."""
    if "end" in rows.columns:
        start, end = (np.asarray(rows[name]).astype("datetime64[D]") for name in ("start", "end"))
        return start[1:] == end[:-1]
    steps = np.diff(moments_of(rows).view(np.int64))
    return steps == (steps.min() if len(steps) else 0)


def _words(status: np.ndarray) -> np.ndarray:
    """Names of statuses; each word is one Python string that all its rows share."""
    return np.array(_STATUSES, dtype=object)[status]


@lru_cache(maxsize=1)
def _hour_statuses() -> pd.CategoricalDtype:
    return pd.CategoricalDtype(list(_HOUR_STATUSES))


def _at(series: pd.Series, seconds: np.ndarray) -> np.ndarray:
    """Values of an ordered series at ordered instants, NaN where it has none."""
    known = epoch_seconds(series.index)
    own, theirs = _shared(known, seconds)
    values = series.to_numpy(dtype=float)[own]
    if len(values) == len(seconds):
        return values
    out = np.full(len(seconds), np.nan)
    out[theirs] = values
    return out


def _shared(known: np.ndarray, wanted: np.ndarray) -> tuple[slice | np.ndarray, ...]:
    """Places in each of two ordered arrays of distinct instants at which both agree.

    Series without a gap share one stretch, which is found without searching for each instant.
    """
    if not len(known) or not len(wanted):
        return slice(0), slice(0)
    a, b = np.searchsorted(known, [wanted[0], wanted[-1] + 1])
    c, d = np.searchsorted(wanted, [known[0], known[-1] + 1])
    if np.array_equal(known[a:b], wanted[c:d]):
        return slice(a, b), slice(c, d)
    place = np.minimum(np.searchsorted(known, wanted), len(known) - 1)
    same = known[place] == wanted
    return place[same], same


def _weekday(dates: np.ndarray) -> np.ndarray:
    """Day of the week, 0 is Monday."""
    return (dates.astype("datetime64[D]").astype(np.int64) + _EPOCH_WEEKDAY) % 7


def _operating_on(calendar, dates: np.ndarray) -> np.ndarray:
    """1.0 for each operating day, else 0.0; days outside the calendar do usual work."""
    own, theirs = _shared(calendar.dates, dates)
    operating = np.ones(len(dates))
    operating[theirs] = calendar.operating[own]
    return operating


def _seconds(dates: np.ndarray) -> np.ndarray:
    """Midnights of naive dates as seconds since 1970."""
    return dates.astype("datetime64[s]").astype(np.int64)


def _driver_columns(
    drivers: Mapping[str, pd.Series] | None, dates: np.ndarray
) -> dict[str, np.ndarray]:
    return {
        DRIVER + name: _at(values, _seconds(dates))
        for name, values in sorted((drivers or {}).items())
    }
