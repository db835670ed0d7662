"""Are we on course, and since when does the range clear zero?

Avoided energy added up, with its band."""

from __future__ import annotations

from functools import lru_cache

import numpy as np

from mv.report.charts.base import (
    Chart,
    NotDrawn,
    Table,
    axis,
    band,
    chart,
    date_axis,
    dates,
    layout,
    line,
    numbers,
    rule,
)
from mv.report.charts.view import SiteView
from mv.report.format import NOT_GIVEN, Numbers, Say, date, share

MOST_POINTS = 400
"""A line of more points than this is thinned: a screen has no more columns to show them."""


EARLY_DAYS = 30
"""A range that clears zero within so many days of the start is no news worth a title: one month is
the least that is reported (convention of this package)."""


@lru_cache(maxsize=256)
def thin(n: int, most: int = MOST_POINTS) -> np.ndarray:
    """Positions of at most `most` of `n` points, evenly spread, first and last always in."""
    places = np.arange(n) if n <= most else np.linspace(0, n - 1, most).round().astype(int)
    places.flags.writeable = False
    return places


@chart("cumulative", "site", "Are we on course, and since when does the range clear zero?")
def cumulative(view: SiteView, say: Say, question: str) -> Chart | NotDrawn:
    """Avoided energy added up over the reporting period, its band, and the estimate as a line."""
    series = view.carrier.series
    table = series.cumulative if series else {}
    if not table.get("date"):
        return NotDrawn("chart-cumulative", question, "no saving could be computed")
    keep = thin(len(table["date"]))
    x = dates(table["date"])[keep]
    avoided, low, high = (numbers(table[k])[keep] for k in ("avoided", "low", "high"))
    estimated = numbers(table.get("estimated") or [None] * len(table["date"]))[keep]
    unit = view.unit
    certain = np.flatnonzero(~(low > 0) & np.isfinite(low))
    day = [table["date"][i] for i in keep.tolist()]
    since = min(int(certain[-1]) + 1 if certain.size else 0, len(x) - 1)
    if low[-1] > 0 and x[since] - x[0] < EARLY_DAYS:
        title = "At the end of the readings the range lies clear of zero"
    elif low[-1] > 0:
        title = f"The range lies clear of zero since {date(day[since])}"
    elif high[-1] < 0:
        title = "Use added up to more than expected"
    else:
        title = "The band still holds zero: the meter can't tell yet"
    data = [
        band("range", x, low, high, "after"),
        line("avoided so far", x, avoided, "after", width=2.6),
    ]
    if np.isfinite(estimated).any():
        data.append(line("estimate", x, estimated, "estimate", dash="dash"))
    level = view.site.confidence
    picks = thin(len(x), 14)
    columns = (
        [date(day[i]) for i in picks.tolist()],
        *(Numbers(v[picks].tolist(), missing=NOT_GIVEN) for v in (avoided, low, high)),
        Numbers(estimated[picks].tolist()),
    )
    return Chart(
        key="chart-cumulative",
        question=question,
        title=title,
        alt=f"{title}. Avoided energy added up, in {unit}; the band is the range at "
        f"{share(level)} confidence; the dashed line is the estimate in equal daily parts.",
        data=data,
        layout=layout(date_axis(), axis(f"{unit}, added up"), shapes=[rule(y=0)]),
        table=Table(
            ("until", f"avoided, {unit}", f"low, {unit}", f"high, {unit}", f"estimate, {unit}"),
            columns,
        ),
        note=_looking_often(view),
    )


def _looking_often(view: SiteView) -> str:
    """What the band is not: a rule for stopping at the first day that suits."""
    words = (
        "The range of each day is that of one look. Who looks again and again, and stops at the "
        "first range clear of zero, is wrong more often than the confidence says"
    )
    shown = view.site.early.get("first_shown")
    return (
        f"{words}; looked at every month, savings are shown since {date(shown)}."
        if shown
        else (f"{words}.")
    )
