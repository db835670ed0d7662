"""Does use answer to temperature differently on operating days?

A slope gets a second column that counts on operating days alone, at the same change point:
b·hinge(T) on every day + d·hinge(T) on operating days (categorical slopes, BPA Regression for
M&V §4, from memory).  Where other days don't answer to temperature at all, d·hinge(T) stands alone.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from mv.baseline.columns import Rows
from mv.baseline.fit import Response

ADDED = " on operating days"
"""Ends the name of a slope that operating days add, or that they alone have."""


@dataclass(frozen=True)
class SlopesByDay:
    """A response whose slopes differ on operating days."""

    plain: Response
    sides: tuple[str, ...]
    """Names of the slopes that operating days add to."""
    alone: tuple[str, ...] = ()
    """Names of the slopes that only operating days have."""

    @property
    def form(self) -> str:
        """Form of the response itself."""
        return self.plain.form

    @property
    def change_points(self) -> tuple[float, ...]:
        """degC."""
        return self.plain.change_points

    @property
    def names(self) -> tuple[str, ...]:
        """Slopes of the form, then what operating days add to each."""
        own = tuple(name + ADDED * (name in self.alone) for name in self.plain.names)
        return own + tuple(name + ADDED for name in self.sides)

    @property
    def meanings(self) -> tuple[str, ...]:
        """One line each."""
        plain = dict(zip(self.plain.names, self.plain.meanings, strict=True))
        kinds = dict.fromkeys(self.sides, ", non-operating days")
        kinds |= dict.fromkeys(self.alone, ", operating days alone")
        words = tuple(words + kinds.get(name, "") for name, words in plain.items())
        return words + tuple(f"what operating days add to it: {plain[s]}" for s in self.sides)

    def columns(self, rows: Rows) -> np.ndarray:
        """Columns of rows, shape (rows, k + sides)."""
        plain = self.plain.columns(rows)
        return self.of(plain, np.asarray(rows["operating"], dtype=float)[:, None])

    def at(self, temperature: np.ndarray, operating: float = 1.0) -> np.ndarray:
        """Columns of days at these temperatures, shape (len, k + sides)."""
        return self.of(self.plain.at(temperature), operating)

    def words(self) -> tuple[str, ...]:
        """Columns in symbols."""
        plain = self.plain.words()
        added = tuple(f"operating·{plain[k]}" for k in self._places(self.sides))
        return (
            tuple(
                f"operating·{words}" if name in self.alone else words
                for name, words in zip(self.plain.names, plain, strict=True)
            )
            + added
        )

    def of(self, plain: np.ndarray, operating: np.ndarray | float) -> np.ndarray:
        """Columns from those of the plain response, shape (rows, k); `operating` is 1 or 0, or one
        of them a row, shape (rows, 1)."""
        added = plain[:, self._places(self.sides)] * operating
        own = plain.copy()
        own[:, self._places(self.alone)] *= operating
        return np.hstack([own, added])

    def _places(self, sides: tuple[str, ...]) -> list[int]:
        return [self.plain.names.index(side) for side in sides]
