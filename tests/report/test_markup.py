"""Words, figures and rows as markup: nothing that a user wrote gets through as markup."""

import html
from html.parser import HTMLParser

import pytest
from hypothesis import given
from hypothesis import strategies as st
from markupsafe import Markup, escape

from mv.report.charts.base import Key
from mv.report.drawn import swatch
from mv.report.format import Figure, Name, Sentence
from mv.report.markup import (
    big_markup,
    body_markup,
    css_text,
    escaped,
    facts_markup,
    folded_markup,
    plain_markup,
    say_markup,
    table_markup,
    trail_markup,
)
from mv.report.rows import Digest, Plain, Row
from mv.report.trail import StepModel, TrailModel

EVIL = "<script>'\"&amp;</script><b onclick=x>"
TEXT = st.text(st.characters(exclude_characters="\x1e\x1f", exclude_categories=("Cs",)))
OURS = {
    *("bdi", "span", "a", "div", "p", "dl", "dt", "dd", "details", "summary"),
    *("table", "caption", "thead", "tbody", "tr", "th", "td"),
}


class Tags(HTMLParser):
    """Tags and attributes of a piece of markup, and the text between them."""

    def __init__(self, text):
        super().__init__(convert_charrefs=True)
        self.tags, self.attributes, self.said = set(), set(), []
        self.feed(text)
        self.close()

    def handle_starttag(self, tag, attrs):
        self.tags.add(tag)
        self.attributes |= {name for name, _ in attrs}

    def handle_data(self, data):
        self.said.append(data)


def evil_trail():
    step = StepModel(EVIL, EVIL, EVIL, EVIL, EVIL, EVIL)
    return TrailModel(EVIL, EVIL, Name(EVIL), Figure(EVIL, EVIL, EVIL, 1.0), Name(EVIL), (step,))


CELLS = (EVIL, Name(EVIL), Figure(EVIL, EVIL, EVIL, 1.0), Figure(EVIL), Digest(EVIL),
         Sentence((EVIL, Name(EVIL))))  # fmt: skip


@pytest.mark.parametrize(
    "made",
    [
        *(say_markup(cell) for cell in CELLS),
        big_markup(Figure(EVIL, EVIL, EVIL, 1.0)),
        table_markup([Row(EVIL, CELLS, EVIL, EVIL, EVIL)], EVIL, (EVIL,) * 8, (1,)),
        plain_markup(Plain([EVIL] * len(CELLS), [CELLS]), EVIL),
        facts_markup([Row(EVIL, CELLS, note=EVIL)]),
        body_markup([(EVIL, EVIL)]),
        trail_markup(evil_trail()),
        trail_markup(evil_trail(), named=False),
        folded_markup([evil_trail()]),
    ],
)
def test_evil_words_stay_words(made):
    assert isinstance(made, Markup)
    seen = Tags(made)
    assert seen.tags <= OURS
    assert not seen.attributes & {"onclick", "x"}
    assert EVIL in "".join(seen.said)


@given(TEXT)
def test_escaping_is_the_templates_own(text):
    assert escaped(text) == str(escape(text))
    assert html.unescape(escaped(text)) == text


def test_whatever_else_is_text_too():
    assert say_markup(None) == ""
    assert say_markup(7) == "7"
    assert say_markup(Markup("<i>ours</i>")) == "<i>ours</i>"


def test_a_row_leads_to_its_fold_out_and_figures_stand_right():
    row = Row("saved", (Figure("12", "kWh", "a.b", 12.25), "as read"), "how-a-b", "remark", "total")
    assert table_markup([row], "all & some", ("", "value", "words", "remark"), (1,)) == (
        '<div class="wide" tabindex="0" role="region" aria-label="Table: all &amp; some"><table>'
        "<caption>all &amp; some</caption>\n<thead><tr><td></td>"
        '<th scope="col" class="r">value</th><th scope="col">words</th>'
        '<th scope="col">remark</th></tr></thead>\n<tbody>\n'
        '<tr class="m-total"><th scope="row">saved <a class="follow" href="#how-a-b">how made'
        '<span class="hide"> saved</span></a></th>'
        '<td class="r"><span data-value="12.25" data-figure="a.b">12</span>\u00a0kWh</td>'
        '<td>as read</td><td class="note">remark</td></tr>\n</tbody></table></div>\n'
    )
    heads = ("", "value", "words")
    assert "follow" not in table_markup([row], "", heads, follow=False)
    assert "note" not in table_markup([row], "", heads, notes=False)


def test_lines_of_a_key_differ_without_colour():
    keys = [
        Key("a", "line", "after", dash) for dash in ("solid", "dash", "dot", "dashdot")
    ] + [
        Key("b", "points", "after", symbol=symbol)
        for symbol in ("circle", "square", "diamond", "diamond-open", "triangle-up")
    ]  # fmt: skip
    assert len({swatch(k) for k in keys}) == len(keys)


@given(TEXT)
def test_stylesheets_hold_letters_and_digits_alone(text):
    told = css_text(text)
    assert told[0] == told[-1] == '"'
    assert set(told[1:-1]) <= set("0123456789\\") | set(filter(str.isalnum, text)) | set("abcdef")


def test_numbers_of_a_chart_are_rows_of_cells():
    row = '<tr><th scope="row">{}</th><td class="r">{}</td><td class="r">{}</td></tr>'
    assert body_markup([("May", "1", "2"), ("<June>", "3", "4")]) == "\n".join(
        [row.format("May", 1, 2), row.format("&lt;June&gt;", 3, 4)]
    )
    assert body_markup([]) == ""
