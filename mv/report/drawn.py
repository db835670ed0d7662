"""What does a page show of a chart: its still picture, its key, its numbers, and what the script
draws in its place?"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from functools import lru_cache
from itertools import islice
from typing import Any, NamedTuple

import orjson
from markupsafe import Markup

from mv.report.charts.base import CHARTS, Chart, Key, NotDrawn, Table, keys_of
from mv.report.charts.packed import packed
from mv.report.charts.static import draw
from mv.report.format import Numbers, Say
from mv.report.markup import body_markup, escaped

DASHES = {"dash": "75 45", "dot": "24 34", "dashdot": "75 35 24 35"}
HARMLESS = {b"&": b"\\u0026", b"<": b"\\u003c", b">": b"\\u003e", b"'": b"\\u0027"}
"""Signs that mean something in markup → how JSON writes them; so a script element can hold it."""
ZOOM = "".join(
    f' <button type="button" data-days="{days}">{words}</button>'
    for days, words in (
        (0, "all"),
        (365, "last 365 days"),
        (91, "last 91 days"),
        (28, "last 28 days"),
    )
)
NO_READINGS = (
    '<li><svg class="swatch" viewBox="0 0 280 120"><rect width="280" height="120" '
    'fill="url(#hatch)"/></svg>no readings</li>\n'
)


class DrawnChart(NamedTuple):
    """A chart ready for its page: its dictionary, its still picture, its key, its numbers."""

    chart: Chart
    still: str
    keys: list[Key]
    rows: list[tuple[str, ...]]
    """Of its table, worded."""


def ready(made: Mapping[str, Chart | NotDrawn], say: Say) -> dict[str, DrawnChart | NotDrawn]:
    """The charts of a page with their still pictures, keys and numbers, or why there are none."""
    charts = [each for each in made.values() if isinstance(each, Chart)]
    drawn = iter(zip(draw(charts), worded([each.table for each in charts], say), strict=True))
    out: dict[str, DrawnChart | NotDrawn] = {}
    for name, each in made.items():
        if isinstance(each, Chart):
            still, rows = next(drawn)
            out[name] = DrawnChart(each, still, keys_of(each), rows)
        else:
            out[name] = each
    return out


def worded(tables: Sequence[Table], say: Say) -> list[list[tuple[str, ...]]]:
    """The rows of tables with their numbers written."""
    columns = [c for table in tables for c in table.columns if isinstance(c, Numbers)]
    written = iter(say.columns(columns))
    return [
        list(zip(*(next(written) if isinstance(c, Numbers) else c for c in table.columns),
                 strict=True))
        for table in tables
    ]  # fmt: skip


def drawn(of: str, source: Any, say: Say) -> dict[str, DrawnChart | NotDrawn]:
    """Every registered chart of a page by name."""
    return ready({kind.name: kind.build(source, say) for kind in CHARTS if kind.of == of}, say)


def chart_data(charts: Mapping[str, DrawnChart | NotDrawn]) -> dict[str, Any]:
    """What the page's script draws, by element id."""
    shown = [each.chart for each in charts.values() if isinstance(each, DrawnChart)]
    traces = iter(packed([trace for chart in shown for trace in chart.data]))
    return {
        chart.key: {
            "data": list(islice(traces, len(chart.data))),
            "layout": {k: v for k, v in chart.layout.items() if k != "margin_static"},
            "height": chart.height,
        }
        for chart in shown
    }


# -- markup ------------------------------------------------------------------------------------
def data_markup(charts: Mapping[str, Any]) -> bytes:
    """Chart data as JSON that may stand inside a script element, UTF-8."""
    text = orjson.dumps(charts, option=orjson.OPT_SERIALIZE_NUMPY)
    for sign, written in HARMLESS.items():
        text = text.replace(sign, written)
    return text


def chart_markup(shown: DrawnChart | NotDrawn, level: int = 3) -> Markup:
    """A chart in its figure, with a heading of `level`; or the reason why it isn't drawn."""
    if isinstance(shown, NotDrawn):
        return Markup(
            f'<p class="undrawn"><b>{escaped(shown.question)}</b> '
            f"Not drawn: {escaped(shown.reason)}.</p>\n"
        )
    chart = shown.chart
    key, question = escaped(chart.key), escaped(chart.question)
    zoom = note = ""
    if chart.zoom:
        zoom = f'<p class="zoom" data-for="{key}" hidden><span>Show</span>{ZOOM}</p>\n'
    if chart.note:
        note = f"<figcaption>{escaped(chart.note)}</figcaption>\n"
    return Markup(
        f'<figure class="chart" id="{key}-figure" aria-labelledby="{key}-title">\n'
        f'<p class="question">{question}</p>\n'
        f'<h{level} id="{key}-title">{escaped(chart.title)}</h{level}>\n'
        f"{_key_list(shown.keys, chart.ramp)}{zoom}"
        f'<div class="plot" id="{key}" role="img" aria-label="{escaped(chart.alt)}" '
        f'data-height="{chart.height}">{shown.still}</div>\n{note}'
        '<details class="numbers"><summary>The numbers of this chart</summary>\n'
        f'<div class="wide" tabindex="0" role="region" aria-label="Numbers: {question}">'
        f"{_numbers(chart.table, shown.rows)}</details>\n</figure>\n"
    )


def _key_list(keys: Iterable[Key], ramp: str) -> str:
    """The key of a chart that needs one."""
    entries = [f"<li>{swatch(k)}{escaped(k.name)}</li>\n" for k in keys]
    if ramp:
        entries += [f'<li><span class="ramp"></span>{escaped(ramp)}</li>\n', NO_READINGS]
    elif len(entries) < 2:
        return ""
    return f'<ul class="key" aria-hidden="true">\n{"".join(entries)}</ul>\n'


def _numbers(table: Table, rows: list[tuple[str, ...]]) -> str:
    """The table of a chart's numbers."""
    first, *others = [escaped(head) for head in table.head]
    heads = "".join([f'<th scope="col" class="r">{head}</th>' for head in others])
    note = f'<p class="small">{escaped(table.note)}</p>' if table.note else ""
    return (
        f'<table><thead><tr><th scope="col">{first}</th>{heads}</tr></thead>\n'
        f"<tbody>{body_markup(rows)}</tbody></table></div>\n{note}"
    )


@lru_cache(maxsize=256)
def swatch(key: Key) -> str:
    """The little picture before an entry of a chart's key."""
    colour = f"var(--{key.role})"
    if key.kind == "line":
        dash = f' stroke-dasharray="{DASHES[key.dash]}"' if key.dash in DASHES else ""
        mark = f'<path d="M0 60H280" stroke="{colour}" stroke-width="26"{dash}/>'
    elif key.kind == "band":
        mark = f'<rect width="280" height="120" fill="var(--{key.role}-fill)"/>'
    elif key.kind == "bar":
        mark = f'<rect x="60" width="160" height="120" fill="{colour}"/>'
    elif key.symbol.startswith("diamond"):
        hollow = f'fill="none" stroke="{colour}" stroke-width="20"'
        paint = hollow if key.symbol == "diamond-open" else f'fill="{colour}"'
        mark = f'<path d="M140 5L195 60 140 115 85 60z" {paint}/>'
    elif key.symbol.startswith("square"):
        mark = f'<rect x="92" y="12" width="96" height="96" fill="{colour}"/>'
    elif key.symbol.startswith("triangle"):
        mark = f'<path d="M140 8L198 112H82z" fill="{colour}"/>'
    else:
        mark = f'<circle cx="140" cy="60" r="48" fill="{colour}"/>'
    return f'<svg class="swatch" viewBox="0 0 280 120">{mark}</svg>'
