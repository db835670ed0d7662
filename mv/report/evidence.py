"""What stands behind a site's saving, worded: installation, periods and days, model and its fit."""

from __future__ import annotations

from collections import Counter
from typing import Any

from mv.findings import RULES
from mv.quantity import Interval
from mv.report.charts.view import chosen
from mv.report.format import (
    NOT_GIVEN,
    Figure,
    Name,
    Say,
    date,
    ratio,
    sentence,
    unit_words,
)
from mv.report.record import rule_words
from mv.report.rows import Plain, Row
from mv.results import CarrierResult, SiteResult
from mv.wording import percent


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
                    _verified(site, say, i),
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
                    f"{date(_iso(r.get('installation_start')))} to "
                    f"{date(_iso(r.get('installation_end')))}",
                ),
            ),
            Row("Accepted", (date(_iso(r.get("acceptance_date"))),)),
            Row("Expected life", (say.figure(life, "years", f"retrofits[{i}].measure_life"),)),
            Row("Answers for performance", (Name(str(r.get("responsible") or NOT_GIVEN)),)),
        ]
        if r.get("share") != 1.0 and r.get("words"):
            facts.append(Row("Part of the claim", (Name(r["words"]),)))
        out.append(
            {
                "title": Name(str(r.get("title") or r.get("retrofit") or "Retrofit")),
                "rows": rows,
                "facts": facts,
            }
        )
    return out


def _verified(site: SiteResult, say: Say, place: int) -> Figure | str:
    """The retrofit's verified saving in a year; a split one where several share a claim."""
    part = site.retrofits[place].get("verified_savings")
    if part is not None:
        told, path = Interval(**part), f"retrofits[{place}].verified_savings"
    elif "share" in site.retrofits[place] or site.annual is None:
        return "not verified"
    else:
        told, path = site.annual.verified_savings, "annual.verified_savings"
    if told is None:
        return "not verified"
    value = say.interval(told, path)["value"]
    return Figure(value.text, f"{value.unit} a year", value.path, value.value)


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
                percent(ratio(kept, total) or 0, 1),
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
    counts = Counter(zip(table.get("status", []), table.get("period", []), strict=True))
    periods = ("baseline", "reporting")
    rules = {rule for rule, period in counts if rule != "used" and period in periods}
    return [
        Row(
            rule_words(rule),
            tuple([say.count(counts[rule, period]) for period in periods]),
            note=_meaning(rule),
        )
        for rule in sorted(rules)
    ]


def exclusion_words(site: CarrierResult) -> str:
    """That nothing was left out, or that bills don't fit the periods; empty otherwise."""
    p, series = site.periods, site.series
    if p is None:
        return ""
    used, total = p.baseline_days_used + p.reporting_days_used, p.baseline_days + p.reporting_days
    if used == total:
        return "No day within the two periods was left out."
    if series is not None and series.bills.get("start"):
        return "A bill that reaches beyond a period, or into the works, belongs to neither side."
    return ""


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
                note=Name(
                    f"mean error at the end of the baseline, carried on. {m.level_words}".strip()
                ),
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
    for i, (c, is_chosen) in enumerate(zip(site.candidates, chosen(site), strict=True)):
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
                mark="chosen" if is_chosen else "",
            )
        )
    return rows
