"""Draws a chart's plain dictionary as a small still picture (SVG): for paper and without script.

It knows what our charts use and no more: lines, steps, dots, closed bands, bars, error bars,
shade scales, spans, rules and direct labels on one panel.  Coordinates are whole tenths of a
pixel, which keeps a page with three years of days small.  Colours are stylesheet roles, so a
picture follows light, dark and print by itself.
"""

from __future__ import annotations

import base64
import math
import struct
import zlib
from collections.abc import Callable, Sequence
from functools import lru_cache
from itertools import accumulate
from typing import Any, NamedTuple

import numpy as np
import orjson

from mv.report.charts.base import Chart
from mv.report.charts.ticks import date_ticks, ticks

WIDTH = 760
SCALE = 10
"""Tenths of a pixel."""
DASHES = {"dash": "70 45", "dot": "15 35", "dashdot": "70 35 15 35"}
MARGIN = {"left": 72, "right": 18, "top": 10, "bottom": 46}

ANCHORS = {"left": "start", "right": "end", "center": "middle"}

GAP = -9_999_999
"""Stands for a place that a line leaves out: far off every picture."""
BREAK = f"{GAP} {GAP}"


# -- marks: places in data units, and how they are written ------------------------------------
class _Mark(NamedTuple):
    """Some places of a trace in data units, and what their places on the picture become."""

    x: list[Any]
    """Parts of equal length that follow one another: the only one of a line, both ends of bars."""
    y: list[Any]
    write: Callable[[dict[str, Any], Places, Places], str]
    trace: dict[str, Any]


Places = np.ndarray
"""Of shape (places, 2), in tenths of a pixel: exact with NaN for a gap, or whole with GAP twice."""


def _marks(trace: dict[str, Any]) -> list[_Mark]:
    """What is drawn of a trace, in order from below."""
    if trace["type"] == "heatmap":
        x, y = _floats(trace["x"]), _floats(trace["y"])
        gap_x = (x[1] - x[0]) / 2 if len(x) > 1 else 0.5
        gap_y = (y[1] - y[0]) / 2 if len(y) > 1 else 0.5
        corners = [[x[0] - gap_x], [x[-1] + gap_x]], [[y[0] - gap_y], [y[-1] + gap_y]]
        return [_Mark(*corners, _shades, trace)]
    x, y = trace["x"], trace["y"]
    if trace["type"] == "bar":
        lies = trace["orientation"] == "h"
        long, across = _floats(x if lies else y), _floats(y if lies else x)
        half = _floats(trace["width"]) / 2
        base = trace.get("base")
        feet = np.zeros(len(long)) if base is None else _floats(base)
        sides, ends = [across - half, across + half], [feet, feet + long]
        return [_Mark(*((ends, sides) if lies else (sides, ends)), _bars, trace)]
    marks = []
    if "lines" in trace["mode"]:
        marks.append(_Mark([x], [y], _area if trace.get("fill") else _line, trace))
    if error := trace.get("error_x"):
        ends = [np.subtract(x, error["arrayminus"]), np.add(x, error["array"])]
        marks.append(_Mark(ends, [y, y], _lying_errors, error))
    if error := trace.get("error_y"):
        ends = [np.subtract(y, error["arrayminus"]), np.add(y, error["array"])]
        marks.append(_Mark([x, x], ends, _upright_errors, error))
    if "markers" in trace["mode"]:
        marks.append(_Mark([x], [y], _dots, trace))
    return marks


def _floats(values: Any) -> np.ndarray:
    return np.asarray(values, dtype=float)


def _colour(role: str) -> str:
    return f"var(--{role[1:]})" if role.startswith("@") else role


def _numbers(table: np.ndarray) -> str:
    """Whole numbers row by row, `1,2,3`: orjson writes them in a fraction of `format`'s time."""
    return orjson.dumps(table.ravel(), option=orjson.OPT_SERIALIZE_NUMPY).decode()[1:-1]


def _runs(whole: Places) -> list[str]:
    """The runs of places between gaps, `x y x y`."""
    runs = _numbers(whole).replace(",", " ").split(BREAK)
    return [run.strip(" ") for run in runs if len(run) > 1]


def _area(trace: dict[str, Any], exact: Places, whole: Places) -> str:
    path = "".join([f"M{run}" for run in _runs(whole)])
    return f'<path d="{path}z" fill="{_colour(trace["fillcolor"])}"/>' if path else ""


def _line(trace: dict[str, Any], exact: Places, whole: Places) -> str:
    style = trace["line"]
    stairs = style["shape"] == "hv"
    path = "".join([_stairs(run) if stairs else f"M{run}" for run in _runs(whole)])
    return (
        f'<path d="{path}" fill="none" stroke="{_colour(style["color"])}"'
        f' stroke-width="{style["width"] * SCALE:g}" stroke-linejoin="round"'
        f"{_dashed(style['dash'])}/>"
    )


def _dashed(dash: str) -> str:
    return f' stroke-dasharray="{DASHES[dash]}"' if dash in DASHES else ""


def _stairs(run: str) -> str:
    """A line through places that goes along before it goes up or down."""
    x, y, *rest = run.split(" ")
    moves = [f"H{a}V{b}" for a, b in zip(rest[::2], rest[1::2], strict=True)]
    return f"M{x} {y}{''.join(moves)}"


_OUTLINES = {
    "square": lambda r: (r, r, f"h{2 * r}v{2 * r}h-{2 * r}z"),
    "diamond": lambda r: (0, r, f"l{r} {r} -{r} {r} -{r} -{r}z"),
    "triangle-up": lambda r: (0, r, f"l{r} {2 * r} -{2 * r} 0z"),
    "x": lambda r: (r, r, f"l{2 * r} {2 * r}m-{2 * r} 0l{2 * r} -{2 * r}"),
}
"""By radius: how far left and up of the middle the outline starts, and the way round."""


def _dots(trace: dict[str, Any], exact: Places, whole: Places) -> str:
    marker = trace["marker"]
    symbol, size, opacity = marker["symbol"], marker["size"], marker.get("opacity", 1.0)
    colour, radius = _colour(marker["color"]), round(size * SCALE / 2)
    places, left, up, way = whole, 0, 0, "h0"
    # A stroke of no length is but its two ends: round ones make a dot, square ones a square,
    # and on axes turned by half a right angle a diamond.
    if symbol == "circle":
        paint = f'stroke="{colour}" stroke-width="{size * SCALE:g}" stroke-linecap="round"'
    elif symbol == "diamond":
        places = _turned(exact)
        paint = (
            f'stroke="{colour}" stroke-width="{radius * math.sqrt(2):.1f}" '
            'stroke-linecap="square" transform="rotate(45)"'
        )
    else:
        left, up, way = _OUTLINES[symbol.removesuffix("-open")](radius)
        bare = symbol.endswith("-open") or symbol == "x"
        paint = f'fill="none" stroke="{colour}" stroke-width="13"' if bare else f'fill="{colour}"'
    known = whole[:, 0] != GAP
    if np.count_nonzero(known) < len(known):
        places = places[known]
    moves = ""
    if len(places):
        table = np.full((len(places), 3), GAP, dtype=np.int32)  # a GAP ends each place
        table[:, :2] = places - (left, up) if left or up else places
        starts = _numbers(table).removesuffix(f",{GAP}").replace(",", " ")
        moves = f"M{starts.replace(f' {GAP} ', f'{way}M')}{way}"
    fade = f' opacity="{opacity:g}"' if opacity < 1 else ""
    return f'<path d="{moves}" {paint}{fade}/>'


def _turned(places: np.ndarray) -> np.ndarray:
    """Places on axes turned by 45 degrees, whole (NaN stays)."""
    x, y = places[:, 0], places[:, 1]
    return (np.column_stack((x + y, y - x)) * math.sqrt(0.5)).round()


def _both(places: np.ndarray) -> zip:
    """Pairs of ends out of places that hold first all first ends and then all second ones."""
    rows = places.tolist()
    half = len(rows) // 2
    return zip(rows[:half], rows[half:], strict=True)


def _lying_errors(error: dict[str, Any], exact: Places, whole: Places) -> str:
    ends = [(a, y, b) for (a, y), (b, _) in _both(whole) if GAP not in (a, b)]
    return _errors(error, "".join([f"M{a} {y}H{b}" for a, y, b in ends]))


def _upright_errors(error: dict[str, Any], exact: Places, whole: Places) -> str:
    ends = [(x, a, b) for (x, a), (_, b) in _both(whole) if GAP not in (a, b)]
    return _errors(error, "".join([f"M{x} {a}V{b}" for x, a, b in ends]))


def _errors(error: dict[str, Any], moves: str) -> str:
    return (
        f'<path d="{moves}" fill="none" stroke="{_colour(error["color"])}"'
        f' stroke-width="{error.get("thickness", 1.5) * SCALE:g}"/>'
    )


def _bars(trace: dict[str, Any], exact: Places, whole: Places) -> str:
    corners = [(a, b) for a, b in _both(whole) if a[0] != GAP != b[0]]
    moves = "".join([f"M{x0} {y0}H{x1}V{y1}H{x0}z" for (x0, y0), (x1, y1) in corners])
    return f'<path d="{moves}" fill="{_colour(trace["marker"]["color"])}"/>' if moves else ""


def png(shades: np.ndarray, palette: bytes) -> bytes:
    """A small PNG of one byte a pixel, shape (rows, columns): which colour of `palette` (red,
    green and blue of each) it has; the first is see-through."""
    rows, columns = shades.shape
    raw = np.zeros((rows, 1 + columns), dtype=np.uint8)  # no filter on any row
    raw[:, 1:] = shades
    head = struct.pack(">IIBBBBB", columns, rows, 8, 3, 0, 0, 0)
    chunks = {
        b"IHDR": head,
        b"PLTE": palette,
        b"tRNS": b"\0",
        b"IDAT": zlib.compress(raw.tobytes()),
        b"IEND": b"",
    }
    return b"\x89PNG\r\n\x1a\n" + b"".join(
        struct.pack(">I", len(body)) + kind + body + struct.pack(">I", zlib.crc32(kind + body))
        for kind, body in chunks.items()
    )


@lru_cache(maxsize=4)
def _palette(stops: tuple[tuple[float, str], ...]) -> bytes:
    """Nothing, then 255 shades from one end of a scale to the other: more than an eye parts."""
    share = np.linspace(0, 1, 255)
    at = [place for place, _ in stops]
    rgb = np.zeros((256, 3), dtype=np.uint8)
    for channel, digits in enumerate((slice(1, 3), slice(3, 5), slice(5, 7))):
        ends = [int(colour[digits], 16) for _, colour in stops]
        rgb[1:, channel] = np.interp(share, at, ends).round()
    return rgb.tobytes()


def _shades(trace: dict[str, Any], exact: Places, whole: Places) -> str:
    """A shade scale as one picture; gaps stay open, and the hatch behind them shows."""
    z = _floats(trace["z"])
    low, high = trace["zmin"], trace["zmax"]
    share = np.clip((z - low) / ((high - low) or 1.0), 0, 1)
    shades = np.where(np.isfinite(z), 1 + (share * 254).round(), 0).astype(np.uint8)
    (x0, y0), (x1, y1) = exact.tolist()
    if y0 > y1:  # first row belongs at the foot
        shades, y0, y1 = shades[::-1], y1, y0
    picture = png(shades, _palette(tuple(map(tuple, trace["colorscale"]))))
    data = base64.b64encode(picture).decode()
    box = f'x="{x0:.0f}" y="{y0:.0f}" width="{x1 - x0:.0f}" height="{y1 - y0:.0f}"'
    return (
        f'<rect {box} fill="url(#hatch)"/><image {box} preserveAspectRatio="none" '
        f'style="image-rendering:pixelated" href="data:image/png;base64,{data}"/>'
    )


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
        shaded = any(trace["type"] == "heatmap" for trace in chart.data)
        self.x_low, self.x_high = _span(self.x_axis, x_low, x_high, tight=shaded)
        self.y_low, self.y_high = _span(self.y_axis, y_low, y_high, tight=shaded)
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


def _reach(chart: Chart) -> _Mark:
    """What an axis has to reach beside the marks: the rules across it; and never nothing at all."""
    x, y = [math.nan], [math.nan]
    for shape in chart.layout.get("shapes", ()):
        if shape["type"] == "line":
            x += (shape["x0"], shape["x1"]) if shape["xref"] == "x" else (math.nan, math.nan)
            y += (shape["y0"], shape["y1"]) if shape["yref"] == "y" else (math.nan, math.nan)
    return _Mark([x], [y], _nothing, {})


def _nothing(trace: dict[str, Any], exact: Places, whole: Places) -> str:
    return ""


# -- frame -------------------------------------------------------------------------------------
def _shape(shape: dict[str, Any], panel: _Panel) -> str:
    x0, x1 = panel.x(shape["x0"], shape["xref"]), panel.x(shape["x1"], shape["xref"])
    y0, y1 = panel.y(shape["y0"], shape["yref"]), panel.y(shape["y1"], shape["yref"])
    if shape["type"] == "rect":
        return (
            f'<rect x="{min(x0, x1):.0f}" y="{min(y0, y1):.0f}" width="{abs(x1 - x0):.0f}"'
            f' height="{abs(y1 - y0):.0f}" fill="{_colour(shape["fillcolor"])}"/>'
        )
    style = shape["line"]
    return (
        f'<path d="M{x0:.0f} {y0:.0f}L{x1:.0f} {y1:.0f}" stroke="{_colour(style["color"])}"'
        f' stroke-width="{style["width"] * SCALE:g}"{_dashed(style["dash"])}/>'
    )


def _text(text: str, x: int, y: int, anchor: str, extra: str = "") -> str:
    return f'<text x="{x}" y="{y}" text-anchor="{anchor}"{extra}>{text}</text>'


def _axis_ticks(axis: dict[str, Any], low: float, high: float, most: int):
    low, high = min(low, high), max(low, high)
    if "tickvals" in axis:
        pairs = zip(_floats(axis["tickvals"]).tolist(), axis["ticktext"], strict=True)
        return [(v, t) for v, t in pairs if low <= v <= high]
    if axis.get("type") == "date":
        return date_ticks(math.floor(low), math.ceil(high))
    return ticks(low, high, most)


def _frame(panel: _Panel) -> tuple[str, str]:
    """Grid below the traces, labels above them."""
    left, right, top, bottom = panel.left, panel.right, panel.top, panel.bottom
    x_axis, y_axis = panel.x_axis, panel.y_axis
    beside = [
        (round(panel.y(value)), text)
        for value, text in _axis_ticks(y_axis, panel.y_low, panel.y_high, 6)
    ]
    under = [
        (round(panel.x(value)), text)
        for value, text in _axis_ticks(x_axis, panel.x_low, panel.x_high, 8)
    ]
    grid = []
    if y_axis.get("showgrid", True):
        grid += [f"M{left} {at}H{right}" for at, _ in beside]
    if x_axis.get("showgrid", True):
        grid += [f"M{at} {top}V{bottom}" for at, _ in under]
    labels = [_text(text, left - 80, at + 40, "end") for at, text in beside]
    labels += [_text(text, at, bottom + 170, "middle") for at, text in under]
    middle = round((top + bottom) / 2)
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
        fill = f' style="fill:{_colour(mark["font"]["color"])}"'
        notes.append(_text(mark["text"], round(x), round(y) + 40, ANCHORS[mark["xanchor"]], fill))
    return (
        f'<svg class="still" viewBox="0 0 {WIDTH * SCALE} {chart.height * SCALE}" '
        f'aria-hidden="true" focusable="false">{clip}{below}{shapes}'
        f'<g clip-path="url(#clip-{chart.key})">{drawn}</g>{above}{"".join(notes)}</svg>'
    )


def draw(charts: Sequence[Chart]) -> list[str]:
    """Each chart as an SVG element (the page gives it its name and description).

    All marks of all charts are placed at once: a page has some sixty of them, of one place to a
    thousand, and a call of numpy costs the same for one as for a hundred.
    """
    if not charts:
        return []
    marks = [[_reach(c), *(m for trace in c.data for m in _marks(trace))] for c in charts]
    sizes = [[sum(map(len, mark.x)) for mark in those] for those in marks]
    panels, exact, whole = _placed(charts, marks, [sum(those) for those in sizes])
    pictures, last = [], 0
    for chart, panel, those, lengths in zip(charts, panels, marks, sizes, strict=True):
        drawn = []
        for mark, length in zip(those, lengths, strict=True):
            first, last = last, last + length
            drawn.append(mark.write(mark.trace, exact[first:last], whole[first:last]))
        pictures.append(_picture(chart, panel, "".join(drawn)))
    return pictures


def _placed(
    charts: Sequence[Chart], marks: list[list[_Mark]], sizes: list[int]
) -> tuple[list[_Panel], np.ndarray, np.ndarray]:
    """Panels of the charts, and the places of all their marks, exact and whole, one after the
    other; `sizes` are the places of each chart."""
    x, y = (
        np.concatenate(
            [part for those in marks for mark in those for part in mark[axis]], dtype=float
        )
        for axis in (0, 1)
    )
    for values in (x, y):
        values[np.isinf(values)] = math.nan
    firsts = [0, *accumulate(sizes[:-1])]
    ends = [end.reduceat(v, firsts).tolist() for v in (x, y) for end in (np.fmin, np.fmax)]
    panels = [_Panel(*each) for each in zip(charts, *ends, strict=True)]
    exact = np.column_stack((x, y))
    exact *= np.repeat([(p.x_slope, p.y_slope) for p in panels], sizes, axis=0)
    exact += np.repeat([(p.x_start, p.y_start) for p in panels], sizes, axis=0)
    whole = exact.round()
    whole[np.isnan(x + y)] = GAP
    return panels, exact, whole.astype(np.int32)
