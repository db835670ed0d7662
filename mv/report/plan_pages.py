"""A frozen plan as pages: one for each site, one for the portfolio.

Pages are made from the plan's own mapping (what plan.json holds) and from nothing else, so a plan
that was agreed years ago can be drawn again as it was.  Contents by IPMVP's list of plan contents
and FEMP's plan outline (both from memory).
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

from mv.findings import RULES
from mv.report import plan_charts, text
from mv.report.charts.base import Chart, NotDrawn, keys_of
from mv.report.charts.static import draw
from mv.report.format import NOT_GIVEN, Figure, Name, Say, Sentence, date, listed, sentence
from mv.report.pages import PARTY_WORDS, DrawnChart, Headline, chart_data
from mv.report.render import RenderOptions, page, write_assets
from mv.report.rows import Row

RIBBON = "Plan, made from baseline data before the works. No saving is verified here."

HOW = (
    "The range is the one that a report will give: scatter of the model, drift of buildings from "
    "year to year, and heavy tails. Guideline 14's formula knows the scatter alone and promises "
    "more than it keeps; programmes ask for it, so it stands beside."
)

FACT_WORDS = {
    "title": "What is done",
    "installation_start": "Works begin",
    "installation_end": "Works end",
    "responsible": "Answers for performance",
    "measure_life": "Measure life, years",
}


def render_plan(
    plan: Mapping[str, Any], out: Path, *, options: RenderOptions | None = None
) -> list[Path]:
    """Write the plan's pages: `index.html`, `sites/<site>.html` and, unless inlined, `assets/`.

    Parameters
    ----------
    plan : the frozen plan, as plan.json holds it.
    out : folder, made when absent.

    Returns the files written.
    """
    options = options or RenderOptions()
    folder = Path(out) / "sites"
    folder.mkdir(parents=True, exist_ok=True)
    written = [Path(out) / "index.html"]
    written[0].write_text(plan_portfolio_page(plan, options), encoding="utf-8")
    for site in plan["sites"]:
        written.append(folder / f"{site['site']}.html")
        written[-1].write_text(plan_site_page(plan, site, options), encoding="utf-8")
    if not options.single_file:
        written += write_assets(Path(out))
    return written


def plan_site_page(plan: Mapping[str, Any], site: Mapping[str, Any], options: RenderOptions) -> str:
    """One site's plan as HTML."""
    say = Say(plan["currency"])
    charts = {
        name: _drawn(build(site, say))
        for name, build in (
            ("baseline", plan_charts.baseline_chart),
            ("months", plan_charts.months_chart),
            ("placebo", plan_charts.placebo_chart),
        )
    }
    model = {
        "portfolio": plan["name"],
        "site": {"name": site["name"], "group": site["group"], "key": site["site"]},
        "carrier": text.carrier_label(site["carrier"]) if site["carrier"] else "",
        "ribbon": RIBBON,
        "sentences": _sentences(site, say),
        "headlines": _headlines(site, say),
        "questions": [Name(q) for q in site["questions"]],
        "head_rows": _head_rows(plan),
        "retrofits": [_retrofit(r, say) for r in site["retrofits"]],
        "schedule": _schedule(site["fixtures"], say),
        "option": f"Option {site['option']}. {site['why_option']}" if site["option"] else "",
        "meters": [_meter(m, say) for m in site["meters"]],
        "periods": _periods(site["periods"], say),
        "late": _late(site["periods"]),
        "adjustment": _adjustment(site),
        "excluded": [
            Row(rule, (say.whole(n, f"excluded.{rule}"),)) for rule, n in site["excluded"].items()
        ],
        "model": _model(site["model"], say),
        "acceptance": [_limit(a, i, say) for i, a in enumerate(site["acceptance"])],
        "accuracy": _accuracy(site, say),
        "trial": site["placebo"].get("words", "No model was fitted."),
        "calendar": _calendar(site["calendar"], say),
        "factors": _table(
            site["static_factors"],
            {"factor": "factor", "baseline_value": "value in the baseline", "unit": "unit",
             "note": "remark"},
        ),
        "events": _table(
            site["events"],
            {"what": "what", "start": "from", "end": "to", "treatment": "treatment",
             "evidence": "evidence"},
        ),
        "prices": _prices(site["prices"]),
        "duties": [Row(d["what"], (Name(d["who"]),)) for d in site["responsibilities"]],
        "lost": [Row(x["lost"], (x["treatment"],)) for x in site["lost_data"]],
        "findings": [_finding(f) for f in site["findings"]],
        "inputs": [_input(i, say) for i in site["inputs"]],
        "digest": sentence(
            "Plan of {day}, made by version {version}; digest {digest}.",
            day=date(plan["created"]),
            version=plan["method_version"],
            digest=Name(plan.get("digest", "not frozen")),
        ),
        "cautions": text.CAUTIONS,
        "charts": charts,
        "chart_data": chart_data(charts),
    }  # fmt: skip
    return page("plan_site.html", model, options, "..")


def plan_portfolio_page(plan: Mapping[str, Any], options: RenderOptions) -> str:
    """The portfolio's plan as HTML."""
    say = Say(plan["currency"])
    charts = {"sites": _drawn(plan_charts.sites_chart(plan["sites"], say))}
    model = {
        "portfolio": plan["name"],
        "subtitle": f"{len(plan['sites'])} sites, made on {date(plan['created'])}",
        "ribbon": RIBBON,
        "sentences": _portfolio_sentences(plan, say),
        "totals": [_total(t, i, say) for i, t in enumerate(plan["totals"])],
        "head_rows": _head_rows(plan),
        "sites": [_site_line(s, i, say) for i, s in enumerate(plan["sites"])],
        "sample": _sample(plan["sample"], say),
        "trial": [Name(kind["words"]) for kind in plan["placebo"].values()],
        "frozen": {
            "words": "Once agreed, put plan.json into the portfolio folder. From then on every "
            "report is compared with it, and each departure is listed; none is an error, none is "
            "silent.",
            "rows": [
                Row("Made on", (date(plan["created"]),)),
                Row("By version", (plan["method_version"],)),
                Row("Digest of the plan", (Name(plan.get("digest", "not frozen")),)),
                Row("Drift", (Name(plan["prior"]["source"]),), note=Name(plan["prior"]["caution"])),
            ],
            "tables": [Row(Name(k), (Name(v),)) for k, v in plan["digests"].items()],
        },
        "cautions": text.CAUTIONS,
        "charts": charts,
        "chart_data": chart_data(charts),
    }
    return page("plan_portfolio.html", model, options, ".")


def _drawn(made: Chart | NotDrawn) -> DrawnChart | NotDrawn:
    return made if isinstance(made, NotDrawn) else DrawnChart(made, draw(made), keys_of(made))


# -- words ----------------------------------------------------------------------------------
def _sentences(site: Mapping[str, Any], say: Say) -> list[Sentence]:
    if site["status"] != "planned":
        out = [sentence("No plan can be made: {why}.", why=Name(site["reason"].rstrip(".")))]
        if site["remedy"]:
            out.append(sentence("To make one: {how}", how=Name(site["remedy"])))
        return out
    seen, planned = site["detection"], site["detection"]["planned"]
    level = text.confidence_words(seen["confidence"])
    smallest = say.percent(planned["fraction"], "detection.planned.fraction")
    months = say.whole(planned["months"], "detection.planned.months", "months")
    out = [
        sentence(
            "In {months} of reporting this meter can show a saving of {f} of the adjusted "
            "baseline or more, at {level} confidence.",
            months=months,
            f=smallest,
            level=level,
        )
    ]
    if planned["estimated"] is None:
        out.append(sentence("No saving is estimated, so it can't be said whether it can be seen."))
        return out
    share = say.percent(planned["estimated_fraction"], "detection.planned.estimated_fraction")
    chance = say.percent(planned["chance"], "detection.planned.chance")
    if planned["detectable"]:
        out.append(
            sentence(
                "The estimate is {f} and can be seen: if it comes true, savings are shown with a "
                "chance of {p}.",
                f=share,
                p=chance,
            )
        )
        out.append(
            sentence(
                "The shortest reporting period for it is {m}; a saving for the year needs all "
                "seasons measured.",
                m=say.whole(seen["months_needed"], "detection.months_needed", "whole months"),
            )
        )
        return out
    never = seen["months_needed"] is None
    out.append(
        sentence(
            "The estimate is {f} and "
            + ("can never be seen with this meter alone" if never else "can't be seen in that time")
            + ": if it comes true, savings are shown with a chance of {p} only. Ways to see it are "
            "listed under expected accuracy.",
            f=share,
            p=chance,
        )
    )
    return out


def _headlines(site: Mapping[str, Any], say: Say) -> list[Headline]:
    if not site["detection"]:
        return []
    seen, planned, unit = site["detection"], site["detection"]["planned"], site["unit"]
    level = text.confidence_words(seen["confidence"])
    needed = seen["months_needed"]
    return [
        Headline(
            "smallest saving that can be seen",
            say.percent(planned["fraction"], "detection.planned.fraction"),
            sentence("of the adjusted baseline, at {level}", level=level),
        ),
        Headline(
            "estimated saving",
            say.percent(planned["estimated_fraction"], "detection.planned.estimated_fraction"),
            sentence(
                "{e} a year", e=say.figure(site["estimate"]["annual"], unit, "estimate.annual")
            ),
        ),
        Headline(
            "months of reporting needed",
            say.whole(needed, "detection.months_needed") if needed else Figure("never"),
            sentence(
                "planned {m}", m=say.whole(planned["months"], "detection.planned.months", "months")
            ),
        ),
        Headline(
            "chance that savings are shown",
            say.percent(planned["chance"], "detection.planned.chance"),
            sentence("if the estimate comes true"),
        ),
    ]


def _head_rows(plan: Mapping[str, Any]) -> list[Row]:
    settings = plan["settings"]
    rows = [Row(PARTY_WORDS[k], (Name(settings[k]),)) for k in PARTY_WORDS if settings.get(k)]
    if settings.get("reference"):
        rows.append(Row("Reference", (Name(settings["reference"]),)))
    rows.append(Row("Plan made on", (date(plan["created"]),)))
    return rows


# -- parts of the site page -------------------------------------------------------------------
def _retrofit(retrofit: Mapping[str, Any], say: Say) -> dict[str, Any]:
    facts = [
        Row(words, (Name(str(retrofit[name])),))
        for name, words in FACT_WORDS.items()
        if retrofit.get(name)
    ]
    if retrofit["estimated_savings"] is not None:
        unit = str(retrofit["estimated_savings_unit"])
        facts.append(
            Row("Estimated saving a year", (say.figure(retrofit["estimated_savings"], unit, ""),))
        )
    for name, words in (
        ("estimated_cost", "Estimated cost"),
        ("estimated_incentive", "Estimated incentive"),
    ):
        if retrofit[name] is not None:
            facts.append(Row(words, (say.money(retrofit[name], ""),)))
    return {"title": Name(retrofit["title"] or retrofit["retrofit"]), "facts": facts}


def _schedule(fixtures: Sequence[Mapping[str, Any]], say: Say) -> dict[str, Any] | None:
    if not fixtures:
        return None
    names = ("count_before", "watts_before", "count_after", "watts_after", "hours_before")
    head = ["space", "count before", "watts before", "count after", "watts after", "hours a year"]
    rows = [
        (Name(f["space"] or f["description"] or f["retrofit"]), *(say.number(f[n]) for n in names))
        for f in fixtures
    ]
    return {"head": head, "rows": rows}


def _meter(meter: Mapping[str, Any], say: Say) -> Row:
    return Row(
        Name(meter["meter"]),
        (
            Name(meter["file"]),
            meter["unit"],
            meter["step"] or NOT_GIVEN,
            meter["time_basis"] or NOT_GIVEN,
            say.number(meter["multiplier"]),
            Name(meter["rate"] or NOT_GIVEN),
            say.percent(meter["coverage"], ""),
        ),
    )


def _periods(periods: Mapping[str, Any], say: Say) -> list[Row]:
    if not periods:
        return []
    return [
        Row(
            "baseline",
            (
                date(periods["baseline_start"]),
                date(periods["baseline_end"]),
                say.figure(periods["baseline_months"], "", "periods.baseline_months"),
                say.figure(periods["baseline_days_used"], "", "periods.baseline_days_used"),
            ),
        ),
        Row(
            "installation, in neither model",
            (
                date(periods["installation_start"]),
                date(periods["installation_end"]),
                say.figure(periods["installation_months"], "", "periods.installation_months"),
                "",
            ),
        ),
        Row(
            "reporting, planned",
            (
                date(periods["reporting_start"]),
                date(periods["reporting_end"]),
                say.whole(periods["reporting_months"], "periods.reporting_months"),
                "",
            ),
        ),
    ]


def _late(periods: Mapping[str, Any]) -> str:
    if not periods or not periods["late"]:
        return ""
    return (
        "The folder holds readings from after the works began. This plan does not use them; a plan "
        "that is to bind anybody is made before."
    )


def _adjustment(site: Mapping[str, Any]) -> Sentence:
    weather = site["weather"]
    if not weather:
        return sentence("")
    return sentence(
        "Savings are avoided energy: the baseline model at the reporting period's temperatures "
        "(station {station}) and days of operation, less measured use, with non-routine events "
        "from the ledger. What the months to come are taken to be: {normal}.",
        station=Name(weather["station"]),
        normal=Name(weather["normal_conditions"]),
    )


def _model(model: Mapping[str, Any], say: Say) -> dict[str, Any] | None:
    if not model:
        return None
    rows = {"bills": "bills", "daily": "days", "hourly": "hours"}[model["granularity"]]
    stats = [
        Row(
            "CV(RMSE)", (say.percent(model["cv_rmse"], "model.cv_rmse"),), note="scatter ÷ mean use"
        ),
        Row("R²", (say.figure(model["r2"], "", "model.r2"),), note="low for a flat load"),
        Row("NMBE", (say.percent(model["nmbe"], "model.nmbe"),), note="zero for any least squares"),
        Row(
            "autocorrelation",
            (say.figure(model["autocorrelation"], "", "model.autocorrelation"),),
            note="of a residual with the one before",
        ),
        Row(
            "temperatures seen",
            (
                sentence(
                    "{low} to {high}",
                    low=say.figure(model["temperature_low"], "", "model.temperature_low"),
                    high=say.figure(model["temperature_high"], "degC", "model.temperature_high"),
                ),
            ),
            note="the range over which the model is valid",
        ),
        Row(
            "level correction",
            (say.figure(model["level_correction"], model["unit"], "model.level_correction"),),
            note="by the latest residuals of the baseline; electricity only",
        ),
    ]
    return {
        "form": f"{model['family']}, {model['form']}, on {model['n']} {rows}",
        "selection": model["selection"],
        "formula": Name(model["formula"]),
        "terms": [
            Row(
                t["name"],
                (
                    t["meaning"],
                    say.figure(t["value"], t["unit"], f"model.terms.{i}.value"),
                    say.figure(t["standard_error"], t["unit"], f"model.terms.{i}.standard_error"),
                ),
            )
            for i, t in enumerate(model["terms"])
        ],
        "stats": stats,
        "candidates": [
            Row(
                c["form"],
                (say.figure(c["criterion"], "", f"model.candidates.{i}.criterion"), Name(c["why"])),
            )
            for i, c in enumerate(model["candidates"])
        ],
    }


def _limit(line: Mapping[str, Any], i: int, say: Say) -> Row:
    def cell(name: str) -> Any:
        value = line[name]
        if isinstance(value, int | float) and not isinstance(value, bool):
            if line["unit"] == "%" or line["unit"] == "":
                return say.figure(value, line["unit"], f"acceptance.{i}.{name}")
            return say.figure(value, line["unit"], f"acceptance.{i}.{name}")
        return NOT_GIVEN if value is None else str(value)

    met = {True: "met", False: "not met", None: "no judgement"}[line["met"]]
    return Row(line["rule"], (cell("value"), cell("limit"), met, line["source"]), note=line["note"])


def _accuracy(site: Mapping[str, Any], say: Say) -> dict[str, Any] | None:
    seen = site["detection"]
    if not seen:
        return None
    planned, unit = seen["planned"], site["unit"]
    level = text.confidence_words(seen["confidence"])

    def percent(name: str) -> Figure:
        return say.percent(seen[name], f"detection.{name}")

    likely = seen["months_likely"]
    rows = [
        Row(
            "saving whose range just touches zero",
            (percent("touching"),),
            note=f"at {level} confidence, over the planned {planned['months']} months",
        ),
        Row(
            "half-width of that range",
            (say.figure(planned["half_width"], unit, "detection.planned.half_width"),),
            note=sentence(
                "of an adjusted baseline of {p}",
                p=say.figure(
                    planned["adjusted_baseline"], unit, "detection.planned.adjusted_baseline"
                ),
            ),
        ),
        Row("saving shown with four chances in five", (percent("likely"),)),
        Row(
            "saving known to half of itself at 68 %",
            (percent("programme"),),
            note="Guideline 14's performance path, by the calibrated range",
        ),
        Row(
            "smallest saving by Guideline 14's formula",
            (percent("guideline_14"),),
            note="knows the scatter of the fit alone; not what decides",
        ),
        Row(
            "months for four chances in five",
            (
                say.whole(likely, "detection.months_likely")
                if likely
                else Figure("never" if site["estimate"]["annual"] is not None else NOT_GIVEN),
            ),
            note="if the estimate comes true",
        ),
    ]
    loggers = next((a.get("sizes") for a in site["alternatives"] if a.get("sizes")), [])
    return {
        "words": Name(seen["words"]),
        "rows": rows,
        "how": HOW,
        "alternatives": [
            Row(
                a["name"],
                (say.percent(a["half_width"], f"alternatives.{i}.half_width"),),
                note=Name(a["words"]),
            )
            for i, a in enumerate(site["alternatives"])
        ],
        "loggers": [
            Row(
                Name(s["usage_group"] or "all"),
                (
                    say.count(s["fixtures"]),
                    say.count(s["loggers"]),
                    say.count(s["install"]),
                    s["formula"],
                ),
            )
            for s in loggers
        ],
    }


def _calendar(calendar: Mapping[str, Any], say: Say) -> list[Row]:
    if not calendar:
        return []
    rows = [
        Row("Operating week", (calendar["week"],), note=Name(calendar["words"])),
        Row(
            "Operating days a year",
            (say.whole(calendar["operating_days_a_year"], "calendar.operating_days_a_year"),),
        ),
        Row(
            "Public holidays",
            (Name(calendar["country"] or "none kept: no country is given"),),
            note=Name("; ".join(calendar["holidays"][:30])),
        ),
    ]
    if calendar["to_confirm"]:
        rows.append(Row("To confirm", ("the week was learned; the owner confirms it",)))
    if calendar["exceptions"]:
        spans = [f"{e['start']} to {e['end']}: {e['day']}" for e in calendar["exceptions"]]
        rows.append(Row("Exceptions", (Name("; ".join(spans[:30])),)))
    return rows


def _prices(prices: Mapping[str, Any]) -> list[Row]:
    if not prices:
        return [Row("Rate", (NOT_GIVEN,))]
    if not prices["rate"]:
        return [Row("Rate", (NOT_GIVEN,), note=Name(prices["why"]))]
    rows = [
        Row("Rate", (Name(prices["rate"]),), note=Name(prices["name"])),
        Row("Which price it is", (prices["basis"],)),
        Row("Where it is written", (Name(prices["source"]),)),
        Row("What it charges", (listed([p.replace("_", " ") for p in prices["parts"]]),)),
    ]
    if prices["price"] is not None:
        rows.append(Row("Price per unit", (f"{prices['price']:g}",)))
    rows += [Row("Stands beside", (Name(f"{o['rate']} ({o['basis']})"),)) for o in prices["others"]]
    return rows


def _table(rows: Sequence[Mapping[str, Any]], columns: Mapping[str, str]) -> dict | None:
    if not rows:
        return None
    return {
        "head": list(columns.values()),
        "rows": [
            tuple(Name(str(row.get(c) if row.get(c) not in (None, "") else "–")) for c in columns)
            for row in rows
        ],
    }


def _finding(finding: Mapping[str, Any]) -> Row:
    rule = RULES.get(finding["rule"])
    return Row(
        finding["action"],
        (
            finding["rule"],
            Name(finding["message"]),
            Name(finding["where"]),
            "" if finding["count"] is None else str(finding["count"]),
        ),
        note=rule.meaning if rule else "",
    )


def _input(line: Mapping[str, Any], say: Say) -> Row:
    return Row(
        Name(line["file"]),
        (
            Name(line.get("role", "")),
            say.count(line["rows_read"]),
            say.count(line["rows_used"]),
            Name(line["sha256"]),
        ),
    )


# -- parts of the portfolio page ----------------------------------------------------------------
def _portfolio_sentences(plan: Mapping[str, Any], say: Say) -> list[Sentence]:
    sites = plan["sites"]
    ready = [s for s in sites if s["status"] == "planned"]
    seen = sum(bool(s["detection"]["planned"]["detectable"]) for s in ready)
    out = [
        sentence(
            "{n} of {all} sites can be planned; at {seen} of them the estimate is larger than the "
            "smallest saving that the meter can show.",
            n=say.whole(len(ready), ""),
            all=say.whole(len(sites), ""),
            seen=say.whole(seen, ""),
        )
    ]
    for i, total in enumerate(plan["totals"]):
        out.append(
            sentence(
                "If all estimates for {carrier} come true, savings should be shown at about {n} "
                "sites; the others stay not distinguishable without having failed.",
                carrier=text.carrier_label(total["carrier"]),
                n=say.figure(total["expected_shown"], "", f"totals.{i}.expected_shown", digits=2),
            )
        )
    return out


def _total(total: Mapping[str, Any], i: int, say: Say) -> Row:
    path = f"totals.{i}"
    note = {
        True: "the total can be seen, also where single sites can't",
        False: "the total can't be seen",
        None: "some sites have no estimate, so the total can't be judged",
    }[total["detectable"]]
    return Row(
        text.carrier_label(total["carrier"]),
        (
            say.whole(total["sites"], f"{path}.sites"),
            say.figure(total["estimated"], total["unit"], f"{path}.estimated"),
            say.figure(total["half_width"], total["unit"], f"{path}.half_width"),
            say.percent(total["estimated_fraction"], f"{path}.estimated_fraction"),
            say.percent(total["fraction"], f"{path}.fraction"),
        ),
        note=note,
    )


def _site_line(site: Mapping[str, Any], i: int, say: Say) -> dict[str, Any]:
    path = f"sites.{i}"
    seen = site["detection"]
    note: Any = Name(site["reason"])
    cells: list[Any] = [say.figure(site["estimate"].get("annual"), site["unit"],
                                   f"{path}.estimate.annual")]  # fmt: skip
    if seen:
        planned = seen["planned"]
        needed = seen["months_needed"]
        estimated = planned["estimated"] is not None
        cells += [
            say.percent(planned["estimated_fraction"],
                        f"{path}.detection.planned.estimated_fraction"),
            say.percent(planned["fraction"], f"{path}.detection.planned.fraction"),
            say.percent(planned["chance"], f"{path}.detection.planned.chance"),
            say.whole(needed, f"{path}.detection.months_needed") if needed
            else Figure("never" if estimated else NOT_GIVEN),
        ]  # fmt: skip
        asked = len(site["questions"])
        note = f"{asked} question{'s' if asked != 1 else ''} open" if asked else ""
    else:
        cells += [Figure(NOT_GIVEN)] * 4
    return {
        "file": f"{site['site']}.html",
        "name": site["name"],
        "group": site["group"],
        "cells": cells,
        "note": note,
    }


def _sample(sample: Mapping[str, Any], say: Say) -> dict[str, Any] | None:
    if not sample:
        return None
    unit = sample["unit"]
    return {
        "words": sample["words"],
        "outside": Name(", ".join(sample["not_in_frame"])) if sample["not_in_frame"] else "",
        "rows": [
            Row(
                s["name"],
                (
                    say.whole(s["size"], f"sample.strata.{i}.size"),
                    say.whole(s["take"], f"sample.strata.{i}.take"),
                    *(
                        say.figure(s[k], unit, f"sample.strata.{i}.{k}")
                        for k in ("estimated", "smallest", "largest")
                    ),
                    Name(", ".join(s["sites"])),
                    Name(", ".join(s["replacements"])) if s["replacements"] else "none",
                ),
            )
            for i, s in enumerate(sample["strata"])
        ],
    }
