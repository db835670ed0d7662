"""One site, top to bottom: reads like the contents of its report.

`measure` does what costs: it reads, judges and fits, and returns a draft that can be kept.
`conclude` does the arithmetic that needs the portfolio's drift: savings, interval, verdict,
annual figures, money, and how each figure was made.  `verify_site` is the two in a row.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Any

from mv import units
from mv.findings import Finding, gravest_first
from mv.portfolio.schema import Portfolio, SiteDescription
from mv.results import CarrierResult, InputFile, Money, SiteResult, from_mapping
from mv.savings.drift import load_prior
from mv.verify.account import site_account
from mv.verify.carrier import Context, conclude_carrier, no_meter
from mv.verify.described import lighting_estimate, operating_days_of, retrofit_fields
from mv.verify.draft import Draft, measure
from mv.verify.isolation import isolated
from mv.verify.provenance import site_derivations

__all__ = ["Context", "conclude", "failed", "measure", "verify_site"]


def verify_site(portfolio: Portfolio, site: str, context: Context | None = None) -> SiteResult:
    """Verify one site of a portfolio (KeyError for an unknown key).

    Without a context the shipped drift prior widens the interval.
    """
    context = context or Context(prior=load_prior(portfolio.settings))
    return conclude(measure(portfolio.describe(site)), context)


def conclude(draft: Draft, context: Context) -> SiteResult:
    """Make a site's result from its draft and the portfolio's drift."""
    description = draft.description
    site, settings = description.site, description.settings
    claimed = [c for c in draft.carriers if c.prepared.claimed]
    main = claimed[0] if claimed else (draft.carriers[0] if draft.carriers else None)
    findings = [*draft.findings, *draft.rate.findings]
    concluded = conclude_carrier(draft, main, context, findings) if main else no_meter(draft)
    others = [
        conclude_carrier(draft, other, context, findings).result
        for other in draft.carriers
        if other is not main
    ]
    days = operating_days_of(draft, main)
    estimate, looked, derivations = lighting_estimate(draft, concluded.result, days)
    isolation, ratios, missed = isolated(draft, concluded.result)
    findings += [*looked, *missed]
    result = SiteResult(
        **_fields(concluded.result),
        site=site.site,
        name=site.label,
        group=site.group,
        role="retrofit" if description.retrofits else "comparison",
        time_zone=site.time_zone,
        country=site.country,
        region=site.region,
        floor_area=(
            site.floor_area * units.factor(site.floor_area_unit, "m2") if site.floor_area else None
        ),
        weather=site.weather,
        confidence=settings.confidence,
        retrofits=[retrofit_fields(r) for r in description.retrofits],
        estimate=estimate,
        isolation=isolation,
        operating_days=days,
        others=others,
        static_factors=[f.model_dump(mode="json") for f in description.static_factors],
        inputs=[InputFile(**i) for i in draft.inputs],
    )
    if concluded.avoided is not None:
        account = site_account(draft, main, concluded, ratios)
        findings += account.findings
        result = replace(result, money=from_mapping(Money, account.fields))
        derivations += account.derivations
    result = replace(result, findings=gravest_first(dict.fromkeys(findings)))
    return replace(result, derivations=[*site_derivations(result), *derivations])


def _fields(result: CarrierResult) -> dict[str, Any]:
    return {name: getattr(result, name) for name in result.__dataclass_fields__}


def failed(
    description: SiteDescription, reason: str, findings: Sequence[Finding] = ()
) -> SiteResult:
    """A site whose work could not be done: not verifiable, with the reason."""
    site = description.site
    retrofits = description.retrofits
    return SiteResult(
        carrier=retrofits[0].carrier if retrofits else "electricity",
        meters=[m.meter for m in description.meters],
        boundary="whole_facility",
        unit="kWh",
        verdict="not verifiable",
        reason=reason,
        site=site.site,
        name=site.label,
        group=site.group,
        role="retrofit" if retrofits else "comparison",
        time_zone=site.time_zone,
        weather=site.weather,
        confidence=description.settings.confidence,
        retrofits=[retrofit_fields(r) for r in retrofits],
        findings=list(findings),
    )
