"""Is the estimator biased?  Verified against estimated savings a year, and equality."""

from __future__ import annotations

import numpy as np

from mv.report.charts.base import (
    Chart,
    NotDrawn,
    Table,
    axis,
    chart,
    label,
    layout,
    line,
    numbers,
    points,
)
from mv.report.format import NOT_GIVEN, Numbers, Say
from mv.results import PortfolioResult

MOST_ROWS = 60
"""Rows of the table beside the chart; all sites stand in tables/sites.csv."""
MOST_NAMES = 300
"""With more sites than this, dots carry no names: the page would grow too large."""


@chart("estimated", "portfolio", "Is the estimator biased?")
def estimated(result: PortfolioResult, say: Say, question: str) -> Chart | NotDrawn:
    """One dot a site of the most frequent unit; intervals upright; the diagonal is equality."""
    sites = [
        s
        for s in result.sites
        if s.annual and s.annual.verified_savings and s.annual.estimated_savings is not None
    ]
    if not sites:
        return NotDrawn(
            "chart-estimated", question, "no site has both an estimate and a verified annual saving"
        )
    units = [s.annual.unit for s in sites]
    unit = max(sorted(set(units)), key=units.count)
    sites = [s for s in sites if s.annual.unit == unit]
    x = numbers([s.annual.estimated_savings for s in sites])
    y, low, high = (
        numbers([getattr(s.annual.verified_savings, k) for s in sites])
        for k in ("value", "low", "high")
    )
    top = float(max(np.nanmax(x), np.nanmax(y))) * 1.05
    title = _reached(y >= x, np.array([s.verdict == "savings shown" for s in sites]))
    dots = points("site", x, y, "after", size=9, opacity=0.85)
    dots["error_y"] = {
        "type": "data",
        "array": high - y,
        "arrayminus": y - low,
        "color": "@after",
        "thickness": 1.2,
        "width": 0,
    }
    if len(sites) <= MOST_NAMES:
        dots["hovertext"] = [label(s.name or s.site) for s in sites]
    unit = unit.replace("m3", "m³")
    listed = sites[:MOST_ROWS]
    cut = len(sites) - len(listed)
    diagonal = line("as estimated", [0.0, top], [0.0, top], "estimate", dash="dash")
    return Chart(
        key="chart-estimated",
        question=question,
        title=title,
        alt=f"{title}. Verified against estimated savings in {unit} a year, one dot a site with "
        "its range; dots above the diagonal saved more than estimated.",
        data=[diagonal, dots],
        layout=layout(
            axis(f"estimated, {unit} a year", rangemode="tozero"), axis(f"verified, {unit} a year")
        ),
        table=Table(
            ("site", f"estimated, {unit} a year", f"verified, {unit} a year", "low", "high"),
            (
                [s.name or s.site for s in listed],
                Numbers([s.annual.estimated_savings for s in listed]),
                *(
                    Numbers([getattr(s.annual.verified_savings, k) for s in listed], 3, NOT_GIVEN)
                    for k in ("value", "low", "high")
                ),
            ),
            note=f"{cut} more sites stand in tables/sites.csv." if cut else "",
        ),
        height=400,
    )


def _reached(reached: np.ndarray, shown: np.ndarray) -> str:
    """How many sites reached their estimate; a saving that may be none reaches nothing."""
    title = f"{np.count_nonzero(reached & shown)} of {len(reached)} sites reached their estimate"
    open_ = np.count_nonzero(reached & ~shown)
    if not open_:
        return title
    return f"{title}; at {open_} more the best figure did, and its range holds zero"
