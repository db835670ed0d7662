"""What is done for one site, in whichever process it falls to.

Two passes, because the drift that widens every interval is learned from all sites together:
the first reads and fits (`first_pass`) and keeps a draft; the second takes the drift, makes the
result and the site's page, series and tables (`second_pass`).  Both are functions of their
arguments alone.
"""

from __future__ import annotations

import pickle
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from mv.portfolio.schema import SiteDescription
from mv.readings.many import use_store
from mv.results import SiteResult
from mv.run.cache import DRAFT, entry_path
from mv.run.digests import Seen, Unread
from mv.run.entries import UNREADABLE, read_part, write_parts
from mv.run.finished import Finished, Places, finish, put

_SECOND = 1
"""Part of an entry of the first pass that holds the draft; before it stands the summary."""


@dataclass(frozen=True, kw_only=True)
class FirstAnswer:
    """What the first pass tells the parent: the draft (bytes, or None when kept in a file) and
    what the drift is learned from."""

    summary: Any
    draft: bytes | None
    key: str | None = None
    """Of the site, where it wasn't known before its files were read."""
    seen: dict[str, Seen] = field(default_factory=dict)
    """Of those files, for later runs."""


def first_pass(
    description: SiteDescription, keep: str | Unread | None, split: str | None = None
) -> FirstAnswer:
    """Read, clean, bind and fit one site; its draft goes to a file, or back.

    `keep`: the file; None to send the draft back; or, where the file's name comes of the site's
    key and that of readings not read so far, what else the key is made of.  `split`: folder that
    holds, by meter, the rows of files that many meters share.
    """
    from mv.verify.draft import measure
    from mv.verify.packed import pack

    use_store(Path(split) if split else None)
    unread = keep if isinstance(keep, Unread) else None
    marks = unread.marks(description) if unread else {}
    draft = measure(description)
    packed = pack(draft)
    if keep is None:
        return FirstAnswer(summary=draft.summary, draft=packed)
    key, seen = None, {}
    if unread:
        read = {i["file"]: i["sha256"] for i in draft.inputs}
        key, seen = unread.key(description, read, marks)
        keep = entry_path(unread.folder, key, DRAFT)
    write_parts(keep, pickle.dumps(draft.summary, protocol=5), packed)
    return FirstAnswer(summary=draft.summary, draft=None, key=key, seen=seen)


def second_pass(
    description: bytes,
    draft: bytes | str,
    context: Any,
    plan: dict[str, Any] | None,
    page: Any,
    places: Places | None,
) -> SiteResult | Finished:
    """Conclude one site and make its page.

    `description`: pickled, as it's only opened where the draft can't be read and the site is
    measured again.  `draft`: bytes, or the name of the file that holds them.  `plan`: the frozen
    plan, of this site's part at least.  `page`: the context of the page; without it the result
    keeps its series and nothing else is made.  `places`: where the parts are written, the slim
    result comes back; without them all parts do.
    """
    from mv.plan.attach import with_plan
    from mv.verify.site import conclude

    opened = _draft(description, draft)
    result = with_plan(conclude(opened, context), opened.description, plan)
    if page is None:
        return result
    finished = finish(result, page)
    return finished if places is None else put(finished, places)


def _draft(description: bytes, draft: bytes | str) -> Any:
    from mv.verify.draft import measure
    from mv.verify.packed import unpack

    try:
        return unpack(draft if isinstance(draft, bytes) else read_part(draft, _SECOND))
    except UNREADABLE:
        return measure(pickle.loads(description))
