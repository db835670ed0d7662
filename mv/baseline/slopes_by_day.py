"""Does use answer to temperature differently on operating days?

A slope gets a second column that counts on operating days alone, at the same change point:
b·hinge(T) on every day + d·hinge(T) on operating days (categorical slopes, BPA Regression for
M&V §4, from memory).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from mv.baseline.fit import Response

ADDED = " on operating days"
"""Ends the name of a slope that operating days add."""


@dataclass(frozen=True)
class SlopesByDay:
    """A response whose slopes differ on operating days."""

    plain: Response
    sides: tuple[str, ...]
    """Names of the slopes that differ."""

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
        """Slopes on all days, then what operating days add to each."""
        return self.plain.names + tuple(f"{name}{ADDED}" for name in self.sides)

    @property
    def meanings(self) -> tuple[str, ...]:
        """One line each."""
        plain = dict(zip(self.plain.names, self.plain.meanings, strict=True))
        words = tuple(
            f"{words}, non-operating days" if name in self.sides else words
            for name, words in plain.items()
        )
        return words + tuple(f"what operating days add to it: {plain[s]}" for s in self.sides)

    def columns(self, rows: pd.DataFrame) -> np.ndarray:
        """Columns of rows, shape (rows, k + sides)."""
        plain = self.plain.columns(rows)
        return self._added(plain, np.asarray(rows["operating"], dtype=float)[:, None])

    def at(self, temperature: np.ndarray, operating: float = 1.0) -> np.ndarray:
        """Columns of days at these temperatures, shape (len, k + sides)."""
        return self._added(self.plain.at(temperature), operating)

    def words(self) -> tuple[str, ...]:
        """Columns in symbols."""
        plain = self.plain.words()
        return plain + tuple(f"operating·{plain[k]}" for k in self._places())

    def _places(self) -> list[int]:
        return [self.plain.names.index(side) for side in self.sides]

    def _added(self, plain: np.ndarray, operating: np.ndarray | float) -> np.ndarray:
        return np.hstack([plain, plain[:, self._places()] * operating])
