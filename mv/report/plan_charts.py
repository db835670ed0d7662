"""Pictures of a plan: the baseline, what the meter can show, the pretended retrofits, the sites.

Drawn from the frozen plan alone, in the same notation as the report's charts.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np

from mv.report.charts.base import (
    Chart,
    NotDrawn,
    Table,
    axis,
    label,
    layout,
    line,
    named_axis,
    numbers,
    points,
    rule,
)
from mv.report.format import NOT_GIVEN, Numbers, Say, date, share

MOST_SITES = 40
"""Sites drawn in the portfolio's picture; with more, those with the largest estimates."""

KINDS_OF_DAY = {"operating": ("operating day", "solid"), "non_operating": ("other day", "dot")}


def baseline_chart(site: Mapping[str, Any], say: Say) -> Chart | NotDrawn:
    """Baseline days or bills against temperature, with the model."""
    question = "Does the model describe the building before the works?"
    model, baseline = site["model"], site["baseline"]
    if not model:
        return NotDrawn("chart-plan-baseline", question, "no model was fitted")
    spots = baseline["points"]
    temperature, energy = numbers(spots["temperature"], 4), numbers(spots["energy"], 4)
    data = [
        points(
            "baseline period", temperature, energy, "before", symbol="diamond", size=5, opacity=0.75
        )
    ]
    curve = model["curve"]
    for name, values in curve.items():
        if name == "temperature":
            continue
        words, dash = KINDS_OF_DAY.get(name, (name.replace("_", " "), "dashdot"))
        words = f"model, {words}" if len(curve) > 2 else "model"
        data.append(
            line(words, numbers(curve["temperature"], 4), numbers(values, 4), "ink", dash=dash)
        )
    unit = model["unit"]
    low, high = (say.number(model[k]) for k in ("temperature_low", "temperature_high"))
    title = f"{model['form']} on {baseline['rows']} {baseline['of']} from {low} to {high} °C"
    picks = np.unique(np.linspace(0, len(curve["temperature"]) - 1, 8).round().astype(int))
    names = [k for k in curve if k != "temperature"]
    columns = [
        Numbers([curve[k][i] for i in picks.tolist()], missing=NOT_GIVEN)
        for k in ("temperature", *names)
    ]
    return Chart(
        key="chart-plan-baseline",
        question=question,
        title=title,
        alt=f"{title}. Each diamond is one of the {baseline['of']}: energy in {unit} against mean "
        "outdoor temperature; lines show the model.",
        data=data,
        layout=layout(axis("mean outdoor temperature, °C"), axis(unit, rangemode="tozero")),
        table=Table(("°C", *(f"model, {n.replace('_', ' ')}, {unit}" for n in names)), columns),
        height=380,
    )


def months_chart(site: Mapping[str, Any], say: Say) -> Chart | NotDrawn:
    """Half-width of the expected interval against the months of the reporting period."""
    question = "After how many months can the estimate be seen?"
    detection = site["detection"]
    if not detection:
        return NotDrawn("chart-plan-months", question, "no model was fitted")
    curve = detection["curve"]
    months = np.array([p["months"] for p in curve], dtype=float)

    def percent(name: str) -> np.ndarray:
        values = [p[name] if p[name] is not None else np.nan for p in curve]
        return numbers(np.array(values, dtype=float) * 100, 4)

    half, simple, estimate = (
        percent(k) for k in ("fraction", "guideline_14", "estimated_fraction")
    )
    planned = detection["planned"]["months"]
    level = share(detection["confidence"])
    data = [line("smallest saving that can be seen", months, half, "after", width=2.6)]
    if np.isfinite(simple).any():
        data.append(line("by Guideline 14's formula", months, simple, "muted", dash="dot"))
    if np.isfinite(estimate).any():
        data.append(line("estimate", months, estimate, "estimate", dash="dash"))
    needed = detection["months_needed"]
    if site["estimate"]["annual"] is None:
        title = (
            f"A saving under {percent(detection['touching'], 1)} can't be seen in {planned} months"
        )
    elif needed is None:
        title = "The estimate can never be seen with this meter alone"
    else:
        title = f"The estimate can be seen from {needed} month{'s' if needed > 1 else ''} on"
    columns = (
        [str(p["months"]) for p in curve],
        *(
            [str(say.percent(p[k], "")) for p in curve]
            for k in ("fraction", "estimated_fraction", "chance", "guideline_14")
        ),
    )
    return Chart(
        key="chart-plan-months",
        question=question,
        title=title,
        alt=f"{title}. Half-width of the expected range at {level} confidence as percent of the "
        "adjusted baseline, by whole months of reporting; the dashed line is the estimate, the "
        "dotted one what the simple formula says.",
        data=data,
        layout=layout(
            axis("whole months of reporting", range=[0.5, len(curve) + 0.5]),
            axis("percent of the adjusted baseline", rangemode="tozero"),
            shapes=[rule(x=planned, dash="dot")],
        ),
        note=f"The upright line marks the planned {planned} months.",
        table=Table(
            ("months", "smallest saving seen", "estimate", "chance to be shown", "Guideline 14"),
            columns,
        ),
    )


def placebo_chart(site: Mapping[str, Any], say: Say) -> Chart | NotDrawn:
    """False savings of pretended retrofits, with their ranges, beside the estimate."""
    question = "What would have been reported where nothing was done?"
    cuts = site["placebo"].get("cuts") or []
    if not cuts:
        words = site["placebo"].get("words", "no model was fitted").rstrip(".")
        return NotDrawn("chart-plan-placebo", question, words[:1].lower() + words[1:])
    value, low, high = (
        numbers([c[k] * 100 for c in cuts], 4) for k in ("false_saving", "low", "high")
    )
    places = np.arange(len(cuts))
    trace = points("false saving", value, places, "before", symbol="diamond", size=10)
    trace["error_x"] = {
        "type": "data",
        "array": high - value,
        "arrayminus": value - low,
        "color": "@before",
        "thickness": 2,
        "width": 0,
    }
    data = [trace]
    estimate = site["estimate"].get("fraction")
    if estimate is not None:
        data.append(
            points(
                "the estimate, for comparison",
                np.full(len(cuts), estimate * 100),
                places,
                "estimate",
                symbol="diamond-open",
                size=9,
            )
        )
    worst = max(cuts, key=lambda c: abs(c["false_saving"]))
    title = (
        f"A retrofit that never was would have been given "
        f"{say.percent(worst['false_saving'], '')}" + (" at worst" if len(cuts) > 1 else "")
    )
    names = [label(f"from {date(c['start'])}") for c in cuts]
    columns = (
        [
            f"from {date(c['start'])}, {c['baseline_months']:g} months against "
            f"{c['reporting_months']:g}"
            for c in cuts
        ],
        *([str(say.percent(c[k], "")) for c in cuts] for k in ("false_saving", "low", "high")),
    )
    return Chart(
        key="chart-plan-placebo",
        question=question,
        title=title,
        alt=f"{title}. False saving as percent of the adjusted baseline with its range, one row a "
        "pretended retrofit; zero is marked.",
        data=data,
        layout=layout(
            axis("percent of the adjusted baseline", zeroline=False),
            named_axis(names),
            shapes=[rule(x=0, width=1.4)],
            margin_static={"left": 170},
        ),
        table=Table(("pretended retrofit", "false saving", "low", "high"), columns),
        height=120 + 34 * len(cuts),
    )


def sites_chart(sites: Sequence[Mapping[str, Any]], say: Say) -> Chart | NotDrawn:
    """Estimate of each site beside the smallest saving that its meter can show."""
    question = "Which sites' estimates can their meters show?"
    ready = [s for s in sites if s["detection"]]
    if not ready:
        return NotDrawn("chart-plan-sites", question, "no site can be planned")
    total = len(ready)
    seen = sum(bool(s["detection"]["planned"]["detectable"]) for s in ready)
    ready = sorted(ready, key=lambda s: -(s["estimate"]["annual"] or 0.0))[:MOST_SITES]
    ready.sort(key=lambda s: s["estimate"]["fraction"] or 0.0)
    places = np.arange(len(ready))
    smallest = numbers([s["detection"]["touching"] * 100 for s in ready], 4)
    estimate = numbers(
        [
            np.nan if s["estimate"]["fraction"] is None else s["estimate"]["fraction"] * 100
            for s in ready
        ],
        4,
    )
    cut = f" (the {MOST_SITES} largest drawn)" if total > MOST_SITES else ""
    title = f"{seen} of {total} sites are estimated to save more than their meter needs{cut}"
    seen_first = ready[::-1]
    columns = (
        [s["name"] for s in seen_first],
        [str(say.percent(s["estimate"]["fraction"], "")) for s in seen_first],
        [str(say.percent(s["detection"]["touching"], "")) for s in seen_first],
        [str(say.percent(s["detection"]["planned"]["chance"], "")) for s in seen_first],
    )
    return Chart(
        key="chart-plan-sites",
        question=question,
        title=title,
        alt=f"{title}. One row a site: the estimate and the smallest saving that can be seen, as "
        "percent of the adjusted baseline.",
        data=[
            points(
                "smallest saving that can be seen",
                smallest,
                places,
                "after",
                symbol="square",
                size=9,
            ),
            points("estimate", estimate, places, "estimate", symbol="diamond-open", size=9),
        ],
        layout=layout(
            axis("percent of the adjusted baseline", rangemode="tozero"),
            {
                "title": {"text": ""},
                "tickvals": places,
                "ticktext": [label(s["name"], 26) for s in ready],
                "range": [-0.7, len(ready) - 0.3],
            },
            margin_static={"left": 210},
        ),
        table=Table(("site", "estimate", "smallest saving seen", "chance to be shown"), columns),
        height=90 + 26 * len(ready),
    )
