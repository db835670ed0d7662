"""Which weekdays do the words of an operating week name?

The words stand in the column operating_week: days or spans of days, such as `Mon-Fri` or
`Tue,Thu,Sat`, in English, full or short; `Sun-Thu` runs across the weekend; `daily` is all.
"""

from __future__ import annotations

import re

DAY_NAMES = ("Mon", "Tue", "Wed", "Thu", "Fri", "Sat", "Sun")

_FULL_NAMES = ("monday", "tuesday", "wednesday", "thursday", "friday", "saturday", "sunday")
_EVERY_DAY = frozenset({"daily", "all", "every day", "7/7"})


def parse_week(text: str) -> tuple[bool, ...]:
    """Seven booleans, Monday first.

    Raises ValueError with a sentence when a word is no weekday, or none is named.
    """
    if text.strip().lower() in _EVERY_DAY:
        return (True,) * 7
    week = [False] * 7
    for part in re.split(r"[,;+\s]+", re.sub(r"\s*[-–]\s*", "-", text.strip())):
        if not part:
            continue
        ends = [_weekday(word) for word in part.split("-", 1)]
        day = ends[0]
        week[day] = True
        while day != ends[-1]:
            day = (day + 1) % 7
            week[day] = True
    if not any(week):
        raise ValueError("the operating week names no day")
    return tuple(week)


def week_words(week: tuple[bool, ...]) -> str:
    """`Mon-Fri`, `Mon-Thu, Sat`, `daily` from seven booleans, Monday first."""
    if all(week):
        return "daily"
    spans, day = [], 0
    while day < 7:
        if not week[day]:
            day += 1
            continue
        end = day
        while end < 6 and week[end + 1]:
            end += 1
        spans.append((day, end))
        day = end + 1
    return ", ".join(DAY_NAMES[a] if a == b else f"{DAY_NAMES[a]}-{DAY_NAMES[b]}" for a, b in spans)


def _weekday(word: str) -> int:
    lower = word.strip().lower().rstrip(".")
    if len(lower) >= 2:
        for index, name in enumerate(_FULL_NAMES):
            if name.startswith(lower):
                return index
    raise ValueError(f"{word!r} is no weekday; write days such as Mon-Fri or Tue,Thu,Sat")
