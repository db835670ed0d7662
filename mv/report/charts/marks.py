"""What is drawn of each trace of a chart, and how is it written as SVG once its places are known?

A mark brings its places in data units; where these lie on the picture is `static.py`'s to say, for
all marks of a page at once, and the mark then writes itself.
"""

from __future__ import annotations

import base64
import math
import struct
import zlib
from functools import lru_cache
from typing import Any

import numpy as np

from mv.report.charts.places import ENDS, LINE, STAIRS, TO_X, Mark, Places

SCALE = 10
"""Tenths of a pixel."""
DASHES = {"dash": "70 45", "dot": "15 35", "dashdot": "70 35 15 35"}


def marks_of(trace: dict[str, Any]) -> list[Mark]:
    """What is drawn of a trace, in order from below; of one without places nothing."""
    if trace["type"] == "heatmap":
        return [Mark(_ends(trace["x"]), _ends(trace["y"]), _shades, trace)]
    x, y = trace["x"], trace["y"]
    if not len(x):
        return []
    if trace["type"] == "bar":
        lies = trace["orientation"] == "h"
        long, across = _floats(x if lies else y), _floats(y if lies else x)
        half = _floats(trace["width"]) / 2
        feet = _floats(trace.get("base", np.zeros(len(long))))
        sides, ends = (across - half, across + half), (feet, feet + long)
        return [Mark(*((ends, sides) if lies else (sides, ends)), _bars, trace, ENDS)]
    marks = []
    if "lines" in trace["mode"]:
        stairs = trace["line"]["shape"] == "hv"
        write = _area if trace.get("fill") else _line
        marks.append(Mark((x,), (y,), write, trace, STAIRS if stairs else LINE))
    if error := trace.get("error_x"):
        ends = (np.subtract(x, error["arrayminus"]), np.add(x, error["array"]))
        marks.append(Mark(ends, (y, y), _lying_errors, error, ENDS))
    if error := trace.get("error_y"):
        ends = (np.subtract(y, error["arrayminus"]), np.add(y, error["array"]))
        marks.append(Mark((x, x), ends, _upright_errors, error, ENDS))
    if "markers" in trace["mode"]:
        sheet = "turned" if trace["marker"]["symbol"] == "diamond" else "dots"
        marks.append(Mark((x,), (y,), _dots, trace, sheet=sheet))
    return marks


def _ends(middles: np.ndarray) -> tuple[list[float]]:
    """Where cells begin and end, given their middles."""
    half = (middles[1] - middles[0]) / 2 if len(middles) > 1 else 0.5
    return ([middles[0] - half, middles[-1] + half],)


def _floats(values: Any) -> np.ndarray:
    return np.asarray(values, dtype=float)


def colour_of(role: str) -> str:
    """A stylesheet's role, or a colour as it is."""
    return f"var(--{role[1:]})" if role.startswith("@") else role


def _area(trace: dict[str, Any], places: Places) -> str:
    path = places.path
    return f'<path d="{path}z" fill="{colour_of(trace["fillcolor"])}"/>' if path else ""


def _line(trace: dict[str, Any], places: Places) -> str:
    style = trace["line"]
    return (
        f'<path d="{places.path}" fill="none" stroke="{colour_of(style["color"])}"'
        f' stroke-width="{style["width"] * SCALE:g}" stroke-linejoin="round"'
        f"{dashed(style['dash'])}/>"
    )


def dashed(dash: str) -> str:
    """Attribute of a line's pattern; empty for a solid one."""
    return f' stroke-dasharray="{DASHES[dash]}"' if dash in DASHES else ""


_OUTLINES = {
    "square": lambda r: (r, r, f"h{2 * r}v{2 * r}h-{2 * r}z"),
    "diamond": lambda r: (0, r, f"l{r} {r} -{r} {r} -{r} -{r}z"),
    "triangle-up": lambda r: (0, r, f"l{r} {2 * r} -{2 * r} 0z"),
    "x": lambda r: (r, r, f"l{2 * r} {2 * r}m-{2 * r} 0l{2 * r} -{2 * r}"),
}
"""By radius: how far left and up of the middle the outline starts, and the way round."""


def _dots(trace: dict[str, Any], places: Places) -> str:
    marker = trace["marker"]
    symbol, size, opacity = marker["symbol"], marker["size"], marker.get("opacity", 1.0)
    colour, radius = colour_of(marker["color"]), round(size * SCALE / 2)
    # A stroke of no length is but its two ends: round ones make a dot, square ones a square,
    # and on axes turned by half a right angle a diamond.
    if symbol == "circle":
        moves = places.path
        paint = f'stroke="{colour}" stroke-width="{size * SCALE:g}" stroke-linecap="round"'
    elif symbol == "diamond":
        moves = places.path
        paint = (
            f'stroke="{colour}" stroke-width="{radius * math.sqrt(2):.1f}" '
            'stroke-linecap="square" transform="rotate(45)"'
        )
    else:
        left, up, way = _OUTLINES[symbol.removesuffix("-open")](radius)
        x, y = (np.rint(v).astype(int) for v in places.exact)
        starts = zip((x - left).tolist(), (y - up).tolist(), strict=True)
        moves = "".join([f"M{x} {y}{way}" for x, y in starts])
        bare = symbol.endswith("-open") or symbol == "x"
        paint = f'fill="none" stroke="{colour}" stroke-width="13"' if bare else f'fill="{colour}"'
    fade = f' opacity="{opacity:g}"' if opacity < 1 else ""
    return f'<path d="{moves}" {paint}{fade}/>'


def _lying_errors(error: dict[str, Any], places: Places) -> str:
    return _errors(error, "".join([f"{a}{b[:TO_X]}" for a, b in places.ends]))


def _upright_errors(error: dict[str, Any], places: Places) -> str:
    return _errors(error, "".join([f"{a}{b[TO_X:]}" for a, b in places.ends]))


def _errors(error: dict[str, Any], moves: str) -> str:
    return (
        f'<path d="{moves}" fill="none" stroke="{colour_of(error["color"])}"'
        f' stroke-width="{error.get("thickness", 1.5) * SCALE:g}"/>'
    )


def _bars(trace: dict[str, Any], places: Places) -> str:
    moves = "".join([f"{a}{b}H{a[1:TO_X]}z" for a, b in places.ends])
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


def _shades(trace: dict[str, Any], places: Places) -> str:
    """A shade scale as one picture; gaps stay open, and the hatch behind them shows."""
    z = _floats(trace["z"])
    low, high = trace["zmin"], trace["zmax"]
    share = np.clip((z - low) / ((high - low) or 1.0), 0, 1)
    shades = np.where(np.isfinite(z), 1 + (share * 254).round(), 0).astype(np.uint8)
    (x0, x1), (y0, y1) = (ends.tolist() for ends in places.exact)
    if y0 > y1:  # first row belongs at the foot
        shades, y0, y1 = shades[::-1], y1, y0
    picture = png(shades, _palette(tuple(map(tuple, trace["colorscale"]))))
    data = base64.b64encode(picture).decode()
    box = f'x="{x0:.0f}" y="{y0:.0f}" width="{x1 - x0:.0f}" height="{y1 - y0:.0f}"'
    return (
        f'<rect {box} fill="url(#hatch)"/><image {box} preserveAspectRatio="none" '
        f'style="image-rendering:pixelated" href="data:image/png;base64,{data}"/>'
    )
