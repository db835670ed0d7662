"""What is left of a finished site: its files, and what the report of all sites still needs of it.

A report of ten thousand sites never holds them all at once.  Of each the parent keeps a slim
result, with what the totals, the money and the portfolio's page look at; the site's part of
`results.json` and its rows of the portfolio's tables wait in a file until their turn comes.
"""

from __future__ import annotations

import pickle
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np

from mv.report.tables import Rows
from mv.results import (
    Bridge,
    BridgeStep,
    CarrierResult,
    Money,
    Series,
    SiteResult,
    series_json,
    site_json,
)
from mv.run.entries import Mark, keep_files, read_parts, write_file, write_parts

Files = dict[str, bytes]
"""Path within the report → content."""


@dataclass(frozen=True, kw_only=True)
class Left:
    """What a finished site leaves for the report of all sites, beside its slim result."""

    saved: bytes
    """Its part of results.json."""
    rows: Rows
    """Its rows of the portfolio's tables."""


@dataclass(frozen=True, kw_only=True)
class Finished(Left):
    """A finished site."""

    result: SiteResult
    """Slim: see `slim`."""
    files: Files
    """Its own page, series and tables."""


@dataclass(frozen=True, kw_only=True)
class Kept:
    """What the cache holds of a finished site, for the parent."""

    result: SiteResult
    """Slim."""
    names: tuple[str, ...]
    """Its own files within the report."""
    marks: dict[str, Mark]
    """Of those that the cache holds too."""


@dataclass(frozen=True, kw_only=True)
class Places:
    """Where the parts of a finished site go."""

    stage: Path
    """Folder of the report that is being written."""
    finished: Path | str
    """File of what the report of all sites needs."""
    pages: Path | str | None
    """Where the cache is to hold the site's own files, too: their names but for a number."""


def finish(result: SiteResult, page: Any) -> Finished:
    """Page, series and tables of a site.

    `page`: the site context of `render`; names are left out where it says so.
    """
    from mv.report.redact import redacted
    from mv.report.render import page_name, render_site
    from mv.report.tables import site_rows, site_tables

    kept = slim(result, named=page.options.redact)
    if page.options.redact:
        result = redacted(result, page.codes, page.hidden)
    name = page_name(result.site, page)
    files: Files = {f"sites/{name}": render_site(result, page)}
    if result.series is not None:
        files[f"series/{name.removesuffix('.html')}.json"] = series_json(result)
    files |= site_tables(result, page)
    return Finished(
        result=kept,
        saved=site_json(without_series(result)),
        rows=site_rows(result),
        files=files,
    )


def put(finished: Finished, places: Places) -> SiteResult:
    """Write a finished site's parts to their places; the slim result is left."""
    files = finished.files
    write_files(places.stage, files)
    marks = keep_files(places.stage, files, places.pages) if places.pages is not None else {}
    kept = Kept(result=finished.result, names=tuple(files), marks=marks)
    parts = [pickle.dumps(part, protocol=5) for part in (kept, finished.rows)]
    write_parts(places.finished, *parts, finished.saved)
    return finished.result


def load(path: Path | str) -> Left:
    """What `put` left in the file `finished` for the report of all sites."""
    rows, saved = read_parts(path, 1, 3)
    return Left(rows=pickle.loads(rows), saved=saved)


def without_series(result: SiteResult) -> SiteResult:
    """The result as results.json holds it: of the series only the months."""
    others = [replace(o, series=None) for o in result.others]
    months = Series(monthly=result.series.monthly) if result.series is not None else None
    return replace(result, series=months, others=others)


def slim(result: SiteResult, *, named: bool = False) -> SiteResult:
    """The result with no more than the roll-up and the portfolio's page look at.

    `named`: keep the names of files and meters too, for the edition that leaves them out.
    """
    own: dict[str, Any] = _slim_parts(result, named) | {
        "retrofits": [{"retrofit": row["retrofit"]} for row in result.retrofits],
        "estimate": {},
        "operating_days": None,
        "others": [replace(other, **_slim_parts(other, named)) for other in result.others],
        "static_factors": [],
        "derivations": [],
        "departures": [],
        "early": _slim_early(result.early),
        "isolation": {},
        "sentences": {},
    }
    if not named:
        own |= {"findings": [], "inputs": []}
    return replace(result, **own)


def _slim_parts(result: CarrierResult, named: bool) -> dict[str, Any]:
    """What a slim result of a carrier holds in place of the whole one's parts."""
    spread, annual = result.uncertainty, result.annual
    return {
        "model": None,
        "candidates": [],
        "cross_check": {},
        "acceptance": [],
        "uncertainty": replace(spread, parts=[], fractional={}, words="") if spread else None,
        "annual": replace(annual, method="", normal_conditions="") if annual else None,
        "events": [],
        "demand": None,
        "money": _slim_money(result.money, named),
        "placebo": {},
        "comparison": {},
        "series": _slim_series(result.series),
    }


def _slim_money(money: Money | None, named: bool) -> Money | None:
    if money is None:
        return None
    return replace(
        money,
        rate=money.rate if named else "",
        rate_source=money.rate_source if named else "",
        recovered=None,
        npv=None,
        irr=None,
        savings_to_investment=None,
        cash=_slim_cash(money.cash),
        crosses_zero={},
        prices=[],
        cost_lines=[],
        billed_against_computed=[],
        incentive={},
        emissions={},
        bridges=[_slim_bridge(b) for b in money.bridges if b.name == "savings"],
        notes=[],
    )


def _slim_cash(cash: dict[str, list]) -> dict[str, Any]:
    """Lines as arrays; of the months, which follow one another, the first and the last."""
    ends = {"month": [cash["month"][0], cash["month"][-1]]} if cash else {}
    return _as_arrays(cash) | ends


def _slim_bridge(bridge: Bridge) -> Bridge:
    steps = [BridgeStep(name=step.name, amount=step.amount) for step in bridge.steps]
    return replace(bridge, steps=steps, method="", words="")


def _slim_series(series: Series | None) -> Series | None:
    if series is None:
        return None
    monthly = {name: line for name, line in series.monthly.items() if name in ("month", "measured")}
    return Series(monthly=_as_arrays(monthly))


def _slim_early(early: dict[str, Any]) -> dict[str, Any]:
    if not early:
        return {}
    keys = ("months_measured", "drifting", "shortfall", "shortfall_money")
    last = {name: early["looks"][-1][name] for name in ("value", "estimated")}
    return {"looks": [last], **{key: early[key] for key in keys}}


def _as_arrays(lines: dict[str, list]) -> dict[str, np.ndarray]:
    """Lines by month as arrays, which take a fifth of the lists' memory."""
    return {name: np.array(line, _kind(name, line)) for name, line in lines.items()}


def _kind(name: str, line: list) -> Any:
    if name == "month":
        return "datetime64[M]"
    return bool if line and isinstance(line[0], bool) else float


def write_files(root: Path, files: Files) -> None:
    """Write files below a folder that is not yet anybody's."""
    for name, content in files.items():
        write_file(f"{root}/{name}", content)
