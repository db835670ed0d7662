"""What are rows once they are read: the same table, its columns plain arrays?

A data frame costs more to slice and to look into than the arithmetic on a few hundred rows.  What
is done with a site's rows after its fits, and what is kept of them, goes by plain arrays.
"""

from __future__ import annotations

from collections.abc import Collection, KeysView

import numpy as np
import pandas as pd


class Columns:
    """Rows in order of time.  Where a model or a sum reads a data frame's columns and takes some of
    its rows, it can read these."""

    __slots__ = ("_columns", "_words", "index", "settled")

    def __init__(self, index: np.ndarray, columns: dict[str, np.ndarray]) -> None:
        self.index = index
        """Local days, datetime64[s]; of hours their UTC starts, of bills their place; (rows,)."""
        self._columns = columns
        self._words: dict[tuple[str, str], np.ndarray] = {}
        """Which rows have a word in a column, as far as anybody has asked."""
        self.settled = False
        """Whether all rows are known to be used and in order of time."""

    @classmethod
    def of(cls, rows: pd.DataFrame, leave: Collection[str] = ()) -> Columns:
        """The columns of a data frame of days or bills, but for those to `leave`; words as Python
        strings."""
        days = isinstance(rows.index, pd.DatetimeIndex)
        index = rows.index.to_numpy().astype("datetime64[s]") if days else np.arange(len(rows))
        taken = {name: kind.kind for name, kind in rows.dtypes.items() if name not in leave}
        columns = {
            name: rows[name].to_numpy(None if kind in "biufM" else object)
            for name, kind in taken.items()
        }
        return cls(index, columns)

    def frame(self) -> pd.DataFrame:
        """The same rows as a data frame."""
        days = self.index.dtype.kind == "M"
        index = pd.DatetimeIndex(self.index, name="date") if days else pd.Index(self.index)
        return pd.DataFrame(
            {
                # As Python strings words are compared and taken apart several times faster than as
                # the text type that pandas would choose.
                name: pd.Series(values, index, dtype=object) if values.dtype == object else values
                for name, values in self._columns.items()
            },
            index=index,
        )

    def __len__(self) -> int:
        return len(self.index)

    def __contains__(self, name: str) -> bool:
        return name in self._columns

    def __getitem__(self, which: str | np.ndarray) -> np.ndarray | Columns:
        """A column, shape (rows,), or the rows where an array of booleans, (rows,), is true."""
        if isinstance(which, str):
            return self._columns[which]
        if which.all():
            return self
        places = np.flatnonzero(which)
        if len(places) and places[-1] - places[0] == len(places) - 1:
            places = slice(places[0], places[-1] + 1)  # one stretch: nothing is copied
        taken = self.take(places)
        taken.settled = self.settled
        return taken

    def having(self, name: str, word: str) -> np.ndarray:
        """Which rows have a word in a column, (rows,) bool: compared once, so don't write to it."""
        key = name, word
        if key not in self._words:
            values = self._columns[name]
            if isinstance(values, pd.Categorical):
                found = values.codes == values.categories.get_loc(word)
            else:
                found = values == word
            found.flags.writeable = False
            self._words[key] = found
        return self._words[key]

    @property
    def columns(self) -> KeysView[str]:
        """Names of the columns."""
        return self._columns.keys()

    def without(self, names: Collection[str]) -> Columns:
        """The same rows but for some columns."""
        kept = {name: values for name, values in self._columns.items() if name not in names}
        return self._with(kept, names)

    def take(self, places: np.ndarray | slice) -> Columns:
        """The rows at these places, or of this stretch."""
        taken = Columns(
            self.index[places], {name: values[places] for name, values in self._columns.items()}
        )
        taken._words = {key: found[places] for key, found in self._words.items()}
        return taken

    def assign(self, **columns: np.ndarray | float) -> Columns:
        """The same rows with other or further columns."""
        whole = {
            name: values if np.ndim(values) else np.full(len(self), values)
            for name, values in columns.items()
        }
        return self._with(self._columns | whole, columns)

    def _with(self, columns: dict[str, np.ndarray], changed: Collection[str]) -> Columns:
        """The same rows with these columns; what is known of those not `changed` stays known."""
        made = Columns(self.index, columns)
        made._words = {key: found for key, found in self._words.items() if key[0] not in changed}
        made.settled = self.settled and not {"status", "start"} & set(changed)
        return made


Rows = pd.DataFrame | Columns
"""Rows of either kind."""
