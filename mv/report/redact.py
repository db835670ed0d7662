"""The edition without names: for a reviewer or for publication.

A site is called by its code.  Names of people and places, meter numbers, file names and free
text that could name someone go; numbers, dates and units stay, so that every figure can still be
followed.  Text written by this program (a finding's message, a source) may quote what the folder
said: there the known words are replaced wherever they stand.
"""

from __future__ import annotations

import dataclasses
import re
from collections.abc import Iterable
from typing import Any, TypeVar

from mv.results import PortfolioResult, SiteResult

LEFT_OUT = "left out"
FREE_TEXT = {
    "title",
    "responsible",
    "evidence",
    "reported_by",
    "approved_by",
    "space",
    "description",
    "reason_text",
    "consent",
    "address",
    "group",
}
"""Fields that hold whatever a person typed."""
KEPT_SHORT = 3
"""Words shorter than this are not replaced in running text: they would hit ordinary words."""

T = TypeVar("T")


def _words(site: SiteResult, codes: dict[str, str]) -> dict[str, str]:
    """Word that must not appear → what stands in its place, the longest first."""
    code = codes[site.site]
    words = {site.site: code, site.name: code}
    meters = list(site.meters) + [m for other in site.others for m in other.meters]
    meters += [i.meter for i in site.inputs if i.meter]
    for i, meter in enumerate(dict.fromkeys(meters), 1):
        words[meter] = f"meter-{i}"
    for i, name in enumerate(dict.fromkeys(entry.file for entry in site.inputs), 1):
        words[name] = f"file-{i}"
    for i, finding in enumerate(site.findings, 1):
        if finding.file:
            words.setdefault(finding.file, f"file-f{i}")
    for row in site.retrofits:
        if row.get("retrofit"):
            words[str(row["retrofit"])] = "retrofit"
    if site.money and site.money.rate:
        words[site.money.rate] = "the site's rate"
        words[re.split(r"[ :(]", site.money.rate)[0]] = "rate"
        words[site.money.rate_source] = LEFT_OUT
    if site.weather:
        words[site.weather] = "station"
    known = {w: c for w, c in words.items() if w and len(w) >= KEPT_SHORT}
    return dict(sorted(known.items(), key=lambda pair: -len(pair[0])))


def _cleaned(value: Any, pattern: re.Pattern | None, words: dict[str, str], name: str = "") -> Any:
    if isinstance(value, str):
        if name in FREE_TEXT:
            return LEFT_OUT if value else value
        return pattern.sub(lambda m: words[m[0]], value) if pattern else value
    if dataclasses.is_dataclass(value) and not isinstance(value, type):
        changes = {
            f.name: _cleaned(getattr(value, f.name), pattern, words, f.name)
            for f in dataclasses.fields(value)
            if f.name != "series"
        }
        return dataclasses.replace(value, **changes)
    if isinstance(value, dict):
        return {k: _cleaned(v, pattern, words, str(k)) for k, v in value.items()}
    if isinstance(value, list | tuple):
        return type(value)(_cleaned(v, pattern, words, name) for v in value)
    return value


def _replace_all(value: T, words: dict[str, str]) -> T:
    words = dict(sorted(words.items(), key=lambda pair: -len(pair[0])))
    pattern = re.compile("|".join(re.escape(w) for w in words)) if words else None
    return _cleaned(value, pattern, words)


def redacted(site: SiteResult, codes: dict[str, str], hidden: Iterable[str] = ()) -> SiteResult:
    """The site under its code, without names (its series, all numbers, stay as they are).

    `hidden`: further words that must not appear, such as the portfolio's name.  A site that
    carries its code already comes back as it is.
    """
    if site.site not in codes:
        return site
    words = _words(site, codes) | {w: LEFT_OUT for w in hidden if len(w) >= KEPT_SHORT}
    factors = [{k: v for k, v in row.items() if k != "note"} for row in site.static_factors]
    site = dataclasses.replace(site, static_factors=factors)
    code = codes[site.site]
    return dataclasses.replace(_replace_all(site, words), site=code, name=code)


def hidden_words(name: str, settings: dict[str, Any]) -> tuple[str, ...]:
    """Words of the portfolio itself that must not appear: its name, its people."""
    people = ("client", "contractor", "reviewer", "prepared_by", "reference", "address")
    return tuple(str(w) for w in (name, *(settings.get(k) for k in people)) if w)


def redacted_portfolio(result: PortfolioResult, codes: dict[str, str]) -> PortfolioResult:
    """The portfolio with every site under its code, and without its own name and parties."""
    hidden = hidden_words(result.name, result.settings)
    sites = [redacted(s, codes, hidden) for s in result.sites]
    words: dict[str, str] = dict.fromkeys(hidden, LEFT_OUT)
    for site in result.sites:
        if site.site in codes:
            words |= _words(site, codes)
    bare = dataclasses.replace(result, sites=[], settings={})
    cleaned = _replace_all(bare, words)
    return dataclasses.replace(cleaned, name="", sites=sites, groups=[])
