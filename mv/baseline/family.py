"""Which families of baseline models are there?

A family offers forms for some kinds of rows and fits them.  A module of this room registers its
family in `FAMILIES`; the choice of the official model asks them all, so that a new family is one
new file.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any

from mv.baseline.fit import Fit, Sample
from mv.baseline.terms import LinearTerms
from mv.findings import ModelError
from mv.registry import Registry


@dataclass(frozen=True, slots=True)
class Tried:
    """One form that was tried: its fit, or why there is none."""

    form: str
    fit: Fit | None
    problem: str = ""


@dataclass(frozen=True, slots=True)
class Family:
    """A family of baseline models."""

    name: str
    question: str
    """What its forms ask of the rows, for people."""
    forms: tuple[str, ...]
    granularities: tuple[str, ...]
    """Rows it takes: daily, bills, hourly."""
    fit: Callable[..., Any]
    """`fit(rows, form)`: one form, fitted freely.  Raises ModelError for too few rows."""
    candidates: Callable[[Sample, LinearTerms, int, str, tuple[str, ...]], list[Tried]] | None = (
        None
    )
    """`candidates(sample, terms, least, unit, forms)`: these forms with slopes of the right sign
    and `least` rows beyond a change point; None where the family gives no official baseline."""
    costly: tuple[str, ...] = ()
    """Forms that are tried only with the kinds of day that lead among the others."""


def tried(forms: Sequence[str], fit: Callable[[str], Fit]) -> list[Tried]:
    """Every form fitted, or why it could not be: `fit(form)` says so with a ModelError."""
    out = []
    for form in forms:
        try:
            out.append(Tried(form, fit(form)))
        except ModelError as error:
            out.append(Tried(form, None, str(error)))
    return out


FAMILIES: Registry[Family] = Registry("baseline family", "mv.baseline")
