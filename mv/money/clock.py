"""Which season, time-of-use period and dates does each piece of a load fall under?

A rate's entries are limited by season, period and dates.  For interval loads every piece falls
into one *cell* (season × period × stretch between dates on which some price changes), so that all
energies under all entries come out of one pass.  Where readings are too coarse for that (a day, a
bill, an hour in which a period begins) each entry has a weight by piece instead: the share of the
piece's time that falls under it, energy counting as even within a piece.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable
from dataclasses import dataclass, field
from functools import cached_property

import numpy as np

from mv.findings import ModelError
from mv.money.calendar import MINUTES_A_DAY, RateCalendar
from mv.money.component import Entry
from mv.money.load import Load

EMPTY = np.array([], dtype="datetime64[D]")
SECONDS_AN_HOUR = 3600


@dataclass
class Clock:
    """The pieces of a load on a rate's calendar.  Loads with the same pieces share one clock."""

    calendar: RateCalendar
    load: Load
    holidays: np.ndarray = field(default_factory=lambda: EMPTY)
    breaks: tuple[dt.date, ...] = ()
    """First days on which some entry begins or no longer applies, rising."""
    _weights: dict = field(default_factory=dict)

    @cached_property
    def first(self) -> np.datetime64:
        """First day of the load."""
        return self.load.start.min().astype("datetime64[D]")

    @cached_property
    def days(self) -> np.ndarray:
        """Every day from the load's first to its last, datetime64[D]."""
        seconds = round(float(self.load.hours[-1]) * SECONDS_AN_HOUR)
        last = (self.load.start[-1] + np.timedelta64(seconds - 1, "s")).astype("datetime64[D]")
        return np.arange(self.first, max(last, self.load.start.max().astype("datetime64[D]")) + 1)

    @cached_property
    def slots(self) -> int:
        """Pieces in a day, for interval loads; 1 otherwise.

        Raises ModelError where a day is no whole number of intervals of whole minutes.
        """
        if self.load.kind != "interval":
            return 1
        slots = 24.0 / float(self.load.hours[0])
        if abs(slots - round(slots)) > 1e-9 or MINUTES_A_DAY % round(slots):
            raise ModelError(f"a day cannot be cut into {slots:g} intervals of whole minutes")
        return round(slots)

    @cached_property
    def flat(self) -> np.ndarray:
        """Position of each piece in a table of days by slots, read row by row, shape (n,)."""
        since = (self.load.start - self.first.astype("datetime64[s]")).astype(np.int64)
        return since // (24 * SECONDS_AN_HOUR // self.slots)

    @cached_property
    def month(self) -> np.ndarray:
        """Calendar month of each day, counted from the first day's, shape (days,)."""
        months = self.days.astype("datetime64[M]").astype(np.int64)
        return months - months[0]

    @cached_property
    def _day_codes(self) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        """Season, day of the week as priced, and stretch between breaks, of each day."""
        breaks = np.array(self.breaks, dtype="datetime64[D]")
        return (
            self.calendar.season_of(self.days).astype(np.intp),
            self.calendar.weekday_of(self.days, self.holidays),
            np.searchsorted(breaks, self.days, side="right"),
        )

    @property
    def _shape(self) -> tuple[int, int, int]:
        """Cells: seasons, periods, stretches."""
        return len(self.calendar.seasons) + 1, len(self.calendar.periods) + 1, len(self.breaks) + 1

    @property
    def cell_count(self) -> int:
        """Number of cells."""
        seasons, periods, stretches = self._shape
        return seasons * periods * stretches

    @cached_property
    def cell(self) -> np.ndarray | None:
        """Cell of each day's slots, shape (days, slots); None where pieces are too coarse."""
        if self.load.kind != "interval":
            return None
        table = self.calendar.period_table
        by_slot = table.reshape(*table.shape[:2], self.slots, MINUTES_A_DAY // self.slots)
        if (by_slot != by_slot[..., :1]).any():
            return None
        season, weekday, stretch = self._day_codes
        _, periods, stretches = self._shape
        period = by_slot[..., 0][season, weekday].astype(np.intp)
        return (season[:, None] * periods + period) * stretches + stretch[:, None]

    def holds(self, entry: Entry) -> np.ndarray:
        """Whether the entry applies in each cell, shape (cells,)."""
        seasons, periods, _ = self._shape
        season = np.ones(seasons, bool)
        if entry.season is not None:
            season = np.arange(seasons) == self.calendar.seasons.index(entry.season) + 1
        period = np.ones(periods, bool)
        if entry.period is not None:
            period = np.arange(periods) == self.calendar.periods.index(entry.period) + 1
        begins = [dt.date.min, *self.breaks]
        stretch = np.array(
            [
                (entry.from_ is None or first >= entry.from_)
                and (entry.until is None or first <= entry.until)
                for first in begins
            ]
        )
        return (season[:, None, None] & period[:, None] & stretch).ravel()

    def day_share(self, entry: Entry) -> np.ndarray | None:
        """1 on days of the entry's season and dates, else 0; None where it is always in force."""
        mask = None
        if entry.season is not None:
            mask = self._day_codes[0] == self.calendar.seasons.index(entry.season) + 1
        for limit, sign in ((entry.from_, 1), (entry.until, -1)):
            if limit is not None:
                inside = (self.days - np.datetime64(limit, "D")).astype(int) * sign >= 0
                mask = inside if mask is None else mask & inside
        return None if mask is None else mask.astype(float)

    def weight(self, entry: Entry) -> np.ndarray | None:
        """Share of each piece that falls under the entry, shape (n,); None for all of all."""
        key = (entry.season, entry.period, entry.from_, entry.until)
        if key not in self._weights:
            self._weights[key] = self._weight(entry)
        return self._weights[key]

    def of_days(self, by_day: np.ndarray) -> np.ndarray:
        """A value per day as the mean over each piece's days, shape (n,)."""
        if self.load.kind != "bill":
            return by_day[self.flat // self.slots]
        running = np.concatenate([[0.0], np.cumsum(by_day)])
        length = np.maximum(np.round(self.load.hours / 24.0).astype(int), 1)
        last = np.minimum(self.flat + length, len(by_day))
        return (running[last] - running[self.flat]) / (last - self.flat)

    def _weight(self, entry: Entry) -> np.ndarray | None:
        by_day = self.day_share(entry)
        if entry.period is None:
            return None if by_day is None else self.of_days(by_day)
        hit = (self.calendar.period_table == self.calendar.periods.index(entry.period) + 1).astype(
            float
        )
        share = hit.reshape(*hit.shape[:2], self.slots, MINUTES_A_DAY // self.slots).mean(axis=3)
        season, weekday, _ = self._day_codes
        table = share[season, weekday]
        if by_day is not None:
            table = table * by_day[:, None]
        if self.load.kind == "interval":
            return table.reshape(-1)[self.flat]
        if not np.isin(table, (0.0, 1.0)).all():
            raise ModelError(
                f"the rate has time-of-use periods ({', '.join(self.calendar.periods)}) and the "
                f"energy to be priced is known by the {self.load.kind} alone, "
                "which doesn't say at which hours it was used"
            )
        return self.of_days(table[:, 0])


def breaks_of(entries: Iterable[Entry]) -> tuple[dt.date, ...]:
    """First days on which some of the entries begins or no longer applies, rising."""
    found = {e.from_ for e in entries if e.from_}
    found |= {e.until + dt.timedelta(days=1) for e in entries if e.until}
    return tuple(sorted(found))
