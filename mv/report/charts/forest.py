"""Which sites saved, and how sure is it?  One line a site, sorted, zero and estimate marked."""

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
    numbers,
    points,
    rule,
)
from mv.report.format import Say, share
from mv.results import PortfolioResult

MOST_SITES = 40
"""Sites drawn; with more, those with the largest adjusted baseline, and the title says so."""


@chart("forest", "portfolio", "Which sites saved, and how sure is it?")
def forest(result: PortfolioResult, say: Say, question: str) -> Chart | NotDrawn:
    """Percent of the adjusted baseline with its interval, one row a site."""
    sites = [
        s
        for s in result.sites
        if s.role == "retrofit" and s.avoided_energy and s.avoided_energy.fraction is not None
    ]
    if not sites:
        return NotDrawn("chart-forest", question, "no site has a verified saving")
    total = len(sites)
    shown = sum(s.verdict == "savings shown" for s in sites)
    sites = sorted(sites, key=lambda s: -(s.adjusted_baseline or 0.0))[:MOST_SITES]
    sites.sort(key=lambda s: s.avoided_energy.fraction)
    value, low, high = (
        numbers([getattr(s.avoided_energy, k) for s in sites]) * 100
        for k in ("fraction", "fraction_low", "fraction_high")
    )
    estimate = np.full(len(sites), np.nan)
    for i, s in enumerate(sites):
        planned, base = s.annual and s.annual.estimated_savings, s.adjusted_baseline
        days = s.periods.reporting_days_used if s.periods else 0
        if planned is not None and base and days:
            estimate[i] = planned / (base / days * s.annual.days) * 100
    places = np.arange(len(sites))
    verdicts = np.array([s.verdict for s in sites])
    data = []
    for verdict, role, symbol in (
        ("savings shown", "after", "circle"),
        ("not distinguishable", "muted", "square"),
        ("use increased", "before", "triangle-up"),
    ):
        here = verdicts == verdict
        if here.any():
            trace = points(verdict, value[here], places[here], role, symbol=symbol, size=10)
            trace["error_x"] = {
                "type": "data",
                "array": (high - value)[here],
                "arrayminus": (value - low)[here],
                "color": f"@{role}",
                "thickness": 2,
                "width": 0,
            }
            data.append(trace)
    if np.isfinite(estimate).any():
        data.append(points("estimate", estimate, places, "estimate", symbol="diamond-open", size=9))
    cut = f" (the {MOST_SITES} largest drawn)" if total > MOST_SITES else ""
    title = f"{shown} of {total} sites show savings clear of zero{cut}"
    names = [label(s.name or s.site, 26) for s in sites]
    rows = tuple(
        (
            s.name or s.site,
            s.verdict,
            *(
                str(say.percent(getattr(s.avoided_energy, k), ""))
                for k in ("fraction", "fraction_low", "fraction_high")
            ),
        )
        for s in reversed(sites)
    )
    return Chart(
        key="chart-forest",
        question=question,
        title=title,
        alt=f"{title}. Saving as percent of the adjusted baseline with its range at "
        f"{share(result.confidence)} confidence, one row a site, zero marked.",
        data=data,
        layout=layout(
            axis("percent of the adjusted baseline", zeroline=False),
            {
                "title": {"text": ""},
                "tickvals": places,
                "ticktext": names,
                "range": [-0.7, len(sites) - 0.3],
            },
            shapes=[rule(x=0, width=1.4)],
            margin_static={"left": 210},
        ),
        table=Table(("site", "verdict", "saving", "low", "high"), tuple(zip(*rows, strict=True))),
        height=90 + 26 * len(sites),
    )
