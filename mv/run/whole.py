"""What only all sites together can say: the portfolio's drift, its totals, its money."""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import replace
from functools import cache
from pathlib import Path
from typing import Any

from mv.findings import Finding
from mv.money.invested import invested
from mv.money.portfolio_money import SiteMoney, portfolio_money
from mv.plan.departures import portfolio_departures
from mv.plan.early import drifting_sites
from mv.plan.sampled import sample_result
from mv.portfolio.schema import Portfolio
from mv.quantity import Derivation
from mv.report.pdf import print_pdf
from mv.report.redact import redacted_portfolio
from mv.report.render import RenderOptions, context_of, render_portfolio, write_assets
from mv.report.tables import tables
from mv.results import CarrierResult, PortfolioResult, SiteResult, write_json
from mv.rollup import Widening, claim_standing, claims_of, counted_twice, roll_up, standing
from mv.run.finished import Left
from mv.run.trail import portfolio_derivations
from mv.savings.drift import Prior, load_prior
from mv.savings.pooled import independent_half_width
from mv.savings.quantiles import normal_quantile
from mv.verify.context import PortfolioContext, Summary, learn


def learn_context(portfolio: Portfolio, summaries: dict[str, Summary]) -> PortfolioContext:
    """What all sites together say of every site: drift, false savings, comparison groups.

    `summaries`: by site, what its first pass tells.  The order of sites doesn't matter.
    """
    return learn(load_prior(portfolio.settings), summaries)


def conclude_portfolio(
    portfolio: Portfolio,
    sites: Sequence[SiteResult],
    context: PortfolioContext,
    *,
    plan: dict[str, Any] | None = None,
    findings: Sequence[Finding] = (),
    version: str,
) -> PortfolioResult:
    """Totals, money, the trial's picture, and what the frozen plan has to say to them."""
    shown = context.placebo.as_fields() if context.placebo is not None else {}
    confidence = portfolio.settings.confidence

    @cache
    def widening(carrier: str, sites: int) -> float:
        return context.widening(carrier, sites, confidence)

    money, derivations = _money(portfolio, sites, context.prior, widening)
    result = roll_up(
        portfolio,
        sites,
        prior=context.prior,
        money=money,
        placebo=shown,
        findings=findings,
        version=version,
        widening=widening,
    )
    return replace(
        result,
        derivations=[*portfolio_derivations(result), *derivations],
        departures=portfolio_departures(plan, result) if plan else [],
        drifting=drifting_sites(sites),
        sampling=sample_result(plan, sites) if plan else {},
    )


def _money(
    portfolio: Portfolio, sites: Sequence[SiteResult], prior: Prior, widening: Widening
) -> tuple[dict[str, Any], list[Derivation]]:
    """The portfolio's account, from the claims' own; each claim brings its own retrofits' cost."""
    retrofits = {r.retrofit: r for r in portfolio.retrofits}
    twice, _ = counted_twice([s for s in sites if standing(s) == "used"])
    rows, counted = [], []
    for site in sites:
        for claim in claims_of(site):
            m = claim.money
            if claim_standing(claim) == "used" and site.site not in twice:
                counted.append((site.site, claim))
            # A claim that could not be verified still cost something: its price is told beside.
            keys = claim.claims or [r["retrofit"] for r in site.retrofits]
            paid = invested([retrofits[key] for key in keys], portfolio.settings.currency)
            again = site.site in twice
            rows.append(
                SiteMoney(
                    site=site.site,
                    name=site.name if claim is site else f"{site.name}: {', '.join(keys)}",
                    counts=claim_standing(claim) == "used" and not again,
                    why_not=claim.reason or ("its readings count under another site" * again),
                    cost_savings=m.cost_savings if m else None,
                    annual=m.annual_cost_savings if m else None,
                    annual_estimated=m.annual_cost_savings_estimated if m else None,
                    cost=paid.cost,
                    net_cost=paid.net_cost,
                    net_cost_estimated=paid.net_cost_estimated,
                    cash=m.cash if m else {},
                )
            )
    settings = portfolio.settings
    year, span = _money_half_widths(counted, prior, settings.confidence, widening)
    return portfolio_money(
        rows,
        currency=settings.currency,
        confidence=settings.confidence,
        half_width=year,
        half_width_saved=span,
    )


def _money_half_widths(
    claims: Sequence[tuple[str, CarrierResult]],
    prior: Prior,
    confidence: float,
    widening: Widening,
) -> tuple[float | None, float | None]:
    """Half-widths of the portfolio's cost savings: a year's, and those of the reporting periods.

    As for energy: the claims' own in quadrature, widened as the carrier's total is, and for each
    carrier the part that all share, valued at each claim's price.  Carriers' parts are independent
    of one another.  `claims`: with the key of their site.
    """
    z = normal_quantile(confidence)
    found = []
    for name in ("annual_cost_savings", "cost_savings"):
        own, shared, counted = {}, {}, {}
        for site, claim in claims:
            m = claim.money
            saved = getattr(m, name) if m is not None else None
            if saved is None or saved.half_width is None or m.net_cost is None:
                continue
            base = claim.adjusted_baseline
            if name == "annual_cost_savings":
                base *= claim.annual.days / max(claim.periods.reporting_days_used, 1)
            own.setdefault(claim.carrier, []).append(saved.half_width)
            counted.setdefault(claim.carrier, set()).add(site)
            worth = base * abs(m.price or 0.0)
            shared[claim.carrier] = shared.get(claim.carrier, 0.0) + worth
        parts = [z * prior.common(carrier) * worth for carrier, worth in shared.items()]
        parts += [
            independent_half_width(halves, widening(carrier, len(counted[carrier])))
            for carrier, halves in own.items()
        ]
        found.append(math.hypot(*parts) if own else None)
    return found[0], found[1]


def write_portfolio(
    result: PortfolioResult, sites: Iterable[Left], stage: Path, options: RenderOptions
) -> None:
    """Write what belongs to the whole: index page, assets, tables and results.json.

    `sites`: what each finished site left for it, in the order of the result's own, which may be
    slim; taken one at a time.  Sites' own pages, series and tables are there already.
    """
    (stage / "index.html").write_bytes(render_portfolio(result, options))
    if options.redact:
        result = redacted_portfolio(result, context_of(result, options).codes)
    with tables(result, stage) as add, (stage / "results.json").open("wb") as file:

        def saved() -> Iterator[bytes]:
            for site in sites:
                add(site.rows)
                yield site.saved

        write_json(result, saved(), file)
    if not options.single_file:
        write_assets(stage)


def print_report(out: Path) -> list[Path]:
    """Print every page of a finished report beside itself."""
    return print_pdf([out / "index.html", *sorted((out / "sites").glob("*.html"))])
