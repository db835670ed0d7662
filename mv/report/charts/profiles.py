"""Did hours or level change?  The mean day, operating and other, before and after."""

from __future__ import annotations

import numpy as np

from mv.report.charts.base import (
    Chart,
    NotDrawn,
    Table,
    axis,
    chart,
    layout,
    line,
    named_axis,
    numbers,
)
from mv.report.charts.view import SiteView
from mv.report.format import NOT_GIVEN, Numbers, Say

LINES = (
    ("baseline_operating", "before, operating day", "before", "solid"),
    ("reporting_operating", "after, operating day", "after", "solid"),
    ("baseline_non_operating", "before, other day", "before", "dot"),
    ("reporting_non_operating", "after, other day", "after", "dot"),
)


CLOCK = tuple([f"{h:02d}:00" for h in range(25)])
"""Local hours, 0 to 24."""
HOURS = tuple([f"{CLOCK[h]} to {CLOCK[h + 1]}" for h in range(24)])
"""The local hour that begins at each of them."""


@chart("profiles", "site", "Did hours or level change?")
def profiles(view: SiteView, say: Say, question: str) -> Chart | NotDrawn:
    """Mean power by local hour; solid lines operating days, dotted lines the others."""
    series = view.carrier.series
    table = series.profiles if series else {}
    if not table.get("hour"):
        return NotDrawn("chart-profiles", question, "bills don't show the hours of a day")
    hours = [int(h) for h in table["hour"]]
    values = {key: numbers(table[key], 4) for key, *_ in LINES if table.get(key)}
    ends = np.append(np.array(hours, dtype=float), hours[-1] + 1)  # the last reaches to midnight
    data = [
        line(words, ends, np.append(values[key], values[key][-1]), role, dash=dash, shape="hv",
             width=2.4)
        for key, words, role, dash in LINES
        if key in values
    ]  # fmt: skip
    unit = "kW" if view.carrier.unit == "kWh" else f"{view.unit} an hour"
    title = "The mean day before and after the works"
    if {"baseline_operating", "reporting_operating"} <= values.keys():
        gap = values["baseline_operating"] - values["reporting_operating"]
        if np.isfinite(gap).any():
            at = int(np.nanargmax(gap))
            if gap[at] > 0:
                title = (
                    f"On operating days most is saved about {CLOCK[hours[at]]}: "
                    f"{say.number(float(gap[at]), 2)} {unit}"
                )
            else:
                title = "On operating days no hour shows less use than before"
    heads = [words for key, words, *_ in LINES if key in values]
    columns = (
        [HOURS[h] for h in hours],
        *(Numbers(v.tolist(), missing=NOT_GIVEN) for v in values.values()),
    )
    x_axis = named_axis(CLOCK[::3], "local time")
    x_axis |= {"tickvals": list(range(0, 25, 3)), "range": [0, 24]}
    return Chart(
        key="chart-profiles",
        question=question,
        title=title,
        alt=f"{title}. Mean power in {unit} by local hour: two lines for operating days, two "
        f"dotted "
        "ones for the other days, before and after the works.",
        data=data,
        layout=layout(x_axis, axis(unit, rangemode="tozero")),
        table=Table(("hour", *(f"{h}, {unit}" for h in heads)), columns),
        note="Means over the baseline and the reporting period; the seasons of the two may differ.",
    )
