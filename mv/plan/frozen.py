"""The plan as a frozen object: written once, agreed, and read by every later report.

`plan.json` holds the whole plan with its date, the version that made it, the digests of the
tables it was made from, and a digest of itself, so that a later reader can tell whether it is
still the plan that was agreed.  Once agreed it is put into the portfolio folder; from then on
every report is compared with it line by line.
"""

from __future__ import annotations

import hashlib
from collections.abc import Mapping
from typing import Any

import orjson

from mv.findings import Finding, ReadingsError
from mv.portfolio.folder import input_size, open_input
from mv.portfolio.schema import Portfolio

FILE = "plan.json"
KIND = "mvreport plan"
SCHEMA_VERSION = 1

_NOT_DIGESTED = ("digest", "created")
"""The digest itself, and the time stamp, which says when and not what."""


def digest_of(plan: Mapping[str, Any]) -> str:
    """sha256 of a plan's content, keys in order."""
    content = {k: v for k, v in plan.items() if k not in _NOT_DIGESTED}
    return hashlib.sha256(orjson.dumps(content, option=orjson.OPT_SORT_KEYS)).hexdigest()


def freeze(plan: Mapping[str, Any]) -> bytes:
    """The plan as the bytes of plan.json, its digest filled in."""
    # What is digested is what a reader gets back: plain JSON values, no tuples, no NaN.
    plain = orjson.loads(orjson.dumps(plan, option=orjson.OPT_SERIALIZE_NUMPY))
    plain |= {"kind": KIND, "schema_version": SCHEMA_VERSION}
    plain["digest"] = digest_of(plain)
    return orjson.dumps(plain, option=orjson.OPT_INDENT_2 | orjson.OPT_SORT_KEYS) + b"\n"


def thaw(data: bytes, file: str = FILE) -> tuple[dict[str, Any] | None, tuple[Finding, ...]]:
    """Read a frozen plan.

    Returns the plan, None where it can't be read, and what was found: damaged or foreign files
    (`plan_unreadable`), and a plan whose content no longer has its digest (`plan_altered`; it is
    compared with all the same).  Never raises.
    """
    try:
        plan = orjson.loads(data)
    except orjson.JSONDecodeError as error:
        return None, (_unreadable(f"it is not whole JSON ({error})", file),)
    if not isinstance(plan, dict) or plan.get("kind") != KIND:
        return None, (_unreadable(f"it is not what `{KIND}` writes", file),)
    if plan.get("schema_version") != SCHEMA_VERSION:
        return None, (
            _unreadable(
                f"it has schema version {plan.get('schema_version')!r}, and this version reads "
                f"{SCHEMA_VERSION}",
                file,
            ),
        )
    if plan.get("digest") != digest_of(plan):
        return plan, (
            Finding(
                "plan_altered",
                "the plan's content does not match its digest: it was edited after it was frozen. "
                "The comparison uses it as it is; put the agreed file back.",
                file=file,
            ),
        )
    return plan, ()


def of_folder(portfolio: Portfolio) -> tuple[dict[str, Any] | None, tuple[Finding, ...]]:
    """The frozen plan that lies in a portfolio's folder, and what was found about it.

    (None, ()) where the folder holds none.  Never raises.
    """
    if input_size(portfolio.folder, FILE) is None:
        return None, ()
    try:
        with open_input(portfolio.folder, FILE) as stream:
            return thaw(stream.read())
    except (OSError, ReadingsError) as error:
        return None, (_unreadable(str(error), FILE),)


def site_of(plan: Mapping[str, Any], site: str) -> dict[str, Any] | None:
    """One site's plan, None where it holds none."""
    return next((s for s in plan.get("sites", ()) if s["site"] == site), None)


def _unreadable(why: str, file: str) -> Finding:
    return Finding(
        "plan_unreadable",
        f"the frozen plan can't be read: {why}. Nothing was compared with it.",
        file=file,
    )
