"""The evidence sections of a site's page, worded: installation, data, model, savings,
uncertainty, events, demand, acceptance, findings, inputs."""

from __future__ import annotations

from typing import Any

from mv.findings import RULES, Finding, gravest_first
from mv.report import text
from mv.report.charts.view import is_chosen
from mv.report.format import (
    NOT_GIVEN,
    Figure,
    Name,
    Say,
    Sentence,
    date,
    ratio,
    sentence,
    unit_words,
)
from mv.report.rows import Digest, Plain, Row
from mv.results import Acceptance, CarrierResult, InputFile, SiteResult

MOST_FINDINGS = 60
"""Findings printed on a page; the rest are counted and stand in tables/findings.csv."""

ACTION_WORDS = {
    "refuse": "refused",
    "exclude": "left out",
    "repair": "mended",
    "note": "noted",
}


def rule_words(rule: str) -> str:
    """A rule's name as words."""
    return rule.replace("_", " ")


# -- installation ------------------------------------------------------------------------------
def installed(site: SiteResult, say: Say) -> list[dict[str, Any]]:
    """Each retrofit: title, dates, and its promised and actual figures side by side."""
    out = []
    for i, r in enumerate(site.retrofits):

        def money(key: str, r=r, i=i) -> Figure:
            return say.money(_number(r.get(key)), f"retrofits[{i}].{key}")

        estimated = _number(r.get("estimated_savings"))
        unit = f"{r.get('estimated_savings_unit') or site.unit} a year"
        rows = [
            Row(
                "Savings",
                (
                    say.figure(estimated, unit, f"retrofits[{i}].estimated_savings", digits=4),
                    _verified(site, say),
                ),
            ),
        ]
        if _number(r.get("estimated_demand_savings")) is not None:
            value = _number(r["estimated_demand_savings"])
            found = (
                say.interval(site.demand.peak_savings, "demand.peak_savings")
                if site.demand
                else None
            )
            rows.append(
                Row(
                    "Demand",
                    (
                        say.figure(value, "kW", f"retrofits[{i}].estimated_demand_savings"),
                        found["value"] if found else "none claimed",
                    ),
                )
            )
        rows.append(Row("Cost before incentive", (money("estimated_cost"), money("actual_cost"))))
        rows.append(
            Row("Incentive received", (money("estimated_incentive"), money("incentive_paid")))
        )
        if _number(r.get("incentive_pending")):
            rows.append(
                Row("Incentive promised, not yet received", ("", money("incentive_pending")))
            )
        if _number(r.get("maintenance_savings")) is not None:
            rows.append(
                Row(
                    "Maintenance saved a year",
                    (money("maintenance_savings"), "stated by the owner; no meter shows it"),
                )
            )
        life = _number(r.get("measure_life"))
        facts = [
            Row(
                "Works",
                (
                    f"{date(_iso(r.get('installation_start')))} to {date(_iso(r.get('installation_end')))}",
                ),
            ),
            Row("Accepted", (date(_iso(r.get("acceptance_date"))),)),
            Row("Expected life", (say.figure(life, "years", f"retrofits[{i}].measure_life"),)),
            Row("Answers for performance", (Name(str(r.get("responsible") or NOT_GIVEN)),)),
        ]
        out.append(
            {
                "title": Name(str(r.get("title") or r.get("retrofit") or "Retrofit")),
                "rows": rows,
                "facts": facts,
            }
        )
    return out


def _verified(site: SiteResult, say: Say) -> Figure | str:
    if site.annual is None or site.annual.verified_savings is None:
        return "not verified"
    told = say.interval(site.annual.verified_savings, "annual.verified_savings")
    return Figure(
        told["value"].text, f"{told['value'].unit} a year", told["value"].path, told["value"].value
    )


def _number(value: Any) -> float | None:
    return float(value) if isinstance(value, int | float) and not isinstance(value, bool) else None


def _iso(value: Any) -> str | None:
    return str(value) if value else None


def lighting(site: SiteResult, say: Say) -> dict[str, Any] | None:
    """The lighting schedule behind the estimate; None without one."""
    lines = site.estimate.get("lines") or []
    if not lines:
        return None
    columns = (
        ("space", "space"),
        ("count_before", "fixtures before"),
        ("watts_before", "input W each"),
        ("count_after", "fixtures after"),
        ("watts_after", "input W each"),
        ("hours_before", "hours a year"),
        ("hours_after", "hours after"),
        ("savings", "kWh a year"),
    )
    kept = [(key, head) for key, head in columns if any(key in line for line in lines)]
    rows = [
        tuple(
            Name(str(line.get(key) or ""))
            if key == "space"
            else _cell(line.get(key), f"estimate.lines[{i}].{key}", say)
            for key, _ in kept
        )
        for i, line in enumerate(lines)
    ]
    return {
        "table": Plain([head for _, head in kept], rows),
        "words": [Name(str(w)) for w in site.estimate.get("words", [])],
    }


def _cell(value: Any, path: str, say: Say) -> Figure | Name:
    number = _number(value)
    if number is None:
        return Name(str(value) if value not in (None, "") else NOT_GIVEN)
    return say.figure(number, "", path, digits=4)


# -- data --------------------------------------------------------------------------------------
def period_rows(site: SiteResult, say: Say) -> list[Row]:
    """Baseline, installation and reporting period with days and days used."""
    p = site.periods
    if p is None:
        return []

    def row(name: str, start: str, end: str, days: str | None, used: str | None) -> Row:
        if days is None:
            return Row(name, (date(start), date(end), "belongs to neither side", "", ""))
        total, kept = getattr(p, days), getattr(p, used)
        return Row(
            name,
            (
                date(start),
                date(end),
                say.whole(total, f"periods.{days}"),
                say.whole(kept, f"periods.{used}"),
                f"{ratio(kept, total) or 0:.1%}".replace("%", "\u202f%"),
            ),
        )

    return [
        row("Baseline", p.baseline_start, p.baseline_end, "baseline_days", "baseline_days_used"),
        row("Installation", p.installation_start, p.installation_end, None, None),
        row(
            "Reporting", p.reporting_start, p.reporting_end, "reporting_days", "reporting_days_used"
        ),
    ]


def exclusion_rows(site: CarrierResult, say: Say) -> list[Row]:
    """Days (or bills) left out, by rule, in the baseline and the reporting period."""
    series = site.series
    if series is None:
        return []
    table = series.daily if series.daily.get("date") else series.bills
    counts: dict[str, list[int]] = {}
    for status, period in zip(table.get("status", []), table.get("period", []), strict=True):
        if status != "used" and period in ("baseline", "reporting"):
            counts.setdefault(status, [0, 0])[period == "reporting"] += 1
    return [
        Row(rule_words(rule), (say.count(a), say.count(b)), note=_meaning(rule))
        for rule, (a, b) in sorted(counts.items())
    ]


def _meaning(rule: str) -> str:
    return RULES[rule].meaning if rule in RULES else ""


def operating_rows(site: SiteResult, say: Say) -> list[Row]:
    """The calendar behind the model."""
    days = site.operating_days
    if days is None:
        return []
    origin = {"given": "as given in the folder", "learned": "learned from the baseline period"}
    rows = [
        Row("Operating week", (Name(days.week),), note=origin[days.origin]),
        Row("Public holidays", (Name(days.holidays or "none kept"),)),
        Row(
            "Operating days, baseline",
            (say.whole(days.operating_days_baseline, "operating_days.operating_days_baseline"),),
        ),
        Row(
            "Operating days, reporting",
            (say.whole(days.operating_days_reporting, "operating_days.operating_days_reporting"),),
        ),
        Row("Exceptions from the week", (say.whole(days.exceptions, "operating_days.exceptions"),)),
    ]
    if days.words:
        rows.append(Row("Remark", (Name(days.words),)))
    if days.adjustment is not None:
        rows.append(
            Row(
                "Worth in the adjusted baseline",
                (say.figure(days.adjustment, site.unit, "operating_days.adjustment"),),
            )
        )
    return rows


# -- model -------------------------------------------------------------------------------------
def model(site: CarrierResult, say: Say) -> dict[str, Any] | None:
    """Formula, terms and statistics of the baseline model."""
    m = site.model
    if m is None:
        return None
    each = {"bills": "bills, weighted by their days", "daily": "days", "hourly": "hours"}[
        m.granularity
    ]
    terms = []
    for i, t in enumerate(m.terms):
        error = t.standard_error
        half = error * 2 if error else 0.0
        unit = unit_words(t.unit)
        terms.append(
            Row(
                Name(t.name),
                (
                    Name(t.meaning),
                    say.figure(t.value, unit, f"model.terms[{i}].value", half=half),
                    say.figure(error, unit, f"model.terms[{i}].standard_error"),
                    say.figure(t.t, "", f"model.terms[{i}].t"),
                ),
            )
        )
    stats = [
        Row(f"Rows fitted ({each})", (say.whole(m.n, "model.n"),)),
        Row("Parameters, change points among them", (say.whole(m.parameters, "model.parameters"),)),
        Row(
            "CV(RMSE)",
            (say.percent(m.cv_rmse, "model.cv_rmse", digits=3),),
            note="scatter of single rows",
        ),
        Row(
            "NMBE",
            (say.percent(m.nmbe, "model.nmbe", digits=2),),
            note="near zero for any least squares with a constant",
        ),
        Row(
            "R²",
            (say.figure(m.r2, "", "model.r2"),),
            note="low where use is steady, which is no fault",
        ),
        Row("Adjusted R²", (say.figure(m.adjusted_r2, "", "model.adjusted_r2"),)),
        Row("RMSE", (say.figure(m.rmse, unit_words(m.unit), "model.rmse"),)),
        Row(
            "Autocorrelation, lag 1", (say.figure(m.autocorrelation, "", "model.autocorrelation"),)
        ),
        Row("Effective number of rows", (say.figure(m.effective_n, "", "model.effective_n"),)),
        Row("Durbin–Watson", (say.figure(m.durbin_watson, "", "model.durbin_watson"),)),
    ]
    if m.hold_out_cv_rmse is not None:
        stats.append(
            Row(
                "CV(RMSE), hold-out",
                (say.percent(m.hold_out_cv_rmse, "model.hold_out_cv_rmse", digits=3),),
            )
        )
    if m.hold_out_nmbe is not None:
        stats.append(Row("NMBE, hold-out", (say.percent(m.hold_out_nmbe, "model.hold_out_nmbe"),)))
    if m.temperature_low is not None and m.temperature_high is not None:
        low = say.figure(m.temperature_low, "", "model.temperature_low")
        high = say.figure(m.temperature_high, "degC", "model.temperature_high")
        stats.append(Row("Temperatures covered", (sentence("{a} to {b}", a=low, b=high),)))
    if site.extrapolation is not None:
        share = say.percent(site.extrapolation, "extrapolation")
        stats.append(Row("Reporting rows outside that range", (share,)))
    if m.level_correction:
        level = say.figure(m.level_correction, unit_words(m.unit), "model.level_correction")
        stats.append(
            Row(
                "Correction of the level",
                (level,),
                note="mean error at the end of the baseline, carried on",
            )
        )
    return {
        "family": Name(m.family),
        "form": Name(m.form),
        "formula": Name(m.formula),
        "selection": Name(m.selection),
        "terms": terms,
        "stats": stats,
    }


def candidate_rows(site: CarrierResult, say: Say) -> list[Row]:
    """The forms that competed."""
    rows = []
    for i, c in enumerate(site.candidates):
        path = f"candidates[{i}]"
        rows.append(
            Row(
                Name(c.form),
                (
                    say.whole(c.parameters or None, f"{path}.parameters"),
                    say.figure(c.criterion, "", f"{path}.criterion", digits=5),
                    say.percent(c.cv_rmse, f"{path}.cv_rmse", digits=3),
                    say.figure(c.avoided_energy, unit_words(site.unit), f"{path}.avoided_energy"),
                    Name(c.why),
                ),
                mark="chosen" if is_chosen(site, c) else "",
            )
        )
    return rows


# -- savings -----------------------------------------------------------------------------------
def saving_rows(site: SiteResult, say: Say, how: dict[str, Any]) -> list[Row]:
    """From baseline use to avoided energy, line by line."""
    if site.adjusted_baseline is None or site.avoided_energy is None:
        return []
    half = site.avoided_energy.half_width or 0.0
    told = say.interval(site.avoided_energy, "avoided_energy")

    def line(label: str, path: str, note: str = "") -> Row:
        value = getattr(site, path)
        return Row(label, (say.figure(value, site.unit, path, half=half),), follow(path, how), note)

    rows = []
    if site.routine_adjustment is not None and site.baseline_energy is not None:
        rows.append(
            line("Measured in the baseline period", "baseline_energy", "over its used days")
        )
        rows.append(
            line(
                "Routine adjustment",
                "routine_adjustment",
                "weather, days of operation, number of days",
            )
        )
    rows.append(
        line("Adjusted baseline", "adjusted_baseline", "the model at reporting-period conditions")
    )
    rows.append(line("Measured in the reporting period", "measured"))
    rows.append(line("Non-routine adjustment", "non_routine_adjustment", "see non-routine events"))
    rows.append(
        Row(
            "Avoided energy",
            (told["value"],),
            follow("avoided_energy.value", how),
            "adjusted baseline − measured + non-routine adjustment",
            "total",
        )
    )
    if site.non_routine_adjustment:
        without = site.avoided_energy.value - site.non_routine_adjustment
        rows.append(
            Row(
                "Without the non-routine adjustment",
                (Figure(say.fixed(without, 0), unit_words(site.unit)),),
                note="for comparison",
            )
        )
    return rows


def follow(path: str, how: dict[str, Any]) -> str:
    """Id of the fold-out of a figure, empty where there is none."""
    return how[path].id if path in how else ""


def cross_check(site: CarrierResult, say: Say) -> Sentence | None:
    """What the model at the other granularity says."""
    check = site.cross_check
    if not check:
        return None
    saving = check.get("avoided_energy")
    value = saving.get("value") if isinstance(saving, dict) else saving
    path = (
        "cross_check.avoided_energy.value"
        if isinstance(saving, dict)
        else "cross_check.avoided_energy"
    )
    figure = say.figure(value, site.unit, path)
    if figure.value is None:
        return sentence("{w}", w=Name(str(check.get("words", "")))) if check.get("words") else None
    return sentence(
        "Cross-check: the {g} model gives {v}. {w}",
        g=Name(str(check.get("granularity", "other"))),
        v=figure,
        w=Name(str(check.get("words", ""))),
    )


def uncertainty(site: CarrierResult, say: Say, how: dict[str, Any]) -> dict[str, Any] | None:
    """How the range was made, part by part."""
    u = site.uncertainty
    if u is None:
        return None
    parts = [
        Row(
            Name(p.name),
            (
                say.figure(p.value, p.unit, f"uncertainty.parts[{i}].value"),
                say.percent(p.share, f"uncertainty.parts[{i}].share"),
                Name(p.method),
                Name(p.source),
            ),
        )
        for i, p in enumerate(u.parts)
    ]
    level = text.confidence_words(u.confidence)
    rows = [
        Row(
            f"Half-width at {level}",
            (say.figure(u.half_width, u.unit, "uncertainty.half_width", half=u.half_width),),
            follow("uncertainty.half_width", how),
            "decides the verdict",
            "total",
        ),
        Row(
            "Quantile",
            (say.figure(u.quantile, "", "uncertainty.quantile"),),
            note="of Student's t or of the placebo",
        ),
        Row(
            "Degrees of freedom",
            (say.figure(u.degrees_of_freedom, "", "uncertainty.degrees_of_freedom"),),
        ),
        Row(
            "Drift from year to year",
            (say.percent(u.drift_tau, "uncertainty.drift_tau"),),
            note=Name(u.drift_source),
        ),
        Row(
            "Guideline 14, for programmes that ask",
            (say.figure(u.guideline_14, u.unit, "uncertainty.guideline_14"),),
            follow("uncertainty.guideline_14", how),
            "half-width at the same confidence",
        ),
        Row(
            "Exact least squares",
            (say.figure(u.least_squares, u.unit, "uncertainty.least_squares"),),
            note="half-width if errors of days were independent",
        ),
        Row(
            "Minimum detectable saving",
            (
                say.percent(
                    u.minimum_detectable_fraction, "uncertainty.minimum_detectable_fraction"
                ),
            ),
            note="share of the adjusted baseline",
        ),
    ]
    fractional = [
        (text.confidence_words(float(k)), say.percent(v, f"uncertainty.fractional[{k}]"))
        for k, v in u.fractional.items()
    ]
    return {
        "parts": parts,
        "rows": rows,
        "fractional": fractional,
        "guideline": text.guideline_sentence(site, say),
    }


# -- events, static factors, demand ------------------------------------------------------------
def events(site: CarrierResult, say: Say) -> dict[str, Any]:
    """The ledger of declared events, and the suspected ones with what to ask."""
    ledger = {"declared": [], "suspected": []}
    for i, e in enumerate(site.events):
        path = f"events[{i}]"
        span = f"{date(e.start)} to {date(e.end)}" if e.end else f"from {date(e.start)}"
        unit = unit_words(e.unit)
        ledger[e.kind].append(
            Row(
                Name(e.what),
                (
                    span,
                    Name(e.treatment),
                    say.figure(e.change_per_day, f"{unit} a day", f"{path}.change_per_day"),
                    say.figure(e.effect_on_savings, unit, f"{path}.effect_on_savings"),
                    Name(e.question if e.kind == "suspected" else e.evidence or "none given"),
                    Name(
                        ", ".join(p for p in (e.reported_by, e.approved_by) if p) or "nobody named"
                    ),
                ),
            )
        )
    declared, suspected = len(ledger["declared"]), len(ledger["suspected"])
    ledger["words"] = (
        f"{'None' if declared == 0 else declared} declared, "
        f"{'none' if suspected == 0 else suspected} suspected. Nothing suspected was adjusted: "
        "only the owner can say what happened."
    )
    return ledger


def static_factors(site: SiteResult) -> Plain | None:
    """Conditions at plan time and now; None where none were written down."""
    if not site.static_factors:
        return None
    head = list(
        dict.fromkeys(k for row in site.static_factors for k in row if k not in ("site", "source"))
    )
    rows = [
        tuple(Name(str(r.get(k) if r.get(k) is not None else "")) for k in head)
        for r in site.static_factors
    ]
    return Plain([h.replace("_", " ") for h in head], rows)


def demand(site: CarrierResult, say: Say) -> dict[str, Any] | None:
    """The demand saving with its range, or why none is claimed."""
    d = site.demand
    if d is None:
        return None
    rows = []
    for label, interval, path in (
        ("Mean saving of the monthly peak", d.peak_savings, "demand.peak_savings"),
        (
            f"Mean saving in the window {d.window}".strip(),
            d.window_savings,
            "demand.window_savings",
        ),
    ):
        told = say.interval(interval, path)
        if told:
            rows.append(Row(label, (told["value"], told["low"], told["high"])))
    if d.estimated is not None:
        rows.append(Row("Estimated", (say.figure(d.estimated, d.unit, "demand.estimated"), "", "")))
    return {"claimed": d.claimed, "words": Name(d.words), "rows": rows}


# -- acceptance, findings, inputs --------------------------------------------------------------
def acceptance_rows(table: list[Acceptance], say: Say) -> list[Row]:
    """Rule, this site's value, limit, met or not, source."""
    marks = {True: "met", False: "unmet", None: "advice"}
    words = {True: "met", False: "not met", None: "advice"}
    rows = []
    for i, a in enumerate(table):
        unit = unit_words(a.unit)
        path = f"acceptance[{i}]"
        value, limit = (
            _limit(a.value, unit, f"{path}.value", say),
            _limit(a.limit, unit, f"{path}.limit", say),
        )
        rows.append(
            Row(
                Name(a.rule),
                (value, limit, words[a.met], Name(a.source)),
                note=Name(a.note),
                mark=marks[a.met],
            )
        )
    return rows


def _limit(value: float | str | None, unit: str, path: str, say: Say) -> Figure | Name:
    if isinstance(value, bool) or value is None:
        return Name(NOT_GIVEN if value is None else "yes" if value else "no")
    if isinstance(value, int | float):
        if unit in ("%", "fraction"):
            return say.percent(value, path, digits=3)
        return say.figure(float(value), unit, path)
    return Name(value)


def finding_rows(findings: list[Finding]) -> dict[str, Any]:
    """Findings, the gravest first, capped with the count told."""
    ordered = gravest_first(findings)
    rows = [
        Row(
            ACTION_WORDS[f.action],
            (
                rule_words(f.rule),
                Name(f.message),
                Name(f.where() or "—"),
                "" if f.count is None else f"{f.count:,}".replace(",", "\u202f"),
            ),
            note=Name(f.effect or ""),
            mark=f.action,
        )
        for f in ordered[:MOST_FINDINGS]
    ]
    more = len(ordered) - len(rows)
    return {
        "rows": rows,
        "more": f"{more} more stand in tables/findings.csv." if more > 0 else "",
    }


def departure_rows(departures: list[dict[str, Any]]) -> Plain | None:
    """Differences from the frozen plan."""
    if not departures:
        return None
    head = list(dict.fromkeys(k for row in departures for k in row))
    rows = [tuple(Name(str(r.get(k, ""))) for k in head) for r in departures]
    return Plain([h.replace("_", " ") for h in head], rows)


def input_rows(inputs: list[InputFile], say: Say) -> list[Row]:
    """Files that went in: entered = used + left out."""
    rows = []
    for i, entry in enumerate(inputs):
        out = ", ".join(f"{rule_words(rule)} {n}" for rule, n in entry.excluded.items()) or "none"
        facts = ", ".join(p for p in (entry.step, entry.time_basis, entry.unit) if p)
        rows.append(
            Row(
                Name(entry.file),
                (
                    Name(entry.role),
                    say.whole(entry.rows_read, f"inputs[{i}].rows_read"),
                    say.whole(entry.rows_used, f"inputs[{i}].rows_used"),
                    out,
                    Digest(entry.sha256),
                ),
                note=Name(facts),
            )
        )
    return rows
