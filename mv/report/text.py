"""What is said about results: every generated sentence of the pages, in one place.

Rules that pick a sentence stand here beside it and are pinned by tests; words that never change
stand in the templates.  No sentence promises, none blames, none calls a result proven, and none
gives a saving without its range and the confidence it holds at.
"""

from __future__ import annotations

from dataclasses import dataclass

from mv.report.format import Figure, Name, Say, Sentence, date, listed, sentence
from mv.results import CarrierResult, SiteResult
from mv.units import CARRIERS
from mv.wording import MINUS

VERDICT_MARKS = {
    "savings shown": "shown",
    "not distinguishable": "open",
    "use increased": "more",
    "not verifiable": "none",
}
"""Verdict → name of its shape and colour in the stylesheet."""

VERDICT_MEANINGS = {
    "savings shown": "the whole range of the saving lies above zero",
    "not distinguishable": "the range of the saving holds zero",
    "use increased": "the whole range lies below zero: use was higher than expected",
    "not verifiable": "no figure can be given",
}

CHECK_FIRST = (
    "hours of use",
    "controls switched off or overridden",
    "space, occupancy or equipment added",
    "heating or cooling changed",
    "the meter's multiplier and its boundary",
)
"""What to look at first where use increased; trade practice, no source."""

CAUTIONS = (
    "The figures are calculated from supplied data. They are no audit, no assurance, no legal "
    "opinion and no promise of future results.",
    "Conformity with a protocol can be claimed only by the person who signs, against that "
    "protocol's own conditions.",
    "Lighting and other electrical work belongs in the hands of licensed persons under local codes "
    "and permits. Nothing here directs such work.",
    "Old lamps may contain mercury, and old ballasts PCBs or DEHP. State and local rules apply; "
    "keep the records of disposal.",
    "Light levels, emergency lighting and escape routes have to be checked on site.",
    "Questions of tax, incentive and contract go to those who rule on them.",
    "Savings outside the measured period are projections.",
)


def carrier_label(carrier: str) -> str:
    """The carrier in words."""
    known = CARRIERS.get(carrier)
    return known.label if known else carrier.replace("_", " ")


def confidence_words(level: float) -> str:
    """`90 %`."""
    return f"{level * 100:g}\u202f%"


@dataclass(frozen=True, slots=True)
class Standing:
    """How a site stands in the portfolio: its verdict, or why it has none."""

    words: str
    mark: str
    meaning: str


def standing(site: CarrierResult) -> Standing:
    """The verdict, or that the site is not yet due or serves as a comparison."""
    if getattr(site, "role", "retrofit") == "comparison":
        return Standing("comparison site", "apart", "no retrofit; it counts in no total")
    if not getattr(site, "due", True):
        return Standing(
            "not yet due", "later", "the reporting period has not begun, or holds too little"
        )
    return Standing(site.verdict, VERDICT_MARKS[site.verdict], VERDICT_MEANINGS[site.verdict])


# -- the three sentences -----------------------------------------------------------------------
def verdict_sentence(site: SiteResult, say: Say) -> Sentence:
    """First sentence: what the meter shows, by verdict."""
    name = Name(site.name or site.site)
    if site.role == "comparison":
        return sentence(
            "{name} has no retrofit: it shows what happened anyway, and counts in no total.",
            name=name,
        )
    if site.verdict == "not verifiable" or site.avoided_energy is None or site.periods is None:
        return sentence(
            "No figure is given for {name}, because {reason}.",
            name=name,
            reason=Name(_clause(site.reason) or "no saving could be computed"),
        )
    told = say.interval(site.avoided_energy, "avoided_energy")
    span = {"start": date(site.periods.reporting_start), "end": date(site.periods.reporting_end)}
    if site.verdict == "savings shown":
        return sentence(
            "Between {start} and {end}, {name} used about {saved} of {carrier} ({share}) "
            "less than it "
            "would have used without the retrofit, once weather and days of operation are "
            "allowed for.",
            name=name,
            saved=told["value"],
            share=told["fraction"],
            carrier=carrier_label(site.carrier),
            **span,
        )
    if site.verdict == "use increased":
        more_figure = turned(told["value"])
        return sentence(
            "Between {start} and {end}, {name} used about {more} of {carrier} more than the "
            "baseline "
            "leads one to expect at the same weather and days of operation.",
            name=name,
            more=more_figure,
            carrier=carrier_label(site.carrier),
            **span,
        )
    return sentence(
        "Between {start} and {end}, the meter of {name} can't tell the retrofit's effect from "
        "ordinary variation: the best figure is {saved} ({share}), and its range holds zero.",
        name=name,
        saved=told["value"],
        share=told["fraction"],
        **span,
    )


def range_sentence(site: SiteResult, say: Say) -> Sentence:
    """Second sentence: how sure it is, or what to do where nothing can be said."""
    level = confidence_words(site.confidence)
    if site.role == "comparison":
        return sentence("Its history serves the placebo trial.")
    if site.verdict == "not verifiable" or site.avoided_energy is None:
        return sentence(
            "To obtain one: {remedy}.",
            remedy=Name(_inside(site.remedy) or "see the findings below for what is missing"),
        )
    told = say.interval(site.avoided_energy, "avoided_energy")
    if told["low"].value is None:
        return sentence("No range can be given for this figure; treat it as an indication only.")
    limit = site.uncertainty.minimum_detectable_fraction if site.uncertainty else None
    seen = say.percent(limit, "uncertainty.minimum_detectable_fraction")
    if site.verdict == "not distinguishable":
        words = (
            "With {level} confidence the true figure lies between {low} and {high}. That "
            "doesn't show "
            "that the retrofit failed: at this meter a saving below about {limit} can't be seen."
            if limit is not None
            else "With {level} confidence the true figure lies between {low} and {high}. "
            "That doesn't "
            "show that the retrofit failed."
        )
        return sentence(words, level=level, low=told["low"], high=told["high"], limit=seen)
    if site.verdict == "use increased":
        return sentence(
            "With {level} confidence use was between {low} and {high} higher. The retrofit "
            "may still "
            "have worked, and something else changed. Check first: {checks}.",
            level=level,
            low=turned(told["high"]),
            high=turned(told["low"]),
            checks=listed(list(CHECK_FIRST)),
        )
    return sentence(
        "With {level} confidence the true figure lies between {low} and {high}.",
        level=level,
        low=told["low"],
        high=told["high"],
    )


def money_sentence(site: SiteResult, say: Say) -> Sentence:
    """Third sentence: payback beside its estimate, or the estimate, or that money is unknown."""
    money = site.money
    if site.role == "comparison":
        return sentence("")
    if money is None and site.avoided_energy is None:
        return sentence("Nothing is said about money, because there is no verified saving.")
    if money is None:
        return sentence("Nothing is said about money, because no cost or no rate was given.")
    planned = money.simple_payback_estimated
    planned_years = say.years(
        planned.months if planned else None, "money.simple_payback_estimated.months"
    )
    known_plan = planned is not None and planned.months is not None
    plan = sentence(" The estimate was {e}.", e=planned_years) if known_plan else sentence("")
    found = money.simple_payback_realised
    net = say.money(money.net_cost, "money.net_cost")
    if found is None or found.months is None:
        why = _clause(found.words) if found else ""
        if site.verdict == "not verifiable" or not why:
            return sentence(
                "No realised payback is given, because there is no verified saving.{plan}",
                plan=plan,
            )
        return sentence("No realised payback is given: {why}.{plan}", why=Name(why), plan=plan)
    years = say.years(found.months, "money.simple_payback_realised.months")
    low = say.years(found.low, "money.simple_payback_realised.low")
    high = say.years(found.high, "money.simple_payback_realised.high")
    if found.high is not None and found.low is not None:
        span = sentence(
            " (between {low} and {high})", low=Figure(low.text, "", low.path, low.value), high=high
        )
    elif found.low is not None:
        span = sentence(" (at least {low}, with no upper limit)", low=low)
    else:
        span = sentence("")
    back = sentence("")
    if money.recovered_fraction is not None:
        share = say.percent(money.recovered_fraction, "money.recovered_fraction")
        back = sentence("; so far {share} has come back", share=share)
    shape = (
        "If the best figure is the true one, the net cost of {net} returns in about "
        "{years}{span}.{plan}"
        if site.verdict == "not distinguishable"
        else "At the rate in force the net cost of {net} returns in about "
        "{years}{span}{back}.{plan}"
    )
    return sentence(
        shape,
        net=net,
        years=years,
        span=span,
        back=back,
        plan=plan,
    )


def turned(figure: Figure) -> Figure:
    """A figure printed with its sign turned (a negative saving as more use); its value stays."""
    if not figure.value or not figure.text.lstrip(MINUS)[:1].isdigit():
        return figure
    text = figure.text.removeprefix(MINUS) if figure.text.startswith(MINUS) else MINUS + figure.text
    return Figure(text, figure.unit, figure.path, figure.value)


def _clause(text: str) -> str:
    """A sentence as part of another: no full stop."""
    return text.strip().rstrip(".")


def _inside(text: str) -> str:
    """A sentence after a colon: no full stop, and a small letter unless a name begins it."""
    clause = _clause(text)
    starts_a_word = clause[:1].isupper() and clause[1:2].islower()
    return clause[:1].lower() + clause[1:] if starts_a_word else clause


# -- further sentences -------------------------------------------------------------------------
def interim_words(carrier: CarrierResult) -> str:
    """Ribbon of an interim report; empty for a complete one."""
    if not carrier.interim:
        return ""
    periods = carrier.periods
    if periods is None:
        return "Interim: the reporting period is not complete."
    months = max(0, round(periods.reporting_days / 30.4))
    left = max(0, 12 - months)
    rest = (
        f"{left} month{'s' if left != 1 else ''} remain before it can be final."
        if left
        else "it is not yet final."
    )
    return f"Interim: {months} month{'s' if months != 1 else ''} measured; {rest}"


def realisation_sentence(site: SiteResult, say: Say) -> Sentence | None:
    """Verified against estimated, by the year; None without both."""
    annual = site.annual
    if annual is None or annual.realisation_rate is None or annual.verified_savings is None:
        return None
    rate = say.interval(annual.realisation_rate, "annual.realisation_rate")
    percent = {
        k: say.percent(
            getattr(annual.realisation_rate, k),
            f"annual.realisation_rate.{k}",
            half=annual.realisation_rate.half_width or 0.0,
        )
        for k in ("value", "low", "high")
    }
    verified = say.interval(annual.verified_savings, "annual.verified_savings")
    estimated = say.figure(
        annual.estimated_savings, annual.unit, "annual.estimated_savings", digits=4
    )
    if annual.verified_savings.value <= 0:
        return sentence(
            "In a year at normal conditions use would be {v} higher than before; the "
            "estimate was a "
            "saving of {e}.",
            v=turned(verified["value"]),
            e=estimated,
        )
    if rate["low"].value is None:
        return sentence(
            "In a year at normal conditions {v} are saved, {r} of the estimated {e}.",
            v=verified["value"],
            r=percent["value"],
            e=estimated,
        )
    shape = (
        "The best figure for a year at normal conditions is {v}, {r} of the estimated {e}; the "
        "realisation rate lies between {low} and {high}."
        if site.verdict == "not distinguishable"
        else "In a year at normal conditions {v} are saved: {r} of the estimated {e} "
        "(realisation rate between {low} and {high})."
    )
    return sentence(
        shape,
        v=verified["value"],
        r=percent["value"],
        e=estimated,
        low=percent["low"],
        high=percent["high"],
    )


def guideline_sentence(site: CarrierResult, say: Say) -> Sentence | None:
    """The figure that programmes ask for, and why it is not the official one."""
    u = site.uncertainty
    if u is None or u.guideline_14 is None:
        return None
    return sentence(
        "By the formula of ASHRAE Guideline 14 the half-width would be {g} instead of {h}. "
        "That formula "
        "knows the scatter of the model alone; buildings also drift from one year to the next, "
        "and the range printed here carries that drift.",
        g=say.figure(u.guideline_14, u.unit, "uncertainty.guideline_14", half=u.guideline_14),
        h=say.figure(u.half_width, u.unit, "uncertainty.half_width", half=u.half_width),
    )


def subtitle(site: SiteResult) -> str:
    """What the page is, below its title."""
    what = "Comparison site" if site.role == "comparison" else "Savings report"
    return f"{what}, {carrier_label(site.carrier)}"


def computed(created: str, version: str) -> str:
    """When, and by which version of the method."""
    when = f"{date(created)}, " if created else ""
    return f"{when}method version {version}"
