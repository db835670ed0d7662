"""Which meters are added up, and can they be?

Use = import + generation − export, over meters of one carrier that see the same thing.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from dataclasses import replace
from itertools import combinations

import numpy as np
import pandas as pd

from mv.findings import Finding
from mv.portfolio.schema import Meter
from mv.prepare.claims import Group
from mv.readings.clock import epoch_seconds
from mv.readings.read import MeterReadings
from mv.readings.series import MEASURED, MISSING, BilledUse, Intervals

DAY = dt.timedelta(days=1)


def _signed(meter: Meter) -> float:
    """Use = import + generation − export."""
    return -1.0 if meter.flow == "export" else 1.0


def sum_intervals(parts: Sequence[MeterReadings], time_zone: str) -> tuple[Intervals, int]:
    """Add interval series up on the coarsest step; an interval missing in one is missing.

    Before the day on which a meter came into service, where that is declared, it counts zero.
    """
    step = max(p.step_seconds for p in parts)
    if len(parts) == 1 and _signed(parts[0].meter) > 0:
        return parts[0].series, step
    columns = []
    for part in parts:
        energy = part.table["energy"]
        if part.step_seconds != step:
            energy = energy.resample(pd.Timedelta(seconds=step), origin="epoch").sum(
                min_count=step // part.step_seconds
            )
        columns.append(energy * _signed(part.meter))
    grid = columns[0].index
    for energy in columns[1:]:
        grid = grid.union(energy.index)
    total = pd.Series(0.0, index=grid)
    for part, energy in zip(parts, columns, strict=True):
        on_grid = energy.reindex(grid)
        if part.meter.in_service is not None:
            start = pd.Timestamp(part.meter.in_service).tz_localize(time_zone)
            on_grid = on_grid.mask(on_grid.isna() & (grid < start), 0.0)
        total = total + on_grid
    energy = total.to_numpy()
    flags = np.where(np.isnan(energy), MISSING, MEASURED).astype(np.int8)
    return Intervals(epoch_seconds(total.index), energy, flags), step


def sum_bills(parts: Sequence[MeterReadings]) -> BilledUse | str:
    """Add bills with equal read dates up; a sentence when the dates differ."""
    first = parts[0].series
    if len(parts) == 1:
        return first
    energy, cost = (values * _signed(parts[0].meter) for values in (first.energy, first.cost))
    for part in parts[1:]:
        bills = part.series
        if not (np.array_equal(bills.start, first.start) and np.array_equal(bills.end, first.end)):
            return (
                f"meters {parts[0].meter.meter} and {part.meter.meter} are billed on different "
                "dates and can't be added up."
            )
        energy = energy + bills.energy * _signed(part.meter)
        cost = cost + bills.cost * _signed(part.meter)
    return replace(first, energy=energy, cost=cost)


def why_not_added(group: Group, readings: dict[str, MeterReadings]) -> tuple[str, str]:
    """Reason and remedy where a group's meters can't be added up; empty strings otherwise."""
    flows = {m.flow for m in group.meters}
    if "export" in flows and "generation" not in flows:
        return (
            "energy is exported and the site's own generation is not metered, so its use is not "
            "known",
            "Enter the generation as a meter of its own with flow = generation.",
        )
    if flows == {"generation"}:
        return (
            "the site's own generation is metered and its use is not",
            "Enter the meter of the supply with flow = import.",
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
    if twins := _same_readings([readings[m.meter] for m in group.meters]):
        return (
            f"meters {' and '.join(twins)} have the same readings to the last digit, so their sum "
            "would count the energy twice",
            "Give each meter its own file or column (value_column, meter_column), or take one of "
            "them out of meters.csv.",
        )
    return "", ""


def _same_readings(parts: Sequence[MeterReadings]) -> tuple[str, str] | None:
    """The first two meters whose readings, not all zero, are equal."""
    if len(parts) < 2:
        return None
    energies = [part.series.energy for part in parts]
    for (one, energy), (other, same) in combinations(zip(parts, energies, strict=True), 2):
        if np.array_equal(energy, same, equal_nan=True) and np.nan_to_num(energy).any():
            return one.meter.meter, other.meter.meter
    return None


def uneven_starts(parts: Sequence[MeterReadings]) -> list[Finding]:
    """Meters of a sum whose readings begin days after the others', without a declared reason."""
    firsts = {p.meter.meter: _first_day(p) for p in parts if len(p.series)}
    if len(firsts) < 2:
        return []
    earliest = min(firsts.values())
    found = []
    for part in parts:
        first = firsts.get(part.meter.meter)
        if first is None or first <= earliest + DAY or part.meter.in_service is not None:
            continue
        found.append(
            Finding(
                "meter_starts_late",
                f"meter {part.meter.meter} ({part.meter.flow}) has no readings before {first}, "
                f"and the others of the sum begin on {earliest}. The days between are left out, "
                "as their whole use is not known. Give its earlier readings; or, if it did not "
                f"exist then, fill in_service = {first} in meters.csv and it counts zero before.",
                file="meters.csv",
                line=part.meter.source.line,
                column="in_service",
                meter=part.meter.meter,
                count=(first - earliest).days,
            )
        )
    return found


def _first_day(part: MeterReadings) -> dt.date:
    if part.kind == "bills":
        return part.series.start[0].astype(object)
    return part.series.starts[:1].astype("datetime64[s]")[0].astype(object).date()
