"""The numbers of a report as tables for spreadsheets: one CSV each, and one workbook of all.

A spreadsheet program may run a cell that starts like a formula.  A text cell that starts with
= + - @, a tab, a carriage return or a line feed gets an apostrophe in front
(advice of OWASP on CSV injection; from memory).  Numbers are written as numbers with all their
digits, so negative savings survive.

Each site brings its own rows, written where the site is, and they are put together as they come.
"""

from __future__ import annotations

import csv
import io
from collections.abc import Callable, Iterable, Iterator
from contextlib import ExitStack, contextmanager
from pathlib import Path
from typing import Any, NamedTuple

import orjson

from mv.findings import Finding
from mv.report.workbook import Value, workbook
from mv.results import CarrierResult, InputFile, PortfolioResult, SiteResult

RISKY = ("=", "+", "-", "@", "\t", "\r", "\n")
LINE_END = b"\r\n"
CARE = (b"\\", b"=", b"+", b"@", b'"-')
"""What JSON of rows holds when one of their words may have to be quoted or made safe; a comma in a
word is found by counting."""
WORKBOOK = "tables.xlsx"

Row = list[Value]


class Written(NamedTuple):
    """Rows of a table, for its two files."""

    csv: str
    rows: list[Row]


Rows = dict[str, Written]
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
    return _written(
        {
            "sites": [_site(site)],
            "coefficients": _coefficients(site),
            "findings": [_finding(site.site, f) for f in site.findings],
            "inputs": [_input(site.site, i) for i in site.inputs],
            "months": _months(site),
        }
    )


def _written(tables: dict[str, Iterable[Iterable[Any]]]) -> Rows:
    out = {}
    for name, rows in tables.items():
        kept = [list(map(safe, row)) for row in rows]
        out[name] = Written(_csv(kept), kept)
    return out


def _csv(rows: Iterable[Iterable[Value]]) -> str:
    text = io.StringIO()
    csv.writer(text).writerows(rows)
    return text.getvalue()


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
            files[f"tables/{which}/{site.site}.csv"] = text
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
        add_to_book = stack.enter_context(workbook(folder / WORKBOOK, HEADS))
        for name, head in HEADS.items():
            files[name].write(_csv([head]))

        def add(rows: Rows) -> None:
            for name, own in rows.items():
                files[name].write(own.csv)
                add_to_book(name, own.rows)

        own = {
            "findings": [_finding("", f) for f in result.findings],
            "inputs": [_input("", i) for i in result.inputs],
        }
        add(_written(own))
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


def _series(site: SiteResult, which: str, names: tuple[str, ...]) -> bytes:
    """One of a site's series as CSV; empty where it has no row."""
    parts = []
    for c in _carriers(site):
        table = getattr(c.series, which) if c.series is not None else {}
        n = max((len(table.get(name) or []) for name in names), default=0)
        if n:
            columns = [table.get(name) or [None] * n for name in names]
            parts.append(_block([site.site, c.carrier, c.unit], columns))
    head = _csv([["site", "carrier", "unit", *names]]).encode()
    return b"".join([head, *parts]) if parts else b""


def _block(own: list[str], columns: list[list[Any]]) -> bytes:
    """Columns as rows of CSV, the cells of `own` before each.

    A site has thousands of these rows, and JSON of them, which is written several times as fast,
    differs from CSV in no more than brackets, quotes and `null` as long as no word needs care.
    """
    rows = orjson.dumps(list(zip(*columns, strict=True)))
    commas = len(columns[0]) * len(columns) - 1
    if None in columns[0] or rows.count(b",") != commas or any(sign in rows for sign in CARE):
        return _csv([*own, *map(safe, row)] for row in orjson.loads(rows)).encode()
    before = _csv([map(safe, own)]).encode().removesuffix(LINE_END) + b","
    rows = rows[2:-2].replace(b",null", b",").replace(b'"', b"")
    return before + rows.replace(b"],[", LINE_END + before) + LINE_END


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
