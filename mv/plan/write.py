"""Writes a plan: the frozen object, its pages, and the checklist to fill.

Everything goes below one folder that is not yet anybody's; the caller puts it in place whole.
"""

from __future__ import annotations

import csv
import io
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import orjson

from mv.plan.frozen import FILE, freeze, thaw
from mv.plan.portfolio import PortfolioPlan
from mv.report.plan_pages import render_plan
from mv.report.render import RenderOptions

CHECKLIST = "static_factors.csv"

FACTORS = (
    ("floor area in use", "m2"),
    ("occupancy", "people"),
    ("hours of operation", "h/week"),
    ("heating and cooling equipment", ""),
    ("other large equipment", ""),
    ("tenants or users", ""),
    ("own generation, storage, vehicle charging", ""),
)
"""What is asked for where a site has no static factors yet (IPMVP's examples, from memory)."""

COLUMNS = ("site", "factor", "baseline_value", "reporting_value", "unit", "changed_on", "note")

_RISKY = ("=", "+", "-", "@", "\t", "\r", "\n")


def write_plan(
    plan: PortfolioPlan, out: Path, *, options: RenderOptions | None = None
) -> list[Path]:
    """Write `plan.json`, the pages and `static_factors.csv` below `out`; returns the files."""
    out = Path(out)
    out.mkdir(parents=True, exist_ok=True)
    data = freeze(plan.as_fields())
    frozen = orjson.loads(data)
    (out / FILE).write_bytes(data)
    (out / CHECKLIST).write_text(checklist_csv(frozen), encoding="utf-8")
    return [out / FILE, out / CHECKLIST, *render_plan(frozen, out, options=options)]


def is_filled_in(folder: Path) -> bool:
    """Whether somebody has worked on the checklist below `folder` since the plan was written.

    So it is where its cells are not those that the plan beside it gives, or where that plan can't
    be read.  A spreadsheet's way of saving (line ends, quotes, a byte order mark) is no work.
    """
    checklist = Path(folder) / CHECKLIST
    if not checklist.exists():
        return False
    try:
        plan, _ = thaw((Path(folder) / FILE).read_bytes())
        found = checklist.read_text(encoding="utf-8-sig")
    except (OSError, UnicodeDecodeError):
        return True
    return plan is None or _cells(found) != _cells(checklist_csv(plan))


def _cells(text: str) -> list[list[str]]:
    rows = ([cell.strip() for cell in row] for row in csv.reader(io.StringIO(text)))
    return [row for row in rows if any(row)]


def checklist_csv(plan: Mapping[str, Any]) -> str:
    """The checklist of static factors, with the values that are known and lines for the rest."""
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow(COLUMNS)
    for site in plan["sites"]:
        known = site["static_factors"]
        named = {f["factor"].casefold() for f in known}
        rows = [(f["factor"], f["baseline_value"], f["unit"], f["note"]) for f in known]
        rows += [(f, "", unit, "") for f, unit in FACTORS if f.casefold() not in named]
        for factor, value, unit, note in rows:
            cells = (site["site"], factor, value, "", unit, "", note)
            writer.writerow([_safe(c) for c in cells])
    return text.getvalue()


def _safe(cell: str) -> str:
    """A text cell that no spreadsheet takes for a formula (OWASP, CSV injection)."""
    risky = cell.startswith(_RISKY) and not _is_number(cell)
    return f"'{cell}" if risky else cell


def _is_number(cell: str) -> bool:
    try:
        float(cell)
    except ValueError:
        return False
    return True
