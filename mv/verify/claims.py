"""How does each part of a site stand to its claims: a share of one, a claim of its own, or beside?

A saving that several retrofits share is split by their estimates, because no meter can do it; the
interval is split with it.  What is not claimed is shown and added to nothing.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Any

from mv import units
from mv.portfolio.schema import Retrofit
from mv.quantity import Interval
from mv.results import CarrierResult
from mv.verify.described import retrofit_fields
from mv.verify.draft import CarrierDraft, Draft
from mv.verify.estimate import annual_estimate
from mv.wording import number, percent


def retrofits_with_shares(
    draft: Draft, claims: Sequence[tuple[CarrierDraft, CarrierResult]]
) -> list[dict[str, Any]]:
    """Every retrofit of the site as read, with its share of the claim that it belongs to."""
    rows = []
    for retrofit in draft.description.retrofits:
        own = next(
            ((c, r) for c, r in claims if retrofit.retrofit in r.claims),
            None,
        )
        part = _part(draft, retrofit, *own) if own else {}
        rows.append(retrofit_fields(retrofit) | part)
    return rows


def _part(
    draft: Draft, retrofit: Retrofit, carrier: CarrierDraft, result: CarrierResult
) -> dict[str, Any]:
    annual = result.annual.verified_savings if result.annual else None
    together = carrier.prepared.retrofits
    if len(together) == 1:
        return {
            "share": 1.0,
            "verified_savings": annual.as_fields() if annual else None,
            "words": "Verified by itself.",
        }
    others = ", ".join(r.retrofit for r in together if r is not retrofit)
    estimates = {
        r.retrofit: annual_estimate(draft.description, replace(carrier.prepared, retrofits=(r,)))[0]
        for r in together
    }
    missing = [key for key, value in estimates.items() if value is None or value < 0]
    total = 0.0 if missing else sum(estimates.values())
    if not total > 0:
        why = f"{', '.join(missing)} has no estimate" if missing else "the estimates add up to zero"
        return {
            "share": None,
            "verified_savings": None,
            "words": f"Verified together with {others}; not split, because {why}.",
        }
    share = estimates[retrofit.retrofit] / total
    split = annual.scaled(share, annual.unit) if annual else None
    if split is not None:
        split = replace(split, method=f"{percent(share, 1)} of the claim, by estimate")
    return {
        "share": share,
        "verified_savings": split.as_fields() if split else None,
        "words": f"Verified together with {others}; {percent(share)} of the saving is its part by "
        "estimate, which no meter shows.",
    }


def relation(main: CarrierResult, other: CarrierResult) -> str:
    """What another result of the site has to do with its first claim."""
    label = units.CARRIERS[other.carrier].label
    if other.claimed:
        return f"A claim of its own: {', '.join(other.claims)}."
    if not main.claimed:
        return ""
    if other.carrier != main.carrier:
        return (
            f"Outside the claim: {label} over the same periods. "
            f"{_direction(other.avoided_energy)}It is never added to "
            f"{units.CARRIERS[main.carrier].label}."
        )
    if other.boundary == "whole_facility":
        return (
            "The whole facility around the claim's meters, as a check, added to nothing. "
            f"{_held_against(main, other)}"
        ).strip()
    return "Sub-meters beside the claim; what they show may be in it already. Added to nothing."


def _direction(saving: Interval | None) -> str:
    if saving is None or saving.low is None or saving.high is None:
        return ""
    if saving.low > 0:
        return "Its use fell. "
    if saving.high < 0:
        return "Its use rose, as heating does where lamps give less heat. "
    return "No change of its use can be told from ordinary variation. "


def _held_against(main: CarrierResult, whole: CarrierResult) -> str:
    """Whether the whole facility's interval holds the claim's saving."""
    claim, wide = main.avoided_energy, whole.avoided_energy
    if claim is None or wide is None or wide.low is None or wide.high is None:
        return ""
    if main.unit != whole.unit:
        return ""
    inside = wide.low <= claim.value <= wide.high
    verdict = "holds" if inside else "does not hold"
    more = "" if inside else " Something else changed, or the claim's meters miss a part."
    return (
        f"Its interval, {number(wide.low)} to {number(wide.high)} {whole.unit}, {verdict} "
        f"the claim's {number(claim.value)}.{more}"
    )
