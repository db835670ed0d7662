"""What a quirk is: a small file, the meter's row, and the series or the refusal it must give.

One function a quirk, in `quirks_shapes.py`, `quirks_times.py`, `quirks_quantities.py`,
`quirks_bills.py`; each makes its file from a series that is known, so that what must come out is
known too.  `test_quirks.py` reads them all.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass, field

import numpy as np
import pandas as pd

LISBON, NEW_YORK = "Europe/Lisbon", "America/New_York"


@dataclass(frozen=True)
class Quirk:
    """A file and what must come of it.

    `expected`: energy by UTC start (NaN where none may be given), or bills as (start, end,
    energy); `refused`: the rule that refuses the file instead, and a part of what it says.
    `findings`: rules that must be told, no others.
    """

    data: bytes | str
    expected: pd.Series | list[tuple[str, str, float]] | None = None
    refused: tuple[str, str] | None = None
    findings: tuple[str, ...] = ()
    zone: str = LISBON
    meter: dict = field(default_factory=dict)
    generation_metered: bool = False


QUIRKS: dict[str, Callable[[], Quirk]] = {}


def quirk(make: Callable[[], Quirk]) -> Callable[[], Quirk]:
    """Register a quirk under the name of its function."""
    if make.__name__ in QUIRKS:
        raise ValueError(f"two quirks are called {make.__name__}")
    QUIRKS[make.__name__] = make
    return make


def load(index: pd.DatetimeIndex) -> pd.Series:
    """A load by local time of day that never repeats for long: night 4, day up to 14 kWh."""
    hour = index.hour + index.minute / 60
    day = np.where((hour >= 8) & (hour < 18) & (index.day_of_week < 5), 9.0, 0.0)
    ripple = (np.arange(len(index)) * 7 % 13) / 8
    return pd.Series(np.round(4 + day + ripple, 3), index=index)


def truth(first: str, days: float, step: str = "1h", zone: str = LISBON) -> pd.Series:
    """The load over whole local days from `first`, by the local clock with its zone."""
    start = pd.Timestamp(first, tz=zone)
    end = start + pd.DateOffset(days=days)
    return load(pd.date_range(start, end, freq=step, inclusive="left"))


def long_text(
    series: pd.Series,
    *,
    form: str = "%Y-%m-%d %H:%M",
    separator: str = ",",
    header: str = "time,kWh",
    decimal: str = ".",
    value: Callable[[float], str] = str,
) -> str:
    """Two columns, a row an interval."""
    rows = [
        f"{stamp.strftime(form)}{separator}{value(v).replace('.', decimal)}"
        for stamp, v in series.items()
    ]
    head = [header.replace(",", separator)] if header else []
    return "\n".join(head + rows) + "\n"


def without(series: pd.Series, at: Iterable[int]) -> pd.Series:
    """The series with NaN at some positions."""
    changed = series.copy()
    changed.iloc[list(at)] = np.nan
    return changed


def put(text: str, line: int, row: str | None) -> str:
    """The text with line `line` (from 1, header included) replaced, or taken out for None."""
    lines = text.splitlines()
    lines[line - 1 : line] = [] if row is None else row.split("\n")
    return "\n".join(lines) + "\n"
