"""A site's result as a page model: what is said, in what order, worded and rounded.

No markup here and no arithmetic in the templates: every entry is text, a `Figure` that carries
its full value, or a `Sentence` made of both.  The order is that of a verification report:
summary, installation, data, model, savings, uncertainty, events, demand, money, other meters,
acceptance, findings, inputs, the trail of each figure, glossary, cautions.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from mv.quantity import Months
from mv.report import evidence, money_pages, outcome, peers, record, text, trail
from mv.report.charts.view import SiteView
from mv.report.drawn import chart_data, drawn
from mv.report.format import NOT_GIVEN, Figure, Name, Say, Sentence, date, sentence
from mv.report.peers import range_of
from mv.report.plan_sections import early_section, isolation_section
from mv.report.rows import Row
from mv.results import SiteResult

PARTY_WORDS = {
    "client": "Client",
    "contractor": "Contractor",
    "reviewer": "Reviewer",
    "prepared_by": "Prepared by",
    "reference": "Reference",
    "address": "Address",
}


@dataclass(frozen=True, slots=True)
class Headline:
    """One of the four figures at the head of a page."""

    label: str
    figure: Figure
    under: Sentence
    how: str = ""
    """Key of the derivation that shows how it was made."""


# -- headlines ---------------------------------------------------------------------------------
def headlines(site: SiteResult, say: Say) -> list[Headline]:
    """The four figures: saving, its share, money, payback; for a site without a saving, what was
    promised and what the data cover."""
    if site.role == "comparison":
        return []
    level = text.confidence_words(site.confidence)
    money = site.money
    planned = money.simple_payback_estimated if money else None
    plan_years = say.years(
        planned.months if planned else None, "money.simple_payback_estimated.months"
    )
    if site.avoided_energy is None or site.verdict == "not verifiable":
        return _bare_headlines(site, say, plan_years)
    told = say.interval(site.avoided_energy, "avoided_energy")
    share = {
        k.removeprefix("fraction_").replace("fraction", "value"): told[k]
        for k in ("fraction", "fraction_low", "fraction_high")
    }
    out = [
        Headline(
            "avoided energy in the reporting period",
            told["value"],
            range_of(told, level),
            "avoided_energy.value",
        ),
        Headline(
            "of the adjusted baseline",
            share["value"],
            range_of(share, level),
            "avoided_energy.fraction",
        ),
    ]
    worth = say.money_interval(money.cost_savings if money else None, "money.cost_savings")
    out.append(
        Headline(
            "cost savings in the reporting period",
            worth["value"] if worth else Figure(NOT_GIVEN),
            range_of(worth, level) if worth else sentence("no rate or no price was given"),
            "money.cost_savings.value",
        )
    )
    found = money.simple_payback_realised if money else None
    years = say.years(found.months if found else None, "money.simple_payback_realised.months")
    if years.value is None and found is not None and found.words:
        years = Figure("none")
    out.append(
        Headline(
            "simple payback, realised",
            years,
            sentence(
                "{span}{plan}",
                span=_payback_span(found, say, level),
                plan=sentence("estimated {e}", e=plan_years)
                if plan_years.value is not None
                else sentence("no estimate was given"),
            ),
            "money.simple_payback_realised.months",
        )
    )
    return out


def _payback_span(found: Months | None, say: Say, level: str) -> Sentence:
    """The range of a payback, or from where on it lies; with what parts it from the next words."""
    if found is None or found.months is None or found.low is None:
        return sentence("")
    low = say.years(found.low, "money.simple_payback_realised.low")
    if found.high is None:
        return sentence("at least {low} at {level}, no upper limit; ", low=low, level=level)
    high = say.years(found.high, "money.simple_payback_realised.high")
    bare = Figure(low.text, "", low.path, low.value)
    return sentence("{low} to {high} at {level}; ", low=bare, high=high, level=level)


def _bare_headlines(site: SiteResult, say: Say, plan_years: Figure) -> list[Headline]:
    annual, periods = site.annual, site.periods
    used = say.whole(
        periods.baseline_days_used if periods else None, "periods.baseline_days_used", "days"
    )
    after = say.whole(
        periods.reporting_days_used if periods else None, "periods.reporting_days_used", "days"
    )
    of = say.whole(periods.baseline_days if periods else None, "periods.baseline_days")
    of_after = say.whole(periods.reporting_days if periods else None, "periods.reporting_days")
    return [
        Headline(
            "estimated savings a year",
            say.figure(annual.estimated_savings, annual.unit, "annual.estimated_savings")
            if annual
            else Figure(NOT_GIVEN),
            sentence("not verified"),
        ),
        Headline(
            *_cost(site, say),
            sentence("estimated payback {e}", e=plan_years)
            if plan_years.value is not None
            else sentence("no payback was estimated"),
        ),
        Headline("usable before the works", used, sentence("of {n} in the baseline period", n=of)),
        Headline(
            "usable after the works", after, sentence("of {n} in the reporting period", n=of_after)
        ),
    ]


def _cost(site: SiteResult, say: Say) -> tuple[str, Figure]:
    """Net cost; where no account was made, what the retrofit's row says it cost."""
    if site.money is not None and site.money.net_cost is not None:
        return "net cost", say.money(site.money.net_cost, "money.net_cost")
    for i, row in enumerate(site.retrofits):
        for key, label in (("actual_cost", "invoiced"), ("estimated_cost", "estimated cost")):
            if isinstance(row.get(key), int | float):
                amount = say.money(float(row[key]), f"retrofits[{i}].{key}")
                return f"{label}, before incentive", amount
    return "net cost", Figure(NOT_GIVEN)


# -- frame of the page -------------------------------------------------------------------------
def head_rows(site: SiteResult, say: Say, context: Any) -> list[Row]:
    """The title page's lines."""
    rows = [Row(PARTY_WORDS[k], (Name(v),)) for k, v in context.parties.items()]
    place = ", ".join(p for p in (site.region, site.country) if p)
    if place:
        rows.append(Row("Place", (Name(place),)))
    if site.floor_area:
        rows.append(Row("Floor area", (say.figure(site.floor_area, "m2", "floor_area"),)))
    rows.append(Row("Energy carrier", (text.carrier_label(site.carrier),)))
    rows.append(Row("Meters", (Name(", ".join(site.meters) or NOT_GIVEN),)))
    boundary = {
        "whole_facility": "whole facility (IPMVP Option C)",
        "retrofit_isolation": "retrofit isolation (IPMVP Option B)",
    }
    rows.append(Row("Measurement boundary", (boundary.get(site.boundary, site.boundary),)))
    if site.periods:
        p = site.periods
        rows.append(
            Row("Baseline period", (f"{date(p.baseline_start)} to {date(p.baseline_end)}",))
        )
        rows.append(
            Row("Reporting period", (f"{date(p.reporting_start)} to {date(p.reporting_end)}",))
        )
    rows.append(Row("Confidence", (text.confidence_words(site.confidence),)))
    rows.append(Row("Computed", (text.computed(context.created, context.method_version),)))
    return rows


def site_page(site: SiteResult, say: Say, context: Any) -> dict[str, Any]:
    """Everything that `site.html` prints."""
    view = SiteView(site, site)
    charts = drawn("site", view, say)
    parts = {
        f"others[{i}]": ", ".join(other.claims) or text.carrier_label(other.carrier)
        for i, other in enumerate(site.others)
    }
    how = trail.trail(site.derivations, say, parts)
    figures = headlines(site, say)
    placed = [h.how for h in figures if h.how in how]
    others = [peers.other(i, c, site, say) for i, c in enumerate(site.others)]
    return {
        "site": {"key": site.site, "name": site.name or site.site, "group": site.group},
        "portfolio": context.portfolio,
        "paper": context.paper,
        "role": site.role,
        "standing": text.standing(site),
        "interim": text.interim_words(site),
        "sentences": [
            f(site, say) for f in (text.verdict_sentence, text.range_sentence, text.money_sentence)
        ],
        "headlines": figures,
        "realisation": text.realisation_sentence(site, say),
        "head_rows": head_rows(site, say, context),
        "subtitle": text.subtitle(site),
        "charts": charts,
        "chart_data": chart_data(charts),
        "installed": evidence.installed(site, say),
        "lighting": evidence.lighting(site, say),
        "periods": evidence.period_rows(site, say),
        "exclusions": evidence.exclusion_rows(site, say),
        "exclusion_words": evidence.exclusion_words(site),
        "days": evidence.operating_rows(site, say),
        "model": evidence.model(site, say),
        "candidates": evidence.candidate_rows(site, say),
        "savings": outcome.saving_rows(site, say, how),
        "cross_check": outcome.cross_check(site, say),
        "early": early_section(site, say),
        "isolation": isolation_section(site, say),
        "uncertainty": outcome.uncertainty(site, say, how),
        "events": outcome.events(site, say),
        "static_factors": outcome.static_factors(site),
        "demand": outcome.demand(site, say),
        "money": money_pages.money(site, say, how),
        "others": others,
        "comparison": peers.comparison(site, say),
        "chance": peers.chance(site),
        "acceptance": record.acceptance_rows(site.acceptance, say),
        "findings": record.finding_rows(site.findings),
        "departures": record.departure_rows(site.departures),
        "inputs": record.input_rows(site.inputs, say),
        "how": how,
        "placed": [how[k] for k in placed],
        "rest": [told for k, told in how.items() if k not in placed],
        "cautions": text.CAUTIONS,
        "computed": text.computed(context.created, context.method_version),
    }
