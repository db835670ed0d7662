"""How do a portfolio's tables get into one workbook, row by row, whatever their number?

A workbook is a ZIP archive of XML (SpreadsheetML, ECMA-376 part 1).  Rows become XML where their
site is, with nothing but their place in the sheet left open, so that putting the sites of a
portfolio together is copying text.  Sheets wait in temporary files: memory doesn't grow with them.
"""

from __future__ import annotations

import re
import shutil
from collections.abc import Iterable, Iterator, Mapping, Sequence
from contextlib import ExitStack, contextmanager
from html import escape
from math import isfinite
from pathlib import Path
from string import ascii_uppercase
from tempfile import TemporaryFile
from typing import IO, Protocol
from zipfile import ZIP_DEFLATED, ZipFile

LONGEST_CELL = 32_767
"""Characters a workbook's cell may hold (ECMA-376; from memory)."""
MOST_ROWS = 1_048_576
"""Rows a sheet may hold (2²⁰, as spreadsheet programs have it; from memory)."""
COLUMNS = tuple(a + b for a in ("", *ascii_uppercase) for b in ascii_uppercase)
"""Letters of the columns, A to ZZ."""
PLACE = "\0"
"""Stands for a row's number in its XML, where no text can hold it."""
FORBIDDEN = re.compile(r"[\x00-\x08\x0b\x0c\x0e-\x1f\ufffe\uffff]|[\ud800-\udfff]")
"""What XML 1.0 admits in no text (section 2.2)."""
RETURN = re.compile("\r\n?")
"""Ends of lines that XML reads as a line feed in any case (section 2.11)."""
CODED = re.compile("_(?=x[0-9a-fA-F]{4}_)")
"""Opens what is read as the code of a character (ECMA-376 part 1, 22.9.2.19)."""
CARE = re.compile(rf"[\r&<>]|^\s|\s$|{CODED.pattern}|{FORBIDDEN.pattern}")

Value = str | float | int | None

_MAIN = "http://schemas.openxmlformats.org/spreadsheetml/2006/main"
_OFFICE = "http://schemas.openxmlformats.org/officeDocument/2006/relationships"
_PACKAGE = "http://schemas.openxmlformats.org/package/2006"
_KIND = "application/vnd.openxmlformats-officedocument.spreadsheetml"
_XML = '<?xml version="1.0" encoding="UTF-8" standalone="yes"?>\n'
_BOLD = ' s="1"'
_STYLES = (
    f'<styleSheet xmlns="{_MAIN}"><fonts count="2">'
    '<font><sz val="11"/><name val="Calibri"/><family val="2"/></font>'
    '<font><b/><sz val="11"/><name val="Calibri"/><family val="2"/></font></fonts>'
    '<fills count="2"><fill><patternFill patternType="none"/></fill>'
    '<fill><patternFill patternType="gray125"/></fill></fills>'
    '<borders count="1"><border><left/><right/><top/><bottom/><diagonal/></border></borders>'
    '<cellStyleXfs count="1"><xf numFmtId="0" fontId="0" fillId="0" borderId="0"/></cellStyleXfs>'
    '<cellXfs count="2"><xf numFmtId="0" fontId="0" fillId="0" borderId="0" xfId="0"/>'
    '<xf numFmtId="0" fontId="1" fillId="0" borderId="0" xfId="0" applyFont="1"/></cellXfs>'
    '<cellStyles count="1"><cellStyle name="Normal" xfId="0" builtinId="0"/></cellStyles>'
    "</styleSheet>"
)
"""Cells of style 0 are plain, those of style 1 bold."""
_PANES = (
    '<pane xSplit="1" ySplit="1" topLeftCell="B2" activePane="bottomRight" state="frozen"/>'
    '<selection pane="topRight" activeCell="B1" sqref="B1"/>'
    '<selection pane="bottomLeft" activeCell="A2" sqref="A2"/><selection pane="bottomRight"/>'
)
"""The first row and the first column stay in sight."""


class Add(Protocol):
    """Adds rows, as `sheet_rows` gives them, to a sheet."""

    def __call__(self, sheet: str, rows: Sequence[str]) -> None:
        """Add rows; those beyond `MOST_ROWS` are left out."""


def sheet_rows(rows: Iterable[Sequence[Value]]) -> list[str]:
    """Rows of cells as the XML that `workbook` takes; text stays text, whatever it looks like.

    A number that isn't finite leaves its cell empty; text is cut at `LONGEST_CELL` characters, and
    what XML can't hold is left out.
    """
    return [_row(row) for row in rows]


@contextmanager
def workbook(path: Path | IO[bytes], heads: Mapping[str, Sequence[str]]) -> Iterator[Add]:
    """Write a workbook of one sheet for each of `heads`; yields the function that adds rows."""
    rows = dict.fromkeys(heads, 0)
    with ExitStack() as stack:
        waiting = {name: stack.enter_context(TemporaryFile()) for name in heads}

        def add(sheet: str, more: Sequence[str]) -> None:
            more = more[: MOST_ROWS - rows[sheet]]
            placed = (row.replace(PLACE, str(i)) for i, row in enumerate(more, rows[sheet] + 1))
            waiting[sheet].write("".join(placed).encode())
            rows[sheet] += len(more)

        for name, head in heads.items():
            add(name, [_row(head, _BOLD)])
        yield add
        with ZipFile(path, "w", ZIP_DEFLATED) as book:
            for name, text in _frame(heads).items():
                with book.open(name, "w") as part:
                    part.write(f"{_XML}{text}".encode())
            for number, (name, head) in enumerate(heads.items(), 1):
                waiting[name].seek(0)
                with book.open(f"xl/worksheets/sheet{number}.xml", "w") as sheet:
                    corner = f"{COLUMNS[len(head) - 1]}{rows[name]}"
                    sheet.write(_opening(corner, selected=number == 1).encode())
                    shutil.copyfileobj(waiting[name], sheet)
                    sheet.write(b"</sheetData></worksheet>")


def _row(cells: Sequence[Value], style: str = "") -> str:
    written = [f'<row r="{PLACE}">']
    for column, value in zip(COLUMNS, cells, strict=False):
        if isinstance(value, str):
            if value:
                text = f'<c r="{column}{PLACE}"{style} t="inlineStr"><is>{_text(value)}</is></c>'
                written.append(text)
        elif value is not None and isfinite(value):
            written.append(f'<c r="{column}{PLACE}"{style}><v>{value:.16G}</v></c>')
    written.append("</row>")
    return "".join(written)


def _text(value: str) -> str:
    if CARE.search(value) is None:
        return f"<t>{value[:LONGEST_CELL]}</t>"
    value = RETURN.sub("\n", FORBIDDEN.sub("", value))[:LONGEST_CELL]
    space = ' xml:space="preserve"' if value != value.strip() else ""
    return f"<t{space}>{escape(CODED.sub('_x005F_', value), quote=False)}</t>"


def _opening(corner: str, *, selected: bool) -> str:
    """A sheet down to its first row; `corner`: its last cell."""
    shown = ' tabSelected="1"' * selected
    return (
        f'{_XML}<worksheet xmlns="{_MAIN}"><dimension ref="A1:{corner}"/>'
        f'<sheetViews><sheetView{shown} workbookViewId="0">{_PANES}</sheetView></sheetViews>'
        '<sheetFormatPr defaultRowHeight="15"/><sheetData>'
    )


def _frame(names: Iterable[str]) -> dict[str, str]:
    """All of a workbook but its sheets, by the part's name within the archive."""
    sheets = {f"worksheets/sheet{i}.xml": name for i, name in enumerate(names, 1)}
    kinds = {f"xl/{part}": "worksheet" for part in sheets}
    kinds |= {"xl/styles.xml": "styles", "xl/workbook.xml": "sheet.main"}
    return {
        "[Content_Types].xml": f'<Types xmlns="{_PACKAGE}/content-types">'
        '<Default Extension="rels" '
        'ContentType="application/vnd.openxmlformats-package.relationships+xml"/>'
        '<Default Extension="xml" ContentType="application/xml"/>'
        + "".join(
            f'<Override PartName="/{part}" ContentType="{_KIND}.{kind}+xml"/>'
            for part, kind in kinds.items()
        )
        + "</Types>",
        "_rels/.rels": _relations({"xl/workbook.xml": "officeDocument"}),
        "xl/workbook.xml": f'<workbook xmlns="{_MAIN}" xmlns:r="{_OFFICE}"><sheets>'
        + "".join(
            f'<sheet name="{escape(name)}" sheetId="{i}" r:id="rId{i}"/>'
            for i, name in enumerate(sheets.values(), 1)
        )
        + "</sheets></workbook>",
        "xl/_rels/workbook.xml.rels": _relations(
            {**dict.fromkeys(sheets, "worksheet"), "styles.xml": "styles"}
        ),
        "xl/styles.xml": _STYLES,
    }


def _relations(kinds: Mapping[str, str]) -> str:
    """Which parts another one refers to, by place, and as what."""
    parts = "".join(
        f'<Relationship Id="rId{i}" Type="{_OFFICE}/{kind}" Target="{part}"/>'
        for i, (part, kind) in enumerate(kinds.items(), 1)
    )
    return f'<Relationships xmlns="{_PACKAGE}/relationships">{parts}</Relationships>'
