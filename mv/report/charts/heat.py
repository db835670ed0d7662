"""Which hours carry the use, week by week?  Is it the hours of lighting that became paler?"""

from __future__ import annotations

import math
from itertools import chain

import numpy as np

from mv.report.charts.base import (
    Chart,
    NotDrawn,
    Table,
    axis,
    chart,
    date_axis,
    dates,
    floats,
    layout,
    note,
    rule,
)
from mv.report.charts.profiles import CLOCK, HOURS
from mv.report.charts.view import SiteView
from mv.report.format import Numbers, Say

RAMP = ((0.0, "#f4efe2"), (0.45, "#8fb0bd"), (1.0, "#0d3349"))
"""One direction from pale to dark: lightness falls all the way, so grey print keeps the order."""


@chart("heat", "site", "Which hours carry the use, week by week?")
def heat(view: SiteView, say: Say, question: str) -> Chart | NotDrawn:
    """Mean power by week and local hour, one shade scale for all three periods."""
    series = view.carrier.series
    table = series.heat if series else {}
    if not table.get("week"):
        return NotDrawn("chart-heat", question, "bills don't show the hours of a day")
    weeks = dates(table["week"])
    load = floats(list(chain.from_iterable(table["load"]))).reshape(len(weeks), -1)
    low, high = (float(end.reduce(load, axis=None)) for end in (np.fmin, np.fmax))
    if math.isnan(low):
        return NotDrawn("chart-heat", question, "no hour has a reading")
    unit = "kW" if view.carrier.unit == "kWh" else f"{view.unit} an hour"
    digits = max(0, 3 - math.floor(math.log10(max(abs(high), 1e-9))) - 1)
    full = np.arange(weeks[0], weeks[-1] + 1, 7)
    grid = np.full((len(full), load.shape[1]), np.nan)  # weeks without any reading stay open
    grid[(weeks - weeks[0]) // 7] = np.round(load, digits)
    periods = view.carrier.periods
    marks, labels, columns, title = [], [], (), "Mean power by week and hour"
    if periods is not None:
        start = float(dates([periods.installation_start])[0])
        end = float(dates([periods.installation_end])[0]) + 1
        marks = [rule(x=start, width=2), rule(x=end, width=2)]
        for shape in marks:
            shape["layer"] = "above"
        labels = [note("works", (start + end) / 2, 1.0, yref="paper", anchor="center", up=9)]
        before, after = (_hourly_means(grid[part]) for part in (full + 7 <= start, full >= end))
        drop = before - after
        if np.isfinite(drop).any():
            at = int(np.nanargmax(drop))
            lower = int(np.sum(drop > 0))
            title = f"{lower} of 24 hours of the day became lower, {HOURS[at]} the most"
        columns = (HOURS, Numbers(before.tolist()), Numbers(after.tolist()))
    return Chart(
        key="chart-heat",
        question=question,
        title=title,
        alt=f"{title}. Shades from pale (little) to dark (much) show mean power in {unit} for "
        "every week from left to right and every local hour from midnight at the foot upwards.",
        data=[
            {
                "type": "heatmap",
                "x": full,
                "y": np.arange(24) + 0.5,
                "z": np.ascontiguousarray(grid.T),
                "zmin": low,
                "zmax": high,
                "colorscale": [list(stop) for stop in RAMP],
                "showscale": False,
                "hovertemplate": f"week of %{{x}}, hour %{{y:.0f}}: %{{z}} {unit}<extra></extra>",
            }
        ],
        layout=layout(
            {**date_axis(), "showgrid": False},
            axis(
                "local time",
                tickvals=[0, 6, 12, 18, 24],
                ticktext=CLOCK[::6],
                range=[0, 24],
                showgrid=False,
            ),
            shapes=marks,
            annotations=labels,
            margin_static={"top": 22},
            margin={"l": 56, "r": 14, "t": 22, "b": 44},
        ),
        table=Table(("hour", f"before, {unit}", f"after, {unit}"), columns),
        note="Each column is a week that starts on Monday.",
        ramp=f"{say.number(low, 2)} to {say.number(high, 2)} {unit}",
    )


def _hourly_means(grid: np.ndarray) -> np.ndarray:
    """Mean over all weeks of each hour's known values, NaN where it has none."""
    known = np.isfinite(grid)
    count = known.sum(axis=0)
    total = np.where(known, grid, 0.0).sum(axis=0)
    return np.divide(total, count, out=np.full(len(count), np.nan), where=count > 0)
