"""Results in, pages out: the last step, and the only one that knows files and templates.

`render` writes a whole report; `render_site` makes one page as text and needs nothing but a
site's result and a small picklable context, so that workers of a pool can each make their own.
Both are pure functions of results: the same results give the same bytes.
"""

from __future__ import annotations

import base64
import hashlib
import re
from collections.abc import Iterable
from dataclasses import dataclass, field
from functools import lru_cache
from importlib import resources
from pathlib import Path
from typing import Any

from jinja2 import Environment, PackageLoader, StrictUndefined
from markupsafe import Markup

from mv.findings import RenderError
from mv.report.drawn import chart_markup, data_markup
from mv.report.format import Say
from mv.report.markup import (
    big_markup,
    body_markup,
    css_text,
    facts_markup,
    folded_markup,
    plain_markup,
    say_markup,
    table_markup,
    trail_markup,
)
from mv.results import PortfolioResult, SiteResult
from mv.wording import NARROW

PLOTLY_ASSET = "plotly.min.js"
SITE_TEMPLATES = (
    *("site.html", "base.html", "parts.html", "plan_sections.html", "methods.html"),
    *("glossary.html", "end.html"),
)
"""What a site's page is filled from."""
PAPERS = {"a4": "A4", "letter": "letter"}
"""Name of a paper in the settings → its name in a stylesheet."""
CONTROL = re.compile(r"[\x00-\x08\x0b\x0e-\x1f\x7f]")


@dataclass(frozen=True)
class RenderOptions:
    """What the user may choose about pages."""

    single_file: bool = False
    """Put script and style into each page, so that it can be sent alone."""
    redact: bool = False
    """Leave out names, addresses and meter numbers; a site is called by a code."""


@dataclass(frozen=True)
class SiteContext:
    """What a site's page needs to know beside the site: picklable, and small."""

    portfolio: str = ""
    currency: str = ""
    created: str = ""
    method_version: str = ""
    parties: dict[str, str] = field(default_factory=dict)
    paper: str = ""
    """A4 or letter; the printer's choice when empty."""
    us: bool = False
    """Print temperatures in °F and areas in ft²."""
    decimal_mark: str = "."
    group_mark: str = NARROW
    options: RenderOptions = field(default_factory=RenderOptions)
    codes: dict[str, str] = field(default_factory=dict)
    """Site key → code, filled when names are left out."""
    hidden: tuple[str, ...] = ()
    """Words of the portfolio that must not appear then."""


def context_of(result: PortfolioResult, options: RenderOptions | None = None) -> SiteContext:
    """The context that all site pages of a portfolio share."""
    return context_from(
        name=result.name,
        currency=result.currency,
        created=result.created,
        method_version=result.method_version,
        settings=result.settings,
        keys=[s.site for s in result.sites],
        options=options,
    )


def context_from(
    *,
    name: str,
    currency: str,
    created: str,
    method_version: str,
    settings: dict[str, Any],
    keys: Iterable[str],
    options: RenderOptions | None = None,
) -> SiteContext:
    """The same before the portfolio is added up: for workers that make pages as sites finish."""
    from mv.report.redact import hidden_words

    options = options or RenderOptions()
    people = ("client", "contractor", "reviewer", "prepared_by", "reference", "address")
    parties = {k: str(settings[k]) for k in people if settings.get(k)}
    codes = (
        {key: f"site-{i:03d}" for i, key in enumerate(sorted(keys), 1)} if options.redact else {}
    )
    return SiteContext(
        portfolio="" if options.redact else name,
        currency=currency,
        created=created,
        method_version=method_version,
        parties={} if options.redact else parties,
        paper=PAPERS.get(str(settings.get("paper")).lower(), ""),
        us=settings.get("units") == "US",
        decimal_mark=str(settings.get("decimal_mark") or "."),
        group_mark=str(settings.get("group_mark") or NARROW),
        options=options,
        codes=codes,
        hidden=hidden_words(name, settings) if options.redact else (),
    )


@lru_cache(maxsize=1)
def environment() -> Environment:
    """The template environment: escaping on, unknown names refused, compiled once a process."""
    env = Environment(
        loader=PackageLoader("mv.report"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        auto_reload=False,
    )
    env.filters |= {
        "say": say_markup,
        "big": big_markup,
        "table": table_markup,
        "plain": plain_markup,
        "facts": facts_markup,
        "body": body_markup,
        "trail": trail_markup,
        "folded": folded_markup,
        "chart": chart_markup,
        "css": css_text,
    }
    env.globals["glossary_markup"] = glossary_markup
    return env


@lru_cache(maxsize=1)
def glossary_markup() -> Markup:
    """The glossary, the same on every page."""
    from mv.report.trail import glossary_rows

    return Markup(environment().get_template("glossary.html").render(rows=glossary_rows()))


# -- assets ------------------------------------------------------------------------------------
@lru_cache(maxsize=8)
def asset(name: str) -> bytes:
    """A file of `assets/`, or the chart library as the installed package brings it.

    Raises RenderError where that package brings none.
    """
    if name == PLOTLY_ASSET:
        found = resources.files("plotly").joinpath("package_data", PLOTLY_ASSET)
        if not found.is_file():
            raise RenderError("the installed plotly package brings no plotly.min.js; reinstall it")
        return found.read_bytes()
    return resources.files("mv.report").joinpath("assets", name).read_bytes()


@lru_cache(maxsize=8)
def inlined(name: str) -> str:
    """A file of ours as text within a page: control characters, which HTML forbids, as escapes."""
    text = asset(name).decode()
    return CONTROL.sub(lambda m: f"\\x{ord(m[0]):02x}", text)


@lru_cache(maxsize=8)
def _hash(name: str) -> str:
    digest = hashlib.sha256(inlined(name).encode()).digest()
    return f"'sha256-{base64.b64encode(digest).decode()}'"


def _policy(single_file: bool) -> str:
    """The page's content policy: nothing from outside, no evaluation of text as script."""
    if single_file:
        scripts = " ".join(_hash(n) for n in (PLOTLY_ASSET, "page.js"))
    else:
        scripts = "'self' file:"
    return (
        f"default-src 'none'; script-src {scripts}; style-src 'self' file: 'unsafe-inline'; "
        "img-src data: blob:; base-uri 'none'; form-action 'none'"
    )


@lru_cache(maxsize=4)
def _frame(single_file: bool, root: str) -> dict[str, Any]:
    frame: dict[str, Any] = {"policy": _policy(single_file), "root": root, "inline": None}
    if single_file:
        names = {"style": "style.css", "plotly": PLOTLY_ASSET, "page": "page.js"}
        # these three files are ours or the installed package's, never the user's
        frame["inline"] = {k: Markup(inlined(n)) for k, n in names.items()}
    return frame


def page(template: str, model: dict[str, Any], options: RenderOptions, root: str) -> bytes:
    """Fill a template, in UTF-8; `root` is the way from the page to the folder of `assets/`.

    Encoded piece by piece: most are plain ASCII, which takes no time, while one sign that isn't
    would double the size of the whole page's text.
    """
    filled = environment().get_template(template)
    pieces = filled.generate(**model, frame=_frame(options.single_file, root))
    return b"".join(
        [
            *[piece.encode() for piece in pieces],
            data_markup(model["chart_data"]),
            _end(options.single_file, root),
        ]
    )


@lru_cache(maxsize=4)
def _end(single_file: bool, root: str) -> bytes:
    """A page behind what its script draws."""
    return environment().get_template("end.html").render(frame=_frame(single_file, root)).encode()


# -- pages -------------------------------------------------------------------------------------
def render_site(site: SiteResult, context: SiteContext) -> bytes:
    """One site's page as HTML, UTF-8.

    `site` needs its series for charts; a chart that can't be drawn says why instead.
    """
    from mv.report.pages import site_page
    from mv.report.redact import redacted

    if context.options.redact:
        site = redacted(site, context.codes, context.hidden)
    say = Say(context.currency, context.decimal_mark, context.group_mark, us=context.us)
    return page("site.html", site_page(site, say, context), context.options, "..")


def render_portfolio(result: PortfolioResult, options: RenderOptions) -> bytes:
    """The portfolio's page as HTML, UTF-8."""
    from mv.report.portfolio_page import portfolio_page
    from mv.report.redact import redacted_portfolio

    context = context_of(result, options)
    if options.redact:
        result = redacted_portfolio(result, context.codes)
    say = Say(context.currency, context.decimal_mark, context.group_mark, us=context.us)
    return page("portfolio.html", portfolio_page(result, say, context), options, ".")


def page_name(key: str, context: SiteContext) -> str:
    """File name of a site's page (keys hold letters, digits, - and _ only)."""
    return f"{context.codes.get(key, key)}.html"


def write_assets(out: Path) -> list[Path]:
    """Write script and style that all pages share."""
    folder = out / "assets"
    folder.mkdir(parents=True, exist_ok=True)
    written = []
    for name in (PLOTLY_ASSET, "page.js", "style.css"):
        written.append(folder / name)
        written[-1].write_bytes(asset(name))
    return written


def render(
    result: PortfolioResult, out: Path, *, options: RenderOptions | None = None
) -> list[Path]:
    """Write the whole report: `index.html`, `sites/<site>.html`, `tables/` and, unless the pages
    carry them, `assets/`.

    Parameters
    ----------
    result : the portfolio; each site with its series.
    out : folder, made when absent.
    options : see `RenderOptions`.

    Returns the files written.
    """
    from mv.report.redact import redacted_portfolio
    from mv.report.tables import TABLE_FILES, site_rows, site_tables, tables

    options = options or RenderOptions()
    context = context_of(result, options)
    out.mkdir(parents=True, exist_ok=True)
    written = [out / "index.html"]
    written[0].write_bytes(render_portfolio(result, options))
    for site in result.sites:
        files = {f"sites/{page_name(site.site, context)}": render_site(site, context)}
        for name, content in (files | site_tables(site, context)).items():
            path = out / name
            path.parent.mkdir(parents=True, exist_ok=True)
            path.write_bytes(content)
            written.append(path)
    if not options.single_file:
        written += write_assets(out)
    if options.redact:
        result = redacted_portfolio(result, context.codes)
    with tables(result, out) as add:
        for site in result.sites:
            add(site_rows(site))
    return written + [out / "tables" / name for name in TABLE_FILES]
