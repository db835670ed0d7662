"""Results as JSON, there and back."""

from __future__ import annotations

import datetime as dt
from functools import lru_cache
from typing import Any

import orjson

from mv.findings import RenderError
from mv.results.whole import PortfolioResult, SiteResult

SCHEMA_VERSION = 1

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


@lru_cache(maxsize=8)
def _adapter(kind: type):
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
        return _adapter(kind).validate_python(data)
    except ValueError as error:
        raise RenderError(f"the results are not what this version expects: {error}") from error


def from_mapping(kind: type, fields: dict[str, Any]):
    """Build a result of `kind` from a mapping, nested mappings into their own results.

    Raises ValueError (pydantic's) where a field is missing, unknown in type, or left over.
    """
    return _adapter(kind).validate_python(fields)
