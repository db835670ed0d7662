"""How do a portfolio's tables get into one workbook, row by row, whatever their number?

The package of the workbook (its parts, styles and names) is openpyxl's; the rows are written here
as SpreadsheetML (ECMA-376 part 1, 18.3; from memory), because a cell object each costs ten times
as much.  Rows wait in temporary files, so memory doesn't grow with them.
"""

from __future__ import annotations

import io
import math
import re
import tempfile
from collections.abc import Iterator, Mapping, Sequence
from contextlib import ExitStack, contextmanager
from pathlib import Path
from shutil import copyfileobj
from typing import IO, Protocol
from zipfile import ZIP_DEFLATED, ZipFile

LONGEST_CELL = 32_767
"""Characters a workbook's cell may hold (ECMA-376; from memory)."""
SPOOLED = 1_000_000
"""Bytes of a sheet kept in memory before they go to a file."""
END = b"</sheetData>"
FORBIDDEN = re.compile(r"[\x00-\x08\x0b\x0c\x0e-\x1f\ufffe\uffff]|[\ud800-\udfff]")
"""What XML 1.0 admits in no text (section 2.2)."""

Value = str | float | int | None


class Add(Protocol):
    """Adds a row to a sheet."""

    def __call__(self, sheet: str, row: Sequence[Value]) -> None:
        """Add a row of cells; text stays text, whatever it looks like."""


@contextmanager
def workbook(path: Path, heads: Mapping[str, Sequence[str]]) -> Iterator[Add]:
    """Write a workbook of one sheet for each of `heads`; yields the function that adds rows."""
    with ExitStack() as stack:
        rows = {name: stack.enter_context(tempfile.SpooledTemporaryFile(SPOOLED)) for name in heads}
        letters = {name: _letters(len(head)) for name, head in heads.items()}
        count = dict.fromkeys(heads, 1)

        def add(sheet: str, row: Sequence[Value]) -> None:
            count[sheet] += 1
            rows[sheet].write(_row(count[sheet], letters[sheet], row))

        yield add
        _package(path, heads, rows)


def _package(path: Path, heads: Mapping[str, Sequence[str]], rows: Mapping[str, IO]) -> None:
    """The empty workbook that openpyxl makes, its sheets filled with rows."""
    sheets = {f"xl/worksheets/sheet{i}.xml": name for i, name in enumerate(heads, 1)}
    with ZipFile(_empty(heads)) as empty, ZipFile(path, "w", ZIP_DEFLATED) as full:
        for entry in empty.infolist():
            content = empty.read(entry)
            if entry.filename not in sheets:
                full.writestr(entry, content)
                continue
            head, _, tail = content.partition(END)
            own = rows[sheets[entry.filename]]
            own.seek(0)
            with full.open(entry.filename, "w") as part:
                part.write(head)
                copyfileobj(own, part)
                part.write(END + tail)


def _empty(heads: Mapping[str, Sequence[str]]) -> io.BytesIO:
    from openpyxl import Workbook
    from openpyxl.cell import WriteOnlyCell
    from openpyxl.styles import Font

    book = Workbook(write_only=True)
    for name, head in heads.items():
        sheet = book.create_sheet(name)
        sheet.freeze_panes = "B2"
        cells = [WriteOnlyCell(sheet, text) for text in head]
        for cell in cells:
            cell.font = Font(bold=True)
        sheet.append(cells)
    file = io.BytesIO()
    book.save(file)
    file.seek(0)
    return file


def _letters(columns: int) -> list[str]:
    from openpyxl.utils import get_column_letter

    return [get_column_letter(i) for i in range(1, columns + 1)]


def _row(number: int, letters: Sequence[str], row: Sequence[Value]) -> bytes:
    """One row as XML; a cell without text or number is left out."""
    cells = [
        f'<c r="{letter}{number}" t="inlineStr">{_text(value)}</c>'
        if isinstance(value, str)
        else f'<c r="{letter}{number}" t="n"><v>{value:.16g}</v></c>'
        for letter, value in zip(letters, row, strict=True)
        if value is not None and (isinstance(value, str) or math.isfinite(value))
    ]
    return f'<row r="{number}">{"".join(cells)}</row>'.encode()


def _text(value: str) -> str:
    if not value:
        return ""
    value = value if value.isprintable() else FORBIDDEN.sub("", value)
    value = value[:LONGEST_CELL]
    space = ' xml:space="preserve"' if value != value.strip() else ""
    value = value.replace("&", "&amp;").replace("<", "&lt;").replace(">", "&gt;")
    value = value.replace("\r", "&#13;")
    return f"<is><t{space}>{value}</t></is>"
