"""What does each unit of energy cost?  Flat, seasonal, time-of-use and block prices.

    energy = [{ price = 0.145 }]

    energy = [
      { season = "summer", period = "peak", price = 0.285 },
      { season = "summer", period = "off_peak", price = 0.098 },
      { season = "winter", price = 0.110 },
    ]

    energy = [{ per = "month", blocks = [
      { up_to = 500, price = 0.11 }, { up_to = 2000, price = 0.14 }, { price = 0.19 } ] }]

Blocks fill from the first: `up_to` is the running total at which a block ends.  `per = "month"` is
per billing period (in proportion, where the load covers only part of it), `per = "day"` allows so
much for each day of the period, and `per = "kW"` so much for each kW of its billed demand
(load-factor blocks).  Savings come off the last block that is in use.
"""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise
from typing import Literal

import numpy as np
from pydantic import Field, model_validator

from mv.money.component import (
    COMPONENTS,
    Component,
    Entry,
    Line,
    Stage,
    label,
    no_two_at_once,
)
from mv.money.use import Use
from mv.portfolio.schema import Described


class PriceBlock(Described):
    """One block of an energy price."""

    up_to: float | None = Field(default=None, gt=0)
    """Running total at which the block ends; the last block has none."""
    price: float = Field(ge=0)
    """Price per unit in this block."""


class EnergyPrice(Entry):
    """One energy price."""

    price: float | None = Field(default=None, ge=0)
    """Price per unit; or blocks."""
    blocks: tuple[PriceBlock, ...] = ()
    """Blocks of falling or rising price, in order."""
    per: Literal["month", "day", "kW"] = "month"
    """What the blocks' sizes are per."""
    window: int = Field(default=15, ge=1, le=1440)
    """Minutes over which demand is averaged, for blocks per kW."""

    @model_validator(mode="after")
    def _one_of_two(self):
        if (self.price is None) == (not self.blocks):
            raise ValueError("give either a price or blocks")
        ends = [b.up_to for b in self.blocks]
        if self.blocks and (None in ends[:-1] or ends[-1] is not None):
            raise ValueError("every block but the last needs up_to, and the last has none")
        if any(a >= b for a, b in pairwise(ends[:-1])):
            raise ValueError("the blocks' up_to must rise")
        return self


def cost(entries: Sequence[EnergyPrice], use: Use, before: Sequence[Line]) -> list[Line]:
    """Lines for energy, one an entry."""
    use.note_gap(entries)
    lines = []
    for entry in entries:
        energy = use.energy(entry)
        if entry.price is not None:
            amount = energy * entry.price
            how = f"energy × {entry.price:g}"
        else:
            amount = _in_blocks(energy, entry, use)
            prices = ", ".join(f"{b.price:g}" for b in entry.blocks)
            how = f"energy in blocks per {entry.per} at {prices}"
        lines.append(Line(label(entry, "energy"), "energy", amount, how))
    return lines


def _in_blocks(energy: np.ndarray, entry: EnergyPrice, use: Use) -> np.ndarray:
    size = _block_scale(entry, use)
    amount = np.zeros(len(energy))
    lower = np.zeros(len(energy))
    for block in entry.blocks:
        upper = np.full(len(energy), np.inf) if block.up_to is None else block.up_to * size
        amount += block.price * (np.clip(energy, lower, upper) - lower)
        lower = upper
    return amount


def _block_scale(entry: EnergyPrice, use: Use) -> np.ndarray:
    if entry.per == "day":
        return use.days_in_force(entry)
    if entry.per == "kW":
        return np.nan_to_num(use.peak(entry, entry.window)) * use.months_in_force(entry)
    return use.months_in_force(entry)


COMPONENTS.add(
    "energy",
    Component("energy", "energy", Stage.CHARGE, EnergyPrice, cost, no_two_at_once),
)
