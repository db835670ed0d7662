"""Draws a chart's plain dictionary as a small still picture (SVG): for paper and without script.

It knows what our charts use and no more: lines, steps, dots, closed bands, bars, error bars,
shade scales, spans, rules and direct labels on one panel.  Coordinates are whole tenths of a
pixel, which keeps a page with three years of days small.  Colours are stylesheet roles, so a
picture follows light, dark and print by itself.
"""

from __future__ import annotations

import base64
import datetime as dt
import math
import struct
import zlib
from functools import lru_cache
from typing import Any

import numpy as np
import orjson

from mv.report.charts.base import Chart
from mv.report.format import MONTHS
from mv.wording import MINUS, NARROW

WIDTH = 760
SCALE = 10
"""Tenths of a pixel."""
DASHES = {"dash": "70 45", "dot": "15 35", "dashdot": "70 35 15 35"}
MARGIN = {"left": 72, "right": 18, "top": 10, "bottom": 46}

GAP = -9_999_999
"""Stands for a place that a line leaves out: far off every picture."""
BREAK = f" {GAP} {GAP}"

_EPOCH = dt.date(1970, 1, 1)


# -- ticks -------------------------------------------------------------------------------------
def nice_step(span: float, most: int) -> float:
    """Step of 1, 2 or 5 times a power of ten that cuts `span` into at most `most` parts."""
    if span <= 0 or not math.isfinite(span):
        return 1.0
    raw = span / most
    power = 10.0 ** math.floor(math.log10(raw))
    for factor in (1, 2, 5, 10):
        if raw <= factor * power * (1 + 1e-9):
            return factor * power
    return 10 * power


def ticks(low: float, high: float, most: int = 6) -> list[tuple[float, str]]:
    """Round positions between `low` and `high` with their labels."""
    step = nice_step(high - low, most)
    decimals = max(0, -math.floor(math.log10(step)))
    first = math.ceil(low / step - 1e-9)
    last = math.floor(high / step + 1e-9)
    out = []
    for i in range(first, last + 1):
        text = f"{i * step:,.{decimals}f}".replace(",", NARROW).replace("-", MINUS)
        out.append((i * step, "0" if i == 0 else text))
    return out


@lru_cache(maxsize=256)
def date_ticks(low: int, high: int, most: int = 9) -> tuple[tuple[int, str], ...]:
    """First days of months (or of years) between two days since 1970, with their labels."""
    months = max(1.0, (high - low) / 30.4)
    step = next((s for s in (1, 2, 3, 6, 12, 24, 60) if months / s <= most), 120)
    day = _EPOCH + dt.timedelta(days=int(low))
    year, month = day.year, day.month
    out = []
    while True:
        first = dt.date(year, month, 1)
        place = (first - _EPOCH).days
        if place > high:
            return tuple(out)
        if place >= low and (year * 12 + month - 1) % step == 0:
            text = str(year) if step >= 12 else f"{MONTHS[month - 1][:3]} {year % 100:02d}"
            out.append((place, text))
        year, month = (year + 1, 1) if month == 12 else (year, month + 1)


# -- where things lie --------------------------------------------------------------------------
class _Panel:
    """Maps data to whole tenths of a pixel."""

    def __init__(self, chart: Chart) -> None:
        frame = chart.layout
        margin = MARGIN | frame.get("margin_static", {})
        self.x_axis, self.y_axis = frame["xaxis"], frame["yaxis"]
        self.left, self.right = margin["left"] * SCALE, (WIDTH - margin["right"]) * SCALE
        self.top, self.bottom = margin["top"] * SCALE, (chart.height - margin["bottom"]) * SCALE
        self.width, self.depth = self.right - self.left, self.bottom - self.top
        self.x_low, self.x_high = self._span(chart, "x", self.x_axis)
        self.y_low, self.y_high = self._span(chart, "y", self.y_axis)
        if self.y_axis.get("autorange") == "reversed":
            self.y_low, self.y_high = self.y_high, self.y_low
        self.x_span, self.y_span = self.x_high - self.x_low, self.y_high - self.y_low

    @staticmethod
    def _span(chart: Chart, which: str, axis: dict[str, Any]) -> tuple[float, float]:
        if "range" in axis:
            return float(axis["range"][0]), float(axis["range"][1])
        parts = [values for trace in chart.data for values in _extent(trace, which)]
        for shape in chart.layout.get("shapes", ()):
            if shape["type"] == "line" and shape[f"{which}ref"] == which:
                parts.append(np.array([shape[f"{which}0"], shape[f"{which}1"]], dtype=float))
        low, high = _ends(np.concatenate(parts)) if parts else (math.nan, math.nan)
        if math.isnan(low):
            return 0.0, 1.0
        if axis.get("rangemode") == "tozero":
            low, high = min(0.0, low), max(0.0, high)
        if low == high:
            low, high = low - 1.0, high + 1.0
        if axis.get("type") == "date" or any(t["type"] == "heatmap" for t in chart.data):
            return low, high
        pad = (high - low) * 0.05
        return (low if low == 0 else low - pad), (high if high == 0 else high + pad)

    def x(self, value: Any) -> Any:
        """Place of a number, or of each of an array."""
        return self.left + (value - self.x_low) / self.x_span * self.width

    def y(self, value: Any) -> Any:
        """The same upwards."""
        return self.bottom - (value - self.y_low) / self.y_span * self.depth

    def place(self, which: str, ref: str, value: float) -> float:
        """Place of a mark, on an axis or as a share of the panel."""
        if which == "x":
            return self.left + value * self.width if ref == "paper" else self.x(value)
        return self.bottom - value * self.depth if ref == "paper" else self.y(value)


def _ends(values: np.ndarray) -> tuple[float, float]:
    """Lowest and highest finite value; NaN where there is none."""
    if not values.size:
        return math.nan, math.nan
    low, high = float(np.fmin.reduce(values)), float(np.fmax.reduce(values))
    if math.isinf(low) or math.isinf(high):
        return _ends(values[np.isfinite(values)])
    return low, high


def _extent(trace: dict[str, Any], which: str) -> list[np.ndarray]:
    """The values that a trace needs room for along one axis."""
    values = _floats(trace[which])
    if trace["type"] == "heatmap":
        gap = (values[1] - values[0]) / 2 if len(values) > 1 else 0.5
        return [values - gap, values + gap]
    parts = [values]
    if trace["type"] == "bar":
        if (which == "y") == (trace["orientation"] == "h"):
            half = _floats(trace["width"]) / 2
            parts = [values - half, values + half]
        else:
            base = np.atleast_1d(_floats(trace.get("base", 0.0)))
            parts = [base, values + base]
    if error := trace.get(f"error_{which}"):
        parts += [values + _floats(error["array"]), values - _floats(error["arrayminus"])]
    return parts


def _floats(values: Any) -> np.ndarray:
    return np.asarray(values, dtype=float)


def _ints(values: np.ndarray) -> list[int]:
    return np.rint(values).astype(np.int64).tolist()


def _places(px: np.ndarray, py: np.ndarray, between: str = " ") -> str:
    """Places in whole numbers, `x y`, with `between` from one to the next.

    orjson writes numbers several times as fast as `format` does, and a page holds thousands; a
    number that is no place stands where `between` goes.
    """
    table = np.full((len(px), 2 if between == " " else 3), GAP)
    np.rint(px, out=table[:, 0], casting="unsafe")
    np.rint(py, out=table[:, 1], casting="unsafe")
    text = orjson.dumps(table.ravel(), option=orjson.OPT_SERIALIZE_NUMPY).decode()[1:-1]
    if between != " ":
        text = text.removesuffix(f",{GAP}").replace(f",{GAP},", between)
    return text.replace(",", " ")


def _colour(role: str) -> str:
    return f"var(--{role[1:]})" if role.startswith("@") else role


# -- one trace ---------------------------------------------------------------------------------
def _segments(px: np.ndarray, py: np.ndarray, shape: str) -> str:
    """Path data of a polyline, broken at gaps."""
    ok = np.isfinite(px + py)
    keep = ok.copy()
    keep[1:] |= ok[:-1]  # of every gap behind a point one place stays, to break the line
    ok = ok[keep]
    places = _places(np.where(ok, px[keep], GAP), np.where(ok, py[keep], GAP))
    if not places:
        return ""
    lines = places.removesuffix(BREAK).split(f"{BREAK} ")
    return "".join([_stairs(each) if shape == "hv" else f"M{each}" for each in lines])


def _stairs(places: str) -> str:
    """A line through places that goes along before it goes up or down."""
    x, y, *rest = places.split(" ")
    moves = [f"H{a}V{b}" for a, b in zip(rest[::2], rest[1::2], strict=True)]
    return f"M{x} {y}{''.join(moves)}"


_DOTS = {
    "circle": lambda r: (0, 0, "h0"),  # a stroke of no length with a round end
    "square": lambda r: (r, r, f"h{2 * r}v{2 * r}h-{2 * r}z"),
    "diamond": lambda r: (0, r, f"l{r} {r} -{r} {r} -{r} -{r}z"),
    "triangle-up": lambda r: (0, r, f"l{r} {2 * r} -{2 * r} 0z"),
    "x": lambda r: (r, r, f"l{2 * r} {2 * r}m-{2 * r} 0l{2 * r} -{2 * r}"),
}
"""By radius: how far left and up of the middle the outline starts, and the way round."""


def _dots(trace: dict[str, Any], px: np.ndarray, py: np.ndarray) -> str:
    marker = trace["marker"]
    symbol, open_ = marker["symbol"].removesuffix("-open"), marker["symbol"].endswith("-open")
    colour, size, opacity = _colour(marker["color"]), marker["size"], marker.get("opacity", 1.0)
    left, up, way = _DOTS[symbol](round(size * SCALE / 2))
    ok = np.isfinite(px + py)
    moves = _places(np.rint(px[ok]) - left, np.rint(py[ok]) - up, f"{way}M")
    moves = f"M{moves}{way}" if moves else ""
    if symbol == "circle":
        paint = f'stroke="{colour}" stroke-width="{size * SCALE:g}" stroke-linecap="round"'
    elif open_ or symbol == "x":
        paint = f'fill="none" stroke="{colour}" stroke-width="13"'
    else:
        paint = f'fill="{colour}"'
    fade = f' opacity="{opacity:g}"' if opacity < 1 else ""
    return f'<path d="{moves}" {paint}{fade}/>'


def _errors(trace: dict[str, Any], panel: _Panel) -> str:
    out = []
    for which in "xy":
        error = trace.get(f"error_{which}")
        if not error:
            continue
        x, y = _floats(trace["x"]), _floats(trace["y"])
        less, more = _floats(error["arrayminus"]), _floats(error["array"])
        ok = np.isfinite(x + y + less + more)
        x, y, less, more = x[ok], y[ok], less[ok], more[ok]
        if which == "x":
            ends = _ints(panel.x(x - less)), _ints(panel.y(y)), _ints(panel.x(x + more))
            moves = [f"M{a} {at}H{b}" for a, at, b in zip(*ends, strict=True)]
        else:
            ends = _ints(panel.x(x)), _ints(panel.y(y - less)), _ints(panel.y(y + more))
            moves = [f"M{at} {a}V{b}" for at, a, b in zip(*ends, strict=True)]
        out.append(
            f'<path d="{"".join(moves)}" fill="none" stroke="{_colour(error["color"])}"'
            f' stroke-width="{error.get("thickness", 1.5) * SCALE:g}"/>'
        )
    return "".join(out)


def _bars(trace: dict[str, Any], panel: _Panel) -> str:
    lies = trace["orientation"] == "h"
    along, across = _floats(trace["x" if lies else "y"]), _floats(trace["y" if lies else "x"])
    base, half = _floats(trace.get("base", 0.0)), _floats(trace["width"]) / 2
    ok = np.isfinite(along + across)
    if lies:
        x0, x1 = panel.x(base), panel.x(base + along)
        y0, y1 = panel.y(across + half), panel.y(across - half)
    else:
        x0, x1 = panel.x(across - half), panel.x(across + half)
        y0, y1 = panel.y(base + along), panel.y(base)
    corners = (np.minimum(x0, x1), np.minimum(y0, y1), np.abs(x1 - x0), np.abs(y1 - y0))
    rows = zip(*[_ints(c[ok]) for c in corners], strict=True)
    moves = "".join([f"M{x} {y}h{wide}v{tall}h-{wide}z" for x, y, wide, tall in rows])
    return f'<path d="{moves}" fill="{_colour(trace["marker"]["color"])}"/>' if moves else ""


def png(pixels: np.ndarray) -> bytes:
    """A small PNG of 8-bit RGBA pixels, shape (rows, columns, 4)."""
    rows, columns, _ = pixels.shape
    raw = np.zeros((rows, 1 + columns * 4), dtype=np.uint8)
    raw[:, 1:] = pixels.reshape(rows, -1)

    def chunk(kind: bytes, body: bytes) -> bytes:
        check = zlib.crc32(kind + body)
        return struct.pack(">I", len(body)) + kind + body + struct.pack(">I", check)

    head = struct.pack(">IIBBBBB", columns, rows, 8, 6, 0, 0, 0)
    body = zlib.compress(raw.tobytes(), 6)
    return b"\x89PNG\r\n\x1a\n" + chunk(b"IHDR", head) + chunk(b"IDAT", body) + chunk(b"IEND", b"")


def _shades(trace: dict[str, Any], panel: _Panel) -> str:
    """A shade scale as one picture; gaps stay open, and the hatch behind them shows."""
    z = _floats(trace["z"])
    stops = trace["colorscale"]
    low, high = trace["zmin"], trace["zmax"]
    share = np.clip((z - low) / ((high - low) or 1.0), 0, 1)
    at = np.array([s[0] for s in stops])
    rgb = np.array([[int(s[1][i : i + 2], 16) for i in (1, 3, 5)] for s in stops], dtype=float)
    filled = np.nan_to_num(share)
    pixels = np.zeros((*z.shape, 4), dtype=np.uint8)
    for channel in range(3):
        pixels[..., channel] = np.interp(filled, at, rgb[:, channel]).round()
    pixels[..., 3] = np.where(np.isfinite(z), 255, 0)
    x, y = _floats(trace["x"]), _floats(trace["y"])
    gap_x = (x[1] - x[0]) / 2 if len(x) > 1 else 0.5
    gap_y = (y[1] - y[0]) / 2 if len(y) > 1 else 0.5
    x0, x1 = float(panel.x(x[0] - gap_x)), float(panel.x(x[-1] + gap_x))
    y0, y1 = float(panel.y(y[0] - gap_y)), float(panel.y(y[-1] + gap_y))
    if y0 > y1:  # first row belongs at the foot
        pixels, y0, y1 = pixels[::-1], y1, y0
    data = base64.b64encode(png(np.ascontiguousarray(pixels))).decode()
    box = f'x="{x0:.0f}" y="{y0:.0f}" width="{x1 - x0:.0f}" height="{y1 - y0:.0f}"'
    return (
        f'<rect {box} fill="url(#hatch)"/><image {box} preserveAspectRatio="none" '
        f'style="image-rendering:pixelated" href="data:image/png;base64,{data}"/>'
    )


def _trace(trace: dict[str, Any], panel: _Panel) -> str:
    if trace["type"] == "heatmap":
        return _shades(trace, panel)
    if trace["type"] == "bar":
        return _bars(trace, panel)
    px, py = panel.x(_floats(trace["x"])), panel.y(_floats(trace["y"]))
    out = []
    if trace.get("fill"):
        path = _segments(px, py, "linear")
        out.append(f'<path d="{path}z" fill="{_colour(trace["fillcolor"])}"/>' if path else "")
    elif "lines" in trace["mode"]:
        style = trace["line"]
        path = _segments(px, py, style["shape"])
        dash = DASHES.get(style["dash"], "")
        dashed = f' stroke-dasharray="{dash}"' if dash else ""
        out.append(
            f'<path d="{path}" fill="none" stroke="{_colour(style["color"])}"'
            f' stroke-width="{style["width"] * SCALE:g}" stroke-linejoin="round"{dashed}/>'
        )
    out.append(_errors(trace, panel))
    if "markers" in trace["mode"]:
        out.append(_dots(trace, px, py))
    return "".join(out)


# -- frame -------------------------------------------------------------------------------------
def _shape(shape: dict[str, Any], panel: _Panel) -> str:
    x0, x1 = (panel.place("x", shape["xref"], shape[k]) for k in ("x0", "x1"))
    y0, y1 = (panel.place("y", shape["yref"], shape[k]) for k in ("y0", "y1"))
    if shape["type"] == "rect":
        return (
            f'<rect x="{min(x0, x1):.0f}" y="{min(y0, y1):.0f}" width="{abs(x1 - x0):.0f}"'
            f' height="{abs(y1 - y0):.0f}" fill="{_colour(shape["fillcolor"])}"/>'
        )
    style = shape["line"]
    dash = DASHES.get(style["dash"], "")
    dashed = f' stroke-dasharray="{dash}"' if dash else ""
    return (
        f'<path d="M{x0:.0f} {y0:.0f}L{x1:.0f} {y1:.0f}" stroke="{_colour(style["color"])}"'
        f' stroke-width="{style["width"] * SCALE:g}"{dashed}/>'
    )


def _text(text: str, x: float, y: float, anchor: str, extra: str = "") -> str:
    return f'<text x="{x:.0f}" y="{y:.0f}" text-anchor="{anchor}"{extra}>{text}</text>'


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
    grid, labels = [], []
    for value, text in _axis_ticks(panel.y_axis, panel.y_low, panel.y_high, 6):
        at = panel.y(value)
        if panel.y_axis.get("showgrid", True):
            grid.append(f"M{panel.left} {at:.0f}H{panel.right}")
        labels.append(_text(text, panel.left - 80, at + 40, "end"))
    for value, text in _axis_ticks(panel.x_axis, panel.x_low, panel.x_high, 8):
        at = panel.x(value)
        if panel.x_axis.get("showgrid", True):
            grid.append(f"M{at:.0f} {panel.top}V{panel.bottom}")
        labels.append(_text(text, at, panel.bottom + 170, "middle"))
    middle_x, middle_y = (panel.left + panel.right) / 2, (panel.top + panel.bottom) / 2
    if title := panel.x_axis["title"]["text"]:
        labels.append(_text(title, middle_x, panel.bottom + 360, "middle", ' class="t"'))
    if title := panel.y_axis["title"]["text"]:
        turn = f' class="t" transform="rotate(-90 130 {middle_y:.0f})"'
        labels.append(_text(title, 130, middle_y, "middle", turn))
    frame = f"M{panel.left} {panel.bottom}H{panel.right}"
    return f'<path class="grid" d="{"".join(grid)}"/>', (
        f'<path class="foot" d="{frame}"/>{"".join(labels)}'
    )


def draw(chart: Chart) -> str:
    """The chart as an SVG element (the page gives it its name and description)."""
    panel = _Panel(chart)
    below, above = _frame(panel)
    parts = [below]
    parts += [_shape(s, panel) for s in chart.layout.get("shapes", ())]
    clip = (
        f'<clipPath id="clip-{chart.key}"><rect x="{panel.left}" y="{panel.top - 60}"'
        f' width="{panel.right - panel.left}" height="{panel.bottom - panel.top + 60}"/></clipPath>'
    )
    drawn = "".join(_trace(t, panel) for t in chart.data)
    parts.append(f'<g clip-path="url(#clip-{chart.key})">{drawn}</g>')
    parts.append(above)
    for mark in chart.layout.get("annotations", ()):
        x = panel.place("x", mark["xref"], mark["x"]) + mark["xshift"] * SCALE
        y = panel.place("y", mark["yref"], mark["y"]) - mark["yshift"] * SCALE
        anchor = {"left": "start", "right": "end", "center": "middle"}[mark["xanchor"]]
        fill = f' style="fill:{_colour(mark["font"]["color"])}"'
        parts.append(_text(mark["text"], x, y + 40, anchor, fill))
    return (
        f'<svg class="still" viewBox="0 0 {WIDTH * SCALE} {chart.height * SCALE}" '
        f'aria-hidden="true" focusable="false">{clip}{"".join(parts)}</svg>'
    )
