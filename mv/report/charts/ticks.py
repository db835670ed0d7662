"""Where do the lines of a still picture's grid stand, and what is written beside them?"""

from __future__ import annotations

import datetime as dt
import math
from functools import lru_cache

from mv.report.format import FIXED, MONTHS
from mv.wording import MINUS, NARROW

_EPOCH = dt.date(1970, 1, 1)


def nice_step(span: float, most: int) -> float:
    """Step of 1, 2 or 5 times a power of ten that cuts `span` into at most `most` parts."""
    if span <= 0 or not math.isfinite(span):
        return 1.0
    raw = span / most
    power = 10.0 ** math.floor(math.log10(raw))
    for factor in (1, 2, 5, 10):
        if raw <= factor * power * (1 + 1e-9):
            return factor * power
    return 10 * power


def ticks(low: float, high: float, most: int = 6) -> tuple[tuple[float, str], ...]:
    """Round positions between `low` and `high` with their labels."""
    step = nice_step(high - low, most)
    return _steps(math.ceil(low / step - 1e-9), math.floor(high / step + 1e-9), step)


@lru_cache(maxsize=1024)
def _steps(first: int, last: int, step: float) -> tuple[tuple[float, str], ...]:
    """Whole numbers of a step from `first` to `last`, with their labels."""
    form = FIXED[max(0, -math.floor(math.log10(step)))]
    labels = [
        format(i * step, form).replace(",", NARROW).replace("-", MINUS) if i else "0"
        for i in range(first, last + 1)
    ]
    return tuple((i * step, label) for i, label in enumerate(labels, first))


@lru_cache(maxsize=256)
def date_ticks(low: int, high: int, most: int = 9) -> tuple[tuple[int, str], ...]:
    """First days of months (or of years) between two days since 1970, with their labels."""
    months = max(1.0, (high - low) / 30.4)
    step = next((s for s in (1, 2, 3, 6, 12, 24, 60) if months / s <= most), 120)
    day = _EPOCH + dt.timedelta(days=int(low))
    year, month = day.year, day.month
    out = []
    while True:
        first = dt.date(year, month, 1)
        place = (first - _EPOCH).days
        if place > high:
            return tuple(out)
        if place >= low and (year * 12 + month - 1) % step == 0:
            text = str(year) if step >= 12 else f"{MONTHS[month - 1][:3]} {year % 100:02d}"
            out.append((place, text))
        year, month = (year + 1, 1) if month == 12 else (year, month + 1)
