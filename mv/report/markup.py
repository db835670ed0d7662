"""Which markup do words, figures and printed rows become?  The only place where they do.

What comes in is text, never markup, and is escaped here, whoever wrote it.  Rows of tables and
fold-outs, of which a page has hundreds, are joined here rather than in the templates: one pass
over plain text costs a fifth of a template's loop.  Whatever a filter returns is `Markup`; the
templates escape everything else.
"""

from __future__ import annotations

import re
from collections.abc import Container, Sequence
from functools import lru_cache

from markupsafe import Markup, escape

from mv.report.format import Figure, Name, Sentence
from mv.report.rows import Cell, Digest, Plain, Row
from mv.report.trail import StepModel, TrailModel
from mv.wording import NARROW

SPECIAL = re.compile("[&<>\"']")
"""Signs that mean something in markup."""
ROW, CELL = "\x1e", "\x1f"
"""Separators that no worded cell holds."""
NO_BREAK = "\u00a0"


def escaped(text: str) -> str:
    """Text as it stands in markup; most words hold no special sign, and stay the same object."""
    return text if SPECIAL.search(text) is None else str(escape(text))


# -- words -------------------------------------------------------------------------------------
@lru_cache(maxsize=256)
def _unit(unit: str) -> str:
    """A unit behind its figure, never parted from it."""
    if not unit:
        return ""
    return f"{NARROW if unit == '%' else NO_BREAK}{escaped(unit).replace(' ', NO_BREAK)}"


def _bare(figure: Figure) -> str:
    if figure.value is None:
        return f'<span class="gap">{escaped(figure.text)}</span>'
    path = f' data-figure="{escaped(figure.path)}"' if figure.path else ""
    return f'<span data-value="{figure.value!r}"{path}>{escaped(figure.text)}</span>'


def _figure(figure: Figure) -> str:
    return _bare(figure) if figure.value is None else _bare(figure) + _unit(figure.unit)


_WAYS = {
    str: escaped,
    Figure: _figure,
    Name: lambda name: f"<bdi>{escaped(name.text)}</bdi>",
    Sentence: lambda said: "".join([_html(part) for part in said.parts]),
    Digest: lambda digest: f'<span class="hash">{escaped(digest.text)}</span>',
    type(None): lambda _: "",
}
"""Kind of a cell → its markup; whatever else comes is turned into text and escaped."""


def _html(what: Cell | None) -> str:
    way = _WAYS.get(type(what))
    return str(escape(what)) if way is None else way(what)


def say_markup(what: Cell | None) -> Markup:
    """A sentence, a figure, a name or plain text as markup."""
    return Markup(_html(what))


def big_markup(figure: Figure) -> Markup:
    """A figure at the head of a page: its unit set smaller."""
    if figure.value is None or not figure.unit:
        return Markup(_figure(figure))
    return Markup(f'{_bare(figure)}{NO_BREAK}<span class="u">{escaped(figure.unit)}</span>')


# -- rows --------------------------------------------------------------------------------------
def _opened(columns: Container[int], count: int) -> list[str]:
    """Opening tag of each of `count` cells behind a row's head; `columns` stand to the right."""
    return ['<td class="r">' if i in columns else "<td>" for i in range(1, count + 1)]


def rows_markup(
    rows: Sequence[Row], right: Container[int], notes: bool = True, follow: bool = True
) -> Markup:
    """Printed lines as table rows: label with the way to its fold-out, cells, remark.

    `right` holds the columns that stand to the right, the label being column 0.
    """
    out = []
    opened = _opened(right, max((len(row.cells) for row in rows), default=0))
    for row in rows:
        head = label = _html(row.label)
        if follow and row.how:
            head = (
                f'{label} <a class="follow" href="#{escaped(row.how)}">how made'
                f'<span class="hide"> {label}</span></a>'
            )
        cells = [f"{tag}{_html(c)}</td>" for tag, c in zip(opened, row.cells, strict=False)]
        note = f'<td class="note">{_html(row.note)}</td>' if notes else ""
        mark = f' class="m-{escaped(row.mark)}"' if row.mark else ""
        out.append(f'<tr{mark}><th scope="row">{head}</th>{"".join(cells)}{note}</tr>\n')
    return Markup("".join(out))


def heads_markup(words: Sequence[str], right: Container[int]) -> Markup:
    """Heads of columns; over a column without words there is none."""
    out = []
    for i, head in enumerate(words):
        place = ' class="r"' if i in right else ""
        out.append(f'<th scope="col"{place}>{escaped(head)}</th>' if head else "<td></td>")
    return Markup("".join(out))


def plain_markup(table: Plain) -> Markup:
    """Rows of a table whose columns the results decide."""
    opened = _opened(table.right, len(table.head))
    out = []
    for first, *others in table.rows:
        cells = [f"{tag}{_html(c)}</td>" for tag, c in zip(opened, others, strict=False)]
        out.append(f'<tr><th scope="row">{_html(first)}</th>{"".join(cells)}</tr>')
    return Markup("".join(out))


def facts_markup(rows: Sequence[Row]) -> Markup:
    """Lines of one cell each as terms and what they are, with remarks where there are some."""
    out = []
    for row in rows:
        note = f' <span class="note">{_html(row.note)}</span>' if row.note else ""
        out.append(f"<div><dt>{_html(row.label)}</dt><dd>{_html(row.cells[0])}{note}</dd></div>")
    return Markup("".join(out))


def body_markup(rows: Sequence[Sequence[str]]) -> Markup:
    """Rows of worded cells as table rows: a head, then numbers (escaped once, for speed)."""
    text = escaped(ROW.join([CELL.join(row) for row in rows]))
    out = []
    for line in text.split(ROW):
        first, _, rest = line.partition(CELL)
        cells = rest.replace(CELL, '</td><td class="r">')
        out.append(f'<tr><th scope="row">{first}</th><td class="r">{cells}</td></tr>')
    return Markup("\n".join(out))


# -- fold-outs ---------------------------------------------------------------------------------
def _step(step: StepModel) -> str:
    source = escaped(step.source.text)
    further = ""
    if step.ref:
        further = f'<a href="#{escaped(step.ref)}">followed further</a>{": " if source else ""}'
    return (
        f'<tr><th scope="row">{escaped(step.symbol)}</th><td>{_html(step.meaning)}</td>'
        f'<td class="r">{escaped(step.value)}</td><td>{escaped(step.unit)}</td>'
        f"<td>{further}<bdi>{source}</bdi></td></tr>"
    )


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
    return Markup(
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
