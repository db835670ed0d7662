"""Which season and which time-of-use period does a moment belong to?

Seasons are spans of days in a year.  Periods are hours of days of the week, in local clock time;
their hours may differ by season.  Public holidays count as a day of the week that the rate names.
A season or period called by the word `rest` takes what the others leave.

As written in a rate:

    holidays = "Sun"                       # or "none": holidays are like any other day
    seasons = { summer = "06-01..09-30", winter = "rest" }
    periods = { peak = ["summer Mon-Fri 12:00-18:00", "winter Mon-Fri 17:00-20:00"],
                off_peak = "rest" }

A span may run over the turn of the year (`11-01..03-31`); one that ends on 02-28 holds 29 February.
Hours that run over midnight (`22:00-06:00`) are the first and the last hours of the days named.
"""

from __future__ import annotations

import re
from dataclasses import dataclass, field

import numpy as np

from mv.portfolio.tables import shown
from mv.portfolio.week import DAY_NAMES, parse_week

MINUTES_A_DAY = 1440
REST = "rest"

_SPAN = re.compile(r"^(\d\d)-(\d\d)\s*\.\.\s*(\d\d)-(\d\d)$")
_HOURS = re.compile(r"^(\d\d?):(\d\d)-(\d\d?):(\d\d)$")
_DAYS_IN_MONTH = (31, 29, 31, 30, 31, 30, 31, 31, 30, 31, 30, 31)


@dataclass(frozen=True)
class RateCalendar:
    """Seasons, periods and the treatment of holidays of one rate.

    Code 0 of a table means that no season (period) is named for it; code i is the i-th name.
    """

    seasons: tuple[str, ...] = ()
    periods: tuple[str, ...] = ()
    holiday_as: int | None = None
    """Day of the week (0 Monday) that a public holiday counts as; None for no special day."""
    season_table: np.ndarray = field(
        default_factory=lambda: np.zeros((13, 32), np.int8), repr=False
    )
    """Season code by month and day, shape (13, 32)."""
    period_table: np.ndarray = field(
        default_factory=lambda: np.zeros((1, 7, MINUTES_A_DAY), np.int8), repr=False
    )
    """Period code by season code, day of the week and minute, shape (seasons + 1, 7, 1440)."""

    def season_of(self, days: np.ndarray) -> np.ndarray:
        """Season code of each day, `days` datetime64[D] of shape (d,)."""
        month = days.astype("datetime64[M]")
        month_number = month.astype(int) % 12 + 1
        day_number = (days - month.astype("datetime64[D]")).astype(int) + 1
        return self.season_table[month_number, day_number]

    def weekday_of(self, days: np.ndarray, holidays: np.ndarray) -> np.ndarray:
        """Day of the week (0 Monday) each day is priced as.

        `days` datetime64[D] of shape (d,); `holidays` datetime64[D], any length.
        """
        weekday = (days.astype(int) + 3) % 7  # 1970-01-01 was a Thursday
        if self.holiday_as is not None and len(holidays):
            weekday = np.where(np.isin(days, holidays), self.holiday_as, weekday)
        return weekday


def read_calendar(
    seasons: dict[str, str | list[str]],
    periods: dict[str, str | list[str]],
    holidays: str | None,
) -> tuple[RateCalendar, list[tuple[str, str]]]:
    """Turn the written seasons and periods into tables.

    Returns the calendar and the problems, each as (setting, sentence).
    """
    problems: list[tuple[str, str]] = []
    season_names, season_table = _read_seasons(seasons, problems)
    period_names, period_table = _read_periods(periods, season_names, problems)
    holiday_as = None
    if periods and holidays is None:
        problems.append(
            (
                "holidays",
                "the rate has time-of-use periods and doesn't say how public holidays are priced; "
                'add holidays = "Sun" (priced like a Sunday) or holidays = "none"',
            )
        )
    elif holidays is not None and holidays != "none":
        if holidays in DAY_NAMES:
            holiday_as = DAY_NAMES.index(holidays)
        else:
            problems.append(
                (
                    "holidays",
                    f"{shown(holidays)} is not a day of the week (Mon ... Sun) or none",
                )
            )
    return RateCalendar(
        season_names, period_names, holiday_as, season_table, period_table
    ), problems


def _texts(value: str | list[str]) -> list[str]:
    return [value] if isinstance(value, str) else list(value)


def _read_seasons(seasons, problems):
    table = np.zeros((13, 32), np.int8)
    names = tuple(seasons)
    rest = 0
    for code, (name, value) in enumerate(seasons.items(), start=1):
        for text in _texts(value):
            if text == REST:
                rest = code
                continue
            mask = _season_mask(text)
            if mask is None:
                problems.append(
                    (
                        f"seasons.{name}",
                        f"{shown(text)} is not a span of days such as 06-01..09-30, or rest",
                    )
                )
                continue
            if (table[mask] > 0).any():
                problems.append((f"seasons.{name}", f"{shown(text)} overlaps another season"))
            table[mask] = code
    real = _season_mask("01-01..12-31")
    if rest:
        table[real & (table == 0)] = rest
    elif names and not problems and (table[real] == 0).any():
        month, day = np.argwhere(real & (table == 0))[0]
        problems.append(
            (
                "seasons",
                f"no season holds {month:02d}-{day:02d}; "
                'let the seasons fill the year, or call one of them "rest"',
            )
        )
    return names, table


def _season_mask(text: str) -> np.ndarray | None:
    match = _SPAN.match(text.strip())
    if not match:
        return None
    first_month, first_day, last_month, last_day = (int(g) for g in match.groups())
    for month, day in ((first_month, first_day), (last_month, last_day)):
        if not (1 <= month <= 12 and 1 <= day <= _DAYS_IN_MONTH[month - 1]):
            return None
    if (last_month, last_day) == (2, 28):
        last_day = 29
    order = np.full((13, 32), -1)
    for month in range(1, 13):
        days = np.arange(1, _DAYS_IN_MONTH[month - 1] + 1)
        order[month, days] = month * 32 + days
    first, last = first_month * 32 + first_day, last_month * 32 + last_day
    inside = (order >= first) & (order <= last)
    if first > last:
        inside = (order >= first) | ((order >= 0) & (order <= last))
    return inside


def _read_periods(periods, season_names, problems):
    table = np.zeros((len(season_names) + 1, 7, MINUTES_A_DAY), np.int8)
    names = tuple(periods)
    rest = 0
    for code, (name, value) in enumerate(periods.items(), start=1):
        for text in _texts(value):
            if text == REST:
                rest = code
                continue
            mask = _period_mask(text, season_names)
            if mask is None:
                problems.append(
                    (
                        f"periods.{name}",
                        f"{shown(text)} is not days and hours such as Mon-Fri 12:00-18:00 "
                        "(a season may stand before them), or rest",
                    )
                )
                continue
            if (table[mask] > 0).any():
                problems.append((f"periods.{name}", f"{shown(text)} overlaps another period"))
            table[mask] = code
    if rest:
        table[table == 0] = rest
    else:
        used = table[1:] if season_names else table
        if names and not problems and (used == 0).any():
            where = np.argwhere(used == 0)[0]
            clock = f"{where[2] // 60:02d}:{where[2] % 60:02d}"
            problems.append(
                (
                    "periods",
                    f"no period holds {DAY_NAMES[where[1]]} {clock}"
                    '; let the periods fill the week, or call one of them "rest"',
                )
            )
    return names, table


def _period_mask(text: str, season_names: tuple[str, ...]) -> np.ndarray | None:
    words = text.split()
    season = slice(None)
    if len(words) == 3:
        if words[0] not in season_names:
            return None
        season = season_names.index(words[0]) + 1
        words = words[1:]
    if len(words) != 2:
        return None
    hours = _HOURS.match(words[1])
    try:
        days = np.flatnonzero(parse_week(words[0]))
    except ValueError:
        return None
    if not hours:
        return None
    first_hour, first_minute, last_hour, last_minute = (int(g) for g in hours.groups())
    first, last = first_hour * 60 + first_minute, last_hour * 60 + last_minute
    if max(first, last) > MINUTES_A_DAY or max(first_minute, last_minute) > 59 or first == last:
        return None
    minute = np.arange(MINUTES_A_DAY)
    inside = (minute >= first) & (minute < last)
    if first > last:
        inside = (minute >= first) | (minute < last)
    mask = np.zeros((len(season_names) + 1, 7, MINUTES_A_DAY), bool)
    for day in days:
        mask[season, day] |= inside
    return mask
