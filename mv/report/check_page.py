"""The page of a check: readings drawn, what was left out shaded, and what was found.

Nothing is fitted here; the page answers whether the data can carry a verification at all.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import numpy as np

from mv.findings import Finding
from mv.report import record, text
from mv.report.charts.base import (
    Chart,
    Table,
    axis,
    chart_key,
    date_axis,
    dates,
    label,
    layout,
    line,
    numbers,
    points,
    rule,
    shade,
)
from mv.report.charts.cumulative import thin
from mv.report.drawn import chart_data, ready
from mv.report.format import NOT_GIVEN, Name, Numbers, Say, date
from mv.report.render import RenderOptions, page
from mv.report.rows import Row
from mv.results import InputFile

MOST_SPANS = 60
"""Spans left out that are shaded one by one; more are counted below the chart."""


@dataclass(frozen=True, kw_only=True)
class CheckMeter:
    """One meter (or station) as read, for the page of a check."""

    site: str
    site_name: str
    meter: str
    carrier: str
    input: InputFile
    date: list[str] = field(default_factory=list)
    """ISO local days; for bills the first day of each."""
    value: list[float | None] = field(default_factory=list)
    """Energy per day (None where missing), in `unit`."""
    unit: str = "kWh"
    status: list[str] = field(default_factory=list)
    """Per day `used`, or the name of the rule that leaves it out."""
    days: list[int] = field(default_factory=list)
    """Length of each row in days; empty for daily rows."""
    installation: tuple[str, str] | None = None
    """First and last day of the works, ISO."""


@dataclass(frozen=True, kw_only=True)
class CheckResult:
    """What `render_check` prints."""

    name: str
    created: str
    method_version: str
    meters: list[CheckMeter]
    findings: list[Finding]
    refused: int = 0
    """Meters or files that could not be read."""


def spans_out(day: np.ndarray, length: np.ndarray, out: np.ndarray) -> list[tuple[float, float]]:
    """Runs of rows left out, as (first day, day after the last)."""
    edges = np.flatnonzero(np.diff(np.concatenate([[0], out.astype(np.int8), [0]])))
    return [
        (float(day[a]), float(day[b - 1] + length[b - 1]))
        for a, b in zip(edges[::2].tolist(), edges[1::2].tolist(), strict=True)
    ]


def _meter_chart(i: int, meter: CheckMeter, say: Say) -> Chart | None:
    if not meter.date:
        return None
    day = dates(meter.date)
    length = np.array(meter.days or [1] * len(day), dtype=float)
    value = numbers(meter.value, 4)
    out = np.array([s != "used" for s in meter.status or ["used"] * len(day)])
    spans = spans_out(day, length, out)
    unit = meter.unit.replace("m3", "m³")
    lost = int(length[out].sum())
    title = (
        f"{say.count(lost)} of {say.count(int(length.sum()))} days are left out"
        if lost
        else f"All {say.count(int(length.sum()))} days can be used"
    )
    used = np.where(out, np.nan, value)
    shapes = [shade(a, b, "before") for a, b in spans[:MOST_SPANS]]
    if meter.installation:
        start, end = dates(list(meter.installation))
        shapes += [rule(x=float(start), dash="dot"), rule(x=float(end) + 1, dash="dot")]
    data: list[dict[str, Any]] = [line("readings", day, used, "after", width=1.4, showlegend=False)]
    if np.isfinite(value[out]).any():
        style = {"symbol": "x", "size": 5, "showlegend": False}
        data.append(points("left out", day[out], value[out], "before", **style))
    picks = thin(len(day), 24)
    rules = sorted({s for s in meter.status if s != "used"})
    reasons = ", ".join(f"{record.rule_words(r)} {meter.status.count(r)}" for r in rules)
    return Chart(
        key=chart_key(f"check-{i}"),
        question=f"What does meter {label(meter.meter)} give?",
        title=title,
        alt=f"{title}. Readings in {unit} a day; spans left out are shaded.",
        data=data,
        layout=layout(date_axis(), axis(f"{unit} a day", rangemode="tozero"), shapes=shapes),
        table=Table(
            ("day", f"{unit} a day", "status"),
            (
                [date(meter.date[k]) for k in picks.tolist()],
                Numbers(value[picks].tolist()),
                [record.rule_words(meter.status[k]) if out[k] else "used" for k in picks],
            ),
            note="A sample of the rows, evenly spread.",
        ),
        note=f"Shaded: left out ({reasons})." if rules else "",
        height=240,
    )


def check_page(result: CheckResult, say: Say) -> dict[str, Any]:
    """Everything that `check.html` prints."""
    made = [_meter_chart(i, meter, say) for i, meter in enumerate(result.meters)]
    charts = ready({chart.key: chart for chart in made if chart}, say)
    meters = []
    for meter, chart in zip(result.meters, made, strict=True):
        entry = meter.input
        meters.append(
            {
                "site": Name(meter.site_name or meter.site),
                "meter": Name(meter.meter),
                "carrier": text.carrier_label(meter.carrier),
                "chart": charts[chart.key] if chart else None,
                "facts": [
                    Row("File", (Name(entry.file),)),
                    Row("Rows read", (say.count(entry.rows_read),)),
                    Row("Rows used", (say.count(entry.rows_used),)),
                    Row("Step", (entry.step or NOT_GIVEN,)),
                    Row("Clock", (entry.time_basis or NOT_GIVEN,)),
                    Row("Unit", (entry.unit or NOT_GIVEN,)),
                    Row("From", (date(entry.first),)),
                    Row("To", (date(entry.last),)),
                ],
            }
        )
    lost = sum(f.action in ("refuse", "exclude") for f in result.findings)
    return {
        "name": result.name,
        "paper": "",
        "meters": meters,
        "lead": f"{len(result.meters)} meter{'s' if len(result.meters) != 1 else ''} read, "
        f"{result.refused} refused; {lost} of {len(result.findings)} findings cost data. "
        "Nothing was fitted.",
        "findings": record.finding_rows(result.findings),
        "inputs": record.input_rows([m.input for m in result.meters], say),
        "charts": charts,
        "chart_data": chart_data(charts),
        "cautions": text.CAUTIONS[:1],
        "created": date(result.created),
        "version": result.method_version,
    }


def render_check(result: CheckResult) -> bytes:
    """The page as one self-contained HTML text, UTF-8 (script and style inside)."""
    return page("check.html", check_page(result, Say()), RenderOptions(single_file=True), ".")
