"""The numbers of a report as tables for spreadsheets: one CSV each, and one workbook of all.

A spreadsheet program may run a cell that starts like a formula.  A text cell that starts with
= + - @, a tab, a carriage return or a line feed gets an apostrophe in front
(advice of OWASP on CSV injection; from memory).  Numbers are written as numbers with all their
digits, so negative savings survive.

Each site brings its own rows, so that they can be made where the site is and written as it comes.
"""

from __future__ import annotations

import csv
from collections.abc import Callable, Iterable, Iterator
from contextlib import ExitStack, contextmanager
from pathlib import Path
from typing import Any

import orjson

from mv.findings import Finding
from mv.report.workbook import Value, workbook
from mv.results import CarrierResult, InputFile, PortfolioResult, SiteResult

RISKY = ("=", "+", "-", "@", "\t", "\r", "\n")
QUOTE = '"'
QUOTED = (QUOTE, ",", "\r", "\n")
"""Signs for which a cell of a CSV file stands in quotes (RFC 4180)."""
LINE_END = "\r\n"
CELL = "\x1f"
CARE = (*QUOTED, "\x00", *(CELL + sign for sign in RISKY))
"""What cells joined by `CELL`, one before each, hold when one of them can't stay as it is."""
WORKBOOK = "tables.xlsx"

Row = list[Value]
Rows = dict[str, list[Row]]
"""Rows by the table that they belong to."""

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
INPUTS = (
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
HEADS: dict[str, tuple[str, ...]] = {
    "sites": (
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
    ),
    "coefficients": (
        "site",
        "carrier",
        "form",
        "term",
        "meaning",
        "value",
        "standard_error",
        "t",
        "unit",
    ),
    "findings": (
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
    ),
    "inputs": ("site", *INPUTS),
    "months": ("site", "carrier", "unit", *MONTHLY),
}
"""Columns of every table of the portfolio."""
TABLE_FILES = (*(f"{name}.csv" for name in HEADS), WORKBOOK)


def safe(value: Any) -> Value:
    """A cell that no spreadsheet program will run; numbers pass as they are."""
    if value is None or isinstance(value, int | float):
        return value
    text = str(value).replace("\x00", "")
    return f"'{text}" if text.startswith(RISKY) else text


def site_rows(site: SiteResult) -> Rows:
    """What a site adds to each of the portfolio's tables, its cells safe."""
    rows: dict[str, Iterable[Iterable[Any]]] = {
        "sites": [_site(site)],
        "coefficients": _coefficients(site),
        "findings": [_finding(site.site, f) for f in site.findings],
        "inputs": [_input(site.site, i) for i in site.inputs],
        "months": _months(site),
    }
    return {name: [list(map(safe, row)) for row in own] for name, own in rows.items()}


def site_tables(site: SiteResult, context: Any) -> dict[str, bytes]:
    """A site's own tables by their path in the report: its days or bills.

    `context`: the site context of `render`; names are left out when it carries codes.
    """
    from mv.report.redact import redacted

    if context.codes:
        site = redacted(site, context.codes, context.hidden)
    files = {}
    for which, names in (("daily", DAILY), ("bills", BILLS)):
        if text := _series(site, which, names):
            files[f"tables/{which}/{site.site}.csv"] = text.encode()
    return files


@contextmanager
def tables(result: PortfolioResult, out: Path) -> Iterator[Callable[[Rows], None]]:
    """Write `tables/<name>.csv` below `out`, and `tables/tables.xlsx` with the same rows.

    The portfolio's own rows are written at once; yields the function that adds a site's.
    """
    folder = out / "tables"
    folder.mkdir(parents=True, exist_ok=True)
    with ExitStack() as stack:
        files = {
            name: stack.enter_context(
                (folder / f"{name}.csv").open("w", encoding="utf-8", newline="")
            )
            for name in HEADS
        }
        writers = {name: csv.writer(file) for name, file in files.items()}
        add_to_book = stack.enter_context(workbook(folder / WORKBOOK, HEADS))
        for name, head in HEADS.items():
            writers[name].writerow(head)

        def add(rows: Rows) -> None:
            for name, own in rows.items():
                writers[name].writerows(own)
                for row in own:
                    add_to_book(name, row)

        own = {
            "findings": [_finding("", f) for f in result.findings],
            "inputs": [_input("", i) for i in result.inputs],
        }
        add({name: [list(map(safe, row)) for row in rows] for name, rows in own.items()})
        yield add


# -- rows --------------------------------------------------------------------------------------
def _interval(interval) -> Row:
    return [None] * 3 if interval is None else [interval.value, interval.low, interval.high]


def _site(s: SiteResult) -> Row:
    p, a, y, m = s.periods, s.avoided_energy, s.annual, s.money
    planned = m.simple_payback_estimated if m else None
    found = m.simple_payback_realised if m else None
    rate = y.realisation_rate if y else None
    return [
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


def _months(site: SiteResult) -> Iterator[Row]:
    for c in _carriers(site):
        table = c.series.monthly if c.series is not None else {}
        months = table.get("month") or []
        columns = [table.get(name) or [None] * len(months) for name in MONTHLY]
        yield from ([site.site, c.carrier, c.unit, *row] for row in zip(*columns, strict=True))


def _coefficients(site: SiteResult) -> Iterator[Row]:
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


def _finding(site: str, f: Finding) -> list[Any]:
    return [
        f.site or site,
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


def _input(site: str, entry: InputFile) -> list[Any]:
    excluded = "; ".join(f"{rule} {n}" for rule, n in entry.excluded.items())
    return [site, *(excluded if k == "excluded" else getattr(entry, k) for k in INPUTS)]
