"""What is added on top?  Riders: a percentage of charges, or an amount per unit.

    rider = [{ name = "fuel adjustment", per_unit = 0.0042, from = 2024-04-01 },
             { name = "franchise", percent = 3.5, of = ["energy", "demand"] }]

A rider that is in force for part of a billing period counts for that part of its days.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from pydantic import model_validator

from mv.money.component import (
    COMPONENTS,
    Component,
    Entry,
    Line,
    Stage,
    label,
    names_components,
    total_of,
)
from mv.money.use import Use


class Addition(Entry):
    """A percentage or an amount per unit."""

    percent: float | None = None
    """Percent of the components named in `of`."""
    of: tuple[str, ...] = ()
    """Components that the percentage counts in; all earlier ones when empty."""
    per_unit: float | None = None
    """Currency per unit of energy."""

    @model_validator(mode="after")
    def _one_of_two(self):
        if (self.percent is None) == (self.per_unit is None):
            raise ValueError("give either percent or per_unit")
        if self.percent is not None and self.period is not None:
            raise ValueError("a percentage cannot be limited to a period; use per_unit")
        return self


def addition(entry: Addition, use: Use, before: Sequence[Line]) -> tuple[np.ndarray, str]:
    """Amount of each billing period, shape (k,), and how it was counted."""
    if entry.per_unit is not None:
        return use.energy(entry) * entry.per_unit, f"energy × {entry.per_unit:g}"
    days = use.load.billing.days
    share = np.divide(use.days_in_force(entry), days, out=np.zeros(len(days)), where=days > 0)
    amount = total_of(before, entry.of, use.count) * share * entry.percent / 100.0
    return amount, f"{entry.percent:g} % of {', '.join(entry.of) or 'all before it'}"


def cost(entries: Sequence[Addition], use: Use, before: Sequence[Line]) -> list[Line]:
    """Lines for riders, one an entry; none counts another in."""
    lines = []
    for entry in entries:
        amount, how = addition(entry, use, before)
        lines.append(Line(label(entry, "rider"), "rider", amount, how))
    return lines


COMPONENTS.add("rider", Component("rider", "rider", Stage.RIDER, Addition, cost, names_components))
