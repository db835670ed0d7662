"""How do a portfolio's tables get into one workbook, whatever their number?

A workbook is a zip of XML (ECMA-376, part 1; from memory).  What these tables need of it is
little: text and numbers, a bold head that stays in sight.  So the rows of a site are written as
XML where the site is, and what comes of all of them is only put together: each sheet grows in a
temporary file, and memory doesn't grow with the number of rows.
"""

from __future__ import annotations

import math
import re
import shutil
from collections.abc import Iterable, Iterator, Mapping, Sequence
from contextlib import ExitStack, contextmanager
from pathlib import Path
from tempfile import TemporaryFile
from typing import IO, Protocol
from zipfile import ZIP_DEFLATED, ZipFile, ZipInfo

LONGEST_CELL = 32_767
"""Characters a workbook's cell may hold (ECMA-376; from memory)."""
FORBIDDEN = re.compile(r"[\x00-\x08\x0b\x0c\x0e-\x1f\ufffe\uffff]|[\ud800-\udfff]")
"""What XML 1.0 admits in no text (section 2.2)."""
RETURN = re.compile("\r\n?")
"""Ends of lines that XML reads as a line feed in any case (section 2.11)."""
CARE = re.compile(f"[&<>\r]|{FORBIDDEN.pattern}")
"""What keeps text from standing in XML as it is."""

Value = str | float | int | None

_XML = '<?xml version="1.0" encoding="UTF-8" standalone="yes"?>\n'
_MAIN = 'xmlns="http://schemas.openxmlformats.org/spreadsheetml/2006/main"'
_PACKAGE = "http://schemas.openxmlformats.org/package/2006"
_OFFICE = "http://schemas.openxmlformats.org/officeDocument/2006/relationships"
_KIND = "application/vnd.openxmlformats-officedocument.spreadsheetml"
_STYLES = (
    f"{_XML}<styleSheet {_MAIN}>"
    '<fonts count="2"><font><sz val="11"/><name val="Calibri"/></font>'
    '<font><b/><sz val="11"/><name val="Calibri"/></font></fonts>'
    '<fills count="2"><fill><patternFill patternType="none"/></fill>'
    '<fill><patternFill patternType="gray125"/></fill></fills>'
    '<borders count="1"><border><left/><right/><top/><bottom/><diagonal/></border></borders>'
    '<cellStyleXfs count="1"><xf numFmtId="0" fontId="0" fillId="0" borderId="0"/></cellStyleXfs>'
    '<cellXfs count="2"><xf numFmtId="0" fontId="0" fillId="0" borderId="0" xfId="0"/>'
    '<xf numFmtId="0" fontId="1" fillId="0" borderId="0" xfId="0" applyFont="1"/></cellXfs>'
    '<cellStyles count="1"><cellStyle name="Normal" xfId="0" builtinId="0"/></cellStyles>'
    "</styleSheet>"
)
_HEAD_STYLE = ' s="1"'
"""The second of the formats of cells: bold."""
_SHEET_START = (
    f"{_XML}<worksheet {_MAIN}>"
    '<sheetViews><sheetView workbookViewId="0"><pane xSplit="1" ySplit="1" topLeftCell="B2" '
    'activePane="bottomRight" state="frozen"/></sheetView></sheetViews><sheetData>'
)
_SHEET_END = "</sheetData></worksheet>"


class Add(Protocol):
    """Adds rows to a sheet."""

    def __call__(self, sheet: str, rows: str) -> None:
        """Add what `sheet_rows` made."""


def sheet_rows(rows: Iterable[Sequence[Value]], style: str = "") -> str:
    """Rows as XML of a sheet; text stays text, whatever it looks like.

    A number that isn't finite leaves its cell empty; text is cut at `LONGEST_CELL` characters, and
    what XML can't hold is left out.
    """
    return "".join([f"<row>{''.join([_cell(v, style) for v in row])}</row>" for row in rows])


def _cell(value: Value, style: str) -> str:
    if isinstance(value, str):
        return (
            f'<c{style} t="inlineStr"><is><t xml:space="preserve">{_written(value)}</t></is></c>'
            if value
            else "<c/>"
        )
    return "<c/>" if value is None or not math.isfinite(value) else f"<c><v>{value}</v></c>"


def _written(text: str) -> str:
    if CARE.search(text) is not None:
        text = RETURN.sub("\n", FORBIDDEN.sub("", text))[:LONGEST_CELL]
        return text.replace("&", "&amp;").replace("<", "&lt;").replace(">", "&gt;")
    return text[:LONGEST_CELL]


@contextmanager
def workbook(path: Path, heads: Mapping[str, Sequence[str]]) -> Iterator[Add]:
    """Write a workbook of one sheet for each of `heads`; yields the function that adds rows."""
    with ExitStack() as stack:
        sheets: dict[str, IO[bytes]] = {
            name: stack.enter_context(TemporaryFile()) for name in heads
        }

        def add(sheet: str, rows: str) -> None:
            sheets[sheet].write(rows.encode())

        for name, head in heads.items():
            add(name, _SHEET_START)
            add(name, sheet_rows([head], _HEAD_STYLE))
        yield add
        with ZipFile(path, "w") as book:
            for name, text in _frame(list(heads)).items():
                book.writestr(_entry(name), text)
            for i, (name, file) in enumerate(sheets.items(), 1):
                add(name, _SHEET_END)
                entry = _entry(f"xl/worksheets/sheet{i}.xml")
                entry.file_size = file.tell()
                file.seek(0)
                with book.open(entry, "w") as packed:
                    shutil.copyfileobj(file, packed)


def _entry(name: str) -> ZipInfo:
    """A compressed file of the zip, without a time: the same tables give the same bytes."""
    entry = ZipInfo(name)
    entry.compress_type = ZIP_DEFLATED
    return entry


def _frame(names: Sequence[str]) -> dict[str, str]:
    """What holds sheets together: kinds, relations, the list of sheets, formats."""
    sheets = list(enumerate(names, 1))
    types = "".join(
        f'<Override PartName="/xl/worksheets/sheet{i}.xml" ContentType="{_KIND}.worksheet+xml"/>'
        for i, _ in sheets
    )
    links = "".join(
        f'<Relationship Id="rId{i}" Type="{_OFFICE}/worksheet" Target="worksheets/sheet{i}.xml"/>'
        for i, _ in sheets
    )
    listed = "".join(f'<sheet name="{name}" sheetId="{i}" r:id="rId{i}"/>' for i, name in sheets)
    return {
        "[Content_Types].xml": (
            f'{_XML}<Types xmlns="{_PACKAGE}/content-types">'
            '<Default Extension="rels" '
            'ContentType="application/vnd.openxmlformats-package.relationships+xml"/>'
            f'<Override PartName="/xl/workbook.xml" ContentType="{_KIND}.sheet.main+xml"/>'
            f'<Override PartName="/xl/styles.xml" ContentType="{_KIND}.styles+xml"/>'
            f"{types}</Types>"
        ),
        "_rels/.rels": (
            f'{_XML}<Relationships xmlns="{_PACKAGE}/relationships"><Relationship Id="rId1" '
            f'Type="{_OFFICE}/officeDocument" Target="xl/workbook.xml"/></Relationships>'
        ),
        "xl/workbook.xml": (
            f'{_XML}<workbook {_MAIN} xmlns:r="{_OFFICE}"><sheets>{listed}</sheets></workbook>'
        ),
        "xl/_rels/workbook.xml.rels": (
            f'{_XML}<Relationships xmlns="{_PACKAGE}/relationships">{links}'
            f'<Relationship Id="rId{len(names) + 1}" Type="{_OFFICE}/styles" '
            'Target="styles.xml"/></Relationships>'
        ),
        "xl/styles.xml": _STYLES,
    }
