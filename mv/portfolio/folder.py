"""Opens a portfolio folder: every table read, every problem told at once.

The folder holds `portfolio.toml` (settings), the tables as CSV files or as the sheets of one
`portfolio.xlsx`, `rates.toml`, and the files of readings that the tables name.  What a folder
may hold stands in `schema.py`; what a cell means in `cells.py`; what tables must agree on in
`cross_checks.py`.  Either all of it is right and there is a `Portfolio`, or a `FolderError`
carries everything that is wrong.
"""

from __future__ import annotations

import hashlib
from collections import Counter
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path

from mv.findings import RULES, Finding, FolderError, ReadingsError
from mv.portfolio import cross_checks, paths
from mv.portfolio.cells import did_you_mean, forms, objects
from mv.portfolio.paths import Folder, input_size, open_input
from mv.portfolio.schema import (
    Block,
    Described,
    Driver,
    Event,
    Fixture,
    Logger,
    Meter,
    OperatingException,
    Portfolio,
    Retrofit,
    Settings,
    Site,
    StaticFactor,
    WeatherStation,
)
from mv.portfolio.settings import rates, settings
from mv.portfolio.tables import Table, read_table
from mv.portfolio.workbook import read_workbook

__all__ = ["TABLES", "FolderError", "TableForm", "input_size", "open_input", "open_portfolio"]

SETTINGS = "portfolio.toml"
RATES = "rates.toml"
PLAN = "plan.json"
WORKBOOK = "portfolio.xlsx"

TOLD = 20
"""Problems of one rule in one column that are told one by one; the rest is counted."""


@dataclass(frozen=True, slots=True)
class TableForm:
    """One table of the folder."""

    name: str
    model: type[Described]
    required: bool = False
    key: str | None = None
    """Column whose cells may stand once; None where rows have no key."""

    @property
    def file(self) -> str:
        """Name of the table as a file."""
        return f"{self.name}.csv"


TABLES: dict[str, TableForm] = {
    form.name: form
    for form in (
        TableForm("sites", Site, True, "site"),
        TableForm("meters", Meter, True, "meter"),
        TableForm("weather", WeatherStation, True, "station"),
        TableForm("retrofits", Retrofit, True, "retrofit"),
        TableForm("fixtures", Fixture),
        TableForm("loggers", Logger),
        TableForm("static_factors", StaticFactor),
        TableForm("operating_days", OperatingException),
        TableForm("events", Event),
        TableForm("drivers", Driver),
    )
}
"""The tables by name, in the order in which they are read and told."""


def open_portfolio(
    path: str | Path,
    look_at_rates: Callable[[Sequence[Block]], Sequence[Finding]] | None = None,
    look_at_settings: Callable[[Settings, dict[str, int]], Sequence[Finding]] | None = None,
) -> Portfolio:
    """Read a portfolio folder whole.

    Parameters
    ----------
    path : a directory, or a URL of a store that fsspec knows.
    look_at_rates : judges what the rates say, which this room keeps as written; what it finds is
        told with everything else.
    look_at_settings : the same for those settings that other rooms understand (terms of an
        incentive, profiles of acceptance ...); gets the settings, and their lines by dotted path.

    Raises FolderError with every problem of every table, in the order of the tables and lines.
    What was noted without being wrong (unknown columns, overlapping retrofits ...) is in
    `Portfolio.findings`.
    """
    name = paths.plain(str(path))
    folder = _folder(name)
    intake = _Intake(folder)
    findings = intake.findings

    made_settings, lines = _settings(intake)
    if made_settings is not None and look_at_settings is not None:
        findings += look_at_settings(made_settings, lines)
    tables = _tables(intake)
    blocks: dict[str, Block] = {}
    if (data := intake.read(RATES)) is not None:
        blocks = rates(data, RATES, findings)
        if look_at_rates is not None:
            findings += look_at_rates(list(blocks.values()))
    intake.read(PLAN)  # for its digest: a report depends on it, what it says is no table's matter

    broken = any(f.file == RATES and f.rule == "settings_unreadable" for f in findings)
    keys: cross_checks.Keys = {"rates": None if broken else frozenset(blocks)}
    good: dict[str, list] = {}
    every: dict[str, list] = {}
    bad_columns: dict[int, frozenset[str]] = {}
    for form in TABLES.values():
        table = tables.get(form.name)
        rows = objects(table or Table(form.file, [], []), form.model)
        good[form.name], every[form.name] = rows.good, rows.every
        bad_columns |= rows.bad_columns
        findings += rows.findings
        if form.required and table and table.columns and not table.rows:
            words = "the table has a header and no rows"
            findings.append(Finding("table_empty", words, table.file))
            if form.name == "sites":
                words = (
                    f"no site is entered, so there is nothing to verify. Enter one row a site in "
                    f"{table.file}"
                )
                findings.append(Finding("value_missing", words, table.file, column="site"))
        if form.key:
            findings += cross_checks.duplicates(rows.every, form.key)
            keys[form.name] = _keys(table, form)
    lenient = cross_checks.Rows(made_settings or Settings(name="unknown"), every, keys, bad_columns)
    findings += cross_checks.cross_check(lenient, folder)
    findings += _strangers(every, intake.present)
    if made_settings is not None and (blocks or any(map(_costs, every["retrofits"]))):
        findings += _assumed_currency(made_settings)
    findings = _in_order(_capped(findings))
    if any(f.action == "refuse" for f in findings):
        raise FolderError(findings)
    return Portfolio(
        folder=name if paths.is_url(name) else str(Path(name).resolve()),
        settings=lenient.settings,
        sites={s.site: s for s in good.pop("sites")},
        weather={w.station: w for w in good.pop("weather")},
        rates=blocks,
        findings=tuple(findings),
        digests=intake.digests,
        **{name: tuple(rows) for name, rows in good.items()},
    )


def _folder(text: str) -> Folder:
    paths.forget()
    shown = paths.shown_folder(text)
    folder = paths.opened(text)
    try:
        there = folder.exists()
    except Exception as error:  # every store fails in its own way
        words = (
            f"{shown} can't be opened ({type(error).__name__}: {paths.shown_folder(str(error))})"
        )
        raise FolderError(Finding("folder_missing", words)) from error
    if not there:
        words = f"{shown} is not there; give the folder that holds {SETTINGS}"
        if not paths.is_url(text) and Path(text).exists():
            words = f"{shown} is a file; give the folder that holds {SETTINGS}"
        raise FolderError(Finding("folder_missing", words))
    return folder


class _Intake:
    """The folder's own files as they are read, with their digests and all that is found."""

    def __init__(self, folder: Folder) -> None:
        self.findings: list[Finding] = []
        self.digests: dict[str, str] = {}
        self.present = folder.top()
        self._folder = folder

    def read(self, name: str) -> bytes | None:
        """Bytes of a file; None where there is none, or it can't be opened (which is told)."""
        if name not in self.present:
            return None
        try:
            data = self._folder.read(name)
        except ReadingsError as error:
            self.findings += error.findings
            return None
        except OSError as error:
            words = f"the file can't be opened ({error.strerror or type(error).__name__})"
            self.findings.append(Finding("table_unreadable", words, name))
            return None
        self.digests[name] = hashlib.sha256(data).hexdigest()
        return data


def _settings(intake: _Intake) -> tuple[Settings | None, dict[str, int]]:
    if SETTINGS not in intake.present:
        strangers = [n for n in intake.present if n.endswith(".toml") and n != RATES]
        near = did_you_mean(SETTINGS, strangers)
        words = f"the folder holds no {SETTINGS}"
        words += near or '; write one with at least the line name = "…"'
        intake.findings.append(Finding("folder_missing", words, SETTINGS))
    data = intake.read(SETTINGS)
    return (None, {}) if data is None else settings(data, SETTINGS, intake.findings)


def _tables(intake: _Intake) -> dict[str, Table]:
    found: dict[str, Table] = {}
    damaged = False
    if (data := intake.read(WORKBOOK)) is not None:
        sheets = read_workbook(data, WORKBOOK, intake.findings, TABLES)
        found, damaged = sheets or {}, sheets is None
    for form in TABLES.values():
        if form.file in intake.present:
            if form.name in found:
                words = f"the table is given twice, here and in {found[form.name].file}; remove one"
                intake.findings.append(Finding("table_twice", words, form.file))
            if (data := intake.read(form.file)) is not None:
                found[form.name] = read_table(data, form.file, frozenset(forms(form.model)))
        elif form.name not in found and form.required and not damaged:
            strangers = [n for n in intake.present if n.endswith(".csv") and n[:-4] not in TABLES]
            near = did_you_mean(form.file, strangers)
            words = f"the folder holds no {form.file}{near or '; the table is required'}"
            intake.findings.append(Finding("folder_missing", words, form.file))
    return found


def _keys(table: Table | None, form: TableForm) -> frozenset[str] | None:
    """Keys as written, of rows that could not be read too; None where there is no such column."""
    if table is None or form.key not in table.columns:
        return None
    index = table.columns.index(form.key)
    return frozenset(row.cells[index] for row in table.rows if row.cells[index])


def _costs(retrofit: Retrofit) -> bool:
    return retrofit.estimated_cost is not None or retrofit.actual_cost is not None


def _assumed_currency(made: Settings) -> list[Finding]:
    if "currency" in made.model_fields_set:
        return []
    words = (
        f"no currency is named, so all money is taken as {made.currency}. Write the line currency "
        f'= "{made.currency}", or another ISO 4217 code'
    )
    return [Finding("currency_assumed", words, SETTINGS, column="currency")]


def _strangers(rows: dict[str, list], present: list[str]) -> list[Finding]:
    """Tables and settings in the folder that nothing is called and nothing names."""
    known = {form.file for form in TABLES.values()} | {SETTINGS, RATES, WORKBOOK}
    named = {m.file for m in rows["meters"]}
    named |= {name for w in rows["weather"] for name in (w.file, w.normal_file)}
    named |= {g.file for g in rows["loggers"]}
    found = []
    for name in present:
        if name in known or name in named or not name.endswith((".csv", ".toml", ".xlsx")):
            continue
        if name.startswith((".", "~$")):
            continue
        near = did_you_mean(name, known - set(present))
        found.append(
            Finding("table_unknown", f"no table has this name; it was not read{near}", name)
        )
    return found


def _capped(findings: list[Finding]) -> list[Finding]:
    """At most `TOLD` findings of one rule in one column; the last says how many more there are."""
    counts: Counter = Counter()
    kept = []
    for finding in findings:
        group = (finding.rule, finding.file, finding.column)
        counts[group] += 1
        if counts[group] <= TOLD:
            kept.append(finding)
    for (rule, file, column), count in counts.items():
        if count > TOLD:
            more = "notes_more" if RULES[rule].action == "note" else "problems_more"
            words = f"{count - TOLD} more places have the same problem ({rule})"
            kept.append(Finding(more, words, file, None, column, count=count - TOLD))
    return kept


def _in_order(findings: list[Finding]) -> list[Finding]:
    """By file, in the order of the tables, then by line; what has no line stands at the end."""
    first = (SETTINGS, RATES, WORKBOOK, *(form.file for form in TABLES.values()))
    order = {name: rank for rank, name in enumerate(first)}

    def place(finding: Finding) -> tuple:
        file = finding.file or ""
        sheet = file.rsplit(" ", 1)[-1] + ".csv"
        rank = order.get(file, order.get(sheet, len(order)))
        return (rank, file, finding.line is None, finding.line or 0)

    return sorted(findings, key=place)
