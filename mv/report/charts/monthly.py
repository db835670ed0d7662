"""When did use part from what was expected?  Measured use beside the adjusted baseline, by month.

For bill sites the same, bill by bill, over the reporting period.
"""

from __future__ import annotations

import numpy as np

from mv.report.charts.base import (
    Chart,
    NotDrawn,
    Table,
    axis,
    bars,
    chart,
    date_axis,
    dates,
    layout,
    line,
    numbers,
)
from mv.report.charts.view import SiteView
from mv.report.format import NOT_GIVEN, Numbers, Say, month


def steps(
    starts: np.ndarray, ends: np.ndarray, values: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    """x and y of a line that is level from each start to its end, open where rows don't touch."""
    n = len(starts)
    x, y = np.empty(3 * n), np.full(3 * n, np.nan)
    x[0::3], x[1::3], x[2::3] = starts, ends, ends
    y[0::3], y[1::3] = values, values
    return x, y


@chart("monthly", "site", "When did use part from what was expected?")
def monthly(view: SiteView, say: Say, question: str) -> Chart | NotDrawn:
    """Bars of measured use under a stepped line of the adjusted baseline."""
    series = view.carrier.series
    table = series.monthly if series else {}
    if not table.get("month"):
        return NotDrawn("chart-monthly", question, "no month of the reporting period could be used")
    start = dates(table["month"])
    following = np.array(start, dtype="datetime64[D]").astype("datetime64[M]") + 1
    end = following.astype("datetime64[D]").astype(np.int64)
    measured, adjusted = numbers(table["measured"]), numbers(table["adjusted_baseline"])
    below = int(np.sum(measured < adjusted))
    n = int(np.sum(np.isfinite(measured) & np.isfinite(adjusted)))
    unit = view.unit
    title = (
        f"Use ran below the adjusted baseline in all {n} months"
        if below == n
        else f"Use ran below the adjusted baseline in {below} of {n} months"
    )
    x, y = steps(start, end, adjusted)
    columns = (
        [month(m) for m in table["month"]],
        *(
            Numbers(table[k], missing=NOT_GIVEN)
            for k in ("adjusted_baseline", "measured", "avoided")
        ),
        [say.count(n) for n in table.get("days_used") or [None] * len(start)],
    )
    gap = (end - start) * 0.12
    return Chart(
        key="chart-monthly",
        question=question,
        title=title,
        alt=f"{title}. Bars show measured use, the stepped line the adjusted baseline, in {unit} "
        "over the days used of each month.",
        data=[
            bars("measured", (start + end) / 2, measured, "after", width=(end - start) - 2 * gap),
            line("adjusted baseline", x, y, "before", width=2.6),
        ],
        layout=layout(
            date_axis(), axis(f"{unit} over the days used", rangemode="tozero"), barmode="overlay"
        ),
        table=Table(
            (
                "month",
                f"adjusted baseline, {unit}",
                f"measured, {unit}",
                f"avoided, {unit}",
                "days used",
            ),
            columns,
        ),
        note="Months at the ends of the period, and months with days left out, hold fewer days.",
    )
