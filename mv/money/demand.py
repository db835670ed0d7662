"""What does the highest demand cost?  Demand charges: windows, seasons, hours, ratchets.

    demand = [{ price = 14.50, window = 15 }]

    demand = [{ price = 11.20, season = "summer", period = "peak", window = 30,
                ratchet = { share = 0.8, months = 11 }, least = 50 }]

Billed demand of a month = max(the month's peak, share · highest peak of the `months` before,
`least`), times the price per kW (common practice, no source).  A ratchet may count the peaks of
one season only.  Reporting periods that begin in mid-month pay that part of a month.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Literal

import numpy as np
from pydantic import Field

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
from mv.wording import percent


class Ratchet(Described):
    """How earlier peaks hold up the billed demand."""

    share: float = Field(gt=0, le=1)
    """Part of the earlier peak that is billed at least."""
    months: int = Field(default=11, ge=1, le=60)
    """Months looked back."""
    season: str | None = None
    """Season whose peaks count; all when empty."""


class DemandCharge(Entry):
    """One demand charge."""

    price: float = Field(ge=0)
    """Price per kW of billed demand."""
    per: Literal["month", "day"] = "month"
    """What the price is per, beside the kW."""
    window: int = Field(default=15, ge=1, le=1440)
    """Minutes over which demand is averaged."""
    ratchet: Ratchet | None = None
    """How earlier peaks hold up the billed demand."""
    least: float = Field(default=0.0, ge=0)
    """Least billed demand, kW."""


def cost(entries: Sequence[DemandCharge], use: Use, before: Sequence[Line]) -> list[Line]:
    """Lines for demand, one an entry."""
    lines = []
    for entry in entries:
        billed = billed_demand(entry, use)
        if entry.per == "month":
            spans, every = use.months_in_force(entry), "month"
        else:
            spans, every = use.days_in_force(entry), "day"
        amount = np.nan_to_num(billed) * spans * entry.price
        how = f"highest {entry.window}-minute demand × {entry.price:g} per kW and {every}"
        if entry.ratchet:
            how += (
                f", at least {percent(entry.ratchet.share)} of the highest of the "
                f"{entry.ratchet.months} months before"
            )
        lines.append(Line(label(entry, "demand"), "demand", amount, how))
    return lines


def billed_demand(entry: DemandCharge, use: Use) -> np.ndarray:
    """Billed demand of each billing period in kW, shape (k,); NaN where none is known."""
    peak = use.peak(entry, entry.window)
    billed = np.maximum(peak, entry.least)
    if entry.ratchet is None:
        return billed
    earlier_first, earlier_peak = use.earlier_peaks(entry, entry.window)
    first = np.concatenate([earlier_first, use.load.billing.first])
    peaks = np.concatenate([earlier_peak, peak])
    if entry.ratchet.season is not None:
        calendar = use.clock.calendar
        code = calendar.seasons.index(entry.ratchet.season) + 1
        peaks = np.where(calendar.season_of(first) == code, peaks, np.nan)
    month = first.astype("datetime64[M]").astype(int)
    own = month[len(earlier_first) :]
    back = own[:, None] - month[None, :]
    looked_at = (back >= 1) & (back <= entry.ratchet.months) & np.isfinite(peaks)[None, :]
    held = np.where(looked_at, peaks[None, :], -np.inf).max(axis=1, initial=-np.inf)
    if own.size and (own[0] - month[np.isfinite(peaks)].min(initial=own[0])) < entry.ratchet.months:
        use.note(
            "ratchet_history_short",
            f"the ratchet looks back {entry.ratchet.months} months, and fewer months of demand "
            "are known before the first; earlier peaks may have held up more",
        )
    return np.maximum(billed, entry.ratchet.share * held)


COMPONENTS.add(
    "demand",
    Component("demand", "demand", Stage.CHARGE, DemandCharge, cost, no_two_at_once),
)
