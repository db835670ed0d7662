"""How much of a load falls under an entry of a rate?  Billing determinants.

For every billing period: the energy under an entry, the highest demand under it, the days and
months for which it is in force.  A load that is another one times a constant (the ends of a
saving's interval) has the same determinants times that constant, and is not gone through again.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property

import numpy as np

from mv.money.clock import Clock
from mv.money.component import Entry, when
from mv.money.load import Load
from mv.money.peaks import period_peaks
from mv.wording import number

COVERED = 0.999
"""Share of a piece's time that must fall under some entry; under 1 for rounding of shares."""


@dataclass
class Use:
    """The billing determinants of one load.

    `peaks_of` is the use whose metered demand is billed (its own when None), and `peak_change`
    what is added to it, in kW.  A model's energies say little about peaks, so the adjusted
    baseline is billed for the measured peaks plus the demand saving that is claimed.
    """

    load: Load
    clock: Clock
    unit_factor: float = 1.0
    """Units that the rate's prices are per, in one canonical unit."""
    history: Load | None = None
    """The measured load of the months before, for a ratchet."""
    peaks_of: Use | None = None
    peak_change: Mapping[str, np.ndarray | float] = field(default_factory=dict)
    """kW added, by name of the time-of-use period; an empty name is for demand at any hour."""
    scale: float = 1.0
    """Factor on the energies."""
    notes: list[tuple[str, str]] = field(default_factory=list)
    """(rule, sentence) of what had to be assumed while pricing."""
    _kept: dict = field(default_factory=dict)
    """Determinants at scale 1, by entry."""

    def scaled(self, factor: float) -> Use:
        """The same load times a constant; its demand stays."""
        return replace(self, scale=self.scale * factor)

    @property
    def count(self) -> int:
        """Number of billing periods."""
        return self.load.billing.count

    def energy(self, entry: Entry) -> np.ndarray:
        """Energy under the entry, in the rate's unit, shape (k,)."""
        key = ("energy", entry.season, entry.period, entry.from_, entry.until)
        if key not in self._kept:
            self._kept[key] = self._energy_under(entry)
        return self._kept[key] * (self.scale * self.unit_factor)

    def _energy_under(self, entry: Entry) -> np.ndarray:
        if self.clock.cell is not None:
            return self._histogram[:, self.clock.holds(entry)].sum(axis=1)
        weight = self.clock.weight(entry)
        values = self._energy if weight is None else self._energy * weight
        return np.bincount(self.load.billing.index, values, self.count)

    def without(self, entries: Sequence[Entry]) -> tuple[int, np.datetime64] | None:
        """Pieces with energy for which no entry is in force: their number and the first's start.

        None where there are none.
        """
        key = ("without", *((e.season, e.period, e.from_, e.until) for e in entries))
        if key not in self._kept:
            self._kept[key] = self._without(entries)
        return self._kept[key]

    def _without(self, entries: Sequence[Entry]) -> tuple[int, np.datetime64] | None:
        if self.clock.cell is not None:
            held = np.any([self.clock.holds(entry) for entry in entries], axis=0)
            if not self._histogram[:, ~held].any():
                return None
            bare = ~held[self.clock.cell.reshape(-1)[self.clock.flat]]
        else:
            weights = [self.clock.weight(entry) for entry in entries]
            if any(weight is None for weight in weights):
                return None
            bare = np.sum(weights, axis=0) < COVERED
        bare &= self._energy > 0
        return (int(bare.sum()), self.load.start[np.argmax(bare)]) if bare.any() else None

    def note_gap(self, entries: Sequence[Entry]) -> None:
        """Say where energy was used and no entry gives its price: no figure can be given then."""
        bare = self.without(entries)
        if bare is not None:
            count, first = bare
            limits = "; ".join(when(entry) for entry in entries)
            self.note(
                "rate_gap",
                f"the rate has no energy price at {first} and {number(count)} intervals, days or "
                f"bills in all (its prices apply: {limits}); add the price that was in force",
            )

    def peak(self, entry: Entry, window: int) -> np.ndarray:
        """Highest demand under the entry in kW, shape (k,); NaN where none is known.

        `window` in minutes.
        """
        if self.peaks_of is not None:
            peaks = self.peaks_of.peak(entry, window)
            return np.maximum(peaks + self.peak_change.get(entry.period or "", 0.0), 0.0)
        key = ("peak", entry.season, entry.period, entry.from_, entry.until, window)
        if key not in self._kept:
            self._kept[key] = period_peaks(self.load, window, self._counts(entry))
        peaks = self._kept[key]
        missing = int(np.isnan(peaks).sum())
        if missing:
            self.note(
                "demand_not_priced",
                f"{missing} billing periods have no demand reading; their demand charge is left "
                "out of both loads",
            )
        if self.load.kind == "interval" and self.load.hours[0] * 60 > window:
            self.note(
                "demand_window_coarse",
                f"the demand charge is by {window} minutes and the readings are by "
                f"{self.load.hours[0] * 60:g}; peaks are understated in both loads",
            )
        return np.maximum(peaks, 0.0)

    def earlier_peaks(self, entry: Entry, window: int) -> tuple[np.ndarray, np.ndarray]:
        """Peaks of the months before this load: first days datetime64[D] and kW."""
        if self.peaks_of is not None:
            return self.peaks_of.earlier_peaks(entry, window)
        if self._earlier is None:
            return np.array([], dtype="datetime64[D]"), np.array([])
        return self._earlier.load.billing.first, self._earlier.peak(entry, window)

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
        hours = np.where(np.isfinite(self.load.energy), self.load.hours, 0.0)
        return np.bincount(billing.index, self.clock.of_days(by_day) * hours / 24.0, self.count)

    def note(self, rule: str, sentence: str) -> None:
        """Say once what had to be assumed."""
        if (rule, sentence) not in self.notes:
            self.notes.append((rule, sentence))

    @cached_property
    def _earlier(self) -> Use | None:
        if self.history is None or not len(self.history.start):
            return None
        clock = Clock(self.clock.calendar, self.history, self.clock.holidays, self.clock.breaks)
        return Use(self.history, clock)

    @property
    def _energy(self) -> np.ndarray:
        """Energy of each piece, canonical unit: nothing where it is unknown or fed back."""
        if "energy" not in self._kept:
            energy = np.where(np.isfinite(self.load.energy), self.load.energy, 0.0)
            fed = int(np.count_nonzero(energy < 0))
            if fed:
                self.note(
                    "export_not_priced",
                    f"{number(fed)} intervals, days or bills with energy below zero count as zero; "
                    "what is fed back is not priced",
                )
                energy = np.maximum(energy, 0.0)
            self._kept["energy"] = energy
        return self._kept["energy"]

    @property
    def _histogram(self) -> np.ndarray:
        """Energy by billing period and cell, canonical unit, shape (k, cells)."""
        if "histogram" not in self._kept:
            cells = self.clock.cell_count
            table = (self.clock.month[:, None] * cells + self.clock.cell).reshape(-1)
            size = self.count * cells
            sums = np.bincount(table[self.clock.flat], self._energy, size)
            self._kept["histogram"] = sums.reshape(self.count, cells)
        return self._kept["histogram"]

    def _counts(self, entry: Entry) -> np.ndarray | None:
        """Whether each piece counts for the demand under the entry, shape (n,); None for all."""
        if entry.season is None and entry.period is None and not (entry.from_ or entry.until):
            return None
        if self.load.kind == "bill":
            return None
        if self.clock.cell is not None:
            return self.clock.holds(entry)[self.clock.cell.reshape(-1)][self.clock.flat]
        return self.clock.weight(entry) >= 0.5
