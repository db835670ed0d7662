"""The readings of the starter folder: two invented sites of which the truth is known.

The workshop's meter is read every day, the library by bills; one weather station serves both.
Use is a constant, more on operating days, more in warm weather, a wander of a few days, and from
the retrofit on less lighting on operating days.  What the example's tables say of closures and of
the event of May 2024 is in the readings.  The same text comes out every time.
"""

from __future__ import annotations

import datetime as dt
import math
from collections.abc import Iterable
from itertools import pairwise
from random import Random

SEED = 20240108
FIRST = dt.date(2023, 1, 1)
DAYS = 763
"""Until 1 February 2025: a year before the works, the works, a year after."""

WORKSHOP_SAVING = 94.0
"""kWh of lighting that a workshop's operating day saves."""

LIBRARY_SAVING = 44.0
"""kWh of lighting that a library's operating day saves."""

EVENT = (dt.date(2024, 5, 13), dt.date(2024, 5, 17), 70.0)
"""First and last day of the shared supply in events.csv, and the kWh per day that it added."""

CLOSED = {
    "workshop": (
        (dt.date(2023, 8, 7), dt.date(2023, 8, 18)),
        (dt.date(2024, 8, 5), dt.date(2024, 8, 16)),
        (dt.date(2024, 12, 24), dt.date(2024, 12, 24)),
    ),
    "library": ((dt.date(2024, 12, 24), dt.date(2024, 12, 24)),),
}
"""Closures as in operating_days.csv."""


def readings() -> dict[str, str]:
    """Text of every file of readings, by its name in the folder."""
    dice = Random(SEED)
    days = [FIRST + dt.timedelta(days=i) for i in range(DAYS)]
    warm = _temperatures(days, dice)
    workshop = _use(
        days, warm, dice, operating(days, "workshop", 5), (210.0, 300.0, 9.0),
        (dt.date(2024, 1, 17), WORKSHOP_SAVING),
    )  # fmt: skip
    library = _use(
        days, warm, dice, operating(days, "library", 6), (90.0, 170.0, 6.0),
        (dt.date(2024, 1, 11), LIBRARY_SAVING),
    )  # fmt: skip
    first, last, added = EVENT
    workshop = [u + added if first <= d <= last else u for d, u in zip(days, workshop, strict=True)]
    return {
        "meters/workshop.csv": _lines(
            "date,kWh", (f"{d},{u:.1f}" for d, u in zip(days, workshop, strict=True))
        ),
        "meters/library_bills.csv": _lines("start,end,kWh", _bills(days, library)),
        "weather/town.csv": _lines(
            "date,temperature", (f"{d},{t:.1f}" for d, t in zip(days, warm, strict=True))
        ),
    }


def _temperatures(days: list[dt.date], dice: Random) -> list[float]:
    """Daily mean temperatures in degC: a year's wave and a wander of a few days."""
    wander, result = 0.0, []
    for day in days:
        wander = 0.75 * wander + 1.9 * _wave(dice)
        year = math.cos(2 * math.pi * (day.timetuple().tm_yday - 205) / 365.25)
        result.append(round(16.5 + 7.0 * year + wander, 1))
    return result


def operating(days: list[dt.date], site: str, work_days: int) -> list[bool]:
    """Whether a site of the example works on each day: its week, public holidays, closures."""
    import holidays

    public = holidays.country_holidays("PT", years={d.year for d in days})
    return [
        day.weekday() < work_days
        and day not in public
        and not any(first <= day <= last for first, last in CLOSED[site])
        for day in days
    ]


def _use(
    days: list[dt.date],
    warm: list[float],
    dice: Random,
    works: list[bool],
    size: tuple[float, float, float],
    retrofit: tuple[dt.date, float],
) -> list[float]:
    """Daily use in kWh.  `size`: always, more on operating days, more per degree above 17 degC;
    `retrofit`: first day, and what it saves on operating days."""
    always, work, per_degree = size
    wander, result = 0.0, []
    for day, temperature, at_work in zip(days, warm, works, strict=True):
        wander = 0.5 * wander + 0.015 * (always + work) * _wave(dice)
        use = always + wander + per_degree * max(0.0, temperature - 17.0)
        if at_work:
            use += work - (retrofit[1] if day >= retrofit[0] else 0.0)
        result.append(use)
    return result


def _bills(days: list[dt.date], use: list[float]) -> list[str]:
    """Bills from read to read, near the first of each month; the read day starts the next."""
    reads = [i for i, day in enumerate(days) if day.day == (1, 2, 1, 3)[day.month % 4]]
    rows = []
    for start, end in pairwise(reads):
        rows.append(f"{days[start]},{days[end]},{sum(use[start:end]):.0f}")
    return rows


def _wave(dice: Random) -> float:
    """A draw with mean 0 and standard deviation 1 (sum of twelve uniform draws, less six)."""
    return sum(dice.random() for _ in range(12)) - 6.0


def _lines(header: str, rows: Iterable[str]) -> str:
    return "\n".join([header, *rows]) + "\n"
