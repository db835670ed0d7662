"""Sites → portfolio: what was saved altogether, and how surely.

Energies are added, never percentages.  A carrier's interval takes site half-widths in quadrature,
widened where the placebo trials say that such sums need it, and adds the part that all sites of a
year share; plain addition stands beside it as the bound.  Entered = used + not verifiable + not yet
due, in count and in estimated savings.
A site counts once, by its first claim; its energies count by every claim.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Sequence
from dataclasses import asdict
from itertools import pairwise
from typing import Any

import numpy as np

from mv.findings import Finding
from mv.portfolio.schema import Meter, Portfolio
from mv.quantity import Interval, around
from mv.results import (
    SCHEMA_VERSION,
    VERDICTS,
    CarrierResult,
    CarrierTotal,
    InputFile,
    PortfolioResult,
    SiteResult,
    now,
)
from mv.savings.drift import Prior
from mv.savings.normalised import realisation_rate
from mv.savings.pooled import false_verdicts, independent_half_width, portfolio_half_width
from mv.savings.quantiles import normal_quantile
from mv.wording import percent

QUADRATURE = "site half-widths in quadrature, and the common part of the year"
WIDENED = (
    "site half-widths in quadrature, times {:.2f} as sums of the placebo trials' false savings "
    "need it, and the common part of the year"
)
Widening = Callable[[str, int], float]
"""Carrier and number of sites -> factor on the quadrature of their half-widths, at least 1."""
NEARLY_EQUAL = 0.002
"""Part of the mean month by which two sites may differ in every month and still look like one
meter (own convention: two meters of one supply differ by their class of accuracy, 0.2 to 2 %)."""
MONTHS_LEAST = 6
"""Months that two sites must have in common to be compared."""
STRAIGHT = "site half-widths and the common part added straight: the conservative bound"


def not_widened(carrier: str, sites: int) -> float:
    """Quadrature as it is, where no trial is at hand."""
    return 1.0


def standing(result: SiteResult) -> str:
    """Where a site counts: used, not_verifiable, not_yet_due or comparison."""
    if result.role == "comparison":
        return "comparison"
    return claim_standing(result)


def claim_standing(claim: CarrierResult) -> str:
    """Where a claim counts: used, not_verifiable or not_yet_due."""
    if not claim.due:
        return "not_yet_due"
    return "not_verifiable" if claim.verdict == "not verifiable" else "used"


def claims_of(result: SiteResult) -> list[CarrierResult]:
    """A site's claims: its first one, which the site's own standing is that of, and any further."""
    if result.role == "comparison":
        return []
    return [result, *(o for o in result.others if o.claimed)]


def roll_up(
    portfolio: Portfolio,
    sites: Sequence[SiteResult],
    *,
    prior: Prior,
    money: dict[str, Any],
    placebo: dict[str, Any],
    findings: Sequence[Finding] = (),
    version: str,
    widening: Widening = not_widened,
) -> PortfolioResult:
    """Add the sites up.

    Parameters
    ----------
    portfolio : the folder as read.
    sites : every site that was asked for, in the folder's order.
    prior : drift in force; its common part widens the totals.
    money, placebo : made by the rooms that know them.
    version : of the package.
    widening : of the quadrature of a total, by the placebo trials.
    """
    standings = {r.site: standing(r) for r in sites}
    counts = Counter(standings.values())
    verdicts = Counter(r.verdict for r in sites if standings[r.site] in ("used", "not_verifiable"))
    confidence = portfolio.settings.confidence
    used = [r for r in sites if standings[r.site] == "used"]
    twice, repeated = counted_twice(used)
    counted = [
        (r.group, r.site, claim)
        for r in sites
        if r.site not in twice
        for claim in claims_of(r)
        if claim_standing(claim) == "used"
    ]
    totals = [
        carrier_total(own, prior=prior, confidence=confidence, sites=number, widening=widening)
        for own, number in _by_carrier(counted)
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
        estimated=_estimated(sites),
        totals=totals,
        money=money,
        placebo=placebo,
        groups=_groups(counted, prior, confidence, widening),
        words=_words(used, confidence),
        findings=[
            *portfolio.findings,
            *findings,
            *repeated,
            *nearly_equal([r for r in used if r.site not in twice]),
            *files_shared(portfolio),
        ],
        inputs=[
            InputFile(file=name, role="table", sha256=digest, rows_read=0, rows_used=0)
            for name, digest in sorted(portfolio.digests.items())
        ],
    )


Counted = tuple[str, str, CarrierResult]
"""Group and key of a site, and a claim of it that counts."""


def _by_carrier(counted: Sequence[Counted]) -> list[tuple[list[CarrierResult], int]]:
    """Claims of each carrier and unit, and the number of sites they stand for."""
    found: dict[tuple[str, str], list[Counted]] = {}
    for part in counted:
        found.setdefault((part[2].carrier, part[2].unit), []).append(part)
    return [
        ([claim for _, _, claim in parts], len({site for _, site, _ in parts}))
        for parts in found.values()
    ]


def carrier_total(
    results: Sequence[CarrierResult],
    *,
    prior: Prior,
    confidence: float,
    sites: int | None = None,
    widening: Widening = not_widened,
) -> CarrierTotal:
    """Total of one carrier over claims that count; `results` must not be empty.

    `sites`: number of sites that they stand for, as many as claims where not given.
    """
    carrier, unit = results[0].carrier, results[0].unit
    z = normal_quantile(confidence)
    sigma = prior.common(carrier)
    adjusted = sum(r.adjusted_baseline for r in results)
    sites = len(results) if sites is None else sites
    factor = widening(carrier, sites)
    avoided = _total([r.avoided_energy for r in results], adjusted, sigma, z, confidence, factor)
    common = z * sigma * adjusted
    halves = [r.avoided_energy.half_width for r in results]
    straight = sum(halves) + common
    alone = independent_half_width(halves)
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
        annual = _annual_total(yearly, sigma, z, confidence, factor)
    if both:
        matched = _annual_total(both, sigma, z, confidence, factor)
        rate = realisation_rate(matched, sum(estimated))
    return CarrierTotal(
        carrier=carrier,
        unit=unit,
        sites=sites,
        adjusted_baseline=adjusted,
        measured=sum(r.measured for r in results),
        non_routine_adjustment=sum(r.non_routine_adjustment for r in results),
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
        widening=independent_half_width(halves, factor) / alone if factor > 1 and alone else 1.0,
        annual_verified=annual,
        annual_estimated=sum(estimated) if both else None,
        realisation_rate=rate,
    )


def _annual_total(
    results: Sequence[CarrierResult], sigma: float, z: float, confidence: float, factor: float
) -> Interval:
    """Annual savings added up; the common part is taken of the adjusted baselines a year."""
    base = sum(
        r.adjusted_baseline * r.annual.days / max(r.periods.reporting_days_used, 1) for r in results
    )
    return _total([r.annual.verified_savings for r in results], base, sigma, z, confidence, factor)


def _total(
    parts: Sequence[Interval], base: float, sigma: float, z: float, confidence: float, factor: float
) -> Interval:
    half = portfolio_half_width([p.half_width for p in parts], [base], sigma, z, factor)
    return around(
        sum(p.value for p in parts),
        half,
        parts[0].unit,
        confidence=confidence,
        kind="sum",
        method=QUADRATURE if factor == 1 else WIDENED.format(factor),
        base=base,
        fraction_of="adjusted baseline",
    )


def _estimated(sites: Sequence[SiteResult]) -> dict[str, float]:
    """Estimated annual savings by carrier and standing; claims without an estimate add nothing."""
    sums: dict[str, float] = {}
    for result in sites:
        for claim in claims_of(result):
            estimate = claim.annual.estimated_savings if claim.annual is not None else None
            if estimate is None:
                continue
            for which in ("entered", claim_standing(claim)):
                key = f"{claim.carrier}/{which}"
                sums[key] = sums.get(key, 0.0) + estimate
    return sums


def _groups(
    counted: Sequence[Counted], prior: Prior, confidence: float, widening: Widening
) -> list[dict[str, Any]]:
    """Pooled savings by group and carrier, for portfolios that name groups."""
    rows = []
    for group in dict.fromkeys(group for group, _, _ in counted if group):
        for own, number in _by_carrier([part for part in counted if part[0] == group]):
            total = carrier_total(
                own, prior=prior, confidence=confidence, sites=number, widening=widening
            )
            row = {"group": group, "carrier": total.carrier, "sites": number}
            row["adjusted_baseline"] = total.adjusted_baseline
            row["avoided_energy"] = asdict(total.avoided_energy)
            if total.annual_verified is not None:
                row["saved_in_a_year"] = asdict(total.annual_verified)
            rows.append(row)
    return rows


def counted_twice(used: Sequence[SiteResult]) -> tuple[set[str], list[Finding]]:
    """Sites whose meters gave the very same energies as an earlier one's: one saving must be
    claimed once, so the later site is left out of the totals."""
    seen: dict[tuple, str] = {}
    twice, found = set(), []
    for result in used:
        if not result.baseline_energy:
            continue
        key = (result.carrier, result.unit, result.baseline_energy, result.measured)
        first = seen.setdefault(key, result.site)
        if first != result.site:
            twice.add(result.site)
            found.append(
                Finding(
                    "site_counted_twice",
                    f"{result.site} and {first} have the same {result.carrier} readings to the "
                    f"last digit. {first} alone is in the totals: take one of the two out of "
                    "meters.csv, or give each its own meter.",
                    file="meters.csv",
                    site=result.site,
                )
            )
    return twice, found


def nearly_equal(used: Sequence[SiteResult]) -> list[Finding]:
    """Sites whose use is the same month by month but for a trace: the same meter read twice?"""
    by_months: dict[tuple, list[tuple[str, np.ndarray]]] = {}
    for result in used:
        monthly = result.series.monthly if result.series is not None else {}
        measured = np.asarray(monthly.get("measured", ()), dtype=float)
        if len(measured) >= MONTHS_LEAST and np.isfinite(measured).all():
            key = (result.carrier, result.unit, tuple(monthly["month"]))
            by_months.setdefault(key, []).append((result.site, measured))
    found = []
    for sites in by_months.values():
        # Only neighbours in size can be equal, so no site is held against all others.
        sites.sort(key=lambda one: (float(one[1].sum()), one[0]))
        for (first, low), (second, high) in pairwise(sites):
            if np.abs(high - low).max() <= NEARLY_EQUAL * np.abs(high).mean():
                found.append(
                    Finding(
                        "sites_nearly_equal",
                        f"{first} and {second} use the same energy in every month, to "
                        f"{percent(NEARLY_EQUAL, 1)}. Both are in the totals: look whether one "
                        "meter stands under two sites, or a sub-meter under another name.",
                        file="meters.csv",
                        site=second,
                    )
                )
    return sorted(found, key=lambda f: f.message)


def files_shared(portfolio: Portfolio) -> list[Finding]:
    """Meters of two sites that name the same values of the same file."""
    seen: dict[tuple, Meter] = {}
    found = []
    for meter in portfolio.meters:
        if meter.meter_column is not None:
            continue  # each reads its own rows
        first = seen.setdefault((meter.file, meter.value_column), meter)
        if first.site != meter.site:
            found.append(
                Finding(
                    "file_shared",
                    f"meter {meter.meter} of {meter.site} reads the same values of {meter.file} as "
                    f"meter {first.meter} of {first.site}. One reading can show one saving: give "
                    "each its own file, value_column or meter_column.",
                    file=meter.source.file,
                    line=meter.source.line,
                    column="file",
                    site=meter.site,
                    meter=meter.meter,
                )
            )
    return found


def _words(used: Sequence[SiteResult], confidence: float) -> dict[str, str]:
    """What chance alone does among many sites."""
    if not used:
        return {}
    shown = sum(r.verdict == "savings shown" for r in used)
    return {"chance": false_verdicts(len(used), shown, confidence).words}
