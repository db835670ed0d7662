"""`mvreport check`: the data read and judged, nothing fitted.

One line a meter on the terminal (rows read and used, excluded by rule, coverage, step, clock,
unit), the findings below, the gravest first, and a page with the readings drawn.  It runs the
same preparation as a report, so a folder that passes here is not refused there for its data.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

import numpy as np
import orjson
import pandas as pd

from mv import __version__
from mv.baseline.columns import Columns
from mv.baseline.rows import bill_rows, daily_rows
from mv.findings import ACTIONS, Finding, gravest_first
from mv.portfolio.schema import SiteDescription
from mv.prepare import PreparedSite, prepare_site
from mv.readings.many import split_for, use_store
from mv.readings.read import MeterReadings
from mv.report.check_page import CheckMeter, CheckResult, render_check
from mv.results import InputFile, now
from mv.run.engine import Failure, Limits, Loop
from mv.run.entries import write_whole
from mv.run.many import FEW_SITES, PRELOAD
from mv.run.opening import chosen, open_checked
from mv.run.pool import Pool
from mv.run.progress import Progress
from mv.wording import percent

MOST_DRAWN = 100
"""Meters whose readings are drawn; the page says when there are more."""
MOST_TOLD = 40
"""Findings of one action told on the terminal; the rest is counted and stands on the page."""


@dataclass(frozen=True, kw_only=True)
class SiteCheck:
    """What checking one site found."""

    meters: list[CheckMeter]
    findings: list[Finding]
    standing: list[dict[str, Any]]
    """Per carrier: whether it could be verified, and if not why."""
    refused: int


def check_site(description: SiteDescription, split: str | None = None) -> SiteCheck:
    """Read and judge one site.

    `split`: folder that holds, by meter, the rows of files that many meters share.
    """
    use_store(Path(split) if split else None)
    prepared = prepare_site(description)
    meters = [
        _check_meter(description, prepared, key, got) for key, got in prepared.readings.items()
    ]
    site = description.site.site
    standing = [
        {
            "site": site,
            "carrier": c.carrier,
            "meters": list(c.meters),
            "role": "retrofit" if c.claimed else "beside",
            "ready": not c.reason,
            "reason": c.reason,
            "remedy": c.remedy,
        }
        for c in prepared.carriers
    ]
    return SiteCheck(
        meters=meters,
        findings=list(dict.fromkeys(prepared.findings)),
        standing=standing,
        refused=len(description.meters) - len(meters),
    )


def _check_meter(
    description: SiteDescription, prepared: PreparedSite, key: str, got: MeterReadings
) -> CheckMeter:
    rows = _rows(description, prepared, got)
    bills = got.kind == "bills"
    days = rows["days"] if bills else np.ones(len(rows))
    starts = rows["start"] if bills else rows.index
    window = next(
        (c.window for c in prepared.carriers if key in c.meters and c.window is not None), None
    )
    return CheckMeter(
        site=description.site.site,
        site_name=description.site.label,
        meter=key,
        carrier=got.meter.carrier,
        input=InputFile(**(got.input | {"meter": key, "role": f"readings of {key}"})),
        date=np.datetime_as_string(np.asarray(starts, "datetime64[D]")).tolist(),
        value=[v if np.isfinite(v) else None for v in rows["energy"].tolist()],
        unit=got.unit,
        status=rows["status"].tolist(),
        days=days.astype(int).tolist() if bills else [],
        installation=(
            (window.installation_start.isoformat(), window.installation_end.isoformat())
            if window
            else None
        ),
    )


def _rows(description: SiteDescription, prepared: PreparedSite, got: MeterReadings) -> Columns:
    """Daily or bill rows of one meter; where there is no weather, judged by energy alone."""
    temperature = prepared.temperature
    if temperature is None:
        days = prepared.calendar.days.index
        temperature = pd.Series(0.0, index=days)
    if got.kind == "bills":
        return bill_rows(got.series, temperature, prepared.calendar)
    return daily_rows(
        got.series,
        got.step_seconds,
        description.site.time_zone,
        temperature,
        prepared.calendar,
        description.settings.limits.coverage,
    )


def check_portfolio(
    folder: str,
    out: Path,
    *,
    sites: Sequence[str] | None = None,
    json: bool = False,
    jobs: int | None = None,
) -> Path:
    """Check a folder, print what was found to stdout, and write the page.

    `out` : folder beside which the page is written, as `<out>-check.html`.  Returns that path.
    Raises FolderError for a wrong folder.
    """
    portfolio = open_checked(folder)
    keys = chosen(portfolio, sites or ())
    checks: dict[str, SiteCheck] = {}
    findings: list[Finding] = list(portfolio.findings)
    refused = 0
    alone = jobs == 1 or (jobs is None and len(keys) <= FEW_SITES)
    limits = Limits()
    with (
        TemporaryDirectory(prefix="mvreport-", ignore_cleanup_errors=True) as beside,
        Progress(len(keys), passes=1) as progress,
        Loop(limits) if alone else Pool(jobs or 0, limits, PRELOAD) as engine,
    ):
        split = split_for(portfolio, keys, Path(beside))
        tasks = ((k, (portfolio.describe(k), split)) for k in keys)
        for name, answer in engine.map(check_site, tasks):
            progress.step(name)
            if isinstance(answer, Failure):
                findings.append(Finding("site_failed", answer.reason, site=name))
                refused += 1
            else:
                checks[name] = answer
    ordered = [checks[k] for k in keys if k in checks]
    for check in ordered:
        findings += check.findings
        refused += check.refused
    findings = gravest_first(dict.fromkeys(findings))
    meters = [m for check in ordered for m in check.meters]
    standing = [s for check in ordered for s in check.standing]
    result = CheckResult(
        name=portfolio.settings.name,
        created=now(),
        method_version=__version__,
        meters=_drawn(meters),
        findings=findings,
        refused=refused,
    )
    page = out.parent / f"{out.name}-check.html"
    write_whole(page, render_check(result))
    print(_as_json(meters, findings, standing) if json else _as_text(meters, findings, standing))
    return page


def _drawn(meters: list[CheckMeter]) -> list[CheckMeter]:
    from dataclasses import replace

    bare = {"date": [], "value": [], "status": [], "days": []}
    return meters[:MOST_DRAWN] + [replace(m, **bare) for m in meters[MOST_DRAWN:]]


def _excluded(entry: InputFile) -> str:
    return ", ".join(f"{rule} {count}" for rule, count in entry.excluded.items()) or "none"


def _as_text(
    meters: list[CheckMeter], findings: list[Finding], standing: list[dict[str, Any]]
) -> str:
    head = ("site", "meter", "rows read", "used", "excluded", "coverage", "step", "unit", "clock")
    table = [head]
    for m in meters:
        entry = m.input
        table.append(
            (
                m.site,
                m.meter,
                str(entry.rows_read),
                str(entry.rows_used),
                _excluded(entry),
                percent(entry.coverage, 1) if entry.coverage is not None else "",
                entry.step or "",
                entry.unit or "",
                entry.time_basis or "",
            )
        )
    widths = [max(len(row[i]) for row in table) for i in range(len(head))]
    lines = [
        "  ".join(cell.ljust(w) for cell, w in zip(row, widths, strict=True)).rstrip()
        for row in table
    ]
    for s in standing:
        if s["reason"]:
            lines.append(f"Not ready: {s['site']} ({s['carrier']}): {s['reason']}. {s['remedy']}")
    for action in ACTIONS:
        own = [f for f in findings if f.action == action]
        if own:
            lines += ["", f"{action} ({len(own)})"]
            for f in own[:MOST_TOLD]:
                place = " ".join(x for x in (f.site, f.meter) if x)
                lines.append(f"  {f.rule}{f' [{place}]' if place else ''}: {f}")
            if len(own) > MOST_TOLD:
                lines.append(f"  ... and {len(own) - MOST_TOLD} more, all on the page")
    return "\n".join(lines)


def _as_json(
    meters: list[CheckMeter], findings: list[Finding], standing: list[dict[str, Any]]
) -> str:
    return orjson.dumps(
        {
            "meters": [{"site": m.site, "input": m.input} for m in meters],
            "standing": standing,
            "findings": [
                {"action": f.action, **{k: getattr(f, k) for k in f.__dataclass_fields__}}
                for f in findings
            ],
        },
        option=orjson.OPT_INDENT_2,
    ).decode()
