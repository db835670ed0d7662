"""A frozen plan as pages: one for each site, one for the portfolio.

Pages are made from the plan's own mapping (what plan.json holds) and from nothing else, so a plan
that was agreed years ago can be drawn again as it was.  Contents by IPMVP's list of plan contents
and FEMP's plan outline (both from memory).
"""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any

from mv.report import plan_charts, plan_parts, text
from mv.report.drawn import chart_data, ready
from mv.report.format import NOT_GIVEN, Figure, Name, Say, Sentence, date, sentence
from mv.report.pages import PARTY_WORDS, Headline
from mv.report.render import PAPERS, RenderOptions, page, write_assets
from mv.report.rows import Row

RIBBON = "Plan, made from baseline data before the works. No saving is verified here."


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
    written[0].write_bytes(plan_portfolio_page(plan, options))
    for site in plan["sites"]:
        written.append(folder / f"{site['site']}.html")
        written[-1].write_bytes(plan_site_page(plan, site, options))
    if not options.single_file:
        written += write_assets(Path(out))
    return written


def plan_site_page(
    plan: Mapping[str, Any], site: Mapping[str, Any], options: RenderOptions
) -> bytes:
    """One site's plan as HTML."""
    say = Say(plan["currency"])
    charts = ready(
        {
            "baseline": plan_charts.baseline_chart(site, say),
            "months": plan_charts.months_chart(site, say),
            "placebo": plan_charts.placebo_chart(site, say),
        },
        say,
    )
    model = {
        "portfolio": plan["name"],
        "paper": PAPERS.get(str(plan["settings"].get("paper")).lower(), ""),
        "site": {"name": site["name"], "group": site["group"], "key": site["site"]},
        "carrier": text.carrier_label(site["carrier"]) if site["carrier"] else "",
        "ribbon": RIBBON,
        "sentences": _sentences(site, say),
        "headlines": _headlines(site, say),
        "questions": [Name(q) for q in site["questions"]],
        "head_rows": _head_rows(plan),
        "retrofits": [plan_parts.retrofit_part(r, say) for r in site["retrofits"]],
        "schedule": plan_parts.schedule_table(site["fixtures"], say),
        "option": f"Option {site['option']}. {site['why_option']}" if site["option"] else "",
        "meters": [plan_parts.meter_row(m, say) for m in site["meters"]],
        "periods": plan_parts.period_rows(site["periods"], say),
        "late": plan_parts.late_words(site["periods"]),
        "adjustment": plan_parts.adjustment_words(site),
        "excluded": [
            Row(rule, (say.whole(n, f"excluded.{rule}"),)) for rule, n in site["excluded"].items()
        ],
        "model": plan_parts.model_part(site["model"], say),
        "acceptance": [plan_parts.limit_row(a, i, say) for i, a in enumerate(site["acceptance"])],
        "accuracy": plan_parts.accuracy_part(site, say),
        "trial": site["placebo"].get("words", "No model was fitted."),
        "calendar": plan_parts.calendar_rows(site["calendar"], say),
        "factors": plan_parts.columns_table(
            site["static_factors"],
            {
                "factor": "factor",
                "baseline_value": "value in the baseline",
                "unit": "unit",
                "note": "remark",
            },
        ),
        "events": plan_parts.columns_table(
            site["events"],
            {
                "what": "what",
                "start": "from",
                "end": "to",
                "treatment": "treatment",
                "evidence": "evidence",
            },
        ),
        "prices": plan_parts.price_rows(site["prices"]),
        "duties": [Row(d["what"], (Name(d["who"]),)) for d in site["responsibilities"]],
        "lost": [Row(x["lost"], (x["treatment"],)) for x in site["lost_data"]],
        "findings": [plan_parts.finding_row(f) for f in site["findings"]],
        "inputs": [plan_parts.input_row(i, say) for i in site["inputs"]],
        "digest": sentence(
            "Plan of {day}, made by version {version}; digest {digest}.",
            day=date(plan["created"]),
            version=plan["method_version"],
            digest=Name(plan.get("digest", "not frozen")),
        ),
        "cautions": text.CAUTIONS,
        "charts": charts,
        "chart_data": chart_data(charts),
    }
    return page("plan_site.html", model, options, "..")


def plan_portfolio_page(plan: Mapping[str, Any], options: RenderOptions) -> bytes:
    """The portfolio's plan as HTML."""
    say = Say(plan["currency"])
    charts = ready({"sites": plan_charts.sites_chart(plan["sites"], say)}, say)
    model = {
        "portfolio": plan["name"],
        "paper": PAPERS.get(str(plan["settings"].get("paper")).lower(), ""),
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
                m=say.whole(
                    seen["months_needed"],
                    "detection.months_needed",
                    "month" if seen["months_needed"] == 1 else "whole months",
                ),
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
    rows.append(Row("Plan made on", (date(plan["created"]),)))
    return rows


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
    cells: list[Any] = [
        say.figure(site["estimate"].get("annual"), site["unit"], f"{path}.estimate.annual")
    ]
    if seen:
        planned = seen["planned"]
        needed = seen["months_needed"]
        estimated = planned["estimated"] is not None
        cells += [
            say.percent(
                planned["estimated_fraction"], f"{path}.detection.planned.estimated_fraction"
            ),
            say.percent(planned["fraction"], f"{path}.detection.planned.fraction"),
            say.percent(planned["chance"], f"{path}.detection.planned.chance"),
            say.whole(needed, f"{path}.detection.months_needed")
            if needed
            else Figure("never" if estimated else NOT_GIVEN),
        ]
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
