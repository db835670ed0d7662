"""Tables for spreadsheets: whole, and safe to open."""

import csv
import dataclasses
import io
import math
from functools import cache

import openpyxl
import pytest
from hypothesis import given
from hypothesis import strategies as st

from mv.report.render import RenderOptions, SiteContext, context_of
from mv.report.tables import (
    DAILY,
    HEADS,
    TABLE_FILES,
    safe,
    site_rows,
    site_tables,
    tables,
)
from mv.report.workbook import workbook
from mv.results import Series
from tests.report.fabricated import make_bills_site, make_portfolio, make_site


@pytest.mark.parametrize("text", ["=cmd()", "+1", "-x", "@SUM(A1)", "\tx", "\rx", "\nx"])
def test_text_that_could_run_is_quoted(text):
    assert safe(text) == f"'{text}"


@pytest.mark.parametrize("value", [-1.5, 0, None, "hall", "a=b", "Ost-Halle"])
def test_everything_else_passes(value):
    assert safe(value) == value


def test_every_site_has_a_row_with_its_own_numbers():
    result = make_portfolio()
    for site in result.sites:
        (row,) = csv.reader(io.StringIO(site_rows(site)["sites"].csv))
        told = dict(zip(HEADS["sites"], row, strict=True))
        assert told["site"] == site.site
        assert told["verdict"] == site.verdict
        expected = repr(site.avoided_energy.value) if site.avoided_energy else ""
        assert told["avoided_energy"] == expected


def test_days_of_a_site():
    site = make_site()
    files = site_tables(site, context_of(make_portfolio()))
    assert set(files) == {"tables/daily/ferry-hall.csv"}
    rows = list(csv.DictReader(io.StringIO(files["tables/daily/ferry-hall.csv"].decode())))
    assert len(rows) == len(site.series.daily["date"])
    assert float(rows[0]["measured"]) == site.series.daily["measured"][0]
    bills = site_tables(make_bills_site(), context_of(make_portfolio()))
    assert "tables/bills/ice-store.csv" in bills


@cache
def ferry_hall():
    return make_site()


@given(
    st.lists(
        st.tuples(
            st.text(st.sampled_from("ab=+-@\t\r\n\",'\x1f é")),
            st.none() | st.floats(allow_nan=False, allow_infinity=False) | st.integers(-99, 99),
        ),
        min_size=1,
    )
)
def test_series_are_read_as_if_the_csv_module_had_written_them(rows):
    """Rows made of JSON against the standard library, cell by cell, numbers to the last digit."""
    dates, measured = map(list, zip(*rows, strict=True))
    series = Series(daily={"date": dates, "measured": measured})
    site = dataclasses.replace(ferry_hall(), series=series, others=[])
    (text,) = site_tables(site, SiteContext()).values()
    same = [safe(site.site), safe(site.carrier), safe(site.unit)]
    head = ["site", "carrier", "unit", *DAILY]
    empty = [None] * (len(DAILY) - 2)
    expected = io.StringIO(newline="")
    csv.writer(expected).writerows([head, *([*same, safe(d), m, *empty] for d, m in rows)])
    found = csv.reader(io.StringIO(text.decode(), newline=""))
    told = csv.reader(io.StringIO(expected.getvalue(), newline=""))
    n = len(same) + 1
    for one, other in zip(found, told, strict=True):
        assert [*one[:n], *one[n + 1 :]] == [*other[:n], *other[n + 1 :]]
        assert one[n] == other[n] or float(one[n]) == float(other[n])


def test_every_table_is_whole_and_the_workbook_opens(tmp_path):
    hostile = make_site("evil", "=cmd|' /C calc'!A0")
    result = make_portfolio([hostile, make_site()])
    with tables(result, tmp_path) as add:
        for site in result.sites:
            add(site_rows(site))
    written = [tmp_path / "tables" / name for name in TABLE_FILES]
    assert set((tmp_path / "tables").iterdir()) == set(written)
    months = (tmp_path / "tables" / "months.csv").read_text(encoding="utf-8").splitlines()
    assert len(months) == 1 + 2 * 12
    book = openpyxl.load_workbook(written[-1])
    assert book.sheetnames == list(HEADS)
    for name in HEADS:  # the workbook says what the text says
        text = list(csv.reader(io.StringIO((tmp_path / "tables" / f"{name}.csv").read_text())))
        rows = [["" if v is None else v for v in row] for row in book[name].values]
        assert len(rows) == len(text)
        for row, told in zip(rows, text, strict=True):
            assert [v if isinstance(v, str) else float(v) for v in row] == [
                t if isinstance(v, str) else pytest.approx(float(t), rel=1e-15)
                for v, t in zip(row, told, strict=True)
            ]
    cell = book["sites"]["B2"]
    assert cell.data_type == "s"
    assert cell.value == "'=cmd|' /C calc'!A0"
    head = [c.value for c in book["sites"][1]]
    saved = book["sites"].cell(3, head.index("avoided_energy") + 1)
    assert saved.data_type == "n"
    assert saved.value == pytest.approx(result.sites[1].avoided_energy.value, rel=1e-12)


def test_tables_of_the_edition_without_names():
    result = make_portfolio([dataclasses.replace(make_site(), name="Ferry hall")])
    context = context_of(result, RenderOptions(redact=True))
    (first, *_) = site_tables(result.sites[0], context).items()
    assert first[0] == "tables/daily/site-001.csv"
    assert b"ferry" not in first[1].lower()


@pytest.mark.parametrize(
    ("text", "read"),
    [
        ("a & b < c", "a & b < c"),
        (" spaces ", " spaces "),
        ("two\nlines", "two\nlines"),
        ("a return\r and\r\nanother", "a return\n and\nanother"),
        ("bell\x07 and \udc80", "bell and "),
        ("é\u202f€", "é\u202f€"),
        ("", None),
        ("x" * 40_000, "x" * 32_767),
        (math.inf, None),
    ],
)
def test_a_workbook_takes_any_cell(tmp_path, text, read):
    with workbook(tmp_path / "book.xlsx", {"one": ["text", "n"], "none": ["nothing"]}) as add:
        add("one", [[text, 1]])
        add("one", [["more", None]])
    for read_only in (False, True):
        book = openpyxl.load_workbook(tmp_path / "book.xlsx", read_only=read_only)
        assert list(book["one"].values) == [("text", "n"), (read, 1), ("more", None)]
        assert list(book["none"].values) == [("nothing",)]
        book.close()


def test_the_same_tables_give_the_same_workbook(tmp_path):
    for name in ("one.xlsx", "other.xlsx"):
        with workbook(tmp_path / name, {"sheet": ["text"]}) as add:
            add("sheet", [["a"], [2.5]])
    assert (tmp_path / "one.xlsx").read_bytes() == (tmp_path / "other.xlsx").read_bytes()
