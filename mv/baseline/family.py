"""Which families of baseline models are there?

A family offers forms for some kinds of rows and fits them.  A module of this room registers its
family in `FAMILIES`; the choice of the official model asks them all, so that a new family is one
new file.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from mv.baseline.fit import Fit, Response, Sample, solve_all
from mv.baseline.terms import LinearTerms
from mv.findings import ModelError
from mv.registry import Registry


@dataclass(frozen=True, slots=True)
class Tried:
    """One form that was tried: its fit, or why there is none."""

    form: str
    fit: Fit | None
    problem: str = ""


Contest = Callable[[Sequence[str]], list[Tried]]
"""Forms → each of them fitted to the rows of the contest.  What they share is worked out once."""


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
    contest: Callable[[Sample, LinearTerms, int, str], Contest] | None = None
    """`contest(sample, terms, least, unit)`: the forms with these terms, with slopes of the right
    sign and `least` rows beyond a change point, energies per `unit`; None where the family gives no
    official baseline."""
    costly: tuple[str, ...] = ()
    """Forms that are tried only with the kinds of day that lead among the others."""


def tried(
    sample: Sample,
    family: str,
    terms: LinearTerms,
    forms: Sequence[str],
    respond: Callable[[str], Response],
    unit: str,
    z: np.ndarray,
) -> list[Tried]:
    """Every form fitted, or why it could not be.  `respond(form)` is the form at its optimum, or
    says with a ModelError why there is none; `z` the sample's linear columns, shape (n, k)."""
    found: dict[str, Any] = {}
    for form in forms:
        try:
            found[form] = respond(form)
        except ModelError as error:
            found[form] = str(error)  # an error that is kept holds its frames, and they hold it
    responses = {form: one for form, one in found.items() if not isinstance(one, str)}
    fits = solve_all(sample, family, terms, list(responses.values()), unit=unit, z=z)
    found |= zip(responses, fits, strict=True)
    return [
        Tried(form, fit) if isinstance(fit, Fit) else Tried(form, None, str(fit))
        for form, fit in found.items()
    ]


def refused(why: str) -> Contest:
    """A contest in which no form can be fitted."""
    return lambda forms: [Tried(form, None, why) for form in forms]


FAMILIES: Registry[Family] = Registry("baseline family", "mv.baseline")
