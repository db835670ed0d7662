"""Tables as text: dialects give one and the same table, damage is told with its line."""

import codecs
import csv
import io

import pytest
from hypothesis import given
from hypothesis import strategies as st

from mv.portfolio import tables
from mv.portfolio.tables import read_table

KNOWN = frozenset({"site", "name", "floor_area"})
ROWS = [["hall", "Ferry hall, Zürich", "1200"], ["shed", 'the "old" shed', "80"]]
PLAIN = 'site,name,floor_area\nhall,"Ferry hall, Zürich",1200\nshed,"the ""old"" shed",80\n'

DIALECTS = {
    "plain": PLAIN.encode(),
    "byte-order mark": codecs.BOM_UTF8 + PLAIN.encode(),
    "utf-16 with mark": PLAIN.encode("utf-16"),
    "utf-16 big-endian with mark": codecs.BOM_UTF16_BE + PLAIN.encode("utf-16-be"),
    "utf-16 without mark": PLAIN.encode("utf-16-le"),
    "utf-16 big-endian without mark": PLAIN.encode("utf-16-be"),
    "carriage returns": PLAIN.replace("\n", "\r\n").encode(),
    "old carriage returns": PLAIN.replace("\n", "\r").encode(),
    "no last line end": PLAIN.rstrip("\n").encode(),
    "semicolons": b'site;name;floor_area\nhall;"Ferry hall, Z\xc3\xbcrich";1200\n'
    b'shed;"the ""old"" shed";80\n',
    "tabs": b'site\tname\tfloor_area\nhall\tFerry hall, Z\xc3\xbcrich\t1200\n'
    b'shed\t"the ""old"" shed"\t80\n',
    "spreadsheet hint": b"sep=;\n"
    b'site;name;floor_area\nhall;"Ferry hall, Z\xc3\xbcrich";1200\nshed;"the ""old"" shed";80\n',
    "remarks, blank rows and columns": (
        '# sites, one a row\n"# a remark, quoted"\n\n,,,\nsite,name,floor_area,\n'
        'hall,"Ferry hall, Zürich",1200,\n,,,\n\n shed , "the ""old"" shed",80,,,\n'
    ).replace(' "the', '"the').encode(),
    "headers as people write them": PLAIN.replace("floor_area", " Floor area ")
    .replace("site", "SITE")
    .encode(),
}  # fmt: skip


@pytest.mark.parametrize("dialect", DIALECTS)
def test_dialects_give_the_same_table(dialect):
    table = read_table(DIALECTS[dialect], "sites.csv", KNOWN)
    assert table.findings == ()
    assert table.columns == ["site", "name", "floor_area"]
    assert [row.cells for row in table.rows] == ROWS


def test_windows_1252_is_read_and_said():
    table = read_table(PLAIN.encode("cp1252"), "sites.csv", KNOWN)
    assert [row.cells for row in table.rows] == ROWS
    assert [str(f) for f in table.findings] == [
        "sites.csv, line 2: the table is not UTF-8; it was read as Windows-1252, so that this line "
        'begins "hall,"Ferry hall, Zürich",1200"; save it as CSV (UTF-8) if letters look wrong'
    ]


def test_lines_are_those_of_the_file():
    data = b'# remark\n\nsite,name\n\nhall,"two\nlines"\n\nshed,\n'
    table = read_table(data, "sites.csv", KNOWN)
    assert table.header_line == 3
    assert [(row.line, row.cells[0]) for row in table.rows] == [(5, "hall"), (8, "shed")]


@pytest.mark.parametrize(
    ("data", "told"),
    [
        (b"", ["sites.csv: the table is empty; its first row must name the columns"]),
        (b"\n\n# only remarks\n",
         ["sites.csv: the table is empty; its first row must name the columns"]),
        (b"PK\x03\x04rest", ["sites.csv: this is a spreadsheet program's own file; save the sheet "
                             "as CSV (UTF-8)"]),
        (b"site,name\nhall,\x00\x01\x02\xff\n",
         ["sites.csv: the bytes are not text; save the table as CSV (UTF-8)"]),
        (codecs.BOM_UTF16_LE + b"s\x00\x00\xd8\x00",
         ["sites.csv: the bytes are not text; save the table as CSV (UTF-8)"]),
        (b"site,name,Name\nhall,a,b\n",
         ["sites.csv, line 1, column name: the header stands over 2 columns (number 2, 3); rename "
          "or remove all but one"]),
        (b"site,name\nhall,Ferry, hall\nshed,\n",
         ["sites.csv, line 2: the row has 3 cells, but there are 2 columns; what holds the "
          "separating character must stand in double quotes"]),
        (b"site,,name\nhall,secret,a\n",
         ["sites.csv, line 1: column number 2 has cells but no header; it was not used (first "
          "filled cell: line 2)"]),
        (b'site,name\nhall,"Ferry\nshed,a\n',
         ["sites.csv, line 2: a double quote opens in this row and never closes; add or remove "
          "the quote"]),
        (b'site,name\nhall,a\nshed,"b"c\n',
         ["sites.csv, line 3: text goes on after a closing double quote; write a quote inside a "
          "quoted cell twice, or remove it"]),
        (b"site,name\nhall," + b"x" * 140_000,
         ["sites.csv, line 2: a cell is longer than 131072 characters; a double quote may be "
          "missing before it"]),
        (b"site," + b",".join(b"c%d" % i for i in range(250)) + b"\n",
         ["sites.csv: the table has 251 columns; at most 200 are read"]),
    ],
)  # fmt: skip
def test_damage_is_told(data, told):
    assert [str(f) for f in read_table(data, "sites.csv", KNOWN).findings] == told


def test_a_table_that_is_too_large_is_not_read(monkeypatch):
    monkeypatch.setattr(tables, "MAX_TABLE_BYTES", 2_000_000)
    found = read_table(b"site\n" + b"a\n" * 1_000_000, "sites.csv").findings
    assert [str(f) for f in found] == [
        "sites.csv: the table is larger than 2 MB; divide the portfolio"
    ]
    monkeypatch.setattr(tables, "MAX_ROWS", 10)
    assert len(read_table(b"site\n" + b"a\n" * 10, "sites.csv").rows) == 10
    found = read_table(b"site\n" + b"a\n" * 11, "sites.csv").findings
    assert [str(f) for f in found] == [
        "sites.csv: the table has more than 10 rows; divide the portfolio"
    ]


CELL = st.text(
    st.characters(exclude_categories=["Cs", "Cc", "Zl", "Zp"]), max_size=20
).map(str.strip)  # fmt: skip


@given(
    st.lists(st.tuples(CELL, CELL, CELL).filter(any), min_size=1, max_size=8),
    st.sampled_from([",", ";", "\t", "|"]),
    st.sampled_from(["utf-8", "utf-8-sig", "utf-16"]),
)
def test_what_a_csv_writer_writes_comes_back(rows, delimiter, encoding):
    text = io.StringIO()
    writer = csv.writer(text, delimiter=delimiter)
    writer.writerow(["site", "name", "floor_area"])
    writer.writerows(rows)
    table = read_table(text.getvalue().encode(encoding), "sites.csv", KNOWN)
    assert table.findings == ()
    assert [tuple(row.cells) for row in table.rows] == rows


@given(st.binary(max_size=400))
def test_no_bytes_at_all_make_it_fail(data):
    table = read_table(data, "sites.csv", KNOWN)
    assert all(len(row.cells) == len(table.columns) for row in table.rows)
