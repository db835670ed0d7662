"""How much of a load falls under an entry of a rate?  Billing determinants.

For every billing period: the energy in a season and a time-of-use period, the highest demand in
them, the share of the period's days for which the entry is in force.  Interval loads are cut to
the minute; daily loads carry no hour and bills no day, so that a bill's energy counts as spread
evenly over its days, and an entry that asks for hours of the day cannot be answered (ModelError).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import cached_property

import numpy as np

from mv.findings import ModelError
from mv.money.calendar import MINUTES_A_DAY, RateCalendar
from mv.money.component import Entry
from mv.money.load import Load
from mv.money.peaks import period_peaks

EMPTY = np.array([], dtype="datetime64[D]")


@dataclass
class Clock:
    """Season, day and hour of each piece of a load under a rate's calendar.

    Two loads with the same pieces share one clock.
    """

    calendar: RateCalendar
    load: Load
    holidays: np.ndarray = field(default_factory=lambda: EMPTY)
    _weights: dict = field(default_factory=dict)

    @cached_property
    def first(self) -> np.datetime64:
        """First day of the load."""
        return self.load.day.min()

    @cached_property
    def days(self) -> np.ndarray:
        """Every day from the load's first to its last, datetime64[D]."""
        end = self.load.start + (self.load.hours * 3600).astype("timedelta64[s]")
        last = (end.max() - np.timedelta64(1, "s")).astype("datetime64[D]")
        return np.arange(self.first, max(last, self.load.day.max()) + 1)

    @cached_property
    def season(self) -> np.ndarray:
        """Season code of each day."""
        return self.calendar.season_of(self.days)

    @cached_property
    def weekday(self) -> np.ndarray:
        """Day of the week each day is priced as."""
        return self.calendar.weekday_of(self.days, self.holidays)

    @cached_property
    def day_position(self) -> np.ndarray:
        """Position in `days` of each piece."""
        return (self.load.day - self.first).astype(np.int64)

    @cached_property
    def slots(self) -> int:
        """Pieces in a day, for interval loads."""
        return max(1, round(24.0 / float(self.load.hours[0])))

    @cached_property
    def _flat(self) -> np.ndarray:
        seconds = (self.load.start - self.load.day.astype("datetime64[s]")).astype(np.int64)
        step = round(float(self.load.hours[0]) * 3600)
        return self.day_position * self.slots + seconds // step

    def day_share(self, entry: Entry) -> np.ndarray | None:
        """1 on days of the entry's season and dates, else 0; None where it is always in force."""
        mask = None
        if entry.season is not None:
            mask = self.season == self.calendar.seasons.index(entry.season) + 1
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

    def _weight(self, entry: Entry) -> np.ndarray | None:
        by_day = self.day_share(entry)
        if entry.period is None:
            return None if by_day is None else self._of_days(by_day)
        code = self.calendar.periods.index(entry.period) + 1
        hit = (self.calendar.period_table == code).astype(float)
        interval = self.load.kind == "interval"
        slots = self.slots if interval else 1
        if MINUTES_A_DAY % slots:
            raise ModelError(f"a day cannot be cut into {slots} equal intervals of whole minutes")
        share = hit.reshape(*hit.shape[:2], slots, MINUTES_A_DAY // slots).mean(axis=3)
        table = share[self.season, self.weekday]
        if by_day is not None:
            table = table * by_day[:, None]
        if interval:
            return table.reshape(-1)[self._flat]
        if not np.isin(table, (0.0, 1.0)).all():
            raise ModelError(
                f"the rate has time-of-use periods ({', '.join(self.calendar.periods)}) and the "
                f"readings are by {self.load.kind}: they don't say at which hours energy was used"
            )
        return self._of_days(table[:, 0])

    def _of_days(self, by_day: np.ndarray) -> np.ndarray:
        if self.load.kind != "bill":
            return by_day[self.day_position]
        return self.bill_mean(by_day)

    def bill_mean(self, by_day: np.ndarray) -> np.ndarray:
        """Mean over each bill's days of a value per day, shape (n,)."""
        running = np.concatenate([[0.0], np.cumsum(by_day)])
        length = np.maximum(np.round(self.load.hours / 24.0).astype(int), 1)
        last = np.minimum(self.day_position + length, len(by_day))
        return (running[last] - running[self.day_position]) / (last - self.day_position)


@dataclass
class Use:
    """The billing determinants of one load.

    `peaks_of` is the load whose metered demand is billed (the load itself when None), and
    `peak_change` what is added to it, in kW: a number, or an array by billing period.  A model's
    energies say little about peaks, so the adjusted baseline is billed for the measured peaks
    plus the demand saving that is claimed.
    """

    load: Load
    clock: Clock
    unit_factor: float = 1.0
    """Units that the rate's prices are per, in one canonical unit."""
    history: Load | None = None
    """The measured load of the months before, for a ratchet."""
    peaks_of: Load | None = None
    peak_change: Mapping[str, np.ndarray | float] = field(default_factory=dict)
    """kW added, by name of the time-of-use period; `` is for demand at any hour."""
    notes: list[tuple[str, str]] = field(default_factory=list)
    """(rule, sentence) of what had to be assumed while pricing."""

    @property
    def count(self) -> int:
        """Number of billing periods."""
        return self.load.billing.count

    @cached_property
    def _energy(self) -> np.ndarray:
        energy = np.nan_to_num(self.load.energy)
        fed = energy < 0
        if fed.any():
            self.note(
                "export_not_priced",
                f"{int(fed.sum()):,} intervals, days or bills with energy below zero count as "
                "zero; what is fed back is not priced",
            )
            energy = np.where(fed, 0.0, energy)
        return energy * self.unit_factor

    def energy(self, entry: Entry) -> np.ndarray:
        """Energy under the entry, in the rate's unit, shape (k,)."""
        weight = self.clock.weight(entry)
        values = self._energy if weight is None else self._energy * weight
        return np.bincount(self.load.billing.index, values, self.count)

    def peak(self, entry: Entry, window: int) -> np.ndarray:
        """Highest demand under the entry in kW, shape (k,); NaN where none is known.

        `window` in minutes.
        """
        source = self.peaks_of or self.load
        peaks = period_peaks(source, window, self.clock.weight(entry))
        change = self.peak_change.get(entry.period or "", 0.0)
        if np.isnan(peaks).any():
            self.note(
                "demand_not_priced",
                f"{int(np.isnan(peaks).sum())} billing periods have no demand reading; their "
                "demand charge is left out of both loads",
            )
        if source.kind == "interval" and source.hours[0] * 60 > window:
            self.note(
                "demand_window_coarse",
                f"the demand charge is by {window} minutes and the readings are by "
                f"{source.hours[0] * 60:g}; peaks are understated in both loads",
            )
        return np.maximum(peaks + change, 0.0)

    def earlier_peaks(self, entry: Entry, window: int) -> tuple[np.ndarray, np.ndarray]:
        """Peaks of the months before this load: first days datetime64[D] and kW."""
        if self.history is None or not len(self.history.start):
            return EMPTY, np.array([])
        clock = Clock(self.clock.calendar, self.history, self.clock.holidays)
        return self.history.billing.first, period_peaks(self.history, window, clock.weight(entry))

    def months_in_force(self, entry: Entry) -> np.ndarray:
        """Months of each period for which the entry is in force and the load known, shape (k,)."""
        billing = self.load.billing
        return billing.months * self.days_in_force(entry) / billing.length

    def days_in_force(self, entry: Entry) -> np.ndarray:
        """Covered days of each period on which the entry is in force, shape (k,)."""
        by_day = self.clock.day_share(entry)
        billing = self.load.billing
        if by_day is None:
            return billing.days
        share = self.clock._of_days(by_day)
        hours = np.where(np.isfinite(self.load.energy), self.load.hours, 0.0)
        return np.bincount(billing.index, share * hours / 24.0, self.count)

    def note(self, rule: str, sentence: str) -> None:
        """Say once what had to be assumed."""
        if (rule, sentence) not in self.notes:
            self.notes.append((rule, sentence))
