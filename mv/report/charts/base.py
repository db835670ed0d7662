"""What a chart is: a question, a title that states the finding, plain data, and a table beside it.

A chart is a dictionary in the plotly notation (`data`, `layout`) without any plotly object, so
that it can be drawn twice from the same numbers: by the shared script on screen, by `static.py`
on paper and where scripts are off.  Colours are named roles (`@after`), resolved by the
stylesheet in light, dark and print; a role never stands alone, a dash or a symbol goes with it.
Text from the folder passes `label` before it enters a chart, because the script library reads
some tags in text.
"""

from __future__ import annotations

import datetime as dt
import math
import re
import struct
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import lru_cache
from typing import Any, Literal, NamedTuple

import numpy as np

from mv.registry import Registry
from mv.report.format import Numbers


class Table(NamedTuple):
    """The numbers of a chart by columns, words or numbers, under their heads."""

    head: tuple[str, ...]
    columns: Sequence[Sequence[str] | Numbers]
    note: str = ""


class Chart(NamedTuple):
    """One drawn chart."""

    key: str
    """Element id, fixed."""
    question: str
    title: str
    """States the finding."""
    alt: str
    """What a reader who can't see it is told."""
    data: list[dict[str, Any]]
    layout: dict[str, Any]
    table: Table
    note: str = ""
    height: int = 340
    zoom: bool = False
    """Whether buttons for shorter spans of time are offered."""
    ramp: str = ""
    """Words for the two ends of a shade scale, `0 kW to 45 kW`; empty where there is none."""


class NotDrawn(NamedTuple):
    """A chart that these results can't fill, with the reason."""

    key: str
    question: str
    reason: str


@dataclass(frozen=True, slots=True)
class ChartKind:
    """A registered chart: what it is drawn from and how."""

    name: str
    of: Literal["site", "portfolio"]
    question: str
    build: Callable[..., Chart | NotDrawn]
    """(view of a site or PortfolioResult, say) -> Chart | NotDrawn"""


DIGITS = 5
"""Significant digits of the largest number of a column, with which all of it is drawn."""

CHARTS: Registry[ChartKind] = Registry("chart", "mv.report.charts")


def chart(name: str, of: Literal["site", "portfolio"], question: str):
    """Register a function (source, say, question) -> Chart | NotDrawn under `name`."""

    def wrap(function):
        def build(source, say) -> Chart | NotDrawn:
            return function(source, say, question)

        CHARTS.add(name, ChartKind(name, of, question, build))
        return function

    return wrap


def label(text: str, longest: int = 60) -> str:
    """Text from the folder, made harmless for chart text, and cut where it is very long."""
    text = text if len(text) <= longest else text[: longest - 1] + "…"
    return text.replace("&", "&amp;").replace("<", "&lt;").replace(">", "&gt;")


def chart_key(text: str) -> str:
    """An element id from a key."""
    return "chart-" + re.sub(r"[^A-Za-z0-9]+", "-", text).strip("-")


def floats(values: Sequence[float | None] | np.ndarray) -> np.ndarray:
    """Numbers as an array that isn't written to, NaN for None."""
    if isinstance(values, np.ndarray):
        return values.astype(float, copy=False)
    try:
        return np.frombuffer(struct.pack(f"{len(values)}d", *values))  # a third of np.array's time
    except struct.error:  # a gap
        return np.array(values, dtype=float)


def numbers(values: Sequence[float | None] | np.ndarray, digits: int = DIGITS) -> np.ndarray:
    """Floats with NaN for gaps, rounded to `digits` significant ones of the largest (for size)."""
    array = floats(values)
    size = float(np.fmax.reduce(np.abs(array), initial=0.0))
    return array.round(digits - 1 - math.floor(math.log10(size))) if size > 0 else array


def dates(values: Sequence[str]) -> np.ndarray:
    """ISO dates (or months), ascending and none twice, as whole days since 1970: short in a page,
    and no zone can shift them.

    The page's script turns them into the milliseconds that a date axis wants.  Most are the days
    of a calendar without a gap, which sites share: of these, two are read.
    """
    if len(values) > 1 and len(values[0]) == len(values[-1]) == len("2024-03-01"):
        first, last = dt.date.fromisoformat(values[0]), dt.date.fromisoformat(values[-1])
        if (last - first).days == len(values) - 1:
            return _calendar(first, len(values))
    return np.array(values, dtype="datetime64[D]").astype(np.int64)


@lru_cache(maxsize=64)
def _calendar(first: dt.date, count: int) -> np.ndarray:
    """Days from `first` on without a gap, since 1970."""
    days = np.arange(count) + (first - dt.date(1970, 1, 1)).days
    days.flags.writeable = False
    return days


# -- traces ------------------------------------------------------------------------------------
def _trace(name: str, x, y, **rest) -> dict[str, Any]:
    return {"type": "scatter", "name": name, "x": x, "y": y, **rest}


def line(name, x, y, role, *, dash="solid", width=2.0, shape="linear", **rest) -> dict[str, Any]:
    """A line; `dash` solid, dash, dot or dashdot; `shape` linear or hv (steps)."""
    style = {"color": f"@{role}", "width": width, "dash": dash, "shape": shape}
    return _trace(name, x, y, mode="lines", line=style, **rest)


def points(name, x, y, role, *, symbol="circle", size=6, opacity=1.0, **rest) -> dict[str, Any]:
    """Dots; `symbol` circle, diamond, square, triangle-up, or the same with -open."""
    style = {"color": f"@{role}", "symbol": symbol, "size": size, "opacity": opacity}
    return _trace(name, x, y, mode="markers", marker=style, **rest)


def band(name, x, low, high, role, **rest) -> dict[str, Any]:
    """The area between two lines over the same x, as one closed outline (gaps left out)."""
    x, low, high = np.asarray(x), np.asarray(low, dtype=float), np.asarray(high, dtype=float)
    keep = np.isfinite(low) & np.isfinite(high)
    x, low, high = x[keep], low[keep], high[keep]
    return _trace(
        name,
        np.concatenate([x, x[::-1]]),
        np.concatenate([high, low[::-1]]),
        mode="lines",
        line={"color": f"@{role}", "width": 0, "dash": "solid", "shape": "linear"},
        fill="toself",
        fillcolor=f"@{role}-fill",
        hoverinfo="skip",
        **rest,
    )


def bars(name, x, y, role, *, base=None, width=0.7, horizontal=False, **rest) -> dict[str, Any]:
    """Bars from `base` (0 when None), `width` in units of the axis they stand on."""
    trace = {
        "type": "bar",
        "name": name,
        "x": y if horizontal else x,
        "y": x if horizontal else y,
        "orientation": "h" if horizontal else "v",
        "width": width,
        "marker": {"color": f"@{role}"},
        **rest,
    }
    if base is not None:
        trace["base"] = base
    return trace


# -- axes, marks -------------------------------------------------------------------------------
def axis(title: str, **rest) -> dict[str, Any]:
    """An axis with its title (unit included)."""
    return {"title": {"text": title}, **rest}


def date_axis(title: str = "") -> dict[str, Any]:
    """An axis of calendar days, no clock and no zone."""
    return {"title": {"text": title}, "type": "date", "hoverformat": "%d %b %Y"}


def named_axis(names: Sequence[str], title: str = "", **rest) -> dict[str, Any]:
    """An axis of places 0, 1, 2 ... with (already harmless) names."""
    return axis(
        title,
        tickvals=list(range(len(names))),
        ticktext=list(names),
        range=[-0.6, len(names) - 0.4],
        **rest,
    )


def layout(x: dict[str, Any], y: dict[str, Any], **rest) -> dict[str, Any]:
    """Layout of one panel."""
    return {"xaxis": x, "yaxis": y, **rest}


def shade(x0, x1, role: str = "installation") -> dict[str, Any]:
    """A span of the x axis shaded from foot to head."""
    return {
        "type": "rect",
        "xref": "x",
        "yref": "paper",
        "x0": x0,
        "x1": x1,
        "y0": 0,
        "y1": 1,
        "fillcolor": f"@{role}-fill",
        "line": {"width": 0},
        "layer": "below",
    }


def rule(*, x=None, y=None, role="ink", dash="solid", width=1.0) -> dict[str, Any]:
    """A straight line across the panel at `x` or at `y`."""
    across = {"x0": 0, "x1": 1, "xref": "paper", "y0": y, "y1": y, "yref": "y"}
    upright = {"y0": 0, "y1": 1, "yref": "paper", "x0": x, "x1": x, "xref": "x"}
    return {
        "type": "line",
        **(across if x is None else upright),
        "line": {"color": f"@{role}", "width": width, "dash": dash},
        "layer": "below",
    }


def note(text: str, x, y, *, role="ink", xref="x", yref="y", anchor="left", shift=0, up=0):
    """A direct label beside a mark; `text` must be harmless already."""
    return {
        "text": text,
        "x": x,
        "y": y,
        "xref": xref,
        "yref": yref,
        "xanchor": anchor,
        "yanchor": "middle",
        "xshift": shift,
        "yshift": up,
        "showarrow": False,
        "font": {"color": f"@{role}", "size": 12},
    }


class Key(NamedTuple):
    """One entry of a chart's key, drawn in HTML for screen and paper alike."""

    name: str
    kind: Literal["line", "points", "band", "bar"]
    role: str
    dash: str = "solid"
    symbol: str = ""


def keys_of(drawn: Chart) -> list[Key]:
    """The key of a chart: one entry per named trace (`showlegend` false leaves it out)."""
    out = []
    for trace in drawn.data:
        if trace["type"] == "heatmap" or trace.get("showlegend") is False:
            continue
        if trace["type"] == "bar":
            role = trace["marker"]["color"]
            out.append(Key(trace["name"], "bar", str(role).lstrip("@")))
        elif trace.get("fill"):
            out.append(Key(trace["name"], "band", trace["line"]["color"].lstrip("@")))
        elif trace["mode"] == "markers":
            marker = trace["marker"]
            out.append(
                Key(trace["name"], "points", marker["color"].lstrip("@"), symbol=marker["symbol"])
            )
        else:
            style = trace["line"]
            out.append(Key(trace["name"], "line", style["color"].lstrip("@"), style["dash"]))
    return out
