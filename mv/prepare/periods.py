"""Which row belongs to which period, and what did declared events do to it?

A day or a bill is baseline, installation, reporting or outside.  The installation period belongs
to neither side.  Days that declared events exclude keep their row with that status; energy that an
event added stands in a column of its own.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from mv import units
from mv.baseline.columns import Columns, Rows
from mv.portfolio.schema import Event, Retrofit

BASELINE, INSTALLATION, REPORTING, OUTSIDE = "baseline", "installation", "reporting", "outside"
DAY = dt.timedelta(days=1)
_NAMES = np.array([BASELINE, INSTALLATION, REPORTING, OUTSIDE], dtype=object)


@dataclass(frozen=True, slots=True)
class Window:
    """First and last day of each period, local dates, both inclusive."""

    baseline_start: dt.date
    baseline_end: dt.date
    installation_start: dt.date
    installation_end: dt.date
    reporting_start: dt.date
    reporting_end: dt.date


def year_before(day: dt.date) -> dt.date:
    """The same day a year earlier (28 February for the 29th)."""
    try:
        return day.replace(year=day.year - 1)
    except ValueError:
        return day.replace(year=day.year - 1, day=28)


def window_of(
    retrofits: Sequence[Retrofit],
    first: dt.date,
    last: dt.date,
    *,
    after: dt.date | None = None,
    before: dt.date | None = None,
) -> Window:
    """Periods of one or several retrofits that are verified together.

    The baseline is the 12 months before the works where no start is given; the installation
    period runs from the first retrofit's start to the last one's end; reporting ends with the
    data where no end is given.  Earlier works that ended on the day `after`, and later ones that
    begin on the day `before`, lie outside all periods.
    """
    start = min(r.installation_start for r in retrofits)
    end = max(r.installation_end for r in retrofits)
    given = [r.baseline_start for r in retrofits if r.baseline_start]
    baseline_start = min(given) if given else year_before(start)
    ends = [r.reporting_end for r in retrofits if r.reporting_end]
    reporting_end = min(max(ends), last) if ends else last
    if after is not None:
        baseline_start = max(baseline_start, after + DAY)
    if before is not None:
        reporting_end = min(reporting_end, before - DAY)
    return Window(
        max(baseline_start, first), start - DAY, start, end, end + DAY, max(reporting_end, end)
    )


def spans_of(rows: Rows) -> tuple[np.ndarray, np.ndarray]:
    """Start and exclusive end of each row, datetime64[D]."""
    if "end" in rows:
        return (
            np.asarray(rows["start"]).astype("datetime64[D]"),
            np.asarray(rows["end"]).astype("datetime64[D]"),
        )
    starts = np.asarray(rows.index).astype("datetime64[D]")
    return starts, starts + 1


def periods_of(window: Window, spans: tuple[np.ndarray, np.ndarray]) -> np.ndarray:
    """Period of each row, (rows,) words.  A bill belongs to the baseline or reporting period only
    when it lies wholly on that side of the works; at the far ends half of it must lie inside."""
    starts, ends = spans
    middle = starts + (ends - starts) // 2
    baseline = (middle >= np.datetime64(window.baseline_start)) & (
        ends <= np.datetime64(window.installation_start)
    )
    reporting = (starts > np.datetime64(window.installation_end)) & (
        middle <= np.datetime64(window.reporting_end)
    )
    works = (ends > np.datetime64(window.installation_start)) & (
        starts <= np.datetime64(window.installation_end)
    )
    place = np.full(len(starts), 3)
    for number, inside in ((2, reporting), (1, works), (0, baseline)):  # the last one prevails
        place[inside] = number
    return _NAMES[place]


def apply_events(
    rows: Columns,
    spans: tuple[np.ndarray, np.ndarray],
    events: Sequence[Event],
    unit: str,
) -> Columns:
    """Mark the days that declared events exclude, and the energy per day that they added."""
    adjustment = np.zeros(len(rows))
    if not events:
        return rows.assign(adjustment=adjustment)
    starts, ends = spans
    length = (ends - starts).astype(float)
    status = rows["status"].copy()
    for event in events:
        first = np.datetime64(event.start)
        after = np.datetime64(event.end + DAY) if event.end else ends[-1]
        overlap = (np.minimum(ends, after) - np.maximum(starts, first)).astype(float)
        share = np.clip(overlap, 0, None) / length
        if event.treatment == "exclude":
            status[(share > 0) & (status == "used")] = "event_excluded"
        elif event.treatment == "adjust" and event.change is not None:
            adjustment += share * event.change * units.factor(event.unit, unit)
    return rows.assign(status=status, adjustment=adjustment)


def is_period(rows: Rows, name: str) -> np.ndarray:
    """Which rows belong to a period, shape (rows,); don't write to it."""
    if isinstance(rows, Columns):
        return rows.having("period", name)
    return np.asarray(rows["period"], dtype=object) == name


def with_adjustment(rows: Rows) -> Rows:
    """Rows whose energy is what it would have been without the declared events."""
    if not np.asarray(rows["adjustment"], float).any():
        return rows
    return rows.assign(energy=rows["energy"] - rows["adjustment"])
