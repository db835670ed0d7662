"""Results as JSON, there and back; a portfolio's sites one at a time, however many there are."""

from __future__ import annotations

import datetime as dt
import mmap
from collections.abc import Iterable, Iterator
from dataclasses import replace
from functools import lru_cache
from pathlib import Path
from typing import IO, Any

import orjson

from mv.findings import RenderError
from mv.results.whole import PortfolioResult, SiteResult

SCHEMA_VERSION = 1

_SITES = b'\n  "sites": ['
_SITES_END = b"\n  ]"
_SITE, _SITE_END = b"\n    {", b"\n    }"
"""How `to_json` sets off the sites of a portfolio; a text within JSON holds no line end."""

_OUTSIDE = slice(len(b"[\n  [\n    "), -len(b"\n  ]\n]"))
"""What is left of JSON of a list in a list when the lists' own signs are cut off."""

_DUMP = orjson.OPT_SERIALIZE_NUMPY | orjson.OPT_NON_STR_KEYS


def now() -> str:
    """Time stamp of a run, UTC, to the second."""
    return dt.datetime.now(dt.UTC).strftime("%Y-%m-%dT%H:%M:%SZ")


def to_json(result: PortfolioResult | SiteResult) -> bytes:
    """JSON of a result, for people to look into; what series it holds are left in."""
    return orjson.dumps(result, option=_DUMP | orjson.OPT_INDENT_2)


def series_json(result: SiteResult) -> bytes:
    """Compact JSON of a site's series: its own, then those of its other carriers."""
    return orjson.dumps([result.series, *(o.series for o in result.others)], option=_DUMP)


def site_json(site: SiteResult) -> bytes:
    """A site's part of the portfolio's JSON, set in as far as it stands there."""
    return orjson.dumps([[site]], option=_DUMP | orjson.OPT_INDENT_2)[_OUTSIDE]


def write_json(result: PortfolioResult, sites: Iterable[bytes], file: IO[bytes]) -> None:
    """Write what `to_json` gives for the portfolio with `sites` (`site_json` of each) as its sites;
    those that it holds itself are left aside."""
    head, mark, tail = to_json(replace(result, sites=[])).partition(_SITES)
    file.write(head + mark)
    between = b""
    for site in sites:
        file.write(between + b"\n    " + site)
        between = b","
    file.write((b"\n  " if between else b"") + tail)


def read_json(path: Path) -> tuple[PortfolioResult, Iterator[SiteResult]]:
    """Read back what `write_json` wrote: the portfolio without its sites, and these one by one.

    Raises OSError, and RenderError as `from_json` does (for a site, when its turn comes).
    """
    if not path.stat().st_size:
        raise RenderError(f"{path} is empty. Run `mvreport report` again.")
    with open(path, "rb") as file, mmap.mmap(file.fileno(), 0, access=mmap.ACCESS_READ) as text:
        start = text.find(_SITES) + len(_SITES)
        end = text.find(_SITES_END, start)
        if start < len(_SITES) or end < 0 or text.find(_SITE, start, start + len(_SITE)) < 0:
            whole = from_json(text[:])  # no site, or laid out by another program
            return replace(whole, sites=[]), iter(whole.sites)
        return from_json(text[:start] + text[end:]), _read_sites(path, start, end)


def _read_sites(path: Path, start: int, end: int) -> Iterator[SiteResult]:
    with open(path, "rb") as file, mmap.mmap(file.fileno(), 0, access=mmap.ACCESS_READ) as text:
        while (start := text.find(_SITE, start, end)) >= 0:
            stop = text.find(_SITE_END, start, end) + len(_SITE_END)
            yield from_json(text[start:stop], SiteResult)
            start = stop


@lru_cache(maxsize=8)
def adapter(kind: type):
    """What builds results of a kind from mappings; made once, as it takes its time."""
    from pydantic import TypeAdapter

    return TypeAdapter(kind)


def from_json(text: bytes, kind: type = PortfolioResult):
    """Read back what `to_json` wrote.

    Raises RenderError for damaged text or a schema version this package doesn't know.
    """
    try:
        data = orjson.loads(text)
    except orjson.JSONDecodeError as error:
        raise RenderError(f"the results are not whole JSON: {error}") from error
    if kind is PortfolioResult and data.get("schema_version") != SCHEMA_VERSION:
        raise RenderError(
            f"the results have schema version {data.get('schema_version')!r}; this version of "
            f"mvreport reads {SCHEMA_VERSION}. Run `mvreport report` again."
        )
    try:
        return adapter(kind).validate_python(data)
    except ValueError as error:
        raise RenderError(f"the results are not what this version expects: {error}") from error


def from_mapping(kind: type, fields: dict[str, Any]):
    """Build a result of `kind` from a mapping, nested mappings into their own results.

    Raises ValueError (pydantic's) where a field is missing, unknown in type, or left over.
    """
    return adapter(kind).validate_python(fields)
