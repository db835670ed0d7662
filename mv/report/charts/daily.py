"""Day by day: what the meter saw and what the model of the baseline period expects."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from mv.report.charts.base import (
    Chart,
    NotDrawn,
    Table,
    axis,
    chart,
    date_axis,
    layout,
    line,
    note,
    numbers,
    points,
    shade,
)
from mv.report.charts.bins import Bins, month_text
from mv.report.charts.monthly import steps
from mv.report.charts.view import PERIODS, Rows, SiteView
from mv.report.format import Numbers, Say

WEEK = np.ones(7)


def installation_span(rows: Rows) -> tuple[float, float] | None:
    """First day and day after the last of the installation period, as days since 1970."""
    inside = rows.period == PERIODS.index("installation")
    if not inside.any():
        before = rows.date[rows.period == 0]
        after = rows.date[rows.period == 2]
        if before.size and after.size and after.min() - before.max() > 1:
            last = np.argmax(np.where(rows.period == 0, rows.date, -np.inf))
            return float(rows.date[last] + rows.days[last]), float(after.min())
        return None
    first, days = rows.date[inside], rows.days[inside]
    return float(first.min()), float((first + days).max())


def span_marks(rows: Rows) -> dict:
    """Shapes and labels that mark the installation period."""
    span = installation_span(rows)
    if span is None:
        return {}
    middle = (span[0] + span[1]) / 2
    return {
        "shapes": [shade(*span)],
        "annotations": [note("works", middle, 0.97, yref="paper", anchor="center", role="muted")],
    }


def week_mean(values: np.ndarray) -> np.ndarray:
    """Mean of each day and its three neighbours on both sides, over at least four known days."""
    known = np.isfinite(values)
    # Three days of nothing on both sides; of fewer than seven values numpy's "same" makes seven.
    total = np.convolve(np.where(known, values, 0.0), WEEK)[3:-3]
    count = np.convolve(known, WEEK)[3:-3]
    return numbers(total / np.where(count >= 4, count, np.nan), 4)


@chart("daily", "site", "How closely does the model follow each day, and when do they part?")
def daily(view: SiteView, say: Say, question: str) -> Chart | NotDrawn:
    """Measured use as dots (bills: steps), the model as a line, over all three periods."""
    rows = view.rows
    if rows is None:
        return NotDrawn("chart-daily", question, "no readings could be used")
    unit = view.per_day
    measured, modelled = view.measured, view.modelled
    what = "bill" if view.is_bills else "day"
    data = []
    if view.is_bills:
        ends = rows.date + rows.days
        for name, values, role, dash in (
            ("model of the baseline period", modelled, "before", "dash"),
            ("measured", measured, "after", "solid"),
        ):
            data.append(line(name, *steps(rows.date, ends, values), role, dash=dash))
    else:
        data = [
            points("measured", rows.date, measured, "after", size=3, opacity=0.5),
            points(
                "model of the baseline period",
                rows.date,
                modelled,
                "before",
                symbol="diamond",
                size=4,
                opacity=0.45,
            ),
            line("measured, mean of 7 days", rows.date, week_mean(measured), "after"),
            line("model, mean of 7 days", rows.date, week_mean(modelled), "before", dash="dash"),
        ]
    after = rows.of("reporting")
    below = np.count_nonzero(after & (measured < modelled))
    known = np.count_nonzero(after & np.isfinite(measured + modelled))
    title = (
        f"After the works, use was below the model on {say.count(below)} of "
        f"{say.count(known)} {what}s"
        if known
        else f"Measured use and the model of the baseline period, {what} by {what}"
    )
    return Chart(
        key="chart-daily",
        question=question,
        title=title,
        alt=f"{title}. Measured use and the model evaluated at each {what}'s weather and kind of "
        f"day, in {unit}; the works are shaded.",
        data=data,
        layout=layout(date_axis(), axis(unit, rangemode="tozero"), **span_marks(rows)),
        table=Table(
            ("month", "period", f"{what}s used", f"measured, {unit}", f"model, {unit}"),
            _by_month(rows),
            note="Means by month; every single day stands in tables/daily.csv.",
        ),
        height=360,
        zoom=not view.is_bills,
    )


def _by_month(rows: Rows) -> tuple[Sequence[str] | Numbers, ...]:
    """Month, period of its first row, rows used, and the two means."""
    ok = rows.used & np.isfinite(rows.measured + rows.modelled)
    bins = Bins(rows.month[ok])
    return (
        [month_text(m) for m in bins.levels],
        [PERIODS[p] if p >= 0 else "" for p in bins.first(rows.period[ok])],
        Numbers(bins.counts),
        Numbers(bins.means(rows.measured[ok])),
        Numbers(bins.means(rows.modelled[ok])),
    )
