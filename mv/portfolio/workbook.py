"""The tables of a folder as sheets of one workbook, portfolio.xlsx.

A sheet has the name and the columns of a table.  Cells become the text that a CSV file would
hold: dates as year-month-day, numbers without thousands marks, a key with the leading zeros that
its format shows.  Formulas are never evaluated; the result that the spreadsheet program stored
is read, and a formula without one is refused.  Links to other workbooks are not followed.  A
workbook that means harm is refused unread (`archive.py`).

Source of the form: ECMA-376 (Office Open XML).
"""

from __future__ import annotations

import datetime as dt
import io
import re
import warnings
from collections.abc import Collection
from typing import Any

from mv.findings import Finding
from mv.portfolio.archive import workbook_danger
from mv.portfolio.cells import did_you_mean
from mv.portfolio.tables import (
    MAX_COLUMNS,
    MAX_ROWS,
    MAX_TABLE_BYTES,
    Table,
    TableRow,
    normal,
    shape,
)


def read_workbook(
    data: bytes, file: str, findings: list[Finding], tables: Collection[str]
) -> dict[str, Table] | None:
    """Read the sheets that bear the names of tables.

    Parameters
    ----------
    data : the bytes of the workbook.
    file : its name, for messages.
    findings : gets what is wrong with the workbook as a whole, and sheets no table is called.
    tables : names of the tables.

    Returns tables by name; None where the workbook can't be read.  Lines are the rows of the
    sheet, counted from 1.
    """
    danger = workbook_danger(data)
    if len(data) > MAX_TABLE_BYTES:
        danger = f"the workbook is larger than {MAX_TABLE_BYTES // 1_000_000} MB"
    if danger:
        words = f"{danger}; save it again as .xlsx, without a password"
        findings.append(Finding("table_unreadable", words, file))
        return None
    import openpyxl

    found: dict[str, Table] = {}
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # styles and extensions that don't concern cells
            books = [
                openpyxl.load_workbook(
                    io.BytesIO(data), read_only=True, data_only=results, keep_links=False
                )
                for results in (True, False)
            ]
            for sheet in books[0].worksheets:
                name = normal(sheet.title)
                if name not in tables:
                    near = did_you_mean(name, set(tables) - set(found))
                    words = f'no table is called like the sheet "{sheet.title}"; it was not read'
                    findings.append(Finding("table_unknown", words + near, file))
                    continue
                found[name] = _sheet(sheet, books[1][sheet.title], f"{file}, sheet {name}")
    except Exception:  # a damaged workbook fails in as many ways as it has parts
        words = "the workbook is damaged; save it again as .xlsx, without a password"
        findings.append(Finding("table_unreadable", words, file))
        return None
    return found


def _sheet(results: Any, formulas: Any, file: str) -> Table:
    findings: list[Finding] = []
    rows: list[TableRow] = []
    for sheet in (results, formulas):
        sheet.reset_dimensions()  # what a program declares of its size is often wrong
    plain = formulas.iter_rows(max_col=MAX_COLUMNS + 1)
    for line, (cells, written) in enumerate(
        zip(results.iter_rows(max_col=MAX_COLUMNS + 1), plain, strict=False), 1
    ):
        texts = []
        for index, cell in enumerate(cells):
            value = cell.value
            if value is None and index < len(written) and written[index].data_type == "f":
                column = rows[0].cells[index] if rows and index < len(rows[0].cells) else None
                words = (
                    "the cell holds a formula without a stored result; open the workbook in a "
                    "spreadsheet program and save it, or enter the value"
                )
                findings.append(Finding("value_invalid", words, file, line, column))
            texts.append(_text(value, cell))
        while texts and not texts[-1].strip():
            texts.pop()
        if not texts or (not rows and texts[0].lstrip().startswith("#")):
            continue
        rows.append(TableRow(line, texts))
        if len(rows) > MAX_ROWS + 1:
            break
    if not rows:
        words = "the sheet is empty; its first row must name the columns"
        findings.append(Finding("table_unreadable", words, file))
    return shape(file, rows, findings)


def _text(value: Any, cell: Any) -> str:
    """A cell's value as the text that a CSV file would hold."""
    match value:
        case None:
            return ""
        case bool():
            return "true" if value else "false"
        case int() | float():
            form = cell.number_format or ""
            whole = float(value).is_integer()
            if whole and re.fullmatch(r"0{2,}", form):
                return f"{int(value):0{len(form)}d}"
            return str(int(value)) if whole and abs(value) < 1e15 else repr(value)
        case dt.datetime():
            midnight = value.time() == dt.time()
            return value.date().isoformat() if midnight else value.isoformat(sep=" ")
        case dt.date() | dt.time():
            return value.isoformat()
    return str(value)
