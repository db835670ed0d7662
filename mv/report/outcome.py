"""What came out at a site, worded: saving line by line, its range, events, demand."""

from __future__ import annotations

from typing import Any

from mv.report import text
from mv.report.format import (
    Figure,
    Name,
    Say,
    Sentence,
    date,
    sentence,
    unit_words,
)
from mv.report.rows import Plain, Row
from mv.results import CarrierResult, SiteResult


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
    if site.baseline_energy is not None:
        days = site.periods.baseline_days_used if site.periods else 0
        rows.append(
            line("Measured in the baseline period", "baseline_energy", f"over {days} used days")
        )
    if site.routine_adjustment is not None:
        after = site.periods.reporting_days_used if site.periods else 0
        level = site.adjusted_baseline - site.routine_adjustment
        rows.append(
            Row(
                "The same, over the days used after the works",
                (Figure(_rounded(level, half, say), unit_words(site.unit), "", level),),
                note=f"scaled to {after} days",
            )
        )
        rows.append(line("Routine adjustment", "routine_adjustment", "weather and kinds of day"))
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
                (Figure(_rounded(without, half, say), unit_words(site.unit), "", without),),
                note="for comparison",
            )
        )
    return rows


def _rounded(value: float, half: float, say: Say) -> str:
    return say.figure(value, "", "", half=half).text


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
            note=Name(u.words or u.drift_source),
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
            f"Mean saving in the window ({d.window})",
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
