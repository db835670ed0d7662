"""Sites → portfolio: what was saved altogether, and how surely.

Energies are added, never percentages.  A carrier's interval takes site half-widths in
quadrature and adds the part that all sites of a year share; plain addition stands beside it as
the bound.  Entered = used + not verifiable + not yet due, in count and in estimated savings.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import asdict
from typing import Any

from mv.findings import Finding
from mv.portfolio.schema import Portfolio
from mv.quantity import Interval, around
from mv.results import (
    SCHEMA_VERSION,
    VERDICTS,
    CarrierTotal,
    InputFile,
    PortfolioResult,
    SiteResult,
    now,
)
from mv.savings.drift import Prior
from mv.savings.normalised import realisation_rate
from mv.savings.quantiles import normal_quantile
from mv.savings.uncertainty import portfolio_half_width

QUADRATURE = "site half-widths in quadrature, and the common part of the year"
STRAIGHT = "site half-widths and the common part added straight: the conservative bound"


def standing(result: SiteResult) -> str:
    """Where a site counts: used, not_verifiable, not_yet_due or comparison."""
    if result.role == "comparison":
        return "comparison"
    if not result.due:
        return "not_yet_due"
    return "not_verifiable" if result.verdict == "not verifiable" else "used"


def roll_up(
    portfolio: Portfolio,
    sites: Sequence[SiteResult],
    *,
    prior: Prior,
    money: dict[str, Any],
    placebo: dict[str, Any],
    findings: Sequence[Finding] = (),
    version: str,
) -> PortfolioResult:
    """Add the sites up.

    Parameters
    ----------
    portfolio : the folder as read.
    sites : every site that was asked for, in the folder's order.
    prior : drift in force; its common part widens the totals.
    money, placebo : made by the rooms that know them.
    version : of the package.
    """
    standings = {r.site: standing(r) for r in sites}
    counts = Counter(standings.values())
    verdicts = Counter(r.verdict for r in sites if standings[r.site] in ("used", "not_verifiable"))
    confidence = portfolio.settings.confidence
    used = [r for r in sites if standings[r.site] == "used"]
    carriers = dict.fromkeys((r.carrier, r.unit) for r in used)
    totals = [
        carrier_total(
            [r for r in used if (r.carrier, r.unit) == key], prior=prior, confidence=confidence
        )
        for key in carriers
    ]
    settings = portfolio.settings.model_dump(mode="json")
    return PortfolioResult(
        schema_version=SCHEMA_VERSION,
        method_version=version,
        created=now(),
        name=portfolio.settings.name,
        currency=portfolio.settings.currency,
        confidence=confidence,
        settings=settings,
        sites=list(sites),
        counts={
            "entered": len(sites) - counts["comparison"],
            "used": counts["used"],
            "not_verifiable": counts["not_verifiable"],
            "not_yet_due": counts["not_yet_due"],
            "comparison": counts["comparison"],
            **{v: verdicts[v] for v in VERDICTS},
        },
        estimated=_estimated(sites, standings),
        totals=totals,
        money=money,
        placebo=placebo,
        groups=_groups(used, prior, confidence),
        words={"chance": chance_words(len(used), confidence)} if used else {},
        findings=[*portfolio.findings, *findings, *counted_twice(used)],
        inputs=[
            InputFile(file=name, role="table", sha256=digest, rows_read=0, rows_used=0)
            for name, digest in sorted(portfolio.digests.items())
        ],
    )


def carrier_total(
    results: Sequence[SiteResult], *, prior: Prior, confidence: float
) -> CarrierTotal:
    """Total of one carrier over sites that count; `results` must not be empty."""
    carrier, unit = results[0].carrier, results[0].unit
    z = normal_quantile(confidence)
    sigma = prior.common(carrier)
    adjusted = sum(r.adjusted_baseline for r in results)
    avoided = _total([r.avoided_energy for r in results], adjusted, sigma, z, unit, confidence)
    common = z * sigma * adjusted
    straight = sum(r.avoided_energy.half_width for r in results) + common
    both = [
        r
        for r in results
        if r.annual is not None
        and r.annual.verified_savings is not None
        and r.annual.estimated_savings is not None
    ]
    yearly = [r for r in results if r.annual is not None and r.annual.verified_savings is not None]
    estimated = [r.annual.estimated_savings for r in both]
    annual = rate = None
    if yearly:
        annual = _annual_total(yearly, sigma, z, unit, confidence)
    if both:
        matched = _annual_total(both, sigma, z, unit, confidence)
        rate = realisation_rate(matched, sum(estimated))
    return CarrierTotal(
        carrier=carrier,
        unit=unit,
        sites=len(results),
        adjusted_baseline=adjusted,
        measured=sum(r.measured for r in results),
        avoided_energy=avoided,
        conservative=around(
            avoided.value,
            straight,
            unit,
            confidence=confidence,
            kind="sum",
            method=STRAIGHT,
            base=adjusted,
            fraction_of="adjusted baseline",
        ),
        common_part=common,
        annual_verified=annual,
        annual_estimated=sum(estimated) if both else None,
        realisation_rate=rate,
    )


def _annual_total(
    results: Sequence[SiteResult], sigma: float, z: float, unit: str, confidence: float
) -> Interval:
    """Annual savings added up; the common part is taken of the adjusted baselines a year."""
    base = sum(
        r.adjusted_baseline * r.annual.days / max(r.periods.reporting_days_used, 1) for r in results
    )
    return _total([r.annual.verified_savings for r in results], base, sigma, z, unit, confidence)


def _total(
    parts: Sequence[Interval], base: float, sigma: float, z: float, unit: str, confidence: float
) -> Interval:
    half = portfolio_half_width([p.half_width for p in parts], [base], sigma, z)
    return around(
        sum(p.value for p in parts),
        half,
        unit,
        confidence=confidence,
        kind="sum",
        method=QUADRATURE,
        base=base,
        fraction_of="adjusted baseline",
    )


def _estimated(sites: Sequence[SiteResult], standings: dict[str, str]) -> dict[str, float]:
    """Estimated annual savings by carrier and standing; sites without an estimate add nothing."""
    sums: dict[str, float] = {}
    for result in sites:
        where = standings[result.site]
        if where == "comparison" or result.annual is None:
            continue
        estimate = result.annual.estimated_savings
        if estimate is None:
            continue
        for which in ("entered", where):
            key = f"{result.carrier}/{which}"
            sums[key] = sums.get(key, 0.0) + estimate
    return sums


def _groups(used: Sequence[SiteResult], prior: Prior, confidence: float) -> list[dict[str, Any]]:
    """Pooled savings by group and carrier, for portfolios that name groups."""
    keys = dict.fromkeys((r.group, r.carrier, r.unit) for r in used if r.group)
    rows = []
    for group, carrier, unit in keys:
        own = [r for r in used if (r.group, r.carrier, r.unit) == (group, carrier, unit)]
        total = carrier_total(own, prior=prior, confidence=confidence)
        row = {"group": group, "carrier": carrier, "sites": len(own)}
        row["adjusted_baseline"] = total.adjusted_baseline
        row["avoided_energy"] = asdict(total.avoided_energy)
        if total.annual_verified is not None:
            row["saved_in_a_year"] = asdict(total.annual_verified)
        rows.append(row)
    return rows


def counted_twice(used: Sequence[SiteResult]) -> list[Finding]:
    """Sites whose meters gave the very same energies: one saving must be claimed once."""
    seen: dict[tuple, str] = {}
    found = []
    for result in used:
        key = (result.carrier, result.unit, result.baseline_energy, result.measured)
        first = seen.setdefault(key, result.site)
        if first != result.site:
            found.append(
                Finding(
                    "site_counted_twice",
                    f"{result.site} and {first} have the same {result.carrier} readings to the "
                    "last digit. Both are in the totals: take one of the two out of meters.csv, "
                    "or give each its own meter.",
                    file="meters.csv",
                    site=result.site,
                )
            )
    return found


def chance_words(sites: int, confidence: float) -> str:
    """What chance alone does among many sites."""
    each = sites * (1 - confidence) / 2
    return (
        f"Among {sites} sites where nothing had changed, chance alone would show savings at "
        f"about {each:.2g} and an increase at as many, at {confidence:.0%} confidence."
    )
