"""How wide is the range, and what would other ways of making it say?"""

from __future__ import annotations

from mv.report.charts.base import Chart, NotDrawn, Table, axis, chart, layout, points, rule
from mv.report.charts.view import SiteView
from mv.report.format import Numbers, Say


@chart("ranges", "site", "How wide is the range, and what would other methods say?")
def ranges(view: SiteView, say: Say, question: str) -> Chart | NotDrawn:
    """The saving with its official range, Guideline 14's and that of exact least squares."""
    official, u = view.carrier.avoided_energy, view.carrier.uncertainty
    if official is None or official.low is None or u is None:
        return NotDrawn("chart-ranges", question, "no range could be made")
    lines = [("this report", official.low, official.high, "after", "circle")]
    for name, half, symbol in (
        ("Guideline 14", u.guideline_14, "square"),
        ("exact least squares", u.least_squares, "diamond"),
    ):
        if half is not None:
            lines.append((name, official.value - half, official.value + half, "muted", symbol))
    lines.reverse()
    data = []
    for i, (name, low, high, role, symbol) in enumerate(lines):
        trace = points(name, [official.value], [i], role, symbol=symbol, size=10)
        trace["error_x"] = {
            "type": "data",
            "array": [high - official.value],
            "arrayminus": [official.value - low],
            "color": f"@{role}",
            "thickness": 3 if role == "after" else 2,
            "width": 0,
        }
        data.append(trace)
    title = "The saving with its range"
    if u.guideline_14:
        times = official.half_width / u.guideline_14
        title = (
            f"The range is {say.number(times, 2)} times as wide as Guideline 14 alone would make it"
        )
    return Chart(
        key="chart-ranges",
        question=question,
        title=title,
        alt=f"{title}. The saving in {view.unit} with one bar for each way of making its range.",
        data=data,
        layout=layout(
            axis(view.unit),
            {
                "title": {"text": ""},
                "tickvals": list(range(len(lines))),
                "ticktext": [name for name, *_ in lines],
                "range": [-0.6, len(lines) - 0.4],
            },
            shapes=[rule(x=0)],
            margin_static={"left": 150},
        ),
        table=Table(
            ("method", f"low, {view.unit}", f"high, {view.unit}"),
            (
                [name for name, *_ in reversed(lines)],
                Numbers([low for _, low, *_ in reversed(lines)]),
                Numbers([high for _, _, high, *_ in reversed(lines)]),
            ),
        ),
        height=80 + 30 * len(lines),
    )
