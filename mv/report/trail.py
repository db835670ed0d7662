"""Follow a number: the fold-outs that show how each figure was made, and the glossary."""

from __future__ import annotations

import re
from collections.abc import Mapping
from functools import lru_cache
from typing import NamedTuple

from mv.glossary import GLOSSARY
from mv.quantity import Derivation
from mv.report.format import NOT_GIVEN, Figure, Name, Say, unit_words

FIGURE_WORDS = {
    "avoided_energy.value": "Avoided energy",
    "avoided_energy.low": "Lower end of avoided energy",
    "avoided_energy.high": "Upper end of avoided energy",
    "avoided_energy.fraction": "Avoided energy, share of the adjusted baseline",
    "adjusted_baseline": "Adjusted baseline",
    "measured": "Measured use in the reporting period",
    "baseline_energy": "Measured use in the baseline period",
    "routine_adjustment": "Routine adjustment",
    "non_routine_adjustment": "Non-routine adjustment",
    "uncertainty.half_width": "Half-width of the range",
    "uncertainty.model_part": "Model part of the uncertainty",
    "uncertainty.drift_part": "Drift part of the uncertainty",
    "uncertainty.guideline_14": "Half-width by Guideline 14",
    "annual.estimated_savings": "Estimated savings a year",
    "annual.verified_savings.value": "Verified savings a year",
    "annual.realisation_rate.value": "Realisation rate",
    "realisation_rate.value": "Realisation rate",
    "money.cost_savings.value": "Cost savings in the reporting period",
    "money.annual_cost_savings.value": "Cost savings a year",
    "money.annual_cost_savings_estimated": "Estimated cost savings a year",
    "money.price": "Average value of a saved unit",
    "money.net_cost": "Net cost",
    "money.net_cost_estimated": "Estimated net cost",
    "money.simple_payback_estimated.months": "Simple payback, estimated",
    "money.simple_payback_realised.months": "Simple payback, realised",
    "money.recovered.value": "Recovered so far",
    "money.npv.value": "Net present value",
    "money.irr.value": "Internal rate of return",
    "money.savings_to_investment.value": "Savings-to-investment ratio",
    "money.payback.months": "Simple payback of the counted sites",
    "model.cv_rmse": "CV(RMSE)",
    "model.nmbe": "NMBE",
    "model.r2": "R²",
}
"""Path of a figure → what it is called; other paths are spelled out."""


class StepModel(NamedTuple):
    """One value that went in."""

    symbol: str
    meaning: str
    value: str
    unit: str
    source: str
    ref: str


class TrailModel(NamedTuple):
    """One figure followed."""

    id: str
    name: str
    formula: Name
    value: Figure
    source: Name
    steps: tuple[StepModel, ...]


@lru_cache(maxsize=1024)
def anchor(key: str) -> str:
    """Element id of a derivation."""
    return "how-" + re.sub(r"[^A-Za-z0-9]+", "-", key).strip("-")


def figure_name(key: str, parts: Mapping[str, str]) -> str:
    """What a figure is called; `parts` names what the results hold several of, by its path:
    `totals[0]` is the total of electricity."""
    part, _, rest = key.partition(".")
    if part in parts:
        return f"{figure_name(rest, {})}, {parts[part]}"
    return FIGURE_WORDS.get(key) or key.removesuffix(".value").replace("_", " ").replace(".", ", ")


def _text(value: float | str | None, say: Say) -> str:
    if value is None:
        return NOT_GIVEN
    return value if isinstance(value, str) else say.number(value, 6)


def trail(
    derivations: list[Derivation], say: Say, parts: Mapping[str, str]
) -> dict[str, TrailModel]:
    """Every derivation as a fold-out, by the key of its figure; `parts` as in `figure_name`."""
    anchors = {d.figure: anchor(d.figure) for d in derivations}
    out = {}
    for i, d in enumerate(derivations):
        value = (
            Figure(
                say.number(d.value, 6),
                unit_words(d.unit),
                f"derivations[{i}].value",
                float(d.value),
            )
            if isinstance(d.value, int | float)
            else Figure(_text(d.value, say), unit_words(d.unit))
        )
        steps = tuple(
            [
                StepModel(
                    s.symbol,
                    s.meaning,
                    _text(s.value, say),
                    unit_words(s.unit),
                    s.source,
                    anchors.get(s.ref, ""),
                )
                for s in d.steps
            ]
        )
        out[d.figure] = TrailModel(
            anchors[d.figure],
            figure_name(d.figure, parts),
            Name(d.formula),
            value,
            Name(d.source),
            steps,
        )
    return out


@lru_cache(maxsize=1)
def glossary_rows() -> tuple[tuple[str, str, str, str, str], ...]:
    """Term, symbol, unit, sentence (with its sign), source."""
    return tuple(
        (t.term, t.symbol, t.unit, f"{t.sentence} {t.sign}".strip(), t.source) for t in GLOSSARY
    )
