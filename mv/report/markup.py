"""Which markup do words, figures and printed rows become?  The only place where they do.

What comes in is text, never markup, and is escaped here, whoever wrote it.  Rows of tables and
fold-outs, of which a page has hundreds, are joined here rather than in the templates: one pass
over plain text costs a fifth of a template's loop.  Whatever a filter returns is `Markup`; the
templates escape everything else.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from functools import lru_cache
from typing import Any

from markupsafe import Markup, escape
from orjson import dumps

from mv.report.format import Figure, Name, Sentence
from mv.report.rows import Cell, Digest, Plain, Row
from mv.report.trail import StepModel, TrailModel
from mv.wording import NARROW

NEXT_CELL = '</td><td class="r">'
NEXT_ROW = '</td></tr>\n<tr><th scope="row">'
"""What stands between the cells and between the rows of a chart's numbers."""
TO_THE_RIGHT = ' class="r"'
NO_BREAK = "\u00a0"
WORDS = 8192
"""Words kept as they stand in markup: most of a page's are those of every page."""


def _plain(text: str) -> bool:
    """Whether no sign of it means anything in markup."""
    return not ("<" in text or ">" in text or "&" in text or '"' in text or "'" in text)


def _new(text: str) -> str:
    """As `escaped`, for what no other page is likely to say."""
    return text if _plain(text) else str(escape(str(text)))


@lru_cache(maxsize=WORDS)
def escaped(text: str) -> str:
    """Text as it stands in markup; even what calls itself markup is taken for text."""
    return _new(text)


# -- words -------------------------------------------------------------------------------------
@lru_cache(maxsize=256)
def _unit(unit: str) -> str:
    """A unit behind its figure, never parted from it."""
    if not unit:
        return ""
    return f"{NARROW if unit == '%' else NO_BREAK}{escaped(unit).replace(' ', NO_BREAK)}"


@lru_cache(maxsize=WORDS)
def _at(path: str) -> str:
    """Where in the results a figure stands, as an attribute."""
    return f' data-figure="{escaped(path)}"' if path else ""


def _name(text: str) -> str:
    """A word of the folder, whichever way its letters run."""
    return f"<bdi>{escaped(text)}</bdi>"


def _figure(figure: Figure) -> str:
    text, unit, path, value = figure
    if value is None:
        return f'<span class="gap">{_new(text)}</span>'
    # orjson writes the digits that `repr` writes, in a quarter of the time
    digits = dumps(value).decode()
    return f'<span data-value="{digits}"{_at(path)}>{_new(text)}</span>{_unit(unit)}'


class _Ways(dict[type, Callable[[Any], str]]):
    """Kind of a cell → its markup; whatever else comes is turned into text and escaped."""

    def __missing__(self, kind: type) -> Callable[[Any], str]:
        return lambda what: str(escape(what))


_WAYS = _Ways(
    {
        str: escaped,
        Figure: _figure,
        Name: lambda name: _name(name.text),
        Sentence: lambda said: "".join([_WAYS[type(part)](part) for part in said.parts]),
        Digest: lambda digest: f'<span class="hash">{_new(digest.text)}</span>',
        type(None): lambda _: "",
    }
)


def _html(what: Cell | None) -> str:
    return _WAYS[type(what)](what)


def say_markup(what: Cell | None) -> Markup:
    """A sentence, a figure, a name or plain text as markup."""
    return Markup(_html(what))


def big_markup(figure: Figure) -> Markup:
    """A figure at the head of a page: its unit set smaller."""
    if figure.value is None or not figure.unit:
        return Markup(_figure(figure))
    bare = _figure(figure._replace(unit=""))
    return Markup(f'{bare}{NO_BREAK}<span class="u">{escaped(figure.unit)}</span>')


# -- rows --------------------------------------------------------------------------------------
@lru_cache(maxsize=WORDS)
def _linked(label: str, how: str) -> str:
    """Markup of a row's label with the way to its fold-out."""
    return (
        f'{label} <a class="follow" href="#{escaped(how)}">how made'
        f'<span class="hide"> {label}</span></a>'
    )


@lru_cache(maxsize=256)
def _places(right: tuple[int, ...], count: int) -> str:
    """Places for the `count` cells behind a row's head, for %; `right` stand to the right."""
    cells = range(1, count + 1)
    return "".join([f"<td{TO_THE_RIGHT if i in right else ''}>%s</td>" for i in cells])


@lru_cache(maxsize=256)
def _framed(caption: str, heads: tuple[str, ...], right: tuple[int, ...]) -> str:
    """A table up to its rows; over a column without words there is no head."""
    told = escaped(caption)
    cells = []
    for i, head in enumerate(heads):
        place = TO_THE_RIGHT if i in right else ""
        cells.append(f'<th scope="col"{place}>{escaped(head)}</th>' if head else "<td></td>")
    return (
        f'<div class="wide" tabindex="0" role="region" aria-label="Table: {told}"><table>'
        f"<caption>{told}</caption>\n<thead><tr>{''.join(cells)}</tr></thead>\n<tbody>"
    )


def table_markup(
    rows: Sequence[Row],
    caption: str,
    heads: tuple[str, ...],
    right: tuple[int, ...] = (),
    notes: bool = True,
    follow: bool = True,
) -> Markup:
    """Printed lines as a table: label with the way to its fold-out, cells, remark.

    `right` holds the columns that stand to the right, the label being column 0.
    """
    out = [_framed(caption, heads, right), "\n"]
    for label, cells, how, note, mark in rows:
        head = _html(label)
        if how and follow:
            head = _linked(head, how)
        told = _places(right, len(cells)) % tuple([_WAYS[type(c)](c) for c in cells])
        remark = f'<td class="note">{_html(note)}</td>' if notes else ""
        shape = f' class="m-{escaped(mark)}"' if mark else ""
        out.append(f'<tr{shape}><th scope="row">{head}</th>{told}{remark}</tr>\n')
    out.append("</tbody></table></div>\n")
    return Markup("".join(out))


def plain_markup(table: Plain, caption: str) -> Markup:
    """A table whose columns the results decide."""
    out = [_framed(caption, tuple(table.head), table.right)]
    places = _places(table.right, len(table.head) - 1)
    for first, *others in table.rows:
        told = places % tuple([_html(cell) for cell in others])
        out.append(f'<tr><th scope="row">{_html(first)}</th>{told}</tr>')
    out.append("</tbody></table></div>\n")
    return Markup("".join(out))


def facts_markup(rows: Sequence[Row]) -> Markup:
    """Lines of one cell each as terms and what they are, with remarks where there are some."""
    out = []
    for row in rows:
        note = f' <span class="note">{_html(row.note)}</span>' if row.note else ""
        out.append(f"<div><dt>{_html(row.label)}</dt><dd>{_html(row.cells[0])}{note}</dd></div>")
    return Markup(f'<dl class="facts">{"".join(out)}</dl>\n')


def body_markup(rows: Sequence[Sequence[str]]) -> Markup:
    """Rows of worded cells, all of one length, as table rows: a head, then numbers."""
    if not rows:
        return Markup("")
    if not _plain("".join([cell for row in rows for cell in row])):
        rows = [[_new(cell) for cell in row] for row in rows]
    lines = [f'{row[0]}</th><td class="r">{NEXT_CELL.join(row[1:])}' for row in rows]
    return Markup(f'<tr><th scope="row">{NEXT_ROW.join(lines)}</td></tr>')


# -- fold-outs ---------------------------------------------------------------------------------
@lru_cache(maxsize=WORDS)
def _put_in(symbol: str, meaning: str) -> str:
    """A line of a fold-out up to its value."""
    return f'<tr><th scope="row">{escaped(symbol)}</th><td>{_name(meaning)}</td><td class="r">'


@lru_cache(maxsize=WORDS)
def _come_from(unit: str, source: str, ref: str) -> str:
    """A line of a fold-out after its value."""
    further = ""
    if ref:
        further = f'<a href="#{escaped(ref)}">followed further</a>{": " if source else ""}'
    return f"</td><td>{escaped(unit)}</td><td>{further}{_name(source)}</td></tr>"


def _step(step: StepModel) -> str:
    symbol, meaning, value, unit, source, ref = step
    return f"{_put_in(symbol, meaning)}{_new(value)}{_come_from(unit, source, ref)}"


STEPS_HEAD = (
    '<thead><tr><th scope="col">symbol</th><th scope="col">meaning</th>'
    '<th scope="col" class="r">value</th><th scope="col">unit</th><th scope="col">from</th></tr>'
    "</thead>"
)


def trail_markup(trail: TrailModel, named: bool = True) -> Markup:
    """How a figure was made: formula, value, and what was put in.

    `named`: the fold-out carries its id and may be reached by keyboard; false where a page
    prints it a second time.
    """
    return Markup(_trail(trail, named))


def folded_markup(trails: Sequence[TrailModel]) -> Markup:
    """How figures were made, each folded under its name and value."""
    return Markup(
        "\n".join(
            [
                f'<details class="how"><summary>{escaped(t.name)}: {_html(t.value)}</summary>'
                f"{_trail(t, True)}</details>"
                for t in trails
            ]
        )
    )


def _trail(trail: TrailModel, named: bool) -> str:
    own, region = "", ""
    if named:
        own = f' id="{escaped(trail.id)}"'
        region = f' tabindex="0" role="region" aria-label="Values put in: {escaped(trail.name)}"'
    steps = ""
    if trail.steps:
        steps = (
            f'<div class="wide"{region}><table>{STEPS_HEAD}\n'
            f"<tbody>{''.join([_step(s) for s in trail.steps])}</tbody></table></div>\n"
        )
    return (
        f'<div class="trail"{own}>\n'
        f'<p class="formula">{_html(trail.formula)}</p>\n'
        f'<p>= {_html(trail.value)} <span class="note">Formula: {_html(trail.source)}</span></p>\n'
        f"{steps}</div>\n"
    )


# -- stylesheet --------------------------------------------------------------------------------
def css_text(text: str) -> Markup:
    """Text as a string of a stylesheet: every sign but plain letters and digits as its code.

    Spaces too: one that follows a code would be swallowed.
    """
    signs = [c if c.isascii() and c.isalnum() else f"\\{ord(c):06x}" for c in text]
    return Markup('"' + "".join(signs) + '"')
