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
from mv.readings.many import use_store
from mv.results import Series, SiteResult, series_json
from mv.run.cache import UNREADABLE, write_whole

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


def first_pass(
    description: SiteDescription, keep: str | None, split: str | None = None
) -> FirstAnswer:
    """Read, clean, bind and fit one site; the draft goes to the file `keep`, or back.

    `split`: folder that holds, by meter, the rows of files that many meters share.
    """
    from mv.verify.draft import measure

    use_store(Path(split) if split else None)
    draft = measure(description)
    packed = pickle.dumps(draft, protocol=5)
    if keep is None:
        return FirstAnswer(summary=draft.summary, draft=packed)
    write_whole(Path(keep), packed)
    return FirstAnswer(summary=draft.summary, draft=None)


def second_pass(
    description: SiteDescription,
    draft: bytes | str,
    context: Any,
    plan: dict[str, Any] | None,
    page: Any,
    keep: str | None,
    store: str | None = None,
    pages: bool = True,
) -> SecondAnswer:
    """Conclude one site and make its page.

    `draft`: bytes, or the name of the file that holds them; where that can't be read the site
    is measured again.  `plan`: the frozen plan, of this site's part at least.  `keep`: folder
    to write files into; they come back in the answer when it is None.  `store`: file of the
    cache that is to hold the whole answer.  Without `pages` the result keeps its series and
    nothing else is made.
    """
    from mv.plan.attach import with_plan
    from mv.verify.site import conclude

    result = with_plan(conclude(_draft(description, draft), context), description, plan)
    if not pages:
        return SecondAnswer(result=result)
    answer = finish(result, page, None)
    if store is not None:
        write_whole(Path(store), pickle.dumps(answer, protocol=5))
    if keep is None:
        return answer
    write_files(Path(keep), answer.files)
    return SecondAnswer(result=answer.result)


def _draft(description: SiteDescription, draft: bytes | str) -> Any:
    from mv.verify.draft import measure

    if isinstance(draft, bytes):
        return pickle.loads(draft)
    try:
        return pickle.loads(Path(draft).read_bytes())
    except UNREADABLE:
        return measure(description)


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
