"""The record of a run, worded: acceptance, findings, departures from the plan, inputs."""

from __future__ import annotations

from typing import Any

from mv.findings import Finding, gravest_first
from mv.report.format import (
    NOT_GIVEN,
    Figure,
    Name,
    Say,
    decimals_for,
)
from mv.report.rows import Digest, Plain, Row
from mv.results import Acceptance, InputFile

MOST_FINDINGS = 60
"""Findings printed on a page; the rest are counted and stand in tables/findings.csv."""

ACTION_WORDS = {
    "refuse": "refused",
    "exclude": "left out",
    "repair": "mended",
    "note": "noted",
}


def rule_words(rule: str) -> str:
    """A rule's name as words."""
    return rule.replace("_", " ")


def acceptance_rows(table: list[Acceptance], say: Say) -> list[Row]:
    """Rule, this site's value, limit, met or not, source."""
    marks = {True: "met", False: "unmet", None: "advice"}
    words = {True: "met", False: "not met", None: "advice"}
    rows = []
    for i, a in enumerate(table):
        path = f"acceptance[{i}]"
        digits = _digits_apart(a)
        value = _judged(a.value, a.unit, f"{path}.value", digits, say)
        limit = _judged(a.limit, a.unit, f"{path}.limit", digits, say)
        cells = (value, limit, words[a.met], Name(a.source))
        rows.append(Row(Name(a.rule), cells, note=Name(a.note), mark=marks[a.met]))
    return rows


def _digits_apart(a: Acceptance) -> int:
    """Digits at which an unmet rule's value no longer looks like its limit; 3 for the others."""
    if a.met is not False or not (isinstance(a.value, float) and isinstance(a.limit, float)):
        return 3
    for digits in range(3, 9):
        if round(a.value, decimals_for(abs(a.value), digits)) != a.limit:
            return digits
    return 9


def _judged(
    value: float | str | None, unit: str, path: str, digits: int, say: Say
) -> Figure | Name:
    if isinstance(value, bool) or value is None:
        return Name(NOT_GIVEN if value is None else "yes" if value else "no")
    if isinstance(value, int | float):
        if unit in ("%", "fraction"):
            return say.percent(value, path, digits=digits)
        return say.figure(float(value), unit, path, digits=digits)
    return Name(value)


def finding_rows(findings: list[Finding]) -> dict[str, Any]:
    """Findings, the gravest first, capped with the count told."""
    ordered = gravest_first(findings)
    rows = [
        Row(
            ACTION_WORDS[f.action],
            (
                rule_words(f.rule),
                Name(f.message),
                Name(f.where() or "—"),
                "" if f.count is None else f"{f.count:,}".replace(",", "\u202f"),
            ),
            note=Name(f.effect or ""),
            mark=f.action,
        )
        for f in ordered[:MOST_FINDINGS]
    ]
    more = len(ordered) - len(rows)
    return {
        "rows": rows,
        "more": f"{more} more stand in tables/findings.csv." if more > 0 else "",
    }


def departure_rows(departures: list[dict[str, Any]]) -> Plain | None:
    """Differences from the frozen plan."""
    if not departures:
        return None
    head = list(dict.fromkeys(k for row in departures for k in row))
    rows = [tuple(Name(str(r.get(k, ""))) for k in head) for r in departures]
    return Plain([h.replace("_", " ") for h in head], rows)


def input_rows(inputs: list[InputFile], say: Say) -> list[Row]:
    """Files that went in: entered = used + left out."""
    rows = []
    for i, entry in enumerate(inputs):
        out = ", ".join(f"{rule_words(rule)} {n}" for rule, n in entry.excluded.items()) or "none"
        counted = entry.rows_read > 0  # tables of the folder are read whole, row by row elsewhere
        facts = ", ".join(p for p in (entry.step, entry.time_basis, entry.unit) if p)
        rows.append(
            Row(
                Name(entry.file),
                (
                    Name(entry.role),
                    say.whole(entry.rows_read, f"inputs[{i}].rows_read") if counted else "",
                    say.whole(entry.rows_used, f"inputs[{i}].rows_used") if counted else "",
                    out,
                    Digest(entry.sha256),
                ),
                note=Name(facts),
            )
        )
    return rows
