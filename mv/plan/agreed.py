"""What is agreed beside the numbers: who, with which meters, at which prices, by which rules?

Plain mappings made from the folder's own tables; each goes into the frozen plan as it stands and
is what a later report is compared with.

Contents: IPMVP Core Concepts, list of plan contents; FEMP M&V plan outline, risk and
responsibility (both from memory).
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

from mv.findings import Finding, FolderError, gravest_first
from mv.money.account import choose_rate
from mv.portfolio.schema import SiteDescription
from mv.prepare import PreparedCarrier, PreparedSite

OPTIONS = {
    "whole_facility": (
        "C",
        "Whole facility, adjusted for weather and operating days: the meters see the whole site, "
        "and every change in it counts, also those that have nothing to do with the works.",
    ),
    "retrofit_isolation": (
        "B",
        "Retrofit isolation, all parameters measured: the meters see the retrofitted system "
        "alone; effects on heating and cooling lie outside.",
    ),
}
"""IPMVP option by the meters' boundary, with its reason (from memory)."""

LOST_DATA = (
    ("a day with too few intervals", "left out of fit and sum alike; never filled"),
    ("a day without temperature", "left out of fit and sum alike"),
    ("a bill that was estimated", "joined with the following ones up to the next actual read"),
    ("a non-routine event marked exclude", "its days are left out of fit and sum alike"),
    ("a non-routine event marked adjust", "corrected by the stated change, with its error"),
    (
        "less than three quarters of a period's days",
        "no figure is given, with the reason and what would mend it",
    ),
)
"""What happens to data that are lost; agreed before anyone knows which."""


def common(description: SiteDescription, prepared: PreparedSite) -> dict[str, Any]:
    """What every plan holds, plannable or not."""
    site = description.site
    return {
        "site": site.site,
        "name": site.label,
        "group": site.group,
        "retrofits": [
            r.model_dump(mode="json", exclude={"source"}) | {"line": r.source.line}
            for r in description.retrofits
        ],
        "events": [
            e.model_dump(mode="json", exclude={"source"}) | {"line": e.source.line}
            for e in description.events
        ],
        "calendar": calendar(description, prepared),
        "static_factors": [
            {
                "factor": f.factor,
                "baseline_value": f.baseline_value,
                "unit": f.unit,
                "note": f.note,
                "empty": not f.baseline_value.strip(),
            }
            for f in description.static_factors
        ],
        "responsibilities": responsibilities(description),
        "fixtures": [f.model_dump(mode="json", exclude={"source"}) for f in description.fixtures],
        "rates": {
            b.key: b.values
            for b in description.rates
            if b.key in {m.rate for m in description.meters}
        },
        "lost_data": [{"lost": what, "treatment": then} for what, then in LOST_DATA],
        "inputs": [dict(i) for i in prepared.inputs],
    }


def meters(
    description: SiteDescription, prepared: PreparedSite, carrier: PreparedCarrier
) -> list[dict[str, Any]]:
    """The claim's meters as described, with what was read from them."""
    found = []
    for meter in description.meters:
        if meter.meter not in carrier.meters:
            continue
        got = prepared.readings[meter.meter]
        own = meter.model_dump(
            mode="json",
            include={"meter", "carrier", "data", "file", "unit", "multiplier", "boundary", "rate",
                     "heat_content", "flow", "stamp", "time_zone"},
        )  # fmt: skip
        found.append(
            own
            | {
                "step": got.input.get("step"),
                "time_basis": got.input.get("time_basis"),
                "first": got.input.get("first"),
                "last": got.input.get("last"),
                "coverage": got.input.get("coverage"),
                "responsible": "; ".join(
                    dict.fromkeys(r.responsible for r in carrier.retrofits if r.responsible)
                ),
            }
        )
    return found


def calendar(description: SiteDescription, prepared: PreparedSite) -> dict[str, Any]:
    """The operating calendar, learned or given; empty where nothing could be read."""
    own = prepared.calendar
    if own is None:
        return {}
    days = own.days
    year = days.iloc[-365:]
    return {
        "week": own.week_words,
        "origin": own.origin,
        "words": own.words,
        "country": description.site.country,
        "region": description.site.region,
        "holidays": [f"{d.isoformat()} {name}" for d, name in sorted(own.holidays.items())],
        "exceptions": [
            d.model_dump(mode="json", exclude={"source"}) for d in description.operating_days
        ],
        "operating_days_a_year": int(year["operating"].sum()),
        "to_confirm": own.origin == "learned",
    }


def prices(description: SiteDescription, carrier: PreparedCarrier) -> dict[str, Any]:
    """The rate that prices the claim, and the rates that stand beside it."""
    own = [m for m in description.meters if m.meter in carrier.meters]
    try:
        choice = choose_rate(own, description.rates)
    except FolderError as error:
        return {"rate": None, "why": str(error.findings[0])}
    if choice.rate is None:
        return {"rate": None, "why": choice.why}
    head = choice.rate.head
    block = next((b for b in description.rates if b.key == choice.rate.key), None)
    return {
        "rate": choice.rate.key,
        "name": head.name,
        "source": choice.rate.source,
        "basis": head.basis,
        "price": head.price,
        "parts": sorted(choice.rate.parts),
        "values": block.values if block is not None else {},
        "others": [
            {"rate": b.key, "basis": b.values.get("basis"), "of": b.values.get("of")}
            for b in description.rates
            if b.values.get("of") == choice.rate.key
        ],
    }


def responsibilities(description: SiteDescription) -> list[dict[str, str]]:
    """Who answers for what, as far as the folder says; the rest is left to be agreed."""
    settings = description.settings
    named = "; ".join(dict.fromkeys(r.responsible for r in description.retrofits if r.responsible))
    open_ = "to be agreed"
    owner, contractor = settings.client or open_, settings.contractor or open_
    return [
        {"what": "performance of what is installed (count, watts)", "who": named or contractor},
        {"what": "hours of use and operation after the works", "who": named or owner},
        {"what": "weather", "who": "nobody: adjusted for by the model"},
        {"what": "energy prices", "who": owner},
        {"what": "changes of the site (static factors), and reporting them", "who": owner},
        {"what": "meter readings, complete and in time", "who": owner},
        {"what": "this plan and the report", "who": settings.prepared_by or open_},
        {"what": "review", "who": settings.reviewer or open_},
    ]


def questions(
    description: SiteDescription,
    prepared: PreparedSite,
    carrier: PreparedCarrier,
    estimated: float | None,
) -> list[str]:
    """What the owner is asked before the plan is signed."""
    asked = []
    own = prepared.calendar
    if own is not None and own.origin == "learned":
        asked.append(
            f"Is {own.week_words} the site's operating week? It was learned from the "
            "baseline; enter it as operating_week in sites.csv once confirmed."
        )
    if description.site.country is None:
        asked.append("Which public holidays does the site keep? Enter its country in sites.csv.")
    if not description.static_factors:
        asked.append(
            "Which static factors hold (floor area in use, occupancy, hours, equipment, tenants)? "
            "List them in static_factors.csv."
        )
    for factor in description.static_factors:
        if not factor.baseline_value.strip():
            asked.append(f"What is the baseline value of the static factor {factor.factor!r}?")
    if estimated is None:
        asked.append("How much is the retrofit to save? Without an estimate nothing can be planned "
                     "but the smallest saving that can be seen.")  # fmt: skip
    if any(m.rate is None for m in description.meters if m.meter in carrier.meters):
        asked.append("Under which rate is the claimed energy bought? Name it in meters.csv.")
    if any(r.measure_life is None for r in description.retrofits):
        asked.append("Over how many years is the measure to last? Enter measure_life.")
    return asked


def finding_fields(findings: Iterable[Finding]) -> list[dict[str, Any]]:
    """Findings as mappings, the gravest first, each once."""
    return [
        {
            "rule": f.rule,
            "action": f.action,
            "message": f.message,
            "where": f.where(),
            "count": f.count,
            "effect": f.effect,
        }
        for f in gravest_first(dict.fromkeys(findings))
    ]
