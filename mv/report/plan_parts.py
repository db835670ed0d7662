"""Parts of a site's plan page: tables and facts made from the plan's own mappings."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from mv.findings import RULES
from mv.report import text
from mv.report.format import NOT_GIVEN, Figure, Name, Say, Sentence, date, listed, sentence
from mv.report.rows import Plain, Row

HOW = (
    "The range is the one that a report will give: scatter of the model, drift of buildings from "
    "year to year, and heavy tails. Guideline 14's formula knows the scatter alone and promises "
    "more than it keeps; programmes ask for it, so it stands beside."
)

NOTHING = 1e-9
"""Below this a fraction is rounding noise."""

FACT_WORDS = {
    "installation_start": "Works begin",
    "installation_end": "Works end",
    "responsible": "Answers for performance",
    "measure_life": "Measure life, years",
}


def retrofit_part(retrofit: Mapping[str, Any], say: Say) -> dict[str, Any]:
    """One retrofit as it is intended."""
    facts = []
    for name, words in FACT_WORDS.items():
        value = retrofit.get(name)
        if name.startswith("installation_"):
            facts.append(Row(words, (date(value),)))
        elif isinstance(value, float):
            facts.append(Row(words, (say.figure(value, "", ""),)))
        elif value:
            facts.append(Row(words, (Name(str(value)),)))
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


def schedule_table(fixtures: Sequence[Mapping[str, Any]], say: Say) -> Plain | None:
    """The lighting schedule behind the estimate; None without one."""
    if not fixtures:
        return None
    names = ("count_before", "watts_before", "count_after", "watts_after", "hours_before")
    head = ["space", "count before", "watts before", "count after", "watts after", "hours a year"]
    rows = [
        (
            Name(f["space"] or f["description"] or f["retrofit"]),
            *(say.figure(f[n], "", "") for n in names),
        )
        for f in fixtures
    ]
    return Plain(head, rows)


def meter_row(meter: Mapping[str, Any], say: Say) -> Row:
    """One meter of the claim."""
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


def period_rows(periods: Mapping[str, Any], say: Say) -> list[Row]:
    """The three periods; none where no plan could be made."""
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


def late_words(periods: Mapping[str, Any]) -> str:
    """What is said where the folder holds readings from after the works began."""
    if not periods or not periods["late"]:
        return ""
    return (
        "The folder holds readings from after the works began. This plan does not use them; a plan "
        "that is to bind anybody is made before."
    )


def adjustment_words(site: Mapping[str, Any]) -> Sentence:
    """The basis of adjustment, and what the months to come are taken to be."""
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


def model_part(model: Mapping[str, Any], say: Say) -> dict[str, Any] | None:
    """The model, its terms, its fit and the forms that competed; None without a model."""
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


def limit_row(line: Mapping[str, Any], i: int, say: Say) -> Row:
    """One limit of the acceptance profile."""

    def cell(name: str) -> Any:
        value = line[name]
        if isinstance(value, int | float) and not isinstance(value, bool):
            # What is zero but for rounding is printed as zero.
            told = 0.0 if abs(value) < NOTHING else value
            return say.figure(told, line["unit"], f"acceptance.{i}.{name}")
        return NOT_GIVEN if value is None else str(value)

    met = {True: "met", False: "not met", None: "no judgement"}[line["met"]]
    return Row(line["rule"], (cell("value"), cell("limit"), met, line["source"]), note=line["note"])


def accuracy_part(site: Mapping[str, Any], say: Say) -> dict[str, Any] | None:
    """What the meter can show, and what else would; None without a model."""
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


def calendar_rows(calendar: Mapping[str, Any], say: Say) -> list[Row]:
    """The operating calendar, for the owner to confirm."""
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
            note=Name("; ".join(_one_year(calendar["holidays"]))),
        ),
    ]
    if calendar["to_confirm"]:
        rows.append(Row("To confirm", ("the week was learned; the owner confirms it",)))
    if calendar["exceptions"]:
        spans = [f"{e['start']} to {e['end']}: {e['day']}" for e in calendar["exceptions"]]
        rows.append(Row("Exceptions", (Name("; ".join(spans[:30])),)))
    return rows


def price_rows(prices: Mapping[str, Any]) -> list[Row]:
    """The rate that prices the claim, or why there is none."""
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


def columns_table(rows: Sequence[Mapping[str, Any]], columns: Mapping[str, str]) -> Plain | None:
    """Chosen columns of plain rows as a table; None without rows."""
    if not rows:
        return None
    return Plain(
        list(columns.values()),
        [
            tuple(Name(str(row.get(c) if row.get(c) not in (None, "") else "–")) for c in columns)
            for row in rows
        ],
    )


def finding_row(finding: Mapping[str, Any]) -> Row:
    """One finding in the baseline data."""
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


def input_row(line: Mapping[str, Any], say: Say) -> Row:
    """One file that went in."""
    return Row(
        Name(line["file"]),
        (
            Name(line.get("role", "")),
            say.count(line["rows_read"]),
            say.count(line["rows_used"]),
            Name(line["sha256"]),
        ),
    )


def _one_year(holidays: Sequence[str]) -> list[str]:
    """The holidays of the latest year that has as many as any."""
    years = [h[:4] for h in holidays]
    if not years:
        return []
    most = max(years.count(y) for y in years)
    year = max(y for y in years if years.count(y) == most)
    return [h for h in holidays if h[:4] == year]
