"""Why does realised differ from estimated?  From one figure to the other in steps that add up."""

from __future__ import annotations

from itertools import accumulate

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
    points,
    rule,
)
from mv.report.charts.view import SiteView
from mv.report.format import Say, unit_words
from mv.results import Bridge

LONGEST_LABEL = 34
WIDTH = 0.62
"""Of a bar, as a share of the room between two."""


def decimals(bridge: Bridge) -> int:
    """Decimals of a bridge's amounts, the same for all so that they can be added by eye."""
    return 0 if max(abs(bridge.start), abs(bridge.end)) >= 100 else 2


def _signed(value: float, places: int, say: Say) -> str:
    text = say.fixed(value, places)
    return f"+{text}" if round(value, places) > 0 else text


def _draw(bridge: Bridge, say: Say, key: str, question: str) -> Chart:
    steps, digits = bridge.steps, decimals(bridge)
    n = len(steps)  # the start stands at the head, in place n + 1, the end at the foot
    amounts = numbers([s.amount for s in steps], 6).tolist()
    reached = list(accumulate(amounts, initial=bridge.start))
    data = [
        bars("total", [n + 1, 0], [bridge.start, bridge.end], "muted", horizontal=True, width=WIDTH)
    ]
    for name, role, rises in (("up", "after", True), ("down", "before", False)):
        those = [i for i, amount in enumerate(amounts) if (amount >= 0) is rises]
        if those:
            data.append(
                bars(
                    name,
                    [n - i for i in those],
                    [amounts[i] for i in those],
                    role,
                    base=[reached[i] for i in those],
                    horizontal=True,
                    width=WIDTH,
                )
            )
    spread = [i for i, s in enumerate(steps) if s.low is not None and s.high is not None]
    if spread:
        ranges = points(
            "range", [reached[i + 1] for i in spread], [n - i for i in spread], "ink",
            symbol="square", size=4,
        )  # fmt: skip
        ranges["error_x"] = {
            "type": "data",
            "array": [steps[i].high - amounts[i] for i in spread],
            "arrayminus": [amounts[i] - steps[i].low for i in spread],
            "color": "@ink",
            "thickness": 1.6,
            "width": 0,
        }
        data.append(ranges)
    # From here on from the foot upwards, as the axis counts.
    names = [bridge.end_label, *(s.name for s in reversed(steps)), bridge.start_label]
    texts = [
        say.fixed(bridge.end, digits),
        *(_signed(s.amount, digits, say) for s in reversed(steps)),
        say.fixed(bridge.start, digits),
    ]
    tops = [
        bridge.end,
        *(max(reached[i], reached[i + 1]) for i in reversed(range(n))),
        bridge.start,
    ]
    tops[0], tops[-1] = max(bridge.end, 0.0), max(bridge.start, 0.0)
    for i in spread:
        tops[n - i] = max(tops[n - i], reached[i] + steps[i].high)
    labels = [
        note(text, top, i, shift=6) for i, (text, top) in enumerate(zip(texts, tops, strict=True))
    ]
    if steps:
        main = max(steps, key=lambda s: abs(s.amount))
        title = (
            f"{_signed(bridge.end - bridge.start, digits, say)} {unit_words(bridge.unit)}; "
            f"the largest step is {main.name}: {_signed(main.amount, digits, say)}"
        )
    else:
        title = "Nothing lies between the two figures"
    lowest, highest = min(0.0, bridge.end, *reached), max(0.0, *tops)
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
