"""What quantity does a rate price?  A load in local time, cut into billing periods.

A load is energy by interval, by day or by bill, with the local clock time at which each piece
starts.  Rates are written in local clock time, so a load carries nothing else.  A billing period
is a bill, or a calendar month where there are no bills.  Two loads that are compared (adjusted
baseline and measured) have the same pieces, so that both leave out the same days.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property
from typing import Literal

import numpy as np
import pandas as pd

from mv.findings import ModelError
from mv.readings.clock import local_seconds

Kind = Literal["interval", "day", "bill"]

DAYS_A_MONTH = 365.25 / 12
MONTHLY_BILL_LEAST = 25.0
"""Days from which a bill is a whole month's; common practice, no source."""


@dataclass(frozen=True)
class Load:
    """Energy piece by piece.

    Pieces without a finite energy are left out of every sum, in count and in hours.
    """

    start: np.ndarray
    """datetime64[s], local clock time, naive, shape (n,), not decreasing."""
    hours: np.ndarray
    """Length of each piece in hours, shape (n,)."""
    energy: np.ndarray
    """Energy of each piece in the canonical unit, shape (n,)."""
    kind: Kind
    peak: np.ndarray | None = None
    """For bills: metered demand of each bill in kW, shape (n,), NaN where none is printed."""

    def __post_init__(self) -> None:
        n = len(self.start)
        for name in ("hours", "energy", "peak"):
            values = getattr(self, name)
            if values is not None and len(values) != n:
                raise ModelError(f"a load has {n} starts and {len(values)} values of {name}")

    @cached_property
    def day(self) -> np.ndarray:
        """Local day of each piece, datetime64[D], shape (n,)."""
        return self.start.astype("datetime64[D]")

    @cached_property
    def total(self) -> float:
        """Energy over all pieces, canonical unit."""
        return float(np.where(np.isfinite(self.energy), self.energy, 0.0).sum())

    @cached_property
    def periods(self) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        """Period of each piece, (n,); first day, datetime64[D], and days of each, both (k,)."""
        if self.kind == "bill":
            return np.arange(len(self.start)), self.day, self.hours / 24.0
        day = self.day.astype(np.int64)
        first = int(day.min())
        every = np.arange(first, int(day.max()) + 1).astype("datetime64[D]")
        months = every.astype("datetime64[M]")
        edges = np.arange(months[0], months[-1] + 2).astype("datetime64[D]")
        index = (months - months[0]).astype(np.intp)[day - first]
        return index, edges[:-1], np.diff(edges).astype(float)

    @cached_property
    def billing(self) -> Billing:
        """The billing periods of this load."""
        index, first, length = self.periods
        covered = np.where(np.isfinite(self.energy), self.hours, 0.0) / 24.0
        days = covered if self.kind == "bill" else np.bincount(index, covered, len(first))
        return Billing(index, first, days, length)

    def with_energy(self, energy: np.ndarray, peak: np.ndarray | None = None) -> Load:
        """The same pieces with other energies, shape (n,) (and other peaks for bills)."""
        made = replace(self, energy=np.asarray(energy, float), peak=peak)
        vars(made)["periods"] = self.periods  # which are of the pieces, whatever their energy
        return made

    def scaled(self, factor: float) -> Load:
        """The same load times a constant; peaks stay as they are."""
        return self.with_energy(self.energy * factor, self.peak)


@dataclass(frozen=True)
class Billing:
    """Billing periods of a load, in order, shape (k,)."""

    index: np.ndarray
    """Period of each piece, integer, shape (n,)."""
    first: np.ndarray
    """First day of each period, datetime64[D]."""
    days: np.ndarray
    """Days of each period that the load covers (finite energy), float."""
    length: np.ndarray
    """Days of the whole period, float."""

    @property
    def count(self) -> int:
        """Number of periods."""
        return len(self.first)

    @property
    def last(self) -> np.ndarray:
        """Last day of each period, datetime64[D]."""
        return self.first + (self.length - 1).astype(int)

    @property
    def months(self) -> np.ndarray:
        """Months that are charged for the whole period.

        One for a bill of the usual length, whole ones for a longer bill, a part for a shorter one.
        """
        months = self.length / DAYS_A_MONTH
        whole = np.maximum(np.round(months), 1.0)
        return np.where(self.length >= MONTHLY_BILL_LEAST, whole, months)


def interval_load(
    starts: np.ndarray, energy: np.ndarray, step_seconds: int, time_zone: str
) -> Load:
    """Load of interval readings.

    Parameters
    ----------
    starts : of the intervals, UTC seconds in order, shape (n,).
    energy : canonical unit, shape (n,), NaN where nothing is known.
    step_seconds : length of an interval.
    time_zone : IANA name of the clock that the rate goes by.
    """
    local = local_seconds(np.asarray(starts, np.int64), time_zone).view("datetime64[s]")
    hours = np.full(len(local), step_seconds / 3600.0)
    return Load(local, hours, np.asarray(energy, float), "interval")


def daily_load(dates: pd.DatetimeIndex | np.ndarray, energy: np.ndarray) -> Load:
    """Load of days: `dates` naive local days, `energy` per day in the canonical unit, both (n,)."""
    start = np.asarray(dates, dtype="datetime64[s]")
    return Load(start, np.full(len(start), 24.0), np.asarray(energy, float), "day")


def bill_load(
    start: np.ndarray, end: np.ndarray, energy: np.ndarray, peak: np.ndarray | None = None
) -> Load:
    """Load of bills: local start and end days (end exclusive), energy, metered kW if printed."""
    first = np.asarray(start, dtype="datetime64[s]")
    hours = (np.asarray(end, dtype="datetime64[s]") - first).astype(float) / 3600.0
    return Load(first, hours, np.asarray(energy, float), "bill", peak)


def shaped(measured: Load, shape: np.ndarray | None, dates: np.ndarray, totals: np.ndarray) -> Load:
    """Spread daily energies over the intervals of their days.

    The daily model gives the official energy of a day and says nothing of its hours; prices by
    the hour need them.  Each day's total is spread in proportion to `shape`.

    Parameters
    ----------
    measured : interval load; gives the pieces.
    shape : energy by interval, shape (n,), such as an hourly model's; None for the measured
        load's own shape.
    dates, totals : local days (d,) and their energy in the canonical unit (d,), NaN for days that
        count in no sum.

    Returns the load whose days sum to `totals`; intervals of other days are NaN, and so are those
    of a day whose shape is nothing but zeros.
    """
    values = measured.energy if shape is None else np.asarray(shape, float)
    values = np.maximum(np.nan_to_num(values), 0.0)
    dates = np.asarray(dates, dtype="datetime64[D]")
    first = min(measured.day.min(), dates.min())
    size = int((max(measured.day.max(), dates.max()) - first).astype(int)) + 1
    by_day = np.full(size, np.nan)
    by_day[(dates - first).astype(int)] = totals
    position = (measured.day - first).astype(int)
    sums = np.bincount(position, values, size)
    with np.errstate(divide="ignore", invalid="ignore"):
        factor = np.where(sums > 0, by_day / sums, np.nan)
    return measured.with_energy(values * factor[position])


def together(one: Load, other: Load) -> tuple[Load, Load]:
    """Two loads of the same pieces, each left without energy where either has none.

    Raises ModelError where the pieces differ.
    """
    if len(one.start) != len(other.start) or (one.start != other.start).any():
        raise ModelError("two loads that are compared must have the same pieces")
    bare = ~(np.isfinite(one.energy) & np.isfinite(other.energy))
    if not bare.any():
        return one, other
    return tuple(
        load.with_energy(np.where(bare, np.nan, load.energy), load.peak) for load in (one, other)
    )
