"""Draws a chart's plain dictionary as a small still picture (SVG): for paper and without script.

It knows what our charts use and no more: lines, steps, dots, closed bands, bars, error bars,
shade scales, spans, rules and direct labels on one panel.  Coordinates are whole tenths of a
pixel, which keeps a page with three years of days small.  Colours are stylesheet roles, so a
picture follows light, dark and print by itself.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any

import numpy as np

from mv.report.charts.base import Chart
from mv.report.charts.marks import SCALE, colour_of, dashed, marks_of
from mv.report.charts.places import MOST, Mark, Places, Sheet
from mv.report.charts.ticks import date_ticks, ticks

WIDTH = 760
MARGIN = {"left": 72, "right": 18, "top": 10, "bottom": 46}

ANCHORS = {"left": "start", "right": "end", "center": "middle"}


# -- where things lie --------------------------------------------------------------------------
class _Panel:
    """Maps data to tenths of a pixel: place = start + value · slope on either axis.

    Parameters
    ----------
    x_low, x_high, y_low, y_high : ends of the chart's marks in data units; NaN where it has none.
    """

    def __init__(
        self, chart: Chart, x_low: float, x_high: float, y_low: float, y_high: float
    ) -> None:
        frame = chart.layout
        margin = MARGIN | frame.get("margin_static", {})
        self.x_axis, self.y_axis = frame["xaxis"], frame["yaxis"]
        self.left, self.right = margin["left"] * SCALE, (WIDTH - margin["right"]) * SCALE
        self.top, self.bottom = margin["top"] * SCALE, (chart.height - margin["bottom"]) * SCALE
        self.width, self.depth = self.right - self.left, self.bottom - self.top
        is_shaded = bool(chart.ramp)
        self.x_low, self.x_high = _span(self.x_axis, x_low, x_high, tight=is_shaded)
        self.y_low, self.y_high = _span(self.y_axis, y_low, y_high, tight=is_shaded)
        if self.y_axis.get("autorange") == "reversed":
            self.y_low, self.y_high = self.y_high, self.y_low
        self.x_slope = self.width / (self.x_high - self.x_low)
        self.y_slope = -self.depth / (self.y_high - self.y_low)
        self.x_start = self.left - self.x_low * self.x_slope
        self.y_start = self.bottom - self.y_low * self.y_slope

    def x(self, value: float, ref: str = "x") -> float:
        """Place of a number of the axis, or of a share of the panel."""
        if ref == "paper":
            return self.left + value * self.width
        return self.x_start + value * self.x_slope

    def y(self, value: float, ref: str = "y") -> float:
        """The same upwards."""
        if ref == "paper":
            return self.bottom - value * self.depth
        return self.y_start + value * self.y_slope


def _span(axis: dict[str, Any], low: float, high: float, tight: bool) -> tuple[float, float]:
    """The ends of an axis: those it asks for, else those of its marks with some room."""
    if "range" in axis:
        return float(axis["range"][0]), float(axis["range"][1])
    if math.isnan(low):
        return 0.0, 1.0
    if axis.get("rangemode") == "tozero":
        low, high = min(0.0, low), max(0.0, high)
    if low == high:
        low, high = low - 1.0, high + 1.0
    if tight or axis.get("type") == "date":
        return low, high
    pad = (high - low) * 0.05
    return (low if low == 0 else low - pad), (high if high == 0 else high + pad)


def _reach(chart: Chart) -> Mark:
    """What an axis has to reach beside the marks: the rules across it; and never nothing at all."""
    x, y = [math.nan], [math.nan]
    for shape in chart.layout.get("shapes", ()):
        if shape["type"] == "line":
            x += (shape["x0"], shape["x1"]) if shape["xref"] == "x" else (math.nan, math.nan)
            y += (shape["y0"], shape["y1"]) if shape["yref"] == "y" else (math.nan, math.nan)
    return Mark((x,), (y,), _nothing, {})


def _nothing(trace: dict[str, Any], places: Places) -> str:
    return ""


# -- frame -------------------------------------------------------------------------------------
def _shape(shape: dict[str, Any], panel: _Panel) -> str:
    x0, x1 = panel.x(shape["x0"], shape["xref"]), panel.x(shape["x1"], shape["xref"])
    y0, y1 = panel.y(shape["y0"], shape["yref"]), panel.y(shape["y1"], shape["yref"])
    if shape["type"] == "rect":
        return (
            f'<rect x="{min(x0, x1):.0f}" y="{min(y0, y1):.0f}" width="{abs(x1 - x0):.0f}"'
            f' height="{abs(y1 - y0):.0f}" fill="{colour_of(shape["fillcolor"])}"/>'
        )
    style = shape["line"]
    return (
        f'<path d="M{x0:.0f} {y0:.0f}L{x1:.0f} {y1:.0f}" stroke="{colour_of(style["color"])}"'
        f' stroke-width="{style["width"] * SCALE:g}"{dashed(style["dash"])}/>'
    )


def _text(text: str, x: int, y: int, anchor: str, extra: str = "") -> str:
    return f'<text x="{x}" y="{y}" text-anchor="{anchor}"{extra}>{text}</text>'


def _axis_ticks(axis: dict[str, Any], low: float, high: float, most: int):
    low, high = min(low, high), max(low, high)
    if "tickvals" in axis:
        pairs = zip(axis["tickvals"], axis["ticktext"], strict=True)
        return [(value, text) for value, text in pairs if low <= value <= high]
    if axis.get("type") == "date":
        return date_ticks(math.floor(low), math.ceil(high))
    return ticks(low, high, most)


def _labelled(
    axis: dict[str, Any], low: float, high: float, most: int, start: float, slope: float
) -> list[tuple[int, str]]:
    """Where along an axis its labels stand, in whole tenths of a pixel, and what they say."""
    shown = _axis_ticks(axis, low, high, most)
    return [(round(start + value * slope), text) for value, text in shown]


def _frame(panel: _Panel) -> tuple[str, str]:
    """Grid below the traces, labels above them."""
    left, right, top, bottom = panel.left, panel.right, panel.top, panel.bottom
    x_axis, y_axis = panel.x_axis, panel.y_axis
    middle = round((top + bottom) / 2)
    beside, below = f'<text x="{left - 80}" y="', f'" y="{bottom + 170}" text-anchor="middle">'
    rows = _labelled(y_axis, panel.y_low, panel.y_high, 6, panel.y_start, panel.y_slope)
    columns = _labelled(x_axis, panel.x_low, panel.x_high, 8, panel.x_start, panel.x_slope)
    labels = [f'{beside}{y + 40}" text-anchor="end">{text}</text>' for y, text in rows]
    labels += [f'<text x="{x}{below}{text}</text>' for x, text in columns]
    grid = []
    if y_axis.get("showgrid", True):
        grid += [f"M{left} {y}H{right}" for y, _ in rows]
    if x_axis.get("showgrid", True):
        grid += [f"M{x} {top}V{bottom}" for x, _ in columns]
    if title := x_axis["title"]["text"]:
        labels.append(_text(title, round((left + right) / 2), bottom + 360, "middle", ' class="t"'))
    if title := y_axis["title"]["text"]:
        turn = f' class="t" transform="rotate(-90 130 {middle})"'
        labels.append(_text(title, 130, middle, "middle", turn))
    return f'<path class="grid" d="{"".join(grid)}"/>', (
        f'<path class="foot" d="M{left} {bottom}H{right}"/>{"".join(labels)}'
    )


def _picture(chart: Chart, panel: _Panel, drawn: str) -> str:
    """The whole picture around its drawn marks."""
    below, above = _frame(panel)
    shapes = "".join([_shape(s, panel) for s in chart.layout.get("shapes", ())])
    clip = (
        f'<clipPath id="clip-{chart.key}"><rect x="{panel.left}" y="{panel.top - 60}"'
        f' width="{panel.right - panel.left}" height="{panel.bottom - panel.top + 60}"/></clipPath>'
    )
    notes = []
    for mark in chart.layout.get("annotations", ()):
        x = panel.x(mark["x"], mark["xref"]) + mark["xshift"] * SCALE
        y = panel.y(mark["y"], mark["yref"]) - mark["yshift"] * SCALE
        fill = f' style="fill:{colour_of(mark["font"]["color"])}"'
        notes.append(_text(mark["text"], round(x), round(y) + 40, ANCHORS[mark["xanchor"]], fill))
    return (
        f'<svg class="still" viewBox="0 0 {WIDTH * SCALE} {chart.height * SCALE}" '
        f'aria-hidden="true" focusable="false">{clip}{below}{shapes}'
        f'<g clip-path="url(#clip-{chart.key})">{drawn}</g>{above}{"".join(notes)}</svg>'
    )


def draw(charts: Sequence[Chart]) -> list[str]:
    """Each chart as an SVG element (the page gives it its name and description).

    All marks of all charts are placed at once: a page has some seventy of them, of one place to a
    thousand, and a call of numpy costs the same for one as for a hundred.
    """
    if not charts:
        return []
    sheets: dict[tuple[str, bool], Sheet] = {}
    marks: list[list[tuple[Mark, Sheet]]] = [[] for _ in charts]
    for number, chart in enumerate(charts):
        tall = chart.height * SCALE > MOST
        for mark in (_reach(chart), *(m for trace in chart.data for m in marks_of(trace))):
            kind = mark.sheet, tall or mark.sheet == "turned"
            sheet = sheets.get(kind)
            if sheet is None:
                sheet = sheets[kind] = Sheet(*kind)
            sheet.add(mark, number)
            marks[number].append((mark, sheet))
    panels = _panels(charts, list(sheets.values()))
    maps = np.array([(p.x_start, p.x_slope, p.y_start, p.y_slope) for p in panels]).T
    places = {sheet: iter(sheet.place(maps)) for sheet in sheets.values()}
    pictures = []
    for chart, panel, those in zip(charts, panels, marks, strict=True):
        drawn = [mark.write(mark.trace, next(places[sheet])) for mark, sheet in those]
        pictures.append(_picture(chart, panel, "".join(drawn)))
    return pictures


def _panels(charts: Sequence[Chart], sheets: list[Sheet]) -> list[_Panel]:
    """Panels that reach all marks of their chart."""
    reached = np.stack([sheet.reach(len(charts)) for sheet in sheets])
    x_low, y_low = np.fmin.reduce(reached[:, 0::2]).tolist()
    x_high, y_high = np.fmax.reduce(reached[:, 1::2]).tolist()
    ends = zip(x_low, x_high, y_low, y_high, strict=True)
    return [_Panel(chart, *each) for chart, each in zip(charts, ends, strict=True)]
