"""How do a portfolio's tables get into one workbook, row by row, whatever their number?

XlsxWriter, told to keep no more than a row, writes each sheet to a temporary file as its rows
come, so memory doesn't grow with them.
"""

from __future__ import annotations

import datetime as dt
import math
import re
from collections.abc import Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from itertools import count
from pathlib import Path
from typing import Protocol

LONGEST_CELL = 32_767
"""Characters a workbook's cell may hold (ECMA-376; from memory)."""
FORBIDDEN = re.compile(r"[\x00-\x08\x0b\x0c\x0e-\x1f\ufffe\uffff]|[\ud800-\udfff]")
"""What XML 1.0 admits in no text (section 2.2)."""
RETURN = re.compile("\r\n?")
"""Ends of lines that XML reads as a line feed in any case (section 2.11)."""
CARE = re.compile(f"\r|{FORBIDDEN.pattern}")
NO_TIME = dt.datetime(1980, 1, 1)
"""Stands for the time of writing, so that the same tables give the same bytes."""

Value = str | float | int | None


class Add(Protocol):
    """Adds rows to a sheet."""

    def __call__(self, sheet: str, rows: Iterable[Sequence[Value]]) -> None:
        """Add rows of cells; text stays text, whatever it looks like.

        A number that isn't finite leaves its cell empty; text is cut at `LONGEST_CELL` characters,
        and what XML can't hold is left out.
        """


@contextmanager
def workbook(path: Path, heads: Mapping[str, Sequence[str]]) -> Iterator[Add]:
    """Write a workbook of one sheet for each of `heads`; yields the function that adds rows."""
    from xlsxwriter import Workbook

    book = Workbook(path, {"constant_memory": True})
    book.set_properties({"created": NO_TIME})
    bold = book.add_format({"bold": True})
    sheets, places = {}, {}
    for name, head in heads.items():
        sheets[name], places[name] = book.add_worksheet(name), count(1)
        sheets[name].freeze_panes(1, 1)
        sheets[name].write_row(0, 0, head, bold)

    def add(sheet: str, rows: Iterable[Sequence[Value]]) -> None:
        number, string = sheets[sheet].write_number, sheets[sheet].write_string
        for row, place in zip(rows, places[sheet], strict=False):
            for column, value in enumerate(row):
                if isinstance(value, str):
                    if value:
                        string(place, column, _text(value))
                elif value is not None and math.isfinite(value):
                    number(place, column, value)

    with book:
        yield add


def _text(value: str) -> str:
    if CARE.search(value) is not None:
        value = RETURN.sub("\n", FORBIDDEN.sub("", value))
    return value[:LONGEST_CELL]
