"""How do a portfolio's tables get into one workbook, row by row, whatever their number?

openpyxl writes each row to a temporary file as it comes, so memory doesn't grow with them.
"""

from __future__ import annotations

import math
import re
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import Any, Protocol

LONGEST_CELL = 32_767
"""Characters a workbook's cell may hold (ECMA-376; from memory)."""
TAKEN_FOR_MORE = ("=", "#")
"""First signs by which openpyxl takes text for a formula or an error."""

FORBIDDEN = re.compile(r"[\x00-\x08\x0b\x0c\x0e-\x1f\ufffe\uffff]|[\ud800-\udfff]")
"""What XML 1.0 admits in no text (section 2.2)."""
RETURN = re.compile("\r\n?")
"""Ends of lines that XML reads as a line feed in any case (section 2.11)."""

Value = str | float | int | None


class Add(Protocol):
    """Adds a row to a sheet."""

    def __call__(self, sheet: str, row: Sequence[Value]) -> None:
        """Add a row of cells; text stays text, whatever it looks like."""


@contextmanager
def workbook(path: Path, heads: Mapping[str, Sequence[str]]) -> Iterator[Add]:
    """Write a workbook of one sheet for each of `heads`; yields the function that adds rows."""
    from openpyxl import Workbook
    from openpyxl.cell import WriteOnlyCell
    from openpyxl.styles import Font

    book = Workbook(write_only=True)
    bold = Font(bold=True)

    def cell(sheet: Any, value: Value) -> Any:
        if not isinstance(value, str):
            return value if value is not None and math.isfinite(value) else None
        text = RETURN.sub("\n", FORBIDDEN.sub("", value))[:LONGEST_CELL]
        if not text.startswith(TAKEN_FOR_MORE):
            return text
        kept = WriteOnlyCell(sheet, text)
        kept.data_type = "s"
        return kept

    sheets = {}
    for name, head in heads.items():
        sheets[name] = sheet = book.create_sheet(name)
        sheet.freeze_panes = "B2"
        cells = [WriteOnlyCell(sheet, text) for text in head]
        for head_cell in cells:
            head_cell.font = bold
        sheet.append(cells)

    def add(sheet: str, row: Sequence[Value]) -> None:
        sheets[sheet].append([cell(sheets[sheet], value) for value in row])

    yield add
    book.save(path)
