"""How do a file's bytes become rows and columns, before anybody asks what they mean?

A `Table` holds one Arrow array a column (text as written; typed where the format types its
cells), and the line each row stands on.  Encoding (UTF-8, UTF-16, Windows-1252), separator and
the lines above the header are found from the first lines of the file.
"""

from __future__ import annotations

import codecs
import csv
import io
import re
from collections import Counter
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field
from functools import lru_cache

import numpy as np
import pyarrow as pa
import pyarrow.csv as arrow_csv

from mv.findings import Finding, ReadingsError, counted
from mv.readings.headings import METER, plain

SAMPLE_BYTES = 65_536
"""How much of a file is looked at to find its separator and header."""
SAMPLE_LINES = 120
SEPARATORS = "\t;|,"
"""Separators that are tried; of equals the first wins, so that a decimal comma does no harm."""

BLOCK_BYTES = 1 << 18
"""Bytes that are split at a time; what is worked on then stays near the processor."""
COLUMNS_MOST = 2_000
CUT_MOST = 1 << 26
"""Bytes of text that are cut in one go; for longer ones the parser takes less memory."""

TIME_LIKE = re.compile(
    r"""^\s*(?:
        \d{4}[-/.]\d{1,2}[-/.]\d{1,2}(?:[T\s].*)?    # 2023-01-31
      | \d{4}[-/]\d{1,2}(?:[T\s].*)?                  # 2023-01 (1289.7 is a number)
      | (?:[^\W\d]{2,9}[.,]?\s+)?                     # a weekday
        \d{1,2}[-/.]\s?\d{1,2}[-/.]\s?\d{2,4}(?:[,T\s].*)? # 31.1.2023
      | \d{1,2}[-/.\s][^\W\d]{3,9}\.?[-/.\s,]+\d{2,4}(?:[,T\s].*)?    # 31 January 2023
      | [^\W\d]{3,9}\.?[-/.\s]+(?:\d{1,2},?[-/.\s]+)?\d{4}(?:[,T\s].*)? # January 31, 2023
      | (?:19|20)\d\d(?:0[1-9]|1[0-2])(?:[0-2]\d|3[01])  # 20230131
        (?:[T\s]?\d\d(?:\d\d(?:\d\d)?)?Z?)?               # 202301310015
      | 1?\d{9} | 1\d{12}                                       # epoch
    )\s*$""",
    re.VERBOSE,
)
CLOCK_LIKE = re.compile(r"^\s*\d{1,2}[:h]\d{2}(?::\d{2})?(?:\.\d+)?\s*(?:[AaPp]\.?[Mm]\.?)?\s*$")
NUMBER_LIKE = re.compile(
    r"^\s*[(+-]?\s*[$€£]?\s*[+-]?[\d.,'  ’]*\d[\d.,'  ’]*(?:[eE][+-]?\d+)?"
    r"\s*[$€£%]?\s*\)?\s*-?\s*$"
)


@dataclass(frozen=True)
class Table:
    """Columns of a file.

    `names` are as written (`column 1` ... where there is no header); `columns` are Arrow arrays
    of equal length; `lines` is the line (or row of a sheet) of each row, from 1; `malformed`
    counts rows whose number of cells was wrong (they are not in the columns).
    """

    file: str
    names: list[str]
    columns: list[pa.Array]
    lines: np.ndarray
    malformed: int = 0
    findings: tuple[Finding, ...] = ()
    separator: str = ","
    headed: bool = True
    preamble: tuple[str, ...] = field(default=())
    """Lines above the header."""
    declared: dict[str, str] = field(default_factory=dict)
    """What the file itself says of its readings: `unit`, `stamp`, `values` (register or use)."""

    def __len__(self) -> int:
        return len(self.lines)


def read_delimited(file: str, data: bytes) -> Table:
    """Split delimited text into a `Table` (ReadingsError when it isn't one)."""
    data = _with_newlines(as_utf8(data))
    layout = find_layout(file, data)
    separator, names = layout.separator, layout.names
    malformed: list[tuple[int, str]] = []
    columns = _cut(data, layout)
    if columns is None:
        columns, malformed = _parsed(file, data, layout)
    start = layout.first_line
    wrong = np.array([n for n, _ in malformed], dtype=np.int64)  # row numbers from 1
    lines = np.arange(start, start + len(columns[0]) + len(wrong), dtype=np.int64)
    if len(wrong):
        lines = np.delete(lines, wrong - 1)
    findings = []
    real = [(n, text) for n, text in malformed if text.strip(f"{separator} \r\n")]
    if real:
        n, text = real[0]
        findings.append(
            Finding(
                "row_malformed",
                counted(
                    f"{{n}} row[|s] do[es|] not have the {len(names)} cells of the table[; it|, "
                    "the first] reads ",
                    len(real),
                )
                + f"{text[:60]!r}. "
                + counted("[It|They] [was|were] left out; ", len(real))
                + "totals and remarks may stay out, readings should be mended.",
                file=file,
                line=int(n - 1 + start),
                count=len(real),
            )
        )
    return Table(
        file,
        names,
        columns,
        lines,
        malformed=len(real),
        findings=tuple(findings),
        separator=separator,
        headed=layout.headed,
        preamble=layout.preamble,
    )


def _cut(data: bytes, layout: TextLayout) -> list[pa.Array] | None:
    """The columns where every line ends in a newline and has the cells of the table, none of them
    quoted; None for any other text, which takes a parser."""
    if len(data) > CUT_MOST or any(data.find(c, layout.offset) >= 0 for c in (b'"', b"\r")):
        return None
    text = np.frombuffer(data, np.uint8)[layout.offset :]
    newline = text == ord("\n")
    ends = np.flatnonzero((text == ord(layout.separator)) | newline)
    width = len(layout.names)
    rows = np.count_nonzero(newline)
    if len(ends) != rows * width or not newline[ends[width - 1 :: width]].all():
        return None
    # Cells and what stands between them take turns, so that the text itself can hold them all.
    bounds = np.zeros(2 * len(ends) + 1, np.int32)
    bounds[1::2] = ends
    bounds[2::2] = ends + 1
    cells = pa.StringArray.from_buffers(2 * len(ends), pa.py_buffer(bounds), pa.py_buffer(text))
    return [cells[2 * column :: 2 * width] for column in range(width)]


def _parsed(
    file: str, data: bytes, layout: TextLayout
) -> tuple[list[pa.Array], list[tuple[int, str]]]:
    """The columns of any text, and number (from 1) and text of each row whose number of cells is
    wrong (ReadingsError for text that can't be parsed)."""
    malformed: list[tuple[int, str]] = []

    def note_malformed(row) -> str:
        malformed.append((row.number, row.text))
        return "skip"

    keys = [str(i) for i in range(len(layout.names))]
    try:
        table = arrow_csv.read_csv(
            pa.py_buffer(memoryview(data)[layout.offset :]),
            read_options=arrow_csv.ReadOptions(
                use_threads=False, block_size=BLOCK_BYTES, column_names=keys
            ),
            parse_options=arrow_csv.ParseOptions(
                delimiter=layout.separator,
                quote_char='"' if data.find(b'"', layout.offset) >= 0 else False,
                ignore_empty_lines=False,
                invalid_row_handler=note_malformed,
            ),
            convert_options=arrow_csv.ConvertOptions(
                column_types=dict.fromkeys(keys, pa.string()), check_utf8=False
            ),
        )
    except pa.ArrowInvalid as error:
        raise ReadingsError(
            Finding(
                "file_unreadable",
                f"the file can't be split into rows and columns ({str(error).splitlines()[0]}).",
                file=file,
            )
        ) from error
    columns = [c.combine_chunks() for c in table.columns]
    columns = [c.chunk(0) if isinstance(c, pa.ChunkedArray) else c for c in columns]
    return columns, malformed


def _with_newlines(data: bytes) -> bytes:
    """The same text, its lines ended by newlines alone, the last one too."""
    if b"\r" in data:
        data = data.replace(b"\r\n", b"\n")
    return data if data.endswith(b"\n") else data + b"\n"


def as_utf8(data: bytes) -> bytes:
    """The same text in UTF-8 without byte-order mark."""
    data = data.removeprefix(codecs.BOM_UTF8)
    if data.startswith((codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE)):
        return data.decode("utf-16", errors="replace").encode("utf-8")
    wide = _wide_encoding(data)
    if wide:
        return data.decode(wide, errors="replace").encode("utf-8")
    if data.isascii():
        return data
    try:
        data.decode("utf-8")
    except UnicodeDecodeError:
        return data.decode("cp1252", errors="replace").encode("utf-8")
    return data


def plain_text(data: bytes) -> bool:
    """Whether bytes can be the beginning of delimited text in UTF-8."""
    if data[:4] in (b"PAR1", b"PK\x03\x04") or data[:2] in (b"\x1f\x8b", b"\xff\xfe", b"\xfe\xff"):
        return False
    if data[:200].lstrip()[:1] == b"<" or _wide_encoding(data):
        return False
    try:
        data[: 1 << 20].decode("utf-8")
    except UnicodeDecodeError as error:
        return error.start > len(data[: 1 << 20]) - 4
    return True


def _wide_encoding(data: bytes) -> str | None:
    """UTF-16 without a mark, by the zero bytes of its Latin letters and digits."""
    head = data[:2000]
    if len(head) > 20:
        for first, name in ((1, "utf-16-le"), (0, "utf-16-be")):
            if head[first::2].count(0) > len(head) * 0.2:
                return name
    return None


def looks_like(cell: str) -> str:
    """Name what a cell looks like: empty, clock, time, number or text."""
    whole, dot, part = cell.partition(".")
    if dot and whole.isdecimal() and part.isdecimal():
        return "number"  # as most cells are
    return _look_of(cell)


@lru_cache(maxsize=4096)
def _look_of(cell: str) -> str:
    """The same of cells that are seen again and again, as times are from file to file."""
    if not cell.strip():
        return "empty"
    if CLOCK_LIKE.match(cell):
        return "clock"
    if TIME_LIKE.match(cell):
        return "time"
    return "number" if NUMBER_LIKE.match(cell) else "text"


def find_header(rows: Iterable[list[str]], full: Callable[[list[str]], bool]) -> tuple[int, bool]:
    """Index of the first row of readings, and whether the row above it is a header.

    `rows` names what each cell of the first rows looks like, and is taken no further than to
    that row; `full` tells whether a row has the cells of the table.
    """
    kinds: list[list[str]] = []
    for i, row in enumerate(rows):
        kinds.append(row)
        timed = [j for j, k in enumerate(row) if k in ("time", "clock")]
        if full(row) and "number" in row and timed:
            begin = i  # rows above it that have a time and no value are readings too
            while begin and full(kinds[begin - 1]) and kinds[begin - 1][timed[0]] == row[timed[0]]:
                begin -= 1
            above = kinds[begin - 1] if begin else []
            header = bool(begin) and full(above) and above[timed[0]] in ("text", "empty")
            return begin, header
    first = next((i for i, row in enumerate(kinds) if full(row)), -1)
    return min(first + 1, len(kinds)), first >= 0


def meter_column_of(names: list[str], given: str | None) -> str | None:
    """The column that names the meter of each row; None where there is none."""
    if given:
        return next((n for n in names if n.strip() == given.strip()), None)
    return next((n for n in names if plain(n) in METER), None)


@dataclass(frozen=True)
class TextLayout:
    """How delimited text is laid out: names of the columns, separator, offset in bytes and line
    (from 1) of the first row of readings, the lines above the header."""

    names: list[str]
    separator: str
    headed: bool
    offset: int
    first_line: int
    preamble: tuple[str, ...]


def find_layout(file: str, data: bytes) -> TextLayout:
    """The layout of UTF-8 text, from its first lines (ReadingsError when there is none)."""
    raw = data[:SAMPLE_BYTES].split(b"\n", SAMPLE_LINES + 1)
    if len(data) > SAMPLE_BYTES and len(raw) > 1:
        raw = raw[:-1]
    raw = raw[:SAMPLE_LINES]
    lines = [line.decode("utf-8", errors="replace").rstrip("\r") for line in raw]
    separator, cells, width = _separator(file, lines)
    kinds = ([looks_like(c) for c in row] for row in cells)
    first, header = find_header(kinds, lambda row: len(row) == width)
    names = [c.strip() for c in cells[first - 1]] if header else []
    above = first - 1 if header else first
    if not header and first and len(cells[first - 1]) == width - 1:
        # Data rows have one cell more than the header: an empty last cell, or a decimal comma
        # that the separator has cut.
        tail = [row[-1] for row in cells[first:] if len(row) == width]
        if any(t.strip() for t in tail) and separator == ",":
            raise ReadingsError(
                Finding(
                    "columns_unclear",
                    f"rows have {width} cells under a header of {width - 1}: numbers seem to be "
                    "written with a decimal comma between comma separators. Export with ; as "
                    "the separator or with decimal points.",
                    file=file,
                    line=first + 1,
                )
            )
        names, header, above = [c.strip() for c in cells[first - 1]] + [""], True, first - 1
    names = [n or f"column {i + 1}" for i, n in enumerate(names or [""] * width)]
    preamble = tuple(line for line in lines[:above] if line.strip())
    offset = sum(len(line) + 1 for line in raw[:first])
    if len(data) - offset < SAMPLE_BYTES and not data[offset:].strip():
        raise ReadingsError(
            Finding(
                "file_empty",
                "the file has a header and no readings under it. Export the readings again.",
                file=file,
                line=first,
            )
        )
    return TextLayout(names, separator, header, offset, first + 1, preamble)


def _separator(file: str, lines: list[str]) -> tuple[str, list[list[str]], int]:
    """The separator that cuts most lines into equally many cells; the cells; their number."""
    best: tuple[float, str, list[list[str]], int] | None = None
    text = "\n".join(lines)
    for separator in SEPARATORS:
        if separator not in text:
            continue
        cells = [_split(line, separator) for line in lines]
        counts = Counter(len(c) for c, line in zip(cells, lines, strict=True) if line.strip())
        several = {k: v for k, v in counts.items() if k > 1}
        if not several:
            continue
        width = max(several, key=lambda k: (several[k], k))
        score = several[width] / max(sum(counts.values()), 1)
        if best is None or score > best[0] + 1e-9:
            best = (score, separator, cells, width)
        if score == 1.0:
            break
    if best is None or best[3] > COLUMNS_MOST:
        what = "one column only" if best is None else f"{best[3]:,} columns"
        raise ReadingsError(
            Finding(
                "columns_unclear",
                f"the file has {what}. Readings need a time and a value on each line, "
                "separated by a comma, a semicolon or a tab.",
                file=file,
            )
        )
    return best[1], best[2], best[3]


def _split(line: str, separator: str) -> list[str]:
    if '"' not in line:
        return line.split(separator)
    try:
        return next(csv.reader(io.StringIO(line), delimiter=separator), [])
    except csv.Error:
        return line.split(separator)
