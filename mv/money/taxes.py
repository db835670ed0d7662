"""What tax is paid, and does the owner get it back?

    tax = [{ name = "energy tax", per_unit = 0.0205 }, { name = "value added tax", percent = 21,
             reclaimable = true }]

A tax that the owner reclaims saves nothing when less is used, so it is left out and said so.
Percentages count all earlier lines in, taxes before them in the list too (a sales tax is usually
levied on the energy tax).
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from mv.money.component import COMPONENTS, Component, Line, Stage, label, names_components
from mv.money.riders import Addition, addition
from mv.money.use import Use


class Tax(Addition):
    """One tax."""

    reclaimable: bool = False
    """Whether the owner gets it back."""


def cost(entries: Sequence[Tax], use: Use, before: Sequence[Line]) -> list[Line]:
    """Lines for taxes, one an entry."""
    lines: list[Line] = []
    for entry in entries:
        amount, how = addition(entry, use, [*before, *lines])
        if entry.reclaimable:
            amount, how = np.zeros(use.count), f"{how}; reclaimed, so left out"
        lines.append(Line(label(entry, "tax"), "tax", amount, how))
    return lines


COMPONENTS.add("tax", Component("tax", "tax", Stage.TAX, Tax, cost, names_components))
