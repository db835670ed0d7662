"""What is charged whatever is used?  Fixed charges per month, day or year.

    fixed = [{ amount = 45.00 }, { name = "meter", amount = 0.31, per = "day" }]

They are the same for the adjusted baseline and the measured load, so they drop out of a saving;
they count where a bill is set beside the computed cost.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Literal

from mv.money.component import (
    COMPONENTS,
    Component,
    Entry,
    Line,
    Stage,
    label,
    never_by_hours,
)
from mv.money.use import Use


class FixedCharge(Entry):
    """One fixed charge."""

    amount: float
    """Currency, per month, day or year."""
    per: Literal["month", "day", "year"] = "month"
    """What the amount is per; a year's is paid in twelve parts."""


def cost(entries: Sequence[FixedCharge], use: Use, before: Sequence[Line]) -> list[Line]:
    """Lines for fixed charges, one an entry."""
    lines = []
    for entry in entries:
        if entry.per == "day":
            amount = use.days_in_force(entry) * entry.amount
        else:
            part = entry.amount / (12.0 if entry.per == "year" else 1.0)
            amount = use.months_in_force(entry) * part
        how = f"{entry.amount:g} per {entry.per}"
        lines.append(Line(label(entry, "fixed charge"), "fixed", amount, how))
    return lines


COMPONENTS.add(
    "fixed",
    Component("fixed", "fixed charge", Stage.CHARGE, FixedCharge, cost, never_by_hours),
)
