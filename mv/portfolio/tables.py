"""What stands in a table: its columns and its rows of text, each with the line it came from.

A table is a CSV file or a sheet of a workbook (`workbook.py`); both come out as the same
`Table`.  Nothing is interpreted here: a cell is the text that somebody wrote, never a formula
that is evaluated.  What spreadsheet programs do to text files is undone where it is certain:
byte-order marks, UTF-16, semicolons or tabs between the cells, blank rows, a first line `sep=;`.
Lines that open with `#` above the header are remarks.

Source of the form: RFC 4180 for CSV; the rest is common practice, no source.
"""

from __future__ import annotations

import codecs
import csv
import io
import re
from collections import Counter
from dataclasses import dataclass
from typing import NamedTuple

from mv.findings import Finding

MAX_TABLE_BYTES = 100_000_000
"""Largest table, in bytes: ten times that of ten thousand sites (common practice, no source)."""

MAX_ROWS = 1_000_000
"""Most rows of a table: what one sheet of a workbook can hold (1 048 576)."""

MAX_COLUMNS = 200
"""Most columns of a table (common practice, no source)."""

MAX_CELL = 2_000
"""Most characters of one cell (common practice, no source)."""

SHOWN_CELL = 60
"""Characters of a cell that a message repeats."""

DELIMITERS = ",;\t|"

# Control characters other than tab and line feed, and the marks that turn the direction of
# writing round (Unicode, annex 9): both can make a name look like another.
UNSAFE = re.compile("[\x00-\x08\x0b\x0c\x0e-\x1f\x7f-\x9f\u2028\u2029\u202a-\u202e\u2066-\u2069]")


class TableRow(NamedTuple):
    """One row: the line it starts on, and its cells as text, one per column of the table."""

    line: int
    cells: list[str]


@dataclass(frozen=True, slots=True)
class Table:
    """A table as text.  `columns` are normalised headers; an unnamed column is empty text."""

    file: str
    columns: list[str]
    rows: list[TableRow]
    findings: tuple[Finding, ...] = ()
    header_line: int = 1


def read_table(data: bytes, file: str, known: frozenset[str] = frozenset()) -> Table:
    """Read a CSV table.

    Parameters
    ----------
    data : the bytes of the file.
    file : its name, for messages.
    known : names of columns that the table may have; they settle which character separates
        the cells.

    Returns the table; what is wrong with it is in its `findings`, none is raised.
    """
    findings: list[Finding] = []
    text = decode(data, file, findings)
    if text is None:
        return Table(file, [], [], tuple(findings))
    text = text.replace("\r\n", "\n").replace("\r", "\n")
    lines = text.split("\n")
    skip = 0
    while skip < len(lines) and (
        not lines[skip].strip(" \t,;|") or lines[skip].lstrip().lstrip('"').startswith("#")
    ):
        skip += 1
    if skip < len(lines) and re.fullmatch(r"sep=.?", lines[skip].strip(), re.IGNORECASE):
        skip += 1
    if skip >= len(lines):
        finding = Finding(
            "table_unreadable", "the table is empty; its first row must name the columns", file
        )
        return Table(file, [], [], (*findings, finding))
    delimiter = _delimiter(lines[skip], known)
    rows: list[TableRow] = []
    reader = csv.reader(
        io.StringIO("\n".join(lines[skip:]), newline=""), delimiter=delimiter, strict=True
    )
    line = skip + 1
    try:
        for cells in reader:
            rows.append(TableRow(line, cells))
            line = skip + reader.line_num + 1
            if len(rows) > MAX_ROWS + 1:
                break
    except csv.Error as error:
        findings.append(Finding("table_unreadable", _csv_problem(str(error)), file, line))
    return shape(file, rows, findings)


def shape(file: str, raw: list[TableRow], findings: list[Finding]) -> Table:
    """Make a table of raw rows, the first of which names the columns; used for sheets too."""
    findings = list(findings)
    if not raw:
        return Table(file, [], [], tuple(findings))
    header_line, headers = raw[0]
    while headers and not headers[-1].strip():
        headers = headers[:-1]
    columns = [normal(h) for h in headers]
    width = len(columns)
    if width > MAX_COLUMNS:
        message = f"the table has {width} columns; at most {MAX_COLUMNS} are read"
        return Table(file, [], [], (*findings, Finding("table_unreadable", message, file)))
    for name, times in Counter(c for c in columns if c).items():
        if times > 1:
            places = [str(i + 1) for i, c in enumerate(columns) if c == name]
            message = (
                f"the header stands over {times} columns (number {', '.join(places)}); "
                "rename or remove all but one"
            )
            findings.append(Finding("column_duplicate", message, file, header_line, name))
    rows = []
    for line, cells in raw[1 : MAX_ROWS + 2]:
        stripped = [c.strip() for c in cells]
        if not any(stripped):
            continue
        if len(stripped) > width:
            if any(stripped[width:]):
                message = (
                    f"the row has {len(stripped)} cells, but there are {width} columns; "
                    "what holds the separating character must stand in double quotes"
                )
                findings.append(Finding("row_ragged", message, file, line))
                continue
            del stripped[width:]
        elif len(stripped) < width:
            stripped += [""] * (width - len(stripped))
        rows.append(TableRow(line, stripped))
    if len(rows) > MAX_ROWS:
        message = f"the table has more than {MAX_ROWS} rows; divide the portfolio"
        findings.append(Finding("table_unreadable", message, file))
        rows = []
    for index, name in enumerate(columns):
        if not name and any(row.cells[index] for row in rows):
            first = next(row.line for row in rows if row.cells[index])
            message = (
                f"column number {index + 1} has cells but no header; it was not used "
                f"(first filled cell: line {first})"
            )
            findings.append(Finding("column_unknown", message, file, header_line))
    return Table(file, columns, rows, tuple(findings), header_line)


def normal(name: str) -> str:
    """A header or word as the tables spell it: `Floor area` and `floor-area` are `floor_area`."""
    return re.sub(r"[\s_-]+", "_", name.strip().lower())


def shown(text: str) -> str:
    """A cell as a message repeats it: in double quotes, short, nothing in it invisible."""
    short = text if len(text) <= SHOWN_CELL else text[: SHOWN_CELL - 1] + "…"
    if not short.isprintable():
        short = "".join(c if c.isprintable() else _escaped(c) for c in short)
    return f'"{short}"'


def decode(data: bytes, file: str, findings: list[Finding]) -> str | None:
    """Turn bytes into text by their byte-order mark, as UTF-8, or else as Windows-1252.

    What was amiss is added to `findings`; None when the bytes are no text.
    """
    if len(data) > MAX_TABLE_BYTES:
        message = (
            f"the table is larger than {MAX_TABLE_BYTES // 1_000_000} MB; divide the portfolio"
        )
        findings.append(Finding("table_unreadable", message, file))
        return None
    if data.startswith((b"PK\x03\x04", b"\xd0\xcf\x11\xe0")):
        message = "this is a spreadsheet program's own file; save the sheet as CSV (UTF-8)"
        findings.append(Finding("table_unreadable", message, file))
        return None
    encoding = _encoding(data)
    try:
        text = data.decode(encoding)
    except UnicodeDecodeError:
        if encoding != "utf-8" or b"\x00" in data:
            message = "the bytes are not text; save the table as CSV (UTF-8)"
            findings.append(Finding("table_unreadable", message, file))
            return None
        bad = next(i for i, part in enumerate(data.split(b"\n")) if not _is_utf8(part))
        text = data.decode("cp1252", errors="replace")
        found = text.split("\n")[bad].strip()
        findings.append(
            Finding(
                "table_encoding",
                f"the table is not UTF-8; it was read as Windows-1252, so that this line "
                f"begins {shown(found)}; save it as CSV (UTF-8) if letters look wrong",
                file,
                bad + 1,
            )
        )
    if "\x00" in text:
        message = "the bytes are not text; save the table as CSV (UTF-8)"
        findings.append(Finding("table_unreadable", message, file))
        return None
    return text


def _encoding(data: bytes) -> str:
    if data.startswith(codecs.BOM_UTF8):
        return "utf-8-sig"
    if data.startswith((codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE)):
        return "utf-16"
    head = data[:2000]
    # Latin letters in UTF-16 without a mark: every other byte is zero.
    if len(head) >= 4 and head[1::2].count(0) > 0.4 * len(head) and 0 not in head[0::2]:
        return "utf-16-le"
    if len(head) >= 4 and head[0::2].count(0) > 0.4 * len(head) and 0 not in head[1::2]:
        return "utf-16-be"
    return "utf-8"


def _is_utf8(part: bytes) -> bool:
    try:
        part.decode("utf-8")
    except UnicodeDecodeError:
        return False
    return True


def _delimiter(header: str, known: frozenset[str]) -> str:
    """The character that cuts the header into the most known names, then into the most cells."""

    def merit(delimiter: str) -> tuple[int, int]:
        try:
            cells = next(csv.reader([header], delimiter=delimiter))
        except csv.Error:
            return (0, 0)
        return (sum(normal(c) in known for c in cells), len(cells))

    return max(DELIMITERS, key=merit)


def _csv_problem(error: str) -> str:
    if "unexpected end of data" in error:
        return "a double quote opens in this row and never closes; add or remove the quote"
    if "field larger" in error:
        return "a cell is longer than 131072 characters; a double quote may be missing before it"
    if "expected after" in error:
        return (
            "text goes on after a closing double quote; write a quote inside a quoted cell "
            "twice, or remove it"
        )
    return f"the row can't be read as cells ({error})"


def _escaped(character: str) -> str:
    known = {"\n": "\\n", "\t": "\\t"}
    return known.get(character) or f"\\u{ord(character):04x}"
