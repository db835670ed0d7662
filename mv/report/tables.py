"""The numbers of a report as tables for spreadsheets: one CSV each, and one workbook of all.

A spreadsheet program may run a cell that starts like a formula.  A text cell that starts with
= + - @, a tab, a carriage return or a line feed gets an apostrophe in front
(advice of OWASP on CSV injection; from memory).  Numbers are written as numbers with all their
digits, so negative savings survive.
"""

from __future__ import annotations

import csv
import io
from collections.abc import Iterable, Iterator
from dataclasses import asdict
from pathlib import Path
from typing import Any

import orjson

from mv.results import CarrierResult, PortfolioResult, SiteResult

RISKY = ("=", "+", "-", "@", "\t", "\r", "\n")
QUOTE = '"'
QUOTED = (QUOTE, ",", "\r", "\n")
"""Signs for which a cell of a CSV file stands in quotes (RFC 4180)."""
LINE_END = "\r\n"
CELL = "\x1f"
CARE = (*QUOTED, "\x00", *(CELL + sign for sign in RISKY))
"""What cells joined by `CELL`, one before each, hold when one of them can't stay as it is."""
LONGEST_CELL = 32_767
"""Characters a workbook's cell may hold (ECMA-376; from memory)."""
WORKBOOK = "tables.xlsx"

Value = str | float | int | None
Rows = Iterator[list[Value]]


def safe(value: Any) -> Value:
    """A cell that no spreadsheet program will run; numbers pass as they are."""
    if value is None or isinstance(value, int | float):
        return value
    text = str(value).replace("\x00", "")
    return f"'{text}" if text.startswith(RISKY) else text


def _interval(interval) -> list[Value]:
    return [None] * 3 if interval is None else [interval.value, interval.low, interval.high]


def _sites(result: PortfolioResult) -> Rows:
    yield [
        "site",
        "name",
        "group",
        "role",
        "carrier",
        "unit",
        "verdict",
        "reason",
        "interim",
        "baseline_start",
        "baseline_end",
        "reporting_start",
        "reporting_end",
        "adjusted_baseline",
        "measured",
        "avoided_energy",
        "avoided_low",
        "avoided_high",
        "confidence",
        "fraction",
        "fraction_low",
        "fraction_high",
        "non_routine_adjustment",
        "estimated_savings_per_year",
        "verified_per_year",
        "verified_low",
        "verified_high",
        "realisation_rate",
        "currency",
        "cost_savings",
        "cost_savings_low",
        "cost_savings_high",
        "net_cost",
        "payback_estimated_months",
        "payback_realised_months",
        "payback_low_months",
        "payback_high_months",
    ]
    for s in result.sites:
        p, a, y, m = s.periods, s.avoided_energy, s.annual, s.money
        planned = m.simple_payback_estimated if m else None
        found = m.simple_payback_realised if m else None
        rate = y.realisation_rate if y else None
        yield [
            s.site,
            s.name,
            s.group,
            s.role,
            s.carrier,
            s.unit,
            s.verdict,
            s.reason,
            str(s.interim).lower(),
            *(
                [p.baseline_start, p.baseline_end, p.reporting_start, p.reporting_end]
                if p
                else [None] * 4
            ),
            s.adjusted_baseline,
            s.measured,
            *_interval(a),
            s.confidence,
            *([a.fraction, a.fraction_low, a.fraction_high] if a else [None] * 3),
            s.non_routine_adjustment,
            y.estimated_savings if y else None,
            *_interval(y.verified_savings if y else None),
            rate.value if rate else None,
            m.currency if m else None,
            *_interval(m.cost_savings if m else None),
            m.net_cost if m else None,
            planned.months if planned else None,
            found.months if found else None,
            found.low if found else None,
            found.high if found else None,
        ]


def _carriers(site: SiteResult) -> Iterable[CarrierResult]:
    yield site
    yield from site.others


def _series(site: SiteResult, which: str, names: tuple[str, ...]) -> str:
    """One of a site's series as CSV, column by column; empty where it has no row."""
    parts = []
    for c in _carriers(site):
        table = getattr(c.series, which) if c.series is not None else {}
        n = max((len(table.get(name) or []) for name in names), default=0)
        if not n:
            continue
        own = ",".join(_cells([site.site, c.carrier, c.unit]))
        columns = [_cells(table.get(name) or [None] * n) for name in names]
        rows = f"{LINE_END}{own},".join(map(",".join, zip(*columns, strict=True)))
        parts.append(f"{own},{rows}{LINE_END}")
    head = ",".join(["site", "carrier", "unit", *names])
    return "".join([head, LINE_END, *parts]) if parts else ""


def _cells(values: list[Any]) -> list[str]:
    """A column's cells made safe, as CSV text."""
    kinds = set(map(type, values))
    if kinds <= {int, float, type(None)}:
        return _numbers(values)
    if kinds == {str}:
        text = CELL + CELL.join(values)
        if not any(sign in text for sign in CARE):
            return values
    kept = {value: _quoted(safe(value)) for value in set(values)}
    return [kept[value] for value in values]


def _numbers(values: list[float | int | None]) -> list[str]:
    """Numbers with all their digits, nothing for None.

    orjson writes the digits that `repr` writes, several times as fast; only what needs an
    exponent looks different.
    """
    text = orjson.dumps(values).decode()[1:-1]
    if "e" in text or "0.0000" in text:
        return ["" if v is None else repr(v) for v in values]
    return text.replace("null", "").split(",")


def _quoted(value: Value) -> str:
    """A cell as RFC 4180 writes it."""
    text = "" if value is None else str(value)
    return f'"{text.replace(QUOTE, QUOTE * 2)}"' if any(s in text for s in QUOTED) else text


MONTHLY = ("month", "measured", "adjusted_baseline", "avoided", "days_used")
DAILY = ("date", "measured", "modelled", "temperature", "operating", "period", "status")
BILLS = (
    "start",
    "end",
    "days",
    "measured",
    "modelled",
    "temperature",
    "operating",
    "period",
    "status",
)


def _coefficients(result: PortfolioResult) -> Rows:
    yield ["site", "carrier", "form", "term", "meaning", "value", "standard_error", "t", "unit"]
    for site in result.sites:
        for c in _carriers(site):
            for t in c.model.terms if c.model else ():
                yield [
                    site.site,
                    c.carrier,
                    c.model.form,
                    t.name,
                    t.meaning,
                    t.value,
                    t.standard_error,
                    t.t,
                    t.unit,
                ]


def _findings(result: PortfolioResult) -> Rows:
    yield [
        "site",
        "action",
        "rule",
        "message",
        "file",
        "line",
        "column",
        "meter",
        "count",
        "effect",
    ]
    own = [("", f) for f in result.findings]
    for key, f in own + [(s.site, f) for s in result.sites for f in s.findings]:
        yield [
            f.site or key,
            f.action,
            f.rule,
            f.message,
            f.file,
            f.line,
            f.column,
            f.meter,
            f.count,
            f.effect,
        ]


def _inputs(result: PortfolioResult) -> Rows:
    yield [
        "site",
        "file",
        "role",
        "sha256",
        "meter",
        "rows_read",
        "rows_used",
        "excluded",
        "step",
        "time_basis",
        "unit",
        "coverage",
        "first",
        "last",
    ]
    own = [("", i) for i in result.inputs]
    for key, i in own + [(s.site, i) for s in result.sites for i in s.inputs]:
        entry = asdict(i)
        excluded = "; ".join(f"{rule} {n}" for rule, n in i.excluded.items())
        yield [
            key,
            *(
                excluded if k == "excluded" else entry[k]
                for k in (
                    "file",
                    "role",
                    "sha256",
                    "meter",
                    "rows_read",
                    "rows_used",
                    "excluded",
                    "step",
                    "time_basis",
                    "unit",
                    "coverage",
                    "first",
                    "last",
                )
            ),
        ]


def _months_head() -> list[Value]:
    return ["site", "carrier", "unit", *MONTHLY]


def site_tables(site: SiteResult, context: Any) -> dict[str, bytes]:
    """A site's own tables by their path in the report: its days or bills, and its months.

    `context`: the site context of `render`; names are left out when it carries codes.
    """
    from mv.report.redact import redacted

    if context.codes:
        site = redacted(site, context.codes, context.hidden)
    files = {}
    for which, names in (("daily", DAILY), ("bills", BILLS), ("monthly", MONTHLY)):
        if text := _series(site, which, names):
            folder = "months" if which == "monthly" else which
            files[f"tables/{folder}/{site.site}.csv"] = text.encode()
    return files


def tables(result: PortfolioResult) -> dict[str, Rows]:
    """The portfolio's tables by name: a row of heads, then rows of values."""
    return {
        "sites": _sites(result),
        "coefficients": _coefficients(result),
        "findings": _findings(result),
        "inputs": _inputs(result),
    }


def csv_text(rows: Iterable[list[Value]]) -> str:
    """Rows as CSV, lines ended as RFC 4180 asks."""
    out = io.StringIO()
    csv.writer(out).writerows([[safe(v) for v in row] for row in rows])
    return out.getvalue()


def write_tables(result: PortfolioResult, out: Path) -> list[Path]:
    """Write `tables/<name>.csv` and `tables/tables.xlsx` with the same rows.

    The months that `site_tables` wrote for each site are gathered into `tables/months.csv`.
    Returns the files written.
    """
    folder = out / "tables"
    folder.mkdir(parents=True, exist_ok=True)
    sheets = {name: list(rows) for name, rows in tables(result).items()}
    sheets["months"] = _gathered(folder / "months")
    written = []
    for name, rows in sheets.items():
        written.append(folder / f"{name}.csv")
        written[-1].write_text(csv_text(rows), encoding="utf-8", newline="")
    written.append(folder / WORKBOOK)
    _write_workbook(sheets, written[-1])
    return written


def _gathered(folder: Path) -> list[list[Value]]:
    """Rows of every file of months, in the order of their names; the parts are removed."""
    rows: list[list[Value]] = [_months_head()]
    for part in sorted(folder.glob("*.csv")):
        with part.open(encoding="utf-8", newline="") as handle:
            own = list(csv.reader(handle))[1:]
        for site, carrier, unit, month, *values in own:
            rows.append([site, carrier, unit, month, *(_number(v) for v in values)])
        part.unlink()
    if folder.exists():
        folder.rmdir()
    return rows


def _number(text: str) -> float | int | None:
    if text == "":
        return None
    value = float(text)
    return int(value) if value.is_integer() and "." not in text else value


def _write_workbook(sheets: dict[str, list[list[Value]]], path: Path) -> None:
    from openpyxl import Workbook
    from openpyxl.cell import WriteOnlyCell
    from openpyxl.cell.cell import ILLEGAL_CHARACTERS_RE
    from openpyxl.styles import Font

    book = Workbook(write_only=True)
    for name, rows in sheets.items():
        sheet = book.create_sheet(name)
        sheet.freeze_panes = "B2"
        for i, row in enumerate(rows):
            cells = []
            for value in row:
                kept = safe(value)
                if isinstance(kept, str):
                    cell = WriteOnlyCell(sheet, ILLEGAL_CHARACTERS_RE.sub("", kept)[:LONGEST_CELL])
                    cell.data_type = "s"  # text stays text, whatever it looks like
                    if i == 0:
                        cell.font = Font(bold=True)
                    cells.append(cell)
                else:
                    cells.append(kept)
            sheet.append(cells)
    book.save(path)
