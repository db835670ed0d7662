"""Which instant does a local time name, on days of 23, 24 and 25 hours too?

The offset changes of a zone are found once (`zoneinfo`) and applied to whole columns by a
binary search.  In autumn an hour occurs twice; the order of the rows tells the two apart.  In
spring an hour does not occur; rows in it are told to the caller.
"""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass
from functools import lru_cache
from itertools import pairwise
from zoneinfo import ZoneInfo

import numpy as np
import pandas as pd

from mv.findings import Finding, ReadingsError
from mv.portfolio.clocks import fixed_offset

DAY = 86_400
_SCAN = 7 * DAY
_SHARED_STEP = 900
"""Seconds from which a step's local hours are kept for series to share; of finer steps they would
fill the memory."""


@dataclass(frozen=True, slots=True)
class Offsets:
    """Offset of a zone's clock from UTC over a span of years.

    `changes` (k,) UTC seconds; `offsets` (k + 1,) seconds, offsets[i] holds before changes[i].
    """

    changes: np.ndarray
    offsets: np.ndarray

    def at(self, utc: np.ndarray) -> np.ndarray:
        """Offset in force at each instant, seconds."""
        return self.offsets[np.searchsorted(self.changes, utc, side="right")]

    def local(self, utc: np.ndarray) -> np.ndarray:
        """Local clock of each instant, seconds."""
        return utc + self.at(utc) if len(self.changes) else utc + self.offsets[0]

    def local_in_order(self, utc: np.ndarray) -> np.ndarray:
        """Local clock of instants that stand in order of time, seconds; looks the few changes up
        among the instants rather than each instant among the changes."""
        edges = np.searchsorted(utc, self.changes)
        return utc + np.repeat(self.offsets, np.diff(np.r_[0, edges, len(utc)]))


def offsets_of(zone: str, first: int, last: int) -> Offsets:
    """The offsets of `zone` from two days before `first` to two after `last` (UTC seconds).

    Raises ReadingsError for a name that is neither a zone nor a fixed offset.
    """
    fixed = fixed_offset(zone)
    if fixed is not None:
        return Offsets(np.empty(0, np.int64), np.array([fixed], np.int64))
    first_year = dt.datetime.fromtimestamp(first - 2 * DAY, dt.UTC).year
    last_year = dt.datetime.fromtimestamp(last + 2 * DAY, dt.UTC).year
    return _scan(zone, first_year, last_year)


def epoch_seconds(index: pd.DatetimeIndex) -> np.ndarray:
    """Seconds since 1970 of each stamp, UTC where it has a zone; shape (n,), int64."""
    return (index if index.unit == "s" else index.as_unit("s")).asi8


def utc_index(seconds: np.ndarray) -> pd.DatetimeIndex:
    """The index `start` of instants given as seconds since 1970."""
    return pd.DatetimeIndex(seconds.view("datetime64[s]"), tz="UTC", name="start")


def day_index(days: np.ndarray) -> pd.DatetimeIndex:
    """The index `date` of local days given as days since 1970 or datetime64[D]."""
    return pd.DatetimeIndex(days.astype("datetime64[D]").astype("datetime64[s]"), name="date")


def local_clock(index: pd.DatetimeIndex, zone: str) -> np.ndarray:
    """What the clock of `zone` shows at each instant of an ordered UTC index, datetime64[s]."""
    return local_seconds(epoch_seconds(index), zone).view("datetime64[s]")


def local_seconds(utc: np.ndarray, zone: str) -> np.ndarray:
    """What the clock of `zone` shows at each of (n,) ordered instants, UTC seconds; seconds since
    1970 on that clock."""
    if not len(utc):
        return utc
    return offsets_of(zone, int(utc[0]), int(utc[-1])).local_in_order(utc)


_EVEN: list[tuple[np.ndarray | None, int]] = [(None, 0)]
"""The last instants that nobody can write to, and how far apart they are: the files of a portfolio
often share theirs."""


def even_step(instants: np.ndarray) -> int:
    """How far each of (n,) instants lies from the one before, in seconds; 0 where that differs from
    one to another, or there are fewer than two."""
    known, step = _EVEN[0]
    if instants is known:
        return step
    gaps = np.diff(instants)
    step = int(gaps[0]) if len(gaps) and (gaps == gaps[0]).all() else 0
    if not instants.flags.writeable:
        _EVEN[0] = instants, step
    return step


def local_hours(utc: np.ndarray, zone: str) -> np.ndarray:
    """Hours that the clock of `zone` shows at instants in order, counted since 1970; (n,), int64.

    A day's number is its hours' ÷ 24, the hour of the day what that leaves.  `utc` : seconds, (n,).
    Regular series share what was reckoned once for their step and years, so don't write to it.
    """
    step = even_step(utc)
    if step < _SHARED_STEP:
        if not len(utc):
            return utc
        return offsets_of(zone, int(utc[0]), int(utc[-1])).local_in_order(utc) // 3600
    years = (dt.datetime.fromtimestamp(int(utc[i]), dt.UTC).year for i in (0, -1))
    begin, hours = _hours_of_years(zone, step, int(utc[0]) % step, *years)
    first = (int(utc[0]) - begin) // step
    return hours[first : first + len(utc)]


@lru_cache(maxsize=16)
def _hours_of_years(
    zone: str, step: int, phase: int, first_year: int, last_year: int
) -> tuple[int, np.ndarray]:
    """First instant of whole years at a step, UTC seconds, and the local hours of all."""
    begin, end = (
        int(dt.datetime(year, 1, 1, tzinfo=dt.UTC).timestamp())
        for year in (first_year, last_year + 1)
    )
    begin += (phase - begin) % step
    utc = np.arange(begin, end, step)
    hours = offsets_of(zone, begin, end).local_in_order(utc) // 3600
    hours.flags.writeable = False  # every caller gets the same ones
    return begin, hours


def local_midnights(zone: str, first: int, last: int) -> tuple[np.ndarray, np.ndarray]:
    """Local dates from the first to the last instant, and the instants at which each begins.

    Parameters
    ----------
    first, last : UTC seconds.

    Returns dates (n,), datetime64[D], and UTC seconds (n + 1,): the end of the last as well.
    Where the clocks change at midnight a day begins at the first moment that exists.
    """
    dates, begins = _midnights(
        zone, *(dt.datetime.fromtimestamp(s, dt.UTC).year for s in (first, last))
    )
    a, b = np.searchsorted(begins, [first, last], side="right")
    return dates[a - 1 : b], begins[a - 1 : b + 1]


@lru_cache(maxsize=256)
def _midnights(zone: str, first_year: int, last_year: int) -> tuple[np.ndarray, np.ndarray]:
    """Dates and their beginnings, from the day before the first year to that after the last."""
    dates = np.arange(
        np.datetime64(f"{first_year}-01-01") - 1, np.datetime64(f"{last_year + 1}-01-01") + 2
    )
    stamps = pd.DatetimeIndex(dates.astype("datetime64[s]")).tz_localize(
        zone, ambiguous=np.ones(len(dates), dtype=bool), nonexistent="shift_forward"
    )
    begins = epoch_seconds(stamps)
    for array in (dates, begins):
        array.flags.writeable = False  # every caller gets the same ones
    return dates, begins


@lru_cache(maxsize=256)
def _scan(zone: str, first_year: int, last_year: int) -> Offsets:
    try:
        info = ZoneInfo(zone)
    except Exception as error:
        raise ReadingsError(
            Finding(
                "time_zone_unknown",
                f"{zone!r} is neither a time zone of the IANA list (such as Europe/Lisbon) nor a "
                "fixed offset (such as UTC or +01:00).",
                column="time_zone",
            )
        ) from error

    def offset(utc: int) -> int:
        return int(dt.datetime.fromtimestamp(utc, info).utcoffset().total_seconds())

    start = int(dt.datetime(first_year, 1, 1, tzinfo=dt.UTC).timestamp()) - DAY
    end = int(dt.datetime(last_year + 1, 1, 1, tzinfo=dt.UTC).timestamp()) + DAY
    changes, offsets = [], [offset(start)]
    low = start
    for high in range(start + _SCAN, end + _SCAN, _SCAN):
        if offset(high) != offsets[-1]:
            a, b = low, high
            while b - a > 1:
                middle = (a + b) // 2
                a, b = (middle, b) if offset(middle) == offsets[-1] else (a, middle)
            changes.append(b)
            offsets.append(offset(high))
        low = high
    return Offsets(np.array(changes, np.int64), np.array(offsets, np.int64))


@dataclass(frozen=True, slots=True)
class Instants:
    """UTC seconds of local times, with what the switching days showed."""

    utc: np.ndarray
    in_gap: np.ndarray
    """Indices of rows in an hour that spring skips (read as if the clock had not moved)."""
    repeated: int
    """Rows told apart as the second pass of an autumn hour."""
    single: int
    """Autumn hours that lie inside the file and occur once only."""


def to_utc(local: np.ndarray, zone: str) -> Instants:
    """UTC seconds of local clock seconds, in file order.

    Parameters
    ----------
    local : (n,) int64 seconds since 1970 as the local clock showed them.
    zone : IANA name or fixed offset.
    """
    none = np.empty(0, np.int64)
    if not len(local):
        return Instants(local, none, 0, 0)
    table = offsets_of(zone, int(local.min()), int(local.max()))
    if not len(table.changes):
        return Instants(local - table.offsets[0], none, 0, 0)
    before, after = table.offsets[:-1], table.offsets[1:]
    # A change moves the clock from c + before to c + after; up to the earlier of the two the
    # old offset is certain, from the later on the new one.
    sure_old = table.changes + np.minimum(before, after)
    sure_new = table.changes + np.maximum(before, after)
    k = np.searchsorted(sure_new, local, side="right")
    utc = local - table.offsets[k]
    inside = k < len(sure_old)
    inside &= local >= sure_old[np.minimum(k, len(sure_old) - 1)]
    rows = np.flatnonzero(inside)
    if not len(rows):
        return Instants(utc, none, 0, 0)
    gaps, repeated, single = [], 0, 0
    which = k[rows]
    order = np.argsort(which, kind="stable")
    rows, which = rows[order], which[order]
    bounds = np.flatnonzero(np.r_[True, which[1:] != which[:-1], True])
    for a, b in pairwise(bounds):
        change, members = which[a], rows[a:b]
        if after[change] > before[change]:
            gaps.append(members)  # already read with the old offset
            continue
        second = _second_pass(local[members], bool(local[-1] < local[0]))
        utc[members[second]] = local[members[second]] - after[change]
        repeated += int(second.sum())
        if not second.any() and local.min() < sure_old[change] and local.max() >= sure_new[change]:
            single += 1
    return Instants(utc, np.concatenate(gaps) if gaps else none, repeated, single)


def _second_pass(times: np.ndarray, newest_first: bool) -> np.ndarray:
    """Which rows of an hour that occurs twice belong to its second pass; times in file order."""
    if newest_first:
        return _second_pass(times[::-1], False)[::-1]
    back = np.flatnonzero(np.diff(times) < 0)
    second = np.zeros(len(times), dtype=bool)
    if len(back) == 1:
        second[back[0] + 1 :] = True  # one pass after the other
    else:
        # hourly rows, or the two passes interleaved: by occurrence
        order = np.argsort(times, kind="stable")
        repeat = np.r_[False, times[order][1:] == times[order][:-1]]
        second[order[repeat]] = True
    return second


def offset_name(seconds: int) -> str:
    """`UTC`, `UTC+01:00`, `UTC-05:00` of a fixed offset."""
    if not seconds:
        return "UTC"
    sign = "+" if seconds > 0 else "-"
    return f"UTC{sign}{abs(seconds) // 3600:02d}:{abs(seconds) % 3600 // 60:02d}"
