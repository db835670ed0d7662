"""Which days did the models take as usual work, and what is it worth to know them?"""

from __future__ import annotations

import datetime as dt

import numpy as np

from mv.baseline.day_types import operating_day_effect
from mv.operating_days import REASONS, OperatingCalendar
from mv.prepare import Window
from mv.results import OperatingDays
from mv.verify.fits import Fits

DAY = dt.timedelta(days=1)


def operating_days_of(
    calendar: OperatingCalendar, country: str | None, window: Window | None, fits: Fits | None
) -> OperatingDays:
    """The calendar that the models used; window and fits are those of the claimed carrier."""

    def between(first: dt.date, last: dt.date) -> int:
        ends = np.array([first, last + DAY], dtype="datetime64[D]")
        low, high = np.searchsorted(calendar.dates, ends)
        return int(calendar.operating[low:high].sum())

    before = after = 0
    if window is not None:
        before = between(window.baseline_start, window.baseline_end)
        after = between(window.reporting_start, window.reporting_end)
    effect, types = None, []
    if fits is not None:
        effect = operating_day_effect(fits.fit, fits.baseline, fits.reporting)
        types = list(fits.fit.terms.kinds())
    return OperatingDays(
        week=calendar.week_words,
        origin=calendar.origin,
        words=calendar.words,
        holidays=f"public holidays of {country}" if country else "none kept: no country is given",
        operating_days_baseline=before,
        operating_days_reporting=after,
        exceptions=int((calendar.reasons == REASONS.index("exception")).sum()),
        holiday_list=[f"{day} {name}" for day, name in sorted(calendar.holidays.items())],
        adjustment=effect,
        day_types=types,
    )
