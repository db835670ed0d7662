"""What can the whole portfolio show, and which sites are verified where not all can be?

Sites' plans side by side; the total of all plannable sites with the interval of a sum (site
half-widths in quadrature, plus the part that all sites of a year share); how often the plan
expects "savings shown"; and, where portfolio.toml has a table [sampling], the drawn sample.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict, dataclass, field
from typing import Any

from mv import __version__
from mv.findings import Finding, FolderError, ModelError
from mv.plan.agreed import finding_fields
from mv.plan.frozen import FILE
from mv.plan.site import PLANNED, Basis, SitePlan, basis, plan_site
from mv.plan.trial import history
from mv.portfolio.schema import Portfolio
from mv.results import now
from mv.sampling.site_sample import draw
from mv.savings.drift import Prior, load_prior
from mv.savings.placebo import FIRST_MONTHS, Placebo, placebo, trials_of_site
from mv.savings.quantiles import normal_quantile
from mv.savings.uncertainty import portfolio_half_width

SAMPLING_NAMES = {
    "seed": int,
    "strata": int,
    "precision": float,
    "confidence": float,
    "cv": float,
    "allocation": str,
    "size": int,
}
"""Settings of [sampling] in portfolio.toml, with the kind of each."""


@dataclass(frozen=True, kw_only=True)
class PortfolioPlan:
    """The plan of a portfolio, ready to be frozen."""

    name: str
    currency: str
    confidence: float
    created: str
    method_version: str
    settings: dict[str, Any]
    digests: dict[str, str]
    """sha256 of every table the plan was made from."""
    prior: dict[str, Any]
    """Source and caution of the drift in force."""
    sites: list[SitePlan]
    totals: list[dict[str, Any]]
    """Per carrier: what the sum of all plannable sites can show."""
    placebo: dict[str, Any] = field(default_factory=dict)
    sample: dict[str, Any] = field(default_factory=dict)
    """The drawn sample, as `sampling.site_sample.SitePlan.as_fields` gives it."""
    findings: list[dict[str, Any]] = field(default_factory=list)

    def as_fields(self) -> dict[str, Any]:
        """Plain mapping, as plan.json holds it (`frozen.freeze` adds the digest)."""
        return asdict(self)


def plan_portfolio(portfolio: Portfolio, sites: Sequence[str] | None = None) -> PortfolioPlan:
    """Plan the sites of a portfolio (all that have a retrofit, or those named).

    Raises FolderError for settings that mean nothing, KeyError for an unknown site.
    """
    prior = load_prior(portfolio.settings)
    keys = list(portfolio.sites) if sites is None else list(sites)
    read = {key: basis(portfolio.describe(key)) for key in keys}
    trial = portfolio_trial(read, prior)
    plans = []
    for key, start in read.items():
        if not start.prepared.description.retrofits:
            continue
        carrier = start.carrier.carrier if start.carrier else "electricity"
        own = trial.own_drift(carrier, key, first_months=True) if trial is not None else None
        plans.append(plan_site(start, prior, own))
    return PortfolioPlan(
        name=portfolio.settings.name,
        currency=portfolio.settings.currency,
        confidence=portfolio.settings.confidence,
        created=now(),
        method_version=__version__,
        settings=portfolio.settings.model_dump(mode="json"),
        digests={k: v for k, v in sorted(portfolio.digests.items()) if k != FILE},
        prior={"source": prior.source, "caution": prior.caution},
        sites=plans,
        totals=totals(plans, prior, portfolio.settings.confidence),
        placebo=trial.as_fields() if trial is not None else {},
        sample=sample(portfolio, plans),
        findings=finding_fields(portfolio.findings),
    )


def portfolio_trial(read: dict[str, Basis], prior: Prior) -> Placebo | None:
    """The portfolio's own placebo trial, from every site's history before its works."""
    trials = []
    for key, start in read.items():
        carrier = start.carrier or next(iter(start.prepared.carriers), None)
        if carrier is None or carrier.rows is None or not len(carrier.rows):
            continue
        rows = history(carrier, carrier.window.installation_start if carrier.window else None)
        trials += trials_of_site(
            rows,
            site=key,
            carrier=carrier.carrier,
            granularity="bills" if carrier.kind == "bills" else "daily",
            prior=prior,
            first_months=FIRST_MONTHS,
        )
    return placebo(trials) if trials else None


def totals(plans: Sequence[SitePlan], prior: Prior, confidence: float) -> list[dict[str, Any]]:
    """What the sum over plannable sites can show, by carrier and unit.

    Keys: carrier, unit, sites, estimated, adjusted_baseline, half_width, fraction,
    estimated_fraction, detectable, expected_shown (sites that the plan expects to show), and
    `chances` (sum of the sites' chances, over those with an estimate).
    """
    z = normal_quantile(confidence)
    ready = [p for p in plans if p.status == PLANNED]
    found = []
    for carrier, unit in dict.fromkeys((p.carrier, p.unit) for p in ready):
        own = [p for p in ready if (p.carrier, p.unit) == (carrier, unit)]
        planned = [p.detection["planned"] for p in own]
        with_estimate = [d for d in planned if d["estimated"] is not None]
        base = sum(d["adjusted_baseline"] for d in planned)
        half = portfolio_half_width([d["half_width"] for d in planned], [base],
                                    prior.common(carrier), z)  # fmt: skip
        estimated = sum(d["estimated"] for d in with_estimate) if with_estimate else None
        complete = len(with_estimate) == len(planned)
        found.append(
            {
                "carrier": carrier,
                "unit": unit,
                "sites": len(own),
                "without_estimate": len(own) - len(with_estimate),
                "estimated": estimated,
                "adjusted_baseline": base,
                "half_width": half,
                "fraction": half / base if base > 0 else None,
                "estimated_fraction": estimated / base if estimated is not None and base > 0
                else None,
                "detectable": estimated > half if estimated is not None and complete else None,
                "detectable_sites": sum(bool(d["detectable"]) for d in with_estimate),
                "expected_shown": sum(d["chance"] for d in with_estimate),
            }
        )  # fmt: skip
    return found


def sample(portfolio: Portfolio, plans: Sequence[SitePlan]) -> dict[str, Any]:
    """The sample that [sampling] asks for; empty without such a table.

    The frame is every site with a retrofit, by its estimated saving a year; sites of another
    carrier or unit than most are left out of it and named.  Raises FolderError for settings that
    mean nothing or hold what is not allowed.
    """
    asked = portfolio.settings.sampling
    if not asked:
        return {}
    findings = []
    for name, value in asked.items():
        kind = SAMPLING_NAMES.get(name)
        if kind is None:
            allowed = ", ".join(SAMPLING_NAMES)
            findings.append(
                _wrong("setting_unknown", name, f"means nothing here; allowed: {allowed}")
            )
        elif isinstance(value, bool) or not isinstance(
            value, (int, float) if kind is float else kind
        ):
            findings.append(_wrong("value_invalid", name, f"{value!r} is not a {kind.__name__}"))
    if "seed" not in asked:
        findings.append(_wrong("value_missing", "seed", "a sample needs a seed, so that anyone can "
                               "draw it again"))  # fmt: skip
    if findings:
        raise FolderError(findings)
    units = [(p.carrier, p.unit) for p in plans if p.estimate.get("annual")]
    if not units:
        raise FolderError(_wrong("value_missing", "seed", "no site has an estimated saving to "
                                 "draw a sample by"))  # fmt: skip
    most = max(set(units), key=lambda u: (units.count(u), u))
    frame = {
        p.site: p.estimate.get("annual") if (p.carrier, p.unit) == most else None for p in plans
    }
    try:
        drawn = draw(frame, **asked)
    except ModelError as error:
        raise FolderError(_wrong("value_invalid", "", str(error))) from error
    return drawn.as_fields() | {"carrier": most[0], "unit": most[1], "frame_estimates": frame}


def _wrong(rule: str, name: str, words: str) -> Finding:
    column = f"sampling.{name}" if name else "sampling"
    return Finding(rule, f"{column}: {words}.", file="portfolio.toml", column=column)
