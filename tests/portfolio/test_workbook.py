"""portfolio.xlsx: sheets give the tables that CSV files give; nothing in it is executed."""

import csv
import datetime as dt
import io
import zipfile

import openpyxl
import pytest

from mv.portfolio.folder import open_portfolio

from .conftest import FILES

TABLES = ["sites", "meters", "weather", "retrofits"]


def workbook(change=None) -> bytes:
    """The valid folder's tables as sheets, typed as a spreadsheet program would type them."""
    book = openpyxl.Workbook()
    book.remove(book.active)
    for table in TABLES:
        sheet = book.create_sheet(table)
        for row in csv.reader(io.StringIO(FILES[f"{table}.csv"])):
            sheet.append([typed(cell) for cell in row])
    if change:
        change(book)
    stream = io.BytesIO()
    book.save(stream)
    return stream.getvalue()


def typed(cell: str):
    if not cell:
        return None
    try:
        return dt.datetime.fromisoformat(cell) if cell.count("-") == 2 else cell
    except ValueError:
        return cell


def without_tables(data: bytes) -> dict:
    return {f"{table}.csv": None for table in TABLES} | {"portfolio.xlsx": data}


def told(problems, change) -> list[str]:
    return problems(without_tables(workbook(change)))


def test_a_workbook_says_what_the_csv_files_say(write):
    folder = write(without_tables(workbook()))
    sheets = open_portfolio(folder)
    (folder / "portfolio.xlsx").unlink()
    files = open_portfolio(write())
    assert sheets.findings == ()
    for table in TABLES:
        ours, theirs = getattr(sheets, table), getattr(files, table)
        rows = [list(x.values()) if isinstance(x, dict) else list(x) for x in (ours, theirs)]
        for sheet_row, file_row in zip(*rows, strict=True):
            assert sheet_row.source.file == f"portfolio.xlsx, sheet {table}"
            assert sheet_row.source.line == file_row.source.line
            assert sheet_row.model_copy(update={"source": file_row.source}) == file_row
    assert "portfolio.xlsx" in sheets.digests


def test_cells_become_the_text_that_a_csv_file_would_hold(write):
    def change(book):
        meters = book["meters"]
        meters["A2"].value, meters["A2"].number_format = 417, "00000"
        meters["A4"].value = 418
        book["sites"]["G1"].value = "floor area"
        book["sites"]["G2"].value = 1200.5
        book["retrofits"]["E2"].value, book["retrofits"]["E2"].number_format = 417, "00000"
        book["retrofits"]["F1"].value = "acceptance_date"
        book["retrofits"]["F2"].value = dt.date(2024, 2, 1)
        meters["H1"].value = "day_first"
        meters["H2"].value = True

    portfolio = open_portfolio(write(without_tables(workbook(change))))
    assert [m.meter for m in portfolio.meters] == ["00417", "G-1", "418"]
    assert portfolio.meters[0].day_first is True
    assert portfolio.sites["hall"].floor_area == 1200.5
    assert portfolio.retrofits[0].meters == ("00417",)
    assert portfolio.retrofits[0].acceptance_date == dt.date(2024, 2, 1)


def test_problems_name_sheet_and_row(problems):
    def change(book):
        book["sites"]["C3"].value = "Europe/Lisbn"
        book["sites"].insert_rows(2)
        book.create_sheet("event").append(["site"])

    assert told(problems, change) == [
        "portfolio.xlsx: no table is called like the sheet \"event\"; it was not read; did you "
        'mean "events"?',
        "portfolio.xlsx, sheet sites, line 4, column time_zone: \"Europe/Lisbn\" is not a known "
        'time zone; did you mean "Europe/Lisbon"?',
    ]  # fmt: skip


def test_a_formula_is_never_evaluated(problems):
    def change(book):
        book["sites"]["G1"].value = "floor_area"
        book["sites"]["G2"].value = "=600*2"

    assert told(problems, change) == [
        "portfolio.xlsx, sheet sites, line 2, column floor_area: the cell holds a formula without "
        "a stored result; open the workbook in a spreadsheet program and save it, or enter the "
        "value"
    ]


def test_a_table_given_twice_is_refused(problems):
    assert problems({"portfolio.xlsx": workbook(lambda book: book.remove(book["meters"]))}) == [
        "sites.csv: the table is given twice, here and in portfolio.xlsx, sheet sites; remove one",
        "weather.csv: the table is given twice, here and in portfolio.xlsx, sheet weather; remove "
        "one",
        "retrofits.csv: the table is given twice, here and in portfolio.xlsx, sheet retrofits; "
        "remove one",
    ]


def repacked(change) -> bytes:
    """The workbook with its parts changed."""
    stream = io.BytesIO()
    with (
        zipfile.ZipFile(io.BytesIO(workbook())) as old,
        zipfile.ZipFile(stream, "w", zipfile.ZIP_DEFLATED) as new,
    ):
        for entry in old.infolist():
            new.writestr(entry.filename, change(entry.filename, old.read(entry)))
    return stream.getvalue()


def entities(name: str, data: bytes) -> bytes:
    if name == "xl/worksheets/sheet1.xml":
        bomb = b'<!DOCTYPE x [<!ENTITY a "aaaaaaaaaa"><!ENTITY b "&a;&a;&a;&a;&a;&a;&a;&a;">]>'
        return bomb + data
    return data


def hidden_entities(name: str, data: bytes) -> bytes:
    if name != "xl/worksheets/sheet1.xml":
        return data
    return b"<?x <a" + b" " * 9_000 + b"?><!-- <a" + b" " * 9_000 + b"-->" + entities(name, data)


def other_encoding(name: str, data: bytes) -> bytes:
    return data.decode().encode("utf-16") if name == "xl/workbook.xml" else data


def padded(name: str, data: bytes) -> bytes:
    return data + b" " * 30_000_000 if name == "xl/worksheets/sheet1.xml" else data


@pytest.mark.parametrize(
    ("data", "words"),
    [
        (lambda: b"site,name\n", "the workbook is damaged, or is none"),
        (lambda: workbook()[:-40], "the workbook is damaged, or is none"),
        (lambda: repacked(entities), "the workbook declares XML entities and was not read"),
        (lambda: repacked(hidden_entities), "the workbook declares XML entities and was not read"),
        (lambda: repacked(other_encoding), "the workbook declares XML entities and was not read"),
        (lambda: repacked(padded),
         "the workbook would unpack to far more than a table holds and was not read"),
        (lambda: repacked(lambda name, data: data[:100]),
         "the workbook is damaged"),
    ],
)  # fmt: skip
def test_a_workbook_that_is_none_or_means_harm_is_refused(problems, data, words):
    assert problems(without_tables(data())) == [
        f"portfolio.xlsx: {words}; save it again as .xlsx, without a password"
    ]
