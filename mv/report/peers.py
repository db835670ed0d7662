"""What do the portfolio's other sites say of this one, and what else is metered here?"""

from __future__ import annotations

from typing import Any

from mv.quantity import Interval
from mv.report import text
from mv.report.format import NOT_GIVEN, Figure, Name, Say, Sentence, Told, sentence
from mv.report.rows import Row
from mv.results import CarrierResult, SiteResult


def comparison(site: SiteResult, say: Say) -> dict[str, Any]:
    """The contrast with sites that had no retrofit: words, and both results where it is used."""
    told = site.comparison
    if not told:
        return {}
    rows = []
    if told.get("corrected"):
        level = text.confidence_words(site.confidence)
        both = (
            ("Without the other sites", "plain", ""),
            ("Their change taken off: the official figure", "corrected", "total"),
        )
        for label, key, mark in both:
            found = say.interval(Interval(**told[key]), f"comparison.{key}")
            rows.append(Row(label, (found["value"], range_of(found, level)), mark=mark))
    return {
        "words": Name(told["words"]),
        "rows": rows,
        "companion": say.percent(told.get("companion"), "comparison.companion"),
        "controls": told.get("controls", 0),
    }


def chance(site: SiteResult) -> list[str]:
    """Where the saving stands among those of pretended retrofits elsewhere."""
    return [part["words"] for part in site.placebo.values() if part.get("words")]


def other(i: int, carrier: CarrierResult, site: SiteResult, say: Say) -> dict[str, Any]:
    """A further claim of the site, or what stands beside the first one."""
    told = say.interval(carrier.avoided_energy, f"others[{i}].avoided_energy")
    level = text.confidence_words(site.confidence)
    saved = carrier.money.cost_savings if carrier.money else None
    worth = say.interval(saved, f"others[{i}].money.cost_savings")
    return {
        "carrier": text.carrier_label(carrier.carrier),
        "meters": Name(", ".join(carrier.meters)),
        "verdict": carrier.verdict,
        "mark": text.VERDICT_MARKS[carrier.verdict],
        "saving": told["value"] if told else Figure(NOT_GIVEN),
        "range": range_of(told, level) if told else Name(carrier.reason),
        "fraction": told["fraction"] if told else Figure(NOT_GIVEN),
        "relation": Name(carrier.relation),
        "worth": sentence("{v} ({r})", v=worth["value"], r=range_of(worth, level))
        if worth
        else None,
    }


def range_of(told: Told | dict[str, Figure] | None, level: str) -> Sentence:
    """`low to high at 90 %`, or that there is none."""
    low = told["low"] if told is not None else Figure(NOT_GIVEN)
    if low.value is None:
        return sentence("no range can be given")
    bare = Figure(low.text, "", low.path, low.value)
    return sentence("{low} to {high} at {level}", low=bare, high=told["high"], level=level)
