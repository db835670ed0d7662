"""Which meters are added up, and can they be?

Use = import + generation − export, over meters of one carrier that see the same thing.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from mv.portfolio.schema import Meter, Retrofit, SiteDescription
from mv.readings.read import MeterReadings


@dataclass(frozen=True, slots=True)
class Group:
    """Meters of one carrier that are added up, and the retrofits claimed on them."""

    carrier: str
    boundary: str
    meters: tuple[Meter, ...]
    retrofits: tuple[Retrofit, ...]
    claimed: bool


def groups_of(description: SiteDescription) -> list[Group]:
    """Meters that are added up: those a retrofit names, else all of a carrier that see the
    whole facility.  The claimed carrier comes first."""
    retrofits = description.retrofits
    groups: list[Group] = []
    taken: set[str] = set()
    for carrier in dict.fromkeys(r.carrier for r in retrofits):
        own = tuple(r for r in retrofits if r.carrier == carrier)
        named = {key for r in own for key in r.meters}
        meters = tuple(
            m
            for m in description.meters
            if m.carrier == carrier
            and (m.meter in named if named else m.boundary == "whole_facility")
        )
        taken |= {m.meter for m in meters}
        boundary = meters[0].boundary if meters else "whole_facility"
        groups.append(Group(carrier, boundary, meters, own, True))
    for carrier, boundary in dict.fromkeys((m.carrier, m.boundary) for m in description.meters):
        meters = tuple(
            m
            for m in description.meters
            if (m.carrier, m.boundary) == (carrier, boundary) and m.meter not in taken
        )
        if meters:
            groups.append(Group(carrier, boundary, meters, retrofits, False))
    return groups


def _signed(meter: Meter) -> float:
    """Use = import + generation − export."""
    return -1.0 if meter.flow == "export" else 1.0


def sum_intervals(parts: Sequence[MeterReadings]) -> tuple[pd.DataFrame, int]:
    """Add interval series up on the coarsest step; an interval missing in one is missing."""
    step = max(p.step_seconds for p in parts)
    if len(parts) == 1 and _signed(parts[0].meter) > 0:
        return parts[0].table, step
    total = None
    for part in parts:
        energy = part.table["energy"]
        if part.step_seconds != step:
            energy = energy.resample(pd.Timedelta(seconds=step), origin="epoch").sum(
                min_count=step // part.step_seconds
            )
        energy = energy * _signed(part.meter)
        total = energy if total is None else total.add(energy)
    flag = np.where(total.isna(), "missing", "measured")
    return pd.DataFrame({"energy": total, "flag": pd.Categorical(flag)}, index=total.index), step


def sum_bills(parts: Sequence[MeterReadings]) -> pd.DataFrame | str:
    """Add bills with equal read dates up; a sentence when the dates differ."""
    first = parts[0].table
    if len(parts) == 1:
        return first
    total = first.copy()
    for part in parts[1:]:
        table = part.table
        if not (
            len(table) == len(first)
            and (table["start"].to_numpy() == first["start"].to_numpy()).all()
            and (table["end"].to_numpy() == first["end"].to_numpy()).all()
        ):
            return (
                f"meters {parts[0].meter.meter} and {part.meter.meter} are billed on different "
                "dates and can't be added up."
            )
        for column in ("energy", "cost"):
            total[column] = total[column] + table[column] * _signed(part.meter)
    return total


def why_not_added(group: Group, readings: dict[str, MeterReadings]) -> tuple[str, str]:
    """Reason and remedy where a group's meters can't be added up; empty strings otherwise."""
    flows = {m.flow for m in group.meters}
    if "export" in flows and "generation" not in flows:
        return (
            "energy is exported and the site's own generation is not metered, so its use is not "
            "known",
            "Enter the generation as a meter of its own with flow = generation.",
        )
    if len({readings[m.meter].kind for m in group.meters}) > 1:
        return (
            "interval readings and bills of one carrier can't be added up",
            "Give all meters of the carrier in one kind, or name one in the retrofit's meters.",
        )
    if len({readings[m.meter].unit for m in group.meters}) > 1:
        return (
            "some meters of the carrier are in energy and some in volume",
            "Give the heat content of the meters that read in volume.",
        )
    return "", ""
