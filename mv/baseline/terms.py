"""Which linear terms stand beside the temperature: the level, the kind of day, the drivers?

Operating days enter as a column of 0 and 1 (days) or as the share of operating days (bills):
level + operating·(what an operating day adds).  Further independent variables (production,
occupancy) enter as they are, one column each (ASHRAE Guideline 14 and BPA Regression for M&V,
multiple regression and categorical variables; both from memory).
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from mv.baseline.columns import Rows
from mv.baseline.day_types import DayTypes
from mv.baseline.rows import DRIVER
from mv.findings import ModelError
from mv.wording import percent


@dataclass(frozen=True)
class LinearTerms:
    """The columns beside the temperature, the level first."""

    days: str = "none"
    """`none` (all days alike), `operating`, or `types` (those of `day_types`)."""
    drivers: tuple[str, ...] = ()
    """Names of the driver columns, without prefix."""
    day_types: DayTypes | None = None
    driver_means: dict[str, float] = field(default_factory=dict)
    """Means of the drivers over the baseline, for curves."""
    share: float | None = None
    """Mean share of operating days, where rows are bills that mix both kinds of day."""

    def columns(self, rows: Rows) -> np.ndarray:
        """Columns of the rows, shape (rows, k).  ModelError where one is missing."""
        drivers = [_column(rows, DRIVER + name)[None] for name in self.drivers]
        level = np.ones((1, len(rows)))
        return np.concatenate([level, self.day_columns(rows).T, *drivers]).T

    def day_columns(self, rows: Rows) -> np.ndarray:
        """Columns of the kinds of day that the level does not stand for, shape (rows, kinds)."""
        if self.days == "operating":
            return _column(rows, "operating")[:, None]
        if self.days == "types":
            others = np.arange(1, len(self.day_types.labels))[:, None]
            return (self.day_types.of(rows) == others).astype(float).T
        return np.empty((len(rows), 0))

    @property
    def names(self) -> tuple[str, ...]:
        """Short names, in the order of the columns."""
        return ("level", *self._day_names(), *(DRIVER + name for name in self.drivers))

    @property
    def meanings(self) -> tuple[str, ...]:
        """One sentence each."""
        if self.days == "operating":
            words = ("use on a non-operating day without heating or cooling",)
            words += ("what an operating day adds",)
        elif self.days == "types":
            first, *others = self.day_types.labels
            words = (f"use without heating or cooling: {first}",)
            words += tuple(f"what these days add to it: {label}" for label in others)
        else:
            words = ("use on a day without heating or cooling",)
        return words + tuple(f"use per unit of {name}" for name in self.drivers)

    def units(self, rate: str) -> tuple[str, ...]:
        """Units, given that of the modelled quantity (`kWh/day`)."""
        return (rate,) * (1 + len(self._day_names())) + tuple(
            f"{rate} per unit" for _ in self.drivers
        )

    def kinds(self) -> dict[str, tuple[np.ndarray, float]]:
        """For each kind of day a row of the columns, drivers at their means, and its share of
        operating days: for curves."""
        tail = np.array([self.driver_means.get(name, 0.0) for name in self.drivers])
        if self.days == "operating" and self.share is not None:
            label = f"{percent(self.share)} operating days"
            kinds = {label: ([1.0, self.share], self.share)}
        elif self.days == "operating":
            kinds = {"operating": ([1.0, 1.0], 1.0), "non-operating": ([1.0, 0.0], 0.0)}
        elif self.days == "types":
            types = self.day_types
            others = np.arange(1, len(types.labels))
            kinds = {
                label: (np.concatenate([[1.0], others == k]), types.operating[k])
                for k, label in enumerate(types.labels)
            }
        else:
            kinds = {"all days": ([1.0], 1.0)}
        return {
            label: (np.concatenate([row, tail]), share) for label, (row, share) in kinds.items()
        }

    def _day_names(self) -> tuple[str, ...]:
        if self.days == "operating":
            return ("operating",)
        if self.days == "types":
            return self.day_types.labels[1:]
        return ()


def _column(rows: Rows, name: str) -> np.ndarray:
    if name not in rows.columns:
        raise ModelError(f"the rows have no column {name!r}, which the model needs")
    return np.asarray(rows[name], dtype=float)
