"""Is the saving on course, looked at month by month?  The running verdict with its widened range.

Each whole month is one look.  The range that decides is widened so that all looks together keep
the declared share of false "savings shown"; the range of a single look stands inside it.
"""

from __future__ import annotations

import numpy as np

from mv.report.charts.base import (
    Chart,
    NotDrawn,
    Table,
    axis,
    band,
    chart,
    layout,
    line,
    numbers,
    points,
    rule,
)
from mv.report.charts.view import SiteView
from mv.report.format import Numbers, Say, date

WIDEST = 4.0
"""Looks whose range is wider than this many times the largest saving are cut at it, so that the
first months don't flatten the picture; their full range stands in the table."""


@chart("looks", "site", "Is the saving on course, month by month?")
def looks(view: SiteView, say: Say, question: str) -> Chart | NotDrawn:
    """Avoided energy at each month's end with the widened range and the estimate."""
    early = view.site.early
    if not early or view.carrier is not view.site:
        return NotDrawn("chart-looks", question, "no whole month of reporting is measured")
    table = early["looks"]
    month = np.array([x["month"] for x in table], dtype=float)

    def values(name: str) -> np.ndarray:
        return numbers([np.nan if x[name] is None else x[name] for x in table])

    value, low, high, estimate = (values(k) for k in ("value", "low", "high", "estimated"))
    single_low, single_high = values("single_low"), values("single_high")
    unit = view.unit
    reach = WIDEST * max(float(np.nanmax(np.abs(value))), 1e-9)
    data = [
        band("range for repeated looks", month, np.maximum(low, -reach), np.minimum(high, reach),
             "after"),
        line("range of a single look", month, np.maximum(single_low, -reach), "muted", dash="dot"),
        line("range of a single look", month, np.minimum(single_high, reach), "muted", dash="dot",
             showlegend=False),
        points("avoided so far", month, value, "after", size=8),
    ]  # fmt: skip
    if np.isfinite(estimate).any():
        data.append(line("estimate", month, estimate, "estimate", dash="dash"))
    verdict = table[-1]["verdict"]
    shown = early["first_shown"]
    if shown is not None and verdict == "savings shown":
        title = f"Savings shown since the look of {date(shown)}"
    elif verdict == "too early":
        title = "Too early for any verdict"
    else:
        title = f"At the latest look: {verdict}"
    columns = (
        [date(x["end"]) for x in table],
        [x["verdict"] for x in table],
        *(Numbers([x[k] for x in table], missing="open") for k in ("value", "low", "high")),
        Numbers([x["estimated"] for x in table]),
    )
    return Chart(
        key="chart-looks",
        question=question,
        title=title,
        alt=f"{title}. Avoided energy added up to each month's end, in {unit}, with the range for "
        "repeated looks as a band, the range of a single look as dotted lines, and the estimate "
        "as a dashed line.",
        data=data,
        layout=layout(
            axis("whole months of reporting", range=[0.5, max(month[-1], 2) + 0.5]),
            axis(f"{unit}, added up"),
            shapes=[rule(y=0), rule(x=early["planned_months"], dash="dot")],
        ),
        note=early["words"],
        table=Table(
            ("look at", "verdict", f"avoided, {unit}", f"low, {unit}", f"high, {unit}",
             f"estimate, {unit}"),
            columns,
        ),
    )  # fmt: skip
