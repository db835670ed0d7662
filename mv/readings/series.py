"""In which form do a meter's readings leave this room: plain arrays, one value an interval or bill?

A data frame costs more to make and to look into than the arithmetic on its values, so the readings
of a meter go on as arrays; `frame` gives the same as a table, for looking at.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from mv.readings.clock import epoch_seconds, utc_index

MEASURED, ESTIMATED, MISSING, EXCLUDED = range(4)
FLAGS = ("measured", "estimated", "missing", "excluded")
"""What the codes of flags mean, by place."""


@dataclass(frozen=True, slots=True, eq=False)
class Intervals:
    """Readings of intervals of one length, in order of time.

    `starts` (n,) int64, seconds since 1970, UTC; `energy` (n,) float, NaN where there is none;
    `flags` (n,) int8, places in `FLAGS`.
    """

    starts: np.ndarray
    energy: np.ndarray
    flags: np.ndarray

    @classmethod
    def of(cls, frame: pd.DataFrame) -> Intervals:
        """Intervals of a table with index UTC start and the columns energy and flag."""
        energy = frame["energy"].to_numpy(dtype=float)
        return cls(epoch_seconds(frame.index), energy, _codes(frame["flag"]))

    def __len__(self) -> int:
        return len(self.starts)

    def frame(self) -> pd.DataFrame:
        """The same as a table: index `start` (UTC), columns energy and flag (words)."""
        return pd.DataFrame(
            {"energy": self.energy, "flag": _words(self.flags)}, index=utc_index(self.starts)
        )


@dataclass(frozen=True, slots=True, eq=False)
class BilledUse:
    """Bills, each array (n,).

    `start` and exclusive `end`: datetime64[D]; `energy`: use of the whole bill; `flags`: int8,
    places in `FLAGS`; `demand` and `cost`: NaN where the bill names none.
    """

    start: np.ndarray
    end: np.ndarray
    energy: np.ndarray
    flags: np.ndarray
    demand: np.ndarray
    cost: np.ndarray

    @classmethod
    def of(cls, frame: pd.DataFrame) -> BilledUse:
        """Bills of a table with these columns, `flag` in words; `demand` may be absent."""
        start, end = (frame[c].to_numpy().astype("datetime64[D]") for c in ("start", "end"))
        energy, cost = (frame[c].to_numpy(dtype=float) for c in ("energy", "cost"))
        demand = frame["demand"].to_numpy(dtype=float) if "demand" in frame else energy * np.nan
        return cls(start, end, energy, _codes(frame["flag"]), demand, cost)

    def __len__(self) -> int:
        return len(self.start)

    def frame(self) -> pd.DataFrame:
        """The same as a table: start and end (naive midnights), energy, flag, demand, cost."""
        return pd.DataFrame(
            {
                "start": self.start.astype("datetime64[ns]"),
                "end": self.end.astype("datetime64[ns]"),
                "energy": self.energy,
                "flag": _words(self.flags),
                "demand": self.demand,
                "cost": self.cost,
            }
        )


def _codes(words: pd.Series) -> np.ndarray:
    return pd.Categorical(words, categories=list(FLAGS)).codes


def _words(codes: np.ndarray) -> pd.Categorical:
    return pd.Categorical.from_codes(codes, categories=list(FLAGS))
