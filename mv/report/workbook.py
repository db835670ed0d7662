"""How do a portfolio's tables get into one workbook, whatever their number?

XlsxWriter makes the workbook and its heads.  Rows are put into its sheets as XML, written where
the site is: that takes a tenth of the library's time, and a portfolio has hundreds of cells a
site.  They wait in temporary files, so memory doesn't grow with them.
"""

from __future__ import annotations

import datetime as dt
import io
import re
import shutil
from collections.abc import Iterable, Iterator, Mapping, Sequence
from contextlib import ExitStack, contextmanager
from pathlib import Path
from tempfile import TemporaryFile
from typing import IO, Protocol
from zipfile import ZIP64_LIMIT, ZIP_DEFLATED, ZipFile

import orjson

LONGEST_CELL = 32_767
"""Characters a workbook's cell may hold (ECMA-376; from memory)."""
FORBIDDEN = re.compile(r"[\x00-\x08\x0b\x0c\x0e-\x1f\ufffe\uffff]|[\ud800-\udfff]")
"""What XML 1.0 admits in no text (section 2.2)."""
RETURN = re.compile("\r\n?")
"""Ends of lines that XML reads as a line feed in any case (section 2.11)."""
CARE = re.compile(f"[&<>\r]|{FORBIDDEN.pattern}")
"""What keeps text from standing in XML as it is."""
NO_TIME = dt.datetime(1980, 1, 1)
"""Stands for the time of writing, so that the same tables give the same bytes."""
EXTENT = re.compile(rb"<dimension [^>]*/>")
"""How far a sheet's cells reach, which may be left out."""
ROWS_END = b"</sheetData>"
NO_NUMBER = b"null"
"""How JSON writes None and what isn't finite."""
FAST = 1
"""Level of compression: a third of the usual one's time, for a file half as large again."""

Value = str | float | int | None


class Add(Protocol):
    """Adds rows to a sheet."""

    def __call__(self, sheet: str, rows: str) -> None:
        """Add what `sheet_rows` made."""


def sheet_rows(rows: Iterable[Sequence[Value]]) -> str:
    """Rows as XML of a sheet; text stays text, whatever it looks like.

    A number that isn't finite leaves its cell empty; text is cut at `LONGEST_CELL` characters, and
    what XML can't hold is left out.
    """
    return "".join([f"<row>{''.join(map(_cell, row))}</row>" for row in rows])


def _cell(value: Value) -> str:
    if not isinstance(value, str):
        # orjson writes the digits that `repr` writes, in a quarter of the time
        number = orjson.dumps(value, option=orjson.OPT_SERIALIZE_NUMPY)
        return "<c/>" if number == NO_NUMBER else f"<c><v>{number.decode()}</v></c>"
    if not value:
        return "<c/>"
    return f'<c t="inlineStr"><is><t xml:space="preserve">{_text(value)}</t></is></c>'


def _text(value: str) -> str:
    if CARE.search(value) is None:
        return value[:LONGEST_CELL]
    kept = RETURN.sub("\n", FORBIDDEN.sub("", value))[:LONGEST_CELL]
    return kept.replace("&", "&amp;").replace("<", "&lt;").replace(">", "&gt;")


@contextmanager
def workbook(path: Path, heads: Mapping[str, Sequence[str]]) -> Iterator[Add]:
    """Write a workbook of one sheet for each of `heads`; yields the function that adds rows."""
    with ExitStack() as stack:
        sheets = {name: stack.enter_context(TemporaryFile()) for name in heads}

        def add(sheet: str, rows: str) -> None:
            sheets[sheet].write(rows.encode())

        yield add
        waiting = {f"xl/worksheets/sheet{i}.xml": rows for i, rows in enumerate(sheets.values(), 1)}
        with (
            ZipFile(_frame(heads)) as frame,
            ZipFile(path, "w", ZIP_DEFLATED, compresslevel=FAST) as book,
        ):
            for name in frame.namelist():
                _put(book, name, _pieces(frame.read(name), waiting.get(name)))


def _frame(heads: Mapping[str, Sequence[str]]) -> io.BytesIO:
    """The workbook with its heads alone."""
    from xlsxwriter import Workbook

    made = io.BytesIO()
    with Workbook(made, {"in_memory": True}) as book:
        book.set_properties({"created": NO_TIME})
        bold = book.add_format({"bold": True})
        for name, head in heads.items():
            sheet = book.add_worksheet(name)
            sheet.freeze_panes(1, 1)
            sheet.write_row(0, 0, head, bold)
    return made


def _pieces(text: bytes, rows: IO[bytes] | None) -> list[IO[bytes]]:
    """A part of the workbook; where it is a sheet, with its rows behind its head."""
    if rows is None:
        return [io.BytesIO(text)]
    before, end, after = EXTENT.sub(b"", text).partition(ROWS_END)
    return [io.BytesIO(before), rows, io.BytesIO(end + after)]


def _put(book: ZipFile, name: str, pieces: Sequence[IO[bytes]]) -> None:
    size = sum(piece.seek(0, io.SEEK_END) for piece in pieces)
    with book.open(name, "w", force_zip64=size > ZIP64_LIMIT // 2) as part:
        for piece in pieces:
            piece.seek(0)
            shutil.copyfileobj(piece, part)
