"""A portfolio's result as a page model: counts, totals with both bounds, one row per site, money."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from mv.quantity import Interval
from mv.report import evidence, text, trail
from mv.report.charts.base import NotDrawn
from mv.report.format import NOT_GIVEN, Figure, Name, Say, Sentence, date, listed, sentence
from mv.report.pages import PARTY_WORDS, Headline, chart_data, drawn
from mv.report.rows import Row
from mv.results import VERDICTS, CarrierTotal, PortfolioResult, SiteResult

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
    payback: Figure
    reason: str


def _ends(low: Figure, high: Figure) -> Sentence | str:
    if low.value is None or high.value is None:
        return ""
    return sentence("{a} to {b}", a=Figure(low.text, "", low.path, low.value), b=high)


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
    return head + [
        Head("estimated a year"),
        Head("realisation rate"),
        Head("net cost"),
        Head("payback"),
    ]


def _bare(low: Figure, high: Figure) -> Sentence | str:
    """Both ends without a unit, for a column beside the value."""
    if low.value is None or high.value is None:
        return ""
    ends = (Figure(f.text, "", f.path, f.value) for f in (low, high))
    return sentence("{a} to {b}", **dict(zip("ab", ends, strict=True)))


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
        range=_bare(told["low"], told["high"]) if told else "",
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
        payback=say.years(found.months, "money.simple_payback_realised.months")
        if found and found.months is not None
        else gap,
        reason=site.reason,
    )


def _totals(totals: list[CarrierTotal], say: Say, level: str) -> list[dict[str, Any]]:
    out = []
    for i, t in enumerate(totals):
        path = f"totals[{i}]"
        told = say.interval(t.avoided_energy, f"{path}.avoided_energy")
        half = t.avoided_energy.half_width or 0.0
        bound = {
            k: say.figure(getattr(t.conservative, k), t.unit, f"{path}.conservative.{k}", half=half)
            for k in ("value", "low", "high")
        }

        def energy(name: str, t=t, path=path, half=half) -> Figure:
            return say.figure(getattr(t, name), t.unit, f"{path}.{name}", half=half)

        rows = [
            Row("Sites counted", (say.whole(t.sites, f"{path}.sites"), "")),
            Row("Adjusted baseline", (energy("adjusted_baseline"), "")),
            Row("Measured", (energy("measured"), "")),
            Row("Avoided energy", (told["value"], _ends(told["low"], told["high"])), mark="total",
                note=f"at {level}; site ranges in quadrature, and what all share added straight"),
            Row("The same, all errors alike", (bound["value"], _ends(bound["low"], bound["high"])),
                note="the conservative bound: every site's half-width added straight"),
            Row("Part that all sites share", (say.figure(t.common_part, t.unit, f"{path}.common_part"), "")),
        ]  # fmt: skip
        if t.annual_verified is not None:
            year = say.interval(t.annual_verified, f"{path}.annual_verified")
            rows.append(
                Row("Verified savings a year", (year["value"], _ends(year["low"], year["high"])))
            )
        if t.annual_estimated is not None:
            figure = say.figure(t.annual_estimated, t.unit, f"{path}.annual_estimated", digits=4)
            rows.append(Row("Estimated savings a year, same sites", (figure, "")))
        if t.realisation_rate is not None:
            rate = t.realisation_rate
            parts = {
                k: say.percent(
                    getattr(rate, k), f"{path}.realisation_rate.{k}", half=rate.half_width or 0
                )
                for k in ("value", "low", "high")
            }
            rows.append(
                Row("Realisation rate", (parts["value"], _ends(parts["low"], parts["high"])))
            )
        out.append({"carrier": text.carrier_label(t.carrier), "rows": rows})
    return out


# -- the head ----------------------------------------------------------------------------------
def lead(result: PortfolioResult, say: Say) -> list[Sentence]:
    """Sentences at the head: how many of how many, the largest total, what is left out."""
    counts = result.counts
    entered, used = counts.get("entered", 0), counts.get("used", 0)
    if entered == 0:
        return [sentence("The portfolio has no site with a retrofit; there is nothing to verify.")]
    out = []
    for i, t in enumerate(result.totals[:1]):
        told = say.interval(t.avoided_energy, f"totals[{i}].avoided_energy")
        shape = (
            "{used} of {entered} sites could be verified, and together they used about {value} of {carrier} "
            "({share}) less than without the retrofits."
            if told["value"].value is not None and told["value"].value > 0
            else "{used} of {entered} sites could be verified; together they show no saving of {carrier} "
            "(best figure {value}, {share})."
        )
        out.append(
            sentence(
                shape,
                used=say.whole(used, "counts.used"),
                entered=say.whole(entered, "counts.entered"),
                value=told["value"],
                carrier=text.carrier_label(t.carrier),
                share=told["fraction"],
            )
        )
        out.append(
            sentence(
                "With {level} confidence the total lies between {low} and {high}.",
                level=text.confidence_words(result.confidence),
                low=told["low"],
                high=told["high"],
            )
        )
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
        under = _at(low, high, level) if low.value is not None and high.value is not None else (
            sentence("at least {low}, no upper limit", low=low) if low.value is not None else sentence("no range")
        )  # fmt: skip
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


def as_interval(value: Any) -> Interval | None:
    """An interval from itself or from its mapping."""
    if isinstance(value, Interval) or value is None:
        return value
    names = Interval.__dataclass_fields__
    return Interval(**{k: v for k, v in value.items() if k in names})


def _money_rows(result: PortfolioResult, say: Say) -> list[Row]:
    """Estimate beside realised, for the sites that count."""
    money = result.money

    def amount(key: str) -> Figure:
        return say.money(_float(money.get(key)), f"money.{key}")

    def spread(key: str) -> tuple[Any, Any]:
        interval = as_interval(money.get(key))
        if interval is None:
            return Figure(NOT_GIVEN), ""
        told = say.money_interval(interval, f"money.{key}")
        return told["value"], _bare(told["low"], told["high"])

    if not money:
        return []
    found, planned = money.get("payback") or {}, money.get("payback_estimated") or {}
    low, high = (say.years(found.get(k), f"money.payback.{k}") for k in ("low", "high"))
    rows = [
        Row("Invested, before incentives", ("", amount("invested"), "")),
        Row("Net cost", (amount("net_cost_estimated"), amount("net_cost"), "")),
        Row(
            "Cost savings a year",
            (amount("annual_cost_savings_estimated"), *spread("annual_cost_savings")),
        ),
        Row("Cost savings in the reporting periods", ("", *spread("cost_savings"))),
        Row(
            "Simple payback",
            (
                say.years(planned.get("months"), "money.payback_estimated.months"),
                say.years(found.get("months"), "money.payback.months"),
                _bare(low, high),
            ),
            mark="total",
        ),
    ]
    if _float(money.get("recovered")) is not None:
        share = say.percent(money.get("recovered_fraction"), "money.recovered_fraction")
        rows.append(
            Row("Recovered so far", ("", sentence("{a} ({b})", a=amount("recovered"), b=share), ""))
        )
    left = _float(money.get("net_cost_left_out"))
    if left:
        rows.append(Row("Net cost of sites left out", ("", amount("net_cost_left_out"), "")))
    return rows


def _float(value: Any) -> float | None:
    return float(value) if isinstance(value, int | float) and not isinstance(value, bool) else None


def _ranked(result: PortfolioResult, say: Say, hrefs: dict[str, str]) -> list[dict[str, Any]]:
    """Sites below their estimate, by the money that is missing."""
    names = {s.site: s.name or s.site for s in result.sites}
    out = []
    for i, entry in enumerate(result.money.get("ranked") or []):
        key = str(entry.get("site", ""))
        short = entry.get("shortfall")
        if short is None or short <= 0:
            continue
        path = f"money.ranked[{i}]"
        low, high = (say.money(entry.get(k), f"{path}.{k}") for k in ("low", "high"))
        out.append(
            {
                "name": names.get(key, key),
                "href": hrefs.get(key, ""),
                "estimated": say.money(entry.get("estimated"), f"{path}.estimated"),
                "verified": say.money(entry.get("verified"), f"{path}.verified"),
                "range": _bare(low, high),
                "short": say.money(short, f"{path}.shortfall"),
                "why": "the whole range lies below the estimate"
                if entry.get("clear")
                else "the range holds the estimate",
            }
        )
    return out


def _estimated_rows(result: PortfolioResult, say: Say) -> list[Row]:
    """Estimated savings: entered = used + not verifiable + not yet due, by carrier."""
    carriers: dict[str, dict[str, float]] = {}
    for key, value in result.estimated.items():
        carrier, _, which = key.rpartition("/")
        carriers.setdefault(carrier, {})[which] = value
    units = {t.carrier: t.unit for t in result.totals}
    units |= {s.carrier: s.unit for s in result.sites}
    return [
        Row(
            text.carrier_label(carrier),
            tuple(
                say.figure(
                    parts.get(which),
                    units.get(carrier, ""),
                    f"estimated[{carrier}/{which}]",
                    digits=4,
                )
                for which in ("entered", "used", "not_verifiable", "not_yet_due")
            ),
        )
        for carrier, parts in carriers.items()
    ]


def portfolio_page(result: PortfolioResult, say: Say, context: Any) -> dict[str, Any]:
    """Everything that `portfolio.html` prints."""
    charts = drawn("portfolio", result, say)
    level = text.confidence_words(result.confidence)
    hrefs = {s.site: f"sites/{s.site}.html" for s in result.sites}
    rows = [site_row(s, say, hrefs[s.site]) for s in result.sites]
    how = trail.trail(result.derivations, say)
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
        "interim": f"Interim: at {interim} of {len(result.sites)} sites the reporting period is not complete."
        if interim
        else "",
        "lead": lead(result, say),
        "headlines": figures,
        "counts": [
            (label, say.whole(result.counts.get(key, 0), f"counts.{key}"))
            for key, label in COUNT_WORDS
        ],
        "verdicts": verdicts,
        "chance": text.chance_words(result.counts.get("used", 0), result.confidence),
        "totals": _totals(result.totals, say, level),
        "estimated": _estimated_rows(result, say),
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
        "money": _money_rows(result, say),
        "ranked": _ranked(result, say, hrefs),
        "charts": charts,
        "chart_data": chart_data(charts),
        "trials": trial_rows(result.placebo, say),
        "sampling": [
            Row(Name(k.replace("_", " ")), (Name(str(v)),)) for k, v in result.sampling.items()
        ],
        "words": [Name(v) for k, v in result.words.items() if k != "chance"],
        "departures": evidence.departure_rows(result.departures),
        "findings": evidence.finding_rows(result.findings),
        "inputs": evidence.input_rows(result.inputs, say),
        "head_rows": [Row(PARTY_WORDS[k], (Name(v),)) for k, v in context.parties.items()]
        + [
            Row("Confidence", (level,)),
            Row("Computed", (text.computed(result.created, result.method_version),)),
        ],
        "how": how,
        "placed": placed,
        "rest": [k for k in how if k not in placed],
        "glossary": trail.glossary_rows(),
        "cautions": text.CAUTIONS,
        "computed": text.computed(result.created, result.method_version),
        "is_drawn": {k: not isinstance(c, NotDrawn) for k, c in charts.items()},
    }


def group_rows(groups: list[dict[str, Any]], say: Say) -> list[Row]:
    """One line a group and carrier: pooled saving with its range."""
    rows = []
    for i, row in enumerate(groups):
        path = f"groups[{i}]"
        pooled = as_interval(row.get("avoided_energy"))
        if pooled is None:
            continue
        told = say.interval(pooled, f"{path}.avoided_energy")
        half = pooled.half_width or 0.0
        base = say.figure(
            _float(row.get("adjusted_baseline")),
            pooled.unit,
            f"{path}.adjusted_baseline",
            half=half,
        )
        rows.append(
            Row(
                Name(str(row.get("group", ""))),
                (
                    text.carrier_label(str(row.get("carrier", ""))),
                    say.whole(row.get("sites"), f"{path}.sites"),
                    base,
                    told["value"],
                    _bare(told["low"], told["high"]),
                    told["fraction"],
                ),
            )
        )
    return rows


def trial_rows(placebo: dict[str, Any], say: Say) -> list[dict[str, Any]]:
    """What the placebo trial found, by carrier: how often the range held zero, as claimed or not."""
    out = []
    for carrier, told in placebo.items():
        if not isinstance(told, dict):
            continue
        path = f"placebo.{carrier}"
        rows = [
            Row(
                say.percent(line.get("claimed"), f"{path}.coverage[{i}].claimed"),
                (
                    say.percent(line.get("achieved"), f"{path}.coverage[{i}].achieved"),
                    say.percent(line.get("false_verdicts"), f"{path}.coverage[{i}].false_verdicts"),
                    say.whole(line.get("trials"), f"{path}.coverage[{i}].trials"),
                ),
            )
            for i, line in enumerate(told.get("coverage") or [])
        ]
        out.append(
            {
                "carrier": text.carrier_label(carrier),
                "words": Name(str(told.get("words") or "")),
                "rows": rows,
            }
        )
    return out
