"""What is charged at least?  Minimum bills.

    minimum = [{ amount = 30.00 }]

What fixed, energy and demand charges lack of the minimum is added, before riders and taxes
(common practice, no source).
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Literal

import numpy as np

from mv.money.component import (
    COMPONENTS,
    Component,
    Entry,
    Line,
    Stage,
    label,
    names_components,
    never_by_hours,
    total_of,
)
from mv.money.use import Use


class MinimumBill(Entry):
    """One minimum."""

    amount: float
    """Currency, per month or day."""
    per: Literal["month", "day"] = "month"
    """What the amount is per."""
    of: tuple[str, ...] = ()
    """Components that count towards it; all charges when empty."""


def cost(entries: Sequence[MinimumBill], use: Use, before: Sequence[Line]) -> list[Line]:
    """Lines for what is lacking, one an entry."""
    lines = []
    for entry in entries:
        spans = use.days_in_force(entry) if entry.per == "day" else use.months_in_force(entry)
        lacking = np.maximum(entry.amount * spans - total_of(before, entry.of, use.count), 0.0)
        how = f"what the charges lack of {entry.amount:g} per {entry.per}"
        lines.append(Line(label(entry, "minimum bill"), "minimum", lacking, how))
    return lines


def check(entries: Sequence[MinimumBill]) -> list[str]:
    """Contradictions between entries, as sentences."""
    return [*never_by_hours(entries), *names_components(entries)]


COMPONENTS.add(
    "minimum",
    Component("minimum", "minimum bill", Stage.MINIMUM, MinimumBill, cost, check),
)
