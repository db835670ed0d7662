"""A portfolio's result as a page model: counts, totals, one row a site, money."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from mv.quantity import Months
from mv.report import record, text, trail
from mv.report.charts.base import NotDrawn
from mv.report.drawn import chart_data, drawn
from mv.report.format import Figure, Name, Say, Sentence, listed, sentence
from mv.report.pages import PARTY_WORDS, Headline
from mv.report.plan_sections import drifting_rows
from mv.report.portfolio_parts import (
    as_interval,
    bare_ends,
    carrier_tables,
    estimated_rows,
    group_rows,
    money_rows,
    ranked,
    sampling_section,
    trial_rows,
)
from mv.report.rows import Row
from mv.results import VERDICTS, PortfolioResult, SiteResult

COUNT_WORDS = (
    ("entered", "sites entered"),
    ("used", "counted in the totals"),
    ("not_verifiable", "not verifiable"),
    ("not_yet_due", "not yet due"),
    ("comparison", "comparison sites, in no total"),
)


@dataclass(frozen=True, slots=True)
class SiteRow:
    """One line of the table of sites."""

    key: str
    href: str
    name: str
    group: str
    carrier: str
    verdict: str
    mark: str
    flag: str
    saving: Figure
    range: Sentence | str
    share: Figure
    estimated: Figure
    rate: Figure
    net_cost: Figure
    payback: Figure | Sentence
    reason: str


@dataclass(frozen=True, slots=True)
class Head:
    """Head of a column of the table of sites."""

    words: str
    number: bool = True


def table_head(groups: bool, carriers: bool) -> list[Head]:
    """Columns of the table of sites; group and carrier only where they tell sites apart."""
    head = [Head("site", number=False), Head("verdict", number=False)]
    head += [Head("group", number=False)] * groups + [Head("carrier", number=False)] * carriers
    head += [Head("avoided energy, range"), Head("share")]
    head += [Head(w) for w in ("estimated a year", "realisation rate", "net cost", "payback")]
    return head


def site_row(site: SiteResult, say: Say, href: str) -> SiteRow:
    """A site's line, worded."""
    told = say.interval(site.avoided_energy, "avoided_energy")
    gap = Figure("—")
    annual, money = site.annual, site.money
    rate = annual.realisation_rate if annual else None
    found = money.simple_payback_realised if money else None
    flag = "interim" if site.interim else ""
    standing = text.standing(site)
    return SiteRow(
        key=site.site,
        href=href,
        name=site.name or site.site,
        group=site.group,
        carrier=text.carrier_label(site.carrier),
        verdict=standing.words,
        mark=standing.mark,
        flag=flag,
        saving=told["value"] if told else gap,
        range=bare_ends(told["low"], told["high"]) if told else "",
        share=told["fraction"] if told else gap,
        estimated=say.figure(annual.estimated_savings, annual.unit, "annual.estimated_savings")
        if annual and annual.estimated_savings is not None
        else gap,
        rate=say.percent(rate.value, "annual.realisation_rate.value", half=rate.half_width or 0.0)
        if rate
        else gap,
        net_cost=say.money(money.net_cost, "money.net_cost")
        if money and money.net_cost is not None
        else gap,
        payback=_payback(found, say) if found and found.months is not None else gap,
        reason=site.reason,
    )


def _payback(found: Months, say: Say) -> Figure | Sentence:
    """A site's payback; where the saving's range reaches zero, from where on it lies."""
    months = say.years(found.months, "money.simple_payback_realised.months")
    if found.low is None or found.high is not None:
        return months
    low = say.years(found.low, "money.simple_payback_realised.low")
    return sentence("at least {low}", low=low)


def lead(result: PortfolioResult, say: Say) -> list[Sentence]:
    """Sentences at the head: how many of how many, the largest total, what is left out."""
    counts = result.counts
    entered = counts.get("entered", 0)
    if entered == 0:
        return [sentence("The portfolio has no site with a retrofit; there is nothing to verify.")]
    out = []
    if result.totals:
        out += _total(result, say)
    if not result.totals:
        out.append(
            sentence(
                "None of the {entered} sites could be verified; no total is given.",
                entered=say.whole(entered, "counts.entered"),
            )
        )
    missing = counts.get("not_verifiable", 0)
    due = counts.get("not_yet_due", 0)
    if missing or due:
        words = []
        if missing:
            words.append(f"{missing} not verifiable")
        if due:
            words.append(f"{due} not yet due")
        out.append(
            sentence("Left out of the totals: {w}. They stay in the table below.", w=listed(words))
        )
    return out


def _total(result: PortfolioResult, say: Say) -> list[Sentence]:
    """What the meters of all counted sites show together, and how sure it is."""
    total = result.totals[0]
    told = say.interval(total.avoided_energy, "totals[0].avoided_energy")
    value, low, high = (told[k] for k in ("value", "low", "high"))
    ranged = low.value is not None and high.value is not None
    less = value.value is not None and value.value > 0
    if ranged and low.value <= 0 <= high.value:
        what = (
            "together their meters can't tell the retrofits' effect from ordinary variation: the "
            "best figure is {value} of {carrier} less ({share}), and its range holds zero."
            if less
            else "together their meters can't tell the retrofits' effect from ordinary variation: "
            "the best figure is {more} of {carrier} more ({more_share}), and its range holds zero."
        )
    elif less:
        what = (
            "together they used about {value} of {carrier} ({share}) less than without the "
            "retrofits."
        )
    else:
        what = (
            "together they used about {more} of {carrier} ({more_share}) more than their baselines "
            "lead one to expect."
        )
    range_words = (
        "With {level} confidence the total lies between {low} and {high}."
        if ranged
        else "No range can be given for this total; treat it as an indication only."
    )
    return [
        sentence(
            "{used} of {entered} sites could be verified; " + what,
            used=say.whole(result.counts.get("used", 0), "counts.used"),
            entered=say.whole(result.counts.get("entered", 0), "counts.entered"),
            value=value,
            share=told["fraction"],
            more=text.turned(value),
            more_share=text.turned(told["fraction"]),
            carrier=text.carrier_label(total.carrier),
        ),
        sentence(
            range_words,
            level=text.confidence_words(result.confidence),
            low=low,
            high=high,
        ),
    ]


def headlines(result: PortfolioResult, say: Say) -> list[Headline]:
    """Saving, its share, money a year, payback."""
    level = text.confidence_words(result.confidence)
    out = []
    if result.totals:
        t = result.totals[0]
        told = say.interval(t.avoided_energy, "totals[0].avoided_energy")
        carrier = text.carrier_label(t.carrier)
        out.append(
            Headline(
                f"avoided, {carrier}",
                told["value"],
                _at(told["low"], told["high"], level),
                "totals[0].avoided_energy.value",
            )
        )
        out.append(
            Headline(
                "of the adjusted baseline",
                told["fraction"],
                _at(told["fraction_low"], told["fraction_high"], level),
                "totals[0].avoided_energy.fraction",
            )
        )
    yearly = as_interval(result.money.get("annual_cost_savings"))
    if yearly is not None:
        told = say.money_interval(yearly, "money.annual_cost_savings")
        out.append(
            Headline(
                "cost savings a year",
                told["value"],
                _at(told["low"], told["high"], level),
                "money.annual_cost_savings.value",
            )
        )
    payback = result.money.get("payback")
    if isinstance(payback, dict) and payback.get("months") is not None:
        value = say.years(payback["months"], "money.payback.months")
        low, high = (say.years(payback.get(k), f"money.payback.{k}") for k in ("low", "high"))
        under = (
            _at(low, high, level)
            if low.value is not None and high.value is not None
            else (
                sentence("at least {low}, no upper limit", low=low)
                if low.value is not None
                else sentence("no range")
            )
        )
        out.append(
            Headline("simple payback of the counted sites", value, under, "money.payback.months")
        )
    return out


def _at(low: Figure, high: Figure, level: str) -> Sentence:
    if low.value is None or high.value is None:
        return sentence("no range can be given")
    return sentence(
        "{a} to {b} at {level}", a=Figure(low.text, "", low.path, low.value), b=high, level=level
    )


def portfolio_page(result: PortfolioResult, say: Say, context: Any) -> dict[str, Any]:
    """Everything that `portfolio.html` prints."""
    charts = drawn("portfolio", result, say)
    level = text.confidence_words(result.confidence)
    hrefs = {s.site: f"sites/{s.site}.html" for s in result.sites}
    rows = [site_row(s, say, hrefs[s.site]) for s in result.sites]
    parts = {f"totals[{i}]": text.carrier_label(t.carrier) for i, t in enumerate(result.totals)}
    how = trail.trail(result.derivations, say, parts)
    figures = headlines(result, say)
    placed = [h.how for h in figures if h.how in how]
    out_of_totals = [r for r in rows if r.verdict in ("not verifiable", "not yet due")]
    verdicts = [
        (
            v,
            text.VERDICT_MARKS[v],
            text.VERDICT_MEANINGS[v],
            say.whole(result.counts.get(v, 0), f"counts.{v}"),
        )
        for v in VERDICTS
    ]
    groups = sorted({r.group for r in rows if r.group})
    carriers = sorted({r.carrier for r in rows})
    interim = sum(s.interim for s in result.sites)
    return {
        "name": result.name,
        "paper": context.paper,
        "heading": result.name or "Portfolio",
        "interim": f"Interim: at {interim} of {len(result.sites)} sites the reporting period "
        f"is not complete."
        if interim
        else "",
        "lead": lead(result, say),
        "headlines": figures,
        "counts": [
            (label, say.whole(result.counts.get(key, 0), f"counts.{key}"))
            for key, label in COUNT_WORDS
        ],
        "verdicts": verdicts,
        "chance": Name(result.words.get("chance", "")),
        "totals": carrier_tables(result.totals, say, level),
        "estimated": estimated_rows(result, say),
        "sites": rows,
        "head": table_head(bool(groups), len(carriers) > 1),
        "groups": groups,
        "carriers": carriers,
        "carrier_column": 3 if groups else 2,
        "left_out": out_of_totals,
        "left_out_remedies": {
            s.site: Name(s.remedy) for s in result.sites if s.verdict == "not verifiable"
        },
        "group_rows": group_rows(result.groups, say),
        "money": money_rows(result, say),
        "ranked": ranked(result, say, hrefs),
        "charts": charts,
        "chart_data": chart_data(charts),
        "trials": trial_rows(result.placebo, say),
        "drifting": drifting_rows(result.drifting, say),
        "sampling": sampling_section(result.sampling, say),
        "words": [Name(v) for k, v in result.words.items() if k != "chance"],
        "departures": record.departure_rows(result.departures),
        "findings": record.finding_rows(result.findings),
        "inputs": record.input_rows(result.inputs, say),
        "head_rows": [Row(PARTY_WORDS[k], (Name(v),)) for k, v in context.parties.items()]
        + [
            Row("Confidence", (level,)),
            Row("Computed", (text.computed(result.created, result.method_version),)),
        ],
        "how": how,
        "placed": [how[k] for k in placed],
        "rest": [told for k, told in how.items() if k not in placed],
        "cautions": text.CAUTIONS,
        "computed": text.computed(result.created, result.method_version),
        "is_drawn": {k: not isinstance(c, NotDrawn) for k, c in charts.items()},
    }
