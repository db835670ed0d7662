"""What is the mean of the rows of one month, or of one step of temperature?

One pass over all rows for all bins, whatever their number.
"""

from __future__ import annotations

import numpy as np


class Bins:
    """Rows put into whole-numbered bins; only bins that hold a row count.

    Parameters
    ----------
    bins : number of each row's bin; not all of them too far apart (a month, a degree).
    """

    def __init__(self, bins: np.ndarray) -> None:
        low = int(bins.min()) if bins.size else 0
        self._of = bins - low
        counts = np.bincount(self._of)
        self._kept = np.flatnonzero(counts)
        self._counts = counts[self._kept]
        self.levels: list[int] = (self._kept + low).tolist()
        """Numbers of the bins, ascending."""
        self.counts: list[int] = self._counts.tolist()
        """Rows in each."""

    def means(self, values: np.ndarray) -> list[float]:
        """Mean of each bin's values (finite ones)."""
        return self._means(values).tolist()

    def standard_errors(self, values: np.ndarray) -> list[float]:
        """Standard error of each bin's mean, of independent rows; NaN for a single one."""
        means = np.zeros(self._of.max(initial=0) + 1)
        means[self._kept] = self._means(values)
        squares = self._means((values - means[self._of]) ** 2)
        less = self._counts - 1
        return np.sqrt(
            np.divide(squares, less, out=np.full(len(less), np.nan), where=less > 0)
        ).tolist()

    def first(self, values: np.ndarray) -> list:
        """The first row's value in each bin."""
        first = np.empty(self._of.max(initial=-1) + 1, dtype=values.dtype)
        first[self._of[::-1]] = values[::-1]  # of several rows of a bin the last written stays
        return first[self._kept].tolist()

    def _means(self, values: np.ndarray) -> np.ndarray:
        return np.bincount(self._of, weights=values)[self._kept] / self._counts


def months(days: np.ndarray) -> np.ndarray:
    """Months since January 1970 of days since 1 January 1970."""
    return days.astype("datetime64[D]").astype("datetime64[M]").astype(np.int64)


def first_days(of: list[int] | np.ndarray) -> np.ndarray:
    """First days, since 1 January 1970, of months since January 1970."""
    return np.asarray(of).astype("datetime64[M]").astype("datetime64[D]").astype(np.int64)


def month_text(number: int) -> str:
    """`2024-03` of a month since January 1970."""
    return f"{1970 + number // 12}-{number % 12 + 1:02d}"
