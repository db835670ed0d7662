"""The manual of rates.toml and of the incentive terms, made from their descriptions.

What an entry may say stands once, as the string under its field beside the code that prices it;
this module lays those strings out as Markdown: `python -m mv.money.reference` prints them, and
RATES.md beside this file keeps them.
"""

from __future__ import annotations

import sys
from collections.abc import Container
from importlib import resources
from types import UnionType
from typing import get_args, get_origin

from mv.money.component import COMPONENTS, Entry
from mv.money.incentives import IncentiveTerms
from mv.money.rates import RateHead
from mv.portfolio.cells import forms
from mv.portfolio.reference import default_words, holds
from mv.portfolio.schema import Described

_TABLE_HEAD = "| setting | holds | default | meaning |\n| --- | --- | --- | --- |"

_INTRODUCTION = """\
# Rates and incentive terms

What energy costs stands in `rates.toml`: each top-level table is one rate, and its name is the key
that the column `rate` of meters.csv refers to. A bill is added up in this order: energy, demand and
fixed charges; what they lack of the minimum bill; riders; taxes. What is saved is the cost of the
adjusted baseline less the cost of the measured load, both under the same rate.
"""


def rates_reference() -> str:
    """The manual of rates as Markdown, ending with the example file."""
    parts = [_INTRODUCTION, "## What a rate may say", "", _TABLE_HEAD, *_rows(RateHead), ""]
    parts += ["Its other settings are lists of entries.  Every entry may say:", "", _TABLE_HEAD]
    parts += [*_rows(Entry), ""]
    for component in COMPONENTS:
        question = sys.modules[component.cost.__module__].__doc__.split("\n", maxsplit=1)[0]
        parts += [f"### `{component.name}`: {component.label}", "", question, "", _TABLE_HEAD]
        parts += [*_rows(component.entry, leave_out=Entry.model_fields), ""]
        for name, inner in _inner(component.entry):
            parts += [f"In `{name}`:", "", _TABLE_HEAD, *_rows(inner), ""]
    parts += ["### Examples", "", "```toml", example_rates().rstrip(), "```", ""]
    parts += ["## Terms of an incentive programme", "", "`[incentive]` of portfolio.toml.", ""]
    parts += [_TABLE_HEAD, *_rows(IncentiveTerms), ""]
    return "\n".join(parts)


def example_rates() -> str:
    """Commented rates of the usual kinds, as TOML."""
    return resources.files("mv.money").joinpath("example_rates.toml").read_text(encoding="utf-8")


def _rows(model: type[Described], leave_out: Container[str] = ()) -> list[str]:
    rows = []
    for name, form in forms(model).items():
        if name in leave_out:
            continue
        field = model.model_fields[name]
        shown = field.alias or name
        kind = "a list of names" if form.kind == "list" else holds(model, form)
        if get_origin(field.annotation) is tuple and form.kind == "other":
            kind = "a list of tables"
        rows.append(f"| `{shown}` | {kind} | {default_words(form)} | {form.description} |")
    return rows


def _inner(model: type[Described]) -> list[tuple[str, type[Described]]]:
    """Fields that hold tables of their own, with their description."""
    found = []
    for name, field in model.model_fields.items():
        annotation = field.annotation
        if get_origin(annotation) in (tuple, UnionType):
            annotation = get_args(annotation)[0]
        if isinstance(annotation, type) and issubclass(annotation, Described):
            found.append((field.alias or name, annotation))
    return found


if __name__ == "__main__":
    print(rates_reference(), end="")
