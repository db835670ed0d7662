"""What does a unit cost on average, where the rate cannot be applied?  The declared fallback.

    blended = [{ price = 0.209 }]

The whole bill divided by its energy.  It credits a saved unit with fixed and demand charges that
don't fall, or with too little where dear hours are saved, so it is used only where the user
declares it and the readings are too coarse for the rate (bills under time-of-use prices), or where
it is all that the rate holds; and it is named wherever it is used.
"""

from __future__ import annotations

from collections.abc import Sequence

from pydantic import Field

from mv.money.component import COMPONENTS, Component, Entry, Line, Stage, no_two_at_once
from mv.money.use import Use


class BlendedPrice(Entry):
    """One average price."""

    price: float = Field(ge=0)
    """Average price per unit: the whole bill divided by its energy."""


def cost(entries: Sequence[BlendedPrice], use: Use, before: Sequence[Line]) -> list[Line]:
    """Lines at the average price, one an entry."""
    use.note_gap(entries)
    use.note(
        "price_blended",
        "an average price stands for the rate; it credits fixed and demand charges that may not "
        "fall, and knows no hours",
    )
    return [
        Line("average price", "blended", use.energy(e) * e.price, f"energy × {e.price:g}")
        for e in entries
    ]


COMPONENTS.add(
    "blended",
    Component("blended", "average price", Stage.CHARGE, BlendedPrice, cost, no_two_at_once),
)
