"""What is done for one site, in whichever process it falls to.

Two passes, because the drift that widens every interval is learned from all sites together:
the first reads and fits (`first_pass`) and keeps a draft; the second takes the drift, makes the
result and the site's page, series and tables (`second_pass`).  Both are functions of their
arguments alone, and return what is to be written as bytes.
"""

from __future__ import annotations

import pickle
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

from mv.portfolio.schema import SiteDescription
from mv.results import Series, SiteResult, series_json
from mv.run.cache import write_whole

Files = dict[str, bytes]
"""Path within the report → content."""


@dataclass(frozen=True, kw_only=True)
class FirstAnswer:
    """What the first pass tells the parent: the draft (bytes, or None when kept in a file) and
    what the drift is learned from."""

    summary: Any
    draft: bytes | None


@dataclass(frozen=True, kw_only=True)
class SecondAnswer:
    """A finished site: the result without its series, and the files to write."""

    result: SiteResult
    files: Files = field(default_factory=dict)


def first_pass(description: SiteDescription, keep: str | None) -> FirstAnswer:
    """Read, clean, bind and fit one site; the draft goes to the file `keep`, or back."""
    from mv.verify.draft import measure

    draft = measure(description)
    packed = pickle.dumps(draft, protocol=5)
    if keep is None:
        return FirstAnswer(summary=draft.summary, draft=packed)
    write_whole(Path(keep), packed)
    return FirstAnswer(summary=draft.summary, draft=None)


def second_pass(
    draft: bytes | str,
    context: Any,
    plan: dict[str, Any] | None,
    page: Any,
    keep: str | None,
    pages: bool = True,
) -> SecondAnswer:
    """Conclude one site and make its page.

    `draft`: bytes, or the name of the file that holds them.  `plan`: the frozen plan, of this
    site's part at least.  `keep`: folder to write files into; they come back in the answer when
    it is None.  Without `pages` the result keeps its series and nothing else is made.
    """
    from mv.plan.attach import with_plan
    from mv.verify.site import conclude

    packed = draft if isinstance(draft, bytes) else Path(draft).read_bytes()
    kept = pickle.loads(packed)
    result = with_plan(conclude(kept, context), kept.description, plan)
    if not pages:
        return SecondAnswer(result=result)
    return finish(result, page, keep)


def finish(result: SiteResult, page: Any, keep: str | None) -> SecondAnswer:
    """Page, series and tables of a finished site."""
    from mv.report.render import page_name, render_site
    from mv.report.tables import site_tables

    name = page_name(result.site, page)
    files: Files = {f"sites/{name}": render_site(result, page).encode()}
    if result.series is not None:
        files[f"series/{name.removesuffix('.html')}.json"] = series_json(result)
    files |= site_tables(result, page)
    bare = without_series(result)
    if keep is None:
        return SecondAnswer(result=bare, files=files)
    write_files(Path(keep), files)
    return SecondAnswer(result=bare)


def without_series(result: SiteResult) -> SiteResult:
    """The result as results.json holds it: of the series only the months."""
    others = [replace(o, series=None) for o in result.others]
    months = Series(monthly=result.series.monthly) if result.series is not None else None
    return replace(result, series=months, others=others)


def write_files(root: Path, files: Files) -> None:
    """Write files below a folder that is not yet anybody's."""
    for name, content in files.items():
        path = root / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(content)
