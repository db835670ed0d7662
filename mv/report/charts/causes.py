"""Where do shortfalls come from?  Steps of all sites' bridges, added up by cause."""

from __future__ import annotations

import numpy as np

from mv.report.charts.base import Chart, NotDrawn, Table, axis, bars, chart, label, layout, rule
from mv.report.format import Numbers, Say
from mv.results import PortfolioResult


@chart("causes", "portfolio", "Where do shortfalls come from?")
def causes(result: PortfolioResult, say: Say, question: str) -> Chart | NotDrawn:
    """One bar a cause, in money a year, over the sites that have a bridge."""
    sums: dict[str, float] = {}
    sites: dict[str, int] = {}
    bridged = 0
    for site in result.sites:
        for bridge in site.money.bridges if site.money else ():
            if bridge.name != "savings" or not bridge.unit.startswith(result.currency):
                continue
            bridged += 1
            for step in bridge.steps:
                sums[step.name] = sums.get(step.name, 0.0) + step.amount
                sites[step.name] = sites.get(step.name, 0) + (step.amount != 0)
    if not sums:
        return NotDrawn("chart-causes", question, "no site has both an estimate and realised money")
    names = sorted(sums, key=lambda k: -sums[k])
    values = np.array([sums[k] for k in names])
    places = np.arange(len(names))
    down = values < 0
    data = []
    for words, mask, role in (("above the estimate", ~down, "after"), ("below it", down, "before")):
        if mask.any():
            data.append(bars(words, places[mask], values[mask], role, horizontal=True, width=0.62))
    worst = names[-1]
    title = (
        f"Most is lost to {worst}: {say.number(sums[worst])} {result.currency} a year"
        if sums[worst] < 0
        else "No cause takes anything off the estimates"
    )
    return Chart(
        key="chart-causes",
        question=question,
        title=title,
        alt=f"{title}. One bar a cause in {result.currency} a year, added over {bridged} sites.",
        data=data,
        layout=layout(
            axis(f"{result.currency} a year, verified − estimated"),
            {
                "title": {"text": ""},
                "tickvals": places,
                "ticktext": [label(k, 34) for k in names],
                "range": [-0.6, len(names) - 0.4],
                "showgrid": False,
            },
            shapes=[rule(x=0)],
            barmode="overlay",
            margin_static={"left": 250},
        ),
        table=Table(
            ("cause", result.currency, "sites touched"),
            (names, Numbers(values.tolist()), [str(sites[k]) for k in names]),
        ),
        note=f"Added over {bridged} site{'s' if bridged != 1 else ''} with an estimate and a "
        "verified saving. Each site's own steps stand on its page.",
        height=80 + 34 * len(names),
    )
