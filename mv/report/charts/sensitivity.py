"""Does the saving hang on the choice of the model?  The saving under every form that competed."""

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
    points,
    rule,
    shade,
)
from mv.report.charts.view import SiteView, chosen
from mv.report.format import Numbers, Say

MARGIN = 0.04
"""Of the axis, left free on either side."""


@chart("sensitivity", "site", "Does the saving hang on the choice of the model?")
def sensitivity(view: SiteView, say: Say, question: str) -> Chart | NotDrawn:
    """One dot a form against the official range."""
    official = view.carrier.avoided_energy
    known = [
        (c, is_chosen)
        for c, is_chosen in zip(view.carrier.candidates, chosen(view.carrier), strict=True)
        if c.avoided_energy is not None
    ]
    if official is None or official.low is None or len(known) < 2:
        return NotDrawn("chart-sensitivity", question, "fewer than two forms gave a saving")
    known.sort(key=lambda each: (each[0].criterion is None, each[0].criterion or 0.0), reverse=True)
    others = [c for c, _ in known]
    values = np.array([c.avoided_energy for c in others])
    places = np.arange(len(others))
    picked = np.array([is_chosen for _, is_chosen in known])
    plausible = np.array([c.plausible for c in others])
    data = []
    for name, mask, role, symbol in (
        ("chosen", picked, "after", "circle"),
        ("plausible, not chosen", plausible & ~picked, "ink", "square"),
        ("not plausible", ~plausible & ~picked, "muted", "diamond-open"),
    ):
        if mask.any():
            data.append(points(name, values[mask], places[mask], role, symbol=symbol, size=10))
    usable = values[plausible | picked]
    inside = int(np.sum((usable >= official.low) & (usable <= official.high)))
    title = (
        f"{'Both' if len(usable) == 2 else f'All {len(usable)}'} plausible forms give a saving "
        "within the range"
        if inside == len(usable)
        else f"{len(usable) - inside} of {len(usable)} plausible forms give a saving outside "
        f"the range"
    )
    # The whole range is to be seen, and zero: both say how far the forms lie apart.
    ends = np.array([0.0, official.low, official.high, *values])
    room = MARGIN * np.ptp(ends)
    return Chart(
        key="chart-sensitivity",
        question=question,
        title=title,
        alt=f"{title}. One mark a form, the official range shaded; in {view.unit}.",
        data=data,
        layout=layout(
            axis(view.unit, range=[float(ends.min() - room), float(ends.max() + room)]),
            {
                "title": {"text": ""},
                "tickvals": list(range(len(others))),
                "ticktext": [label(c.form, 38) for c in others],
                "range": [-0.6, len(others) - 0.4],
            },
            shapes=[shade(official.low, official.high, "after"), rule(x=0)],
            margin_static={"left": 280},
        ),
        table=Table(
            ("form", f"saving, {view.unit}"),
            ([c.form for c in others][::-1], Numbers(values[::-1].tolist())),
        ),
        note="Shaded: the official range.",
        height=80 + 30 * len(others),
    )
