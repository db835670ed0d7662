"""What only all sites together can say: the portfolio's drift, its totals, its money."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict, is_dataclass
from typing import Any

from mv.portfolio.schema import Portfolio
from mv.results import PortfolioResult, SiteResult
from mv.rollup import roll_up
from mv.savings.drift import load_prior
from mv.savings.placebo import placebo
from mv.verify.site import Context


def learn_context(portfolio: Portfolio, summaries: dict[str, Any]) -> Context:
    """The drift that every site's interval is made with.

    `summaries`: by site, the placebo trials of its history.  The order of sites doesn't matter.
    """
    prior = load_prior(portfolio.settings)
    trials = [trial for site in sorted(summaries) for trial in summaries[site] or ()]
    return Context(prior=prior, placebo=placebo(trials) if trials else None)


def conclude_portfolio(
    portfolio: Portfolio, sites: Sequence[SiteResult], context: Context, version: str
) -> PortfolioResult:
    """Totals, money and the trial's picture."""
    shown: dict[str, Any] = {}
    if context.placebo is not None:
        shown = context.placebo.as_fields()
    return roll_up(
        portfolio,
        sites,
        prior=context.prior,
        money={},
        placebo=_plain(shown),
        version=version,
    )


def _plain(value: Any) -> Any:
    return asdict(value) if is_dataclass(value) and not isinstance(value, type) else value
