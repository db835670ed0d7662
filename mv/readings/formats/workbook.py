"""Spreadsheets (.xlsx): the sheet called like the meter, else the one with most rows.

Formulas are never evaluated and outside links never followed: the values last saved count.
"""

from __future__ import annotations

import datetime as dt
import io
from collections import Counter

import numpy as np
import pyarrow as pa

from mv.findings import Finding, ReadingsError
from mv.portfolio.archive import workbook_danger
from mv.readings.formats import READERS, Asked, Reader
from mv.readings.source import SourceFile
from mv.readings.table import Table, find_header, looks_like

MAGIC = b"PK\x03\x04"
CELLS_MOST = 20_000_000


def _read(source: SourceFile, asked: Asked) -> Table:
    _refuse_bombs(source)
    import openpyxl

    try:
        book = openpyxl.load_workbook(
            io.BytesIO(source.data), read_only=True, data_only=True, keep_links=False
        )
        title, rows = _choose_sheet(source, book, asked.key)
        book.close()
    except ReadingsError:
        raise
    except Exception as error:  # the library raises whatever a damaged part makes it raise
        raise ReadingsError(
            Finding(
                "file_unreadable",
                f"the workbook can't be read ({type(error).__name__}). Save it again as .xlsx or "
                "as CSV.",
                file=source.name,
            )
        ) from error
    return _as_table(source.name, title, rows)


def _refuse_bombs(source: SourceFile) -> None:
    if danger := workbook_danger(source.data):
        raise ReadingsError(
            Finding("file_unreadable", f"{danger}. Save it again as .xlsx or CSV.", source.name)
        )


def _choose_sheet(source: SourceFile, book, key: str) -> tuple[str, list[tuple]]:
    best: tuple[str, list[tuple]] = ("", [])
    cells = 0
    for sheet in book.worksheets:
        rows = []
        for row in sheet.iter_rows(values_only=True):
            cells += len(row)
            if cells > CELLS_MOST:
                raise ReadingsError(
                    Finding(
                        "file_unreadable",
                        f"the workbook has more than {CELLS_MOST:,} cells. Export CSV instead.",
                        file=source.name,
                    )
                )
            rows.append(row)
        if key and sheet.title.strip() == key:
            return sheet.title, rows
        filled = sum(1 for r in rows if sum(c is not None for c in r) > 1)
        if filled > sum(1 for r in best[1] if sum(c is not None for c in r) > 1):
            best = (sheet.title, rows)
    if not best[1]:
        raise ReadingsError(
            Finding("file_empty", "no sheet of the workbook holds a table.", file=source.name)
        )
    return best


def _as_table(name: str, title: str, rows: list[tuple]) -> Table:
    kinds = [[_kind(c) for c in row] for row in rows[:120]]
    widths = Counter(sum(k != "empty" for k in row) for row in kinds)
    widths.pop(0, None)
    widths.pop(1, None)
    first, header = find_header(kinds, lambda row: sum(k != "empty" for k in row) >= 2)
    if first >= len(rows):
        raise ReadingsError(
            Finding("file_empty", f"sheet {title!r} holds no rows under a header.", file=name)
        )
    width = max(len(r) for r in rows[first - 1 if header else first :])
    used = [j for j in range(width) if any(len(r) > j and r[j] is not None for r in rows[first:])]
    heads = rows[first - 1] if header else ()
    names = [
        str(heads[j]).strip() if j < len(heads) and heads[j] is not None else f"column {j + 1}"
        for j in used
    ]
    body = rows[first:]
    columns = [_column([r[j] if j < len(r) else None for r in body]) for j in used]
    lines = np.arange(first + 1, first + 1 + len(body))
    return Table(name, names, columns, lines, headed=header)


def _kind(cell) -> str:
    if cell is None:
        return "empty"
    if isinstance(cell, dt.datetime | dt.date):
        return "time"
    if isinstance(cell, dt.time | dt.timedelta):
        return "clock"
    if isinstance(cell, bool):
        return "text"
    if isinstance(cell, int | float):
        return "number"
    return looks_like(str(cell))


def _column(cells: list) -> pa.Array:
    filled = {type(c) for c in cells if c is not None}
    if filled and filled <= {dt.datetime}:
        return pa.array(cells, pa.timestamp("us"))
    if filled and filled <= {dt.date}:
        return pa.array(cells, pa.date32())
    if filled and filled <= {dt.time}:
        return pa.array(cells, pa.time64("us"))
    if filled and filled <= {int, float}:
        return pa.array([None if c is None else float(c) for c in cells], pa.float64())
    return pa.array([None if c is None else _text(c) for c in cells], pa.string())


def _text(cell) -> str:
    if isinstance(cell, dt.datetime):
        return str(cell.date()) if cell.time() == dt.time() else cell.isoformat(sep=" ")
    if isinstance(cell, dt.timedelta):
        seconds = int(cell.total_seconds())
        return f"{seconds // 3600:02d}:{seconds % 3600 // 60:02d}:{seconds % 60:02d}"
    return str(cell)


READERS.add("workbook", Reader("workbook", lambda s: s.data[:4] == MAGIC, _read, rank=11))
