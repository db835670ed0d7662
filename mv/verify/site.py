"""One site, top to bottom: reads like the contents of its report.

A site's first claim is its result; further claims, and what stands beside, are in `others`.  Each
claim has its own retrofits, money and cost, so that nothing is counted twice.

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
from mv.money.trail import below
from mv.portfolio.schema import Portfolio, SiteDescription
from mv.quantity import Derivation
from mv.results import CarrierResult, InputFile, Money, SiteResult, from_mapping
from mv.savings.drift import load_prior
from mv.verify.account import promised_account, site_account
from mv.verify.carrier import Concluded, conclude_carrier, no_meter
from mv.verify.claims import relation, retrofits_with_shares
from mv.verify.context import Context
from mv.verify.described import lighting_estimate, retrofit_fields
from mv.verify.draft import CarrierDraft, Draft, measure
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
    findings = [*draft.findings]
    for carrier in draft.carriers:
        if carrier.prepared.claimed:
            findings += carrier.rate.findings
    made = [(c, conclude_carrier(draft, c, context, findings)) for c in draft.carriers]
    main, concluded = made[0] if made else (None, no_meter(draft))
    claims = [(c, m.result) for c, m in made if c.prepared.claimed]
    days = draft.operating_days
    estimate, looked, derivations = lighting_estimate(draft, concluded.result, days)
    isolation, ratios, missed = isolated(draft, concluded.result)
    findings += [*looked, *missed]
    others, further = _others(draft, made, findings)
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
        retrofits=retrofits_with_shares(draft, claims),
        estimate=estimate,
        isolation=isolation,
        operating_days=days,
        others=others,
        static_factors=[f.model_dump(mode="json") for f in description.static_factors],
        inputs=[InputFile(**i) for i in draft.inputs],
    )
    money = None
    if concluded.avoided is not None:
        account = site_account(draft, main, concluded, ratios, _outside(made))
        told = {f.rule for f in main.rate.findings}
        findings += [f for f in account.findings if f.rule not in told]
        derivations += account.derivations
        money = from_mapping(Money, account.fields)
    elif description.retrofits and main is not None:
        account = promised_account(draft, main, result)
        findings += account.findings
        money = from_mapping(Money, account.fields)
    return replace(
        result,
        money=money,
        findings=gravest_first(dict.fromkeys(findings)),
        derivations=[*site_derivations(result), *derivations, *further],
    )


Made = Sequence[tuple[CarrierDraft, Concluded]]
"""The site's carriers, its first claim at the head, with what was concluded of each."""


def _others(
    draft: Draft, made: Made, findings: list[Finding]
) -> tuple[list[CarrierResult], list[Derivation]]:
    """Further claims with their own money and how that was made, and what stands beside."""
    results, derivations = [], []
    for i, (carrier, concluded) in enumerate(made[1:]):
        result = replace(concluded.result, relation=relation(made[0][1].result, concluded.result))
        if carrier.prepared.claimed:
            if concluded.avoided is not None:
                account = site_account(draft, carrier, concluded)
            else:
                account = promised_account(draft, carrier, result)
            findings += account.findings
            derivations += below(f"others[{i}]", account.derivations)
            result = replace(result, money=from_mapping(Money, account.fields))
        results.append(result)
    return results, derivations


def _outside(made: Made) -> Made:
    """Other carriers that nothing is claimed on, over the first claim's periods."""
    return [
        (carrier, concluded)
        for carrier, concluded in made[1:]
        if concluded.avoided is not None
        and not carrier.prepared.claimed
        and carrier.prepared.boundary == "whole_facility"
        and carrier.prepared.carrier != made[0][0].prepared.carrier
    ]


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
