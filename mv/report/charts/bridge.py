"""Why does realised differ from estimated?  From one figure to the other in steps that add up."""

from __future__ import annotations

import numpy as np

from mv.report.charts.base import (
    Chart,
    NotDrawn,
    Table,
    axis,
    bars,
    chart,
    label,
    layout,
    note,
    numbers,
    rule,
)
from mv.report.charts.view import SiteView
from mv.report.format import Say, unit_words
from mv.results import Bridge

LONGEST_LABEL = 34


def decimals(bridge: Bridge) -> int:
    """Decimals of a bridge's amounts, the same for all so that they can be added by eye."""
    return 0 if max(abs(bridge.start), abs(bridge.end)) >= 100 else 2


def _signed(value: float, places: int, say: Say) -> str:
    text = say.fixed(value, places)
    return f"+{text}" if round(value, places) > 0 else text


def _draw(bridge: Bridge, say: Say, key: str, question: str) -> Chart:
    steps, digits = bridge.steps, decimals(bridge)
    amounts = numbers([s.amount for s in steps], 6)
    before = bridge.start + np.concatenate([[0.0], np.cumsum(amounts)[:-1]])
    n = len(steps)
    places = np.arange(n, 0, -1)  # the start stands at the head, the end at the foot
    rises = amounts >= 0
    data = [
        bars(
            "total",
            np.array([n + 1, 0]),
            np.array([bridge.start, bridge.end]),
            "muted",
            horizontal=True,
            width=0.62,
        )
    ]
    for name, mask, role in (("up", rises, "after"), ("down", ~rises, "before")):
        if mask.any():
            data.append(
                bars(
                    name,
                    places[mask],
                    amounts[mask],
                    role,
                    base=before[mask],
                    horizontal=True,
                    width=0.62,
                )
            )
    spread = [i for i, s in enumerate(steps) if s.low is not None and s.high is not None]
    if spread:
        data.append(
            {
                "type": "scatter",
                "name": "range",
                "mode": "markers",
                "x": np.array([before[i] + amounts[i] for i in spread]),
                "y": places[spread],
                "marker": {"color": "@ink", "symbol": "square", "size": 4, "opacity": 1.0},
                "error_x": {
                    "type": "data",
                    "array": np.array([steps[i].high - amounts[i] for i in spread]),
                    "arrayminus": np.array([amounts[i] - steps[i].low for i in spread]),
                    "color": "@ink",
                    "thickness": 1.6,
                    "width": 0,
                },
            }
        )
    names = [bridge.end_label, *(s.name for s in reversed(steps)), bridge.start_label]
    ends = np.concatenate([[bridge.end], (before + amounts)[::-1], [bridge.start]])
    texts = [
        say.fixed(bridge.end, digits),
        *(_signed(s.amount, digits, say) for s in reversed(steps)),
    ]
    texts.append(say.fixed(bridge.start, digits))
    tops = np.concatenate([[max(bridge.end, 0)], np.maximum(before, before + amounts)[::-1]])
    tops = np.append(tops, max(bridge.start, 0))
    for i in spread:
        tops[n - i] = max(tops[n - i], before[i] + steps[i].high)
    labels = [
        note(text, float(top), i, shift=6)
        for i, (text, top) in enumerate(zip(texts, tops, strict=True))
    ]
    if steps:
        main = max(steps, key=lambda s: abs(s.amount))
        title = (
            f"{_signed(bridge.end - bridge.start, digits, say)} {unit_words(bridge.unit)}; "
            f"the largest step is {main.name}: {_signed(main.amount, digits, say)}"
        )
    else:
        title = "Nothing lies between the two figures"
    lowest = min(0.0, float(ends.min()), float(np.min(before, initial=0.0)))
    highest = float(max(tops.max(), 0.0))
    room = (highest - lowest) or 1.0
    return Chart(
        key=key,
        question=question,
        title=title,
        alt=f"{title}. Bars lead from {bridge.start_label} at the head to {bridge.end_label} "
        f"at the "
        f"foot, each step in {unit_words(bridge.unit)}.",
        data=data,
        layout=layout(
            axis(unit_words(bridge.unit), range=[lowest - 0.02 * room, highest + 0.16 * room]),
            {
                "title": {"text": ""},
                "tickvals": list(range(n + 2)),
                "ticktext": [label(name, LONGEST_LABEL) for name in names],
                "range": [-0.6, n + 1.6],
                "showgrid": False,
            },
            shapes=[rule(x=0)],
            annotations=labels,
            barmode="overlay",
            margin_static={"left": 250},
        ),
        table=Table(
            ("step", unit_words(bridge.unit)),
            (names[::-1], texts[::-1]),
        ),
        height=90 + 34 * (n + 2),
    )


def _register(name: str, question: str) -> None:
    @chart(f"bridge_{name}", "site", question)
    def build(view: SiteView, say: Say, question: str, name: str = name) -> Chart | NotDrawn:
        money = view.site.money
        for bridge in money.bridges if money else ():
            if bridge.name == name:
                return _draw(bridge, say, f"chart-bridge-{name}", question)
        return NotDrawn(
            f"chart-bridge-{name}", question, "the figures at its two ends are not known"
        )


_register("savings", "Why do realised cost savings differ from the estimate?")
_register("payback", "Why does the realised payback differ from the estimate?")
_register("bill", "Why did the bill go up or down?")
