"""Is a carrier known, and does a unit measure what it delivers?

Conversions stand in `mv/units.py`; here are the sentences that name what was found in a cell and
what is allowed there.
"""

from __future__ import annotations

from functools import lru_cache

from mv import units
from mv.portfolio.cells import did_you_mean, listed
from mv.portfolio.tables import shown


@lru_cache(maxsize=256)
def carrier_problem(name: str | None) -> str | None:
    """Why a name is no carrier, as a sentence; None where it is one, or there is none."""
    if name is None or name in units.CARRIERS:
        return None
    return (
        f"{shown(name)} is not a carrier; allowed are {listed(units.CARRIERS)}"
        f"{did_you_mean(name, units.CARRIERS)}"
    )


@lru_cache(maxsize=1024)
def unit_problem(
    carrier: str | None, unit: str | None, heat_content: str | None
) -> tuple[str, str] | None:
    """Column and sentence where a meter's unit or heat content doesn't fit its carrier."""
    if carrier is None or unit is None:
        return None
    try:
        units.door(carrier, unit)
    except units.UnitError as error:
        return "unit", str(error)
    try:
        units.door(carrier, unit, heat_content)
    except units.UnitError as error:
        return "heat_content", str(error)
    return None


@lru_cache(maxsize=1024)
def amount_problem(carrier: str | None, unit: str | None) -> str | None:
    """Why a unit can't state an amount of a carrier's energy (or volume), as a sentence."""
    if carrier is None or unit is None:
        return None
    known = units.CARRIERS[carrier]
    allowed = [k for k in known.kinds if k != "power"]
    try:
        kind = units.kind_of(unit)
    except units.UnitError as error:
        return f"{error}; write the unit of the amount alone, such as kWh or m3"
    if kind not in allowed:
        return f"{shown(unit)} measures {kind}, but an amount of {known.label} is in " + (
            " or ".join(allowed)
        )
    return None
