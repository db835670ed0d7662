"""What is drawn of each trace of a chart, and how is it written as SVG once its places are known?

A mark brings its places in data units; where these lie on the picture is `static.py`'s to say, for
all marks of a page at once, and the mark then writes itself.
"""

from __future__ import annotations

import base64
import math
import struct
import zlib
from collections.abc import Callable
from functools import lru_cache
from typing import Any, NamedTuple

import numpy as np
import orjson

SCALE = 10
"""Tenths of a pixel."""
DASHES = {"dash": "70 45", "dot": "15 35", "dashdot": "70 35 15 35"}

GAP = -9_999_999
"""Stands for a place that a line leaves out: far off every picture."""
BREAK = f"{GAP} {GAP}"


class Mark(NamedTuple):
    """Some places of a trace in data units, and what their places on the picture become."""

    x: list[Any]
    """Parts of equal length that follow one another: the only one of a line, both ends of bars."""
    y: list[Any]
    write: Callable[[dict[str, Any], Places, Places], str]
    trace: dict[str, Any]


Places = np.ndarray
"""Of shape (places, 2), in tenths of a pixel: exact with NaN for a gap, or whole with GAP twice."""


def marks_of(trace: dict[str, Any]) -> list[Mark]:
    """What is drawn of a trace, in order from below."""
    if trace["type"] == "heatmap":
        x, y = _floats(trace["x"]), _floats(trace["y"])
        gap_x = (x[1] - x[0]) / 2 if len(x) > 1 else 0.5
        gap_y = (y[1] - y[0]) / 2 if len(y) > 1 else 0.5
        corners = [[x[0] - gap_x], [x[-1] + gap_x]], [[y[0] - gap_y], [y[-1] + gap_y]]
        return [Mark(*corners, _shades, trace)]
    x, y = trace["x"], trace["y"]
    if trace["type"] == "bar":
        lies = trace["orientation"] == "h"
        long, across = _floats(x if lies else y), _floats(y if lies else x)
        half = _floats(trace["width"]) / 2
        base = trace.get("base")
        feet = np.zeros(len(long)) if base is None else _floats(base)
        sides, ends = [across - half, across + half], [feet, feet + long]
        return [Mark(*((ends, sides) if lies else (sides, ends)), _bars, trace)]
    marks = []
    if "lines" in trace["mode"]:
        marks.append(Mark([x], [y], _area if trace.get("fill") else _line, trace))
    if error := trace.get("error_x"):
        ends = [np.subtract(x, error["arrayminus"]), np.add(x, error["array"])]
        marks.append(Mark(ends, [y, y], _lying_errors, error))
    if error := trace.get("error_y"):
        ends = [np.subtract(y, error["arrayminus"]), np.add(y, error["array"])]
        marks.append(Mark([x, x], ends, _upright_errors, error))
    if "markers" in trace["mode"]:
        marks.append(Mark([x], [y], _dots, trace))
    return marks


def _floats(values: Any) -> np.ndarray:
    return np.asarray(values, dtype=float)


def colour_of(role: str) -> str:
    """A stylesheet's role, or a colour as it is."""
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
    return f'<path d="{path}z" fill="{colour_of(trace["fillcolor"])}"/>' if path else ""


def _line(trace: dict[str, Any], exact: Places, whole: Places) -> str:
    style = trace["line"]
    stairs = style["shape"] == "hv"
    path = "".join([_stairs(run) if stairs else f"M{run}" for run in _runs(whole)])
    return (
        f'<path d="{path}" fill="none" stroke="{colour_of(style["color"])}"'
        f' stroke-width="{style["width"] * SCALE:g}" stroke-linejoin="round"'
        f"{dashed(style['dash'])}/>"
    )


def dashed(dash: str) -> str:
    """Attribute of a line's pattern; empty for a solid one."""
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
    colour, radius = colour_of(marker["color"]), round(size * SCALE / 2)
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
        f'<path d="{moves}" fill="none" stroke="{colour_of(error["color"])}"'
        f' stroke-width="{error.get("thickness", 1.5) * SCALE:g}"/>'
    )


def _bars(trace: dict[str, Any], exact: Places, whole: Places) -> str:
    corners = [(a, b) for a, b in _both(whole) if a[0] != GAP != b[0]]
    moves = "".join([f"M{x0} {y0}H{x1}V{y1}H{x0}z" for (x0, y0), (x1, y1) in corners])
    return f'<path d="{moves}" fill="{colour_of(trace["marker"]["color"])}"/>' if moves else ""


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
