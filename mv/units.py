"""Carriers, their canonical units, and the one door through which units are converted.

Inside the package energy is in the carrier's canonical unit (kWh; m³ where only a volume is
known), power in kW, temperature in °C, area in m².  What meters and bills print every day stands
in a table here.  Whatever else is written goes through pint, whose registry takes as long to build
as several sites take to verify: it is built on first use.

Exact values: the international steam-table British thermal unit, 1055.05585262 J (International
Table Btu, as in ISO 80000-5); therm (EC) = 100 000 Btu_IT; ton of refrigeration = 12 000 Btu_IT/h.
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass
from functools import lru_cache
from typing import Literal

Kind = Literal["energy", "power", "volume"]


@dataclass(frozen=True, slots=True)
class Carrier:
    """An energy carrier (or water) as a meter sees it."""

    name: str
    label: str
    kinds: tuple[Kind, ...]
    """What a meter of this carrier may read in."""


CARRIERS: dict[str, Carrier] = {
    c.name: c
    for c in (
        Carrier("electricity", "electricity", ("energy", "power")),
        Carrier("natural_gas", "natural gas", ("energy", "power", "volume")),
        Carrier("district_heat", "district heat", ("energy", "power")),
        Carrier("chilled_water", "chilled water", ("energy", "power")),
        Carrier("steam", "steam", ("energy", "power")),
        Carrier("fuel_oil", "fuel oil", ("energy", "volume")),
        Carrier("propane", "propane", ("energy", "volume")),
        Carrier("water", "water", ("volume",)),
    )
}

CANONICAL: dict[Kind, str] = {"energy": "kWh", "power": "kW", "volume": "m3"}

BTU_IT_J = 1055.05585262
"""Joule per International Table Btu, exact."""

# Names that meters and bills print, given to pint as definitions where it lacks them or
# defines them otherwise.
_DEFINITIONS = (
    f"Btu_exact = {BTU_IT_J} * joule = Btu = BTU = Btu_it",
    "kBtu = 1e3 * Btu_exact = kBTU",
    "MMBtu = 1e6 * Btu_exact = MMBTU",
    "therm = 1e5 * Btu_exact = therms = thm",
    "ton_hour = 12000 * Btu_exact = ton_hours = tonh",
    "cf = foot ** 3 = cubic_foot",
    "ccf = 100 * foot ** 3 = CCF = hcf = HCF",
    "mcf = 1000 * foot ** 3 = Mcf = MCF = kcf",
    "gal = 231 * inch ** 3 = gallons",
)

_SPELLINGS = {
    "kwh": "kWh",
    "KWH": "kWh",
    "Kwh": "kWh",
    "KWh": "kWh",
    "wh": "Wh",
    "WH": "Wh",
    "mwh": "MWh",
    "MWH": "MWh",
    "gj": "GJ",
    "mj": "MJ",
    "kw": "kW",
    "KW": "kW",
    "w": "W",
    "m³": "m**3",
    "m3": "m**3",
    "ft3": "foot**3",
    "ft³": "foot**3",
    "ft2": "foot**2",
    "ft²": "foot**2",
    "m2": "m**2",
    "m²": "m**2",
    "mmbtu": "MMBtu",
    "kbtu": "kBtu",
}


_FOOT = 0.3048
"""Metres, exact."""
_SIZES: dict[str, dict[str, float]] = {
    "energy": {
        "J": 1.0,
        "kJ": 1e3,
        "MJ": 1e6,
        "GJ": 1e9,
        "Wh": 3.6e3,
        "kWh": 3.6e6,
        "MWh": 3.6e9,
        "GWh": 3.6e12,
        "Btu": BTU_IT_J,
        "kBtu": 1e3 * BTU_IT_J,
        "MMBtu": 1e6 * BTU_IT_J,
        "therm": 1e5 * BTU_IT_J,
        "therms": 1e5 * BTU_IT_J,
        "ton_hour": 12e3 * BTU_IT_J,
    },
    "power": {"W": 1.0, "kW": 1e3, "MW": 1e6},
    "volume": {
        "m**3": 1.0,
        "L": 1e-3,
        "gal": 231 * (_FOOT / 12) ** 3,
        "cf": _FOOT**3,
        "foot**3": _FOOT**3,
        "ccf": 100 * _FOOT**3,
        "mcf": 1000 * _FOOT**3,
    },
    "area": {"m**2": 1.0, "foot**2": _FOOT**2},
}
"""The units of every day, in J, W, m³ and m²."""
_COMMON = {name: (kind, size) for kind, sizes in _SIZES.items() for name, size in sizes.items()}
"""What each of them measures, and its size."""
_HEAT_CONTENT = re.compile(r"\s*(\d{1,9}(?:\.\d{0,12})?)\s*([^\W\d]\w*)\s*/\s*([^\W\d]\w*)\s*")
"""A number, a unit of energy, and one of volume."""

LONGEST_UNIT = 40
"""Characters of a unit's text; longer ones are no unit."""

# What the parser could be kept busy with: powers of numbers, powers of two digits, other signs.
_NO_UNIT = re.compile(r"[^\w\s./*^()³²·-]|\d\s*(?:\*\*|\^)|(?:\*\*|\^)\s*-?\d{2,}")


class UnitError(ValueError):
    """A unit that can't be read, or that doesn't measure what it should."""


@lru_cache(maxsize=1)
def _registry():
    import warnings

    import pint

    registry = pint.UnitRegistry()
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        logger = __import__("logging").getLogger("pint")
        level = logger.level
        logger.setLevel("ERROR")  # redefinitions above are meant
        try:
            for line in _DEFINITIONS:
                registry.define(line)
        finally:
            logger.setLevel(level)
    return registry


def _spelled(unit: str) -> str:
    return re.sub(r"[A-Za-z]+[23²³]?", lambda m: _SPELLINGS.get(m[0], m[0]), unit.strip())


@lru_cache(maxsize=256)
def _parse(unit: str):
    """The pint quantity of one `unit` (a scale may be part of it: `1000 ft3`)."""
    text = _spelled(unit)
    if not text:
        raise UnitError("no unit is given")
    if len(unit) > LONGEST_UNIT or _NO_UNIT.search(unit):
        raise UnitError(f'"{unit[:LONGEST_UNIT]}" is not a unit that can be read')
    try:
        quantity = _registry()(text) * 1.0
    except Exception as error:
        raise UnitError(f'"{unit}" is not a unit that can be read') from error
    if not 0 < quantity.magnitude < math.inf:
        raise UnitError(f'"{unit}" is not a unit: its scale must be a number above zero')
    return quantity


@lru_cache(maxsize=256)
def kind_of(unit: str) -> Kind:
    """Tell whether `unit` measures energy, power or volume; UnitError for anything else."""
    common = _COMMON.get(_spelled(unit))
    if common is not None and common[0] in CANONICAL:
        return common[0]
    quantity = _parse(unit)
    for kind, canonical in (("energy", "joule"), ("power", "watt"), ("volume", "meter**3")):
        if quantity.check(_registry().Unit(canonical).dimensionality):
            return kind
    raise UnitError(f'"{unit}" measures neither energy, power nor volume')


@lru_cache(maxsize=1024)
def factor(unit: str, into: str) -> float:
    """How many `into` make one `unit` (not for temperatures); UnitError where they don't match."""
    one, other = _COMMON.get(_spelled(unit)), _COMMON.get(_spelled(into))
    if one is not None and other is not None and one[0] == other[0]:
        return one[1] / other[1]
    import pint

    try:
        return float((_parse(unit) / _parse(into)).to("dimensionless").magnitude)
    except pint.DimensionalityError as error:
        raise UnitError(f'"{unit}" can\'t be converted into "{into}"') from error


@dataclass(frozen=True, slots=True)
class Door:
    """How one meter's raw values become canonical.

    energy or volume: canonical = raw × factor.  power: canonical (kWh) = raw × factor × hours.
    """

    kind: Kind
    factor: float
    canonical: str
    """kWh or m3."""
    formula: str


@lru_cache(maxsize=1024)
def door(carrier: str, unit: str, heat_content: str | None = None) -> Door:
    """The conversion of a meter's unit into its carrier's canonical unit.

    Parameters
    ----------
    carrier : a key of `CARRIERS`.
    unit : what the meter's values are in.
    heat_content : for volumes, energy per volume with its unit, such as `38.3 MJ/m3` or
        `1.026 therm/ccf`; without it a gas meter is kept as a volume.

    Raises UnitError with a sentence that says what was found and what is allowed.
    """
    known = CARRIERS[carrier]
    kind = kind_of(unit)
    if kind not in known.kinds:
        raise UnitError(
            f'"{unit}" measures {kind}, but a meter of {known.label} reads in '
            f"{' or '.join(known.kinds)}"
        )
    if kind == "power":
        value = factor(unit, "kW")
        return Door(kind, value, "kWh", f"kWh = {unit} × {value:g} × hours of the interval")
    if kind == "volume" and heat_content:
        per_unit = factor(unit, "m3") * _joules_in_cubic_metre(heat_content) * factor("J", "kWh")
        return Door("energy", per_unit, "kWh", f"kWh = {unit} × {heat_content}")
    canonical = CANONICAL[kind]
    value = factor(unit, canonical)
    return Door(kind, value, canonical, f"{canonical} = {unit} × {value:g}")


def _joules_in_cubic_metre(heat_content: str) -> float:
    if (plain := _HEAT_CONTENT.fullmatch(heat_content)) is not None:
        number, energy, volume = plain.groups()
        one, other = _COMMON.get(_spelled(energy)), _COMMON.get(_spelled(volume))
        if one and other and (one[0], other[0]) == ("energy", "volume") and float(number) > 0:
            return float(number) * one[1] / other[1]
    heat = _parse(heat_content)
    try:
        return float(heat.to("joule / meter**3").magnitude)
    except Exception as error:
        raise UnitError(
            f'heat content "{heat_content}" is not an energy per volume, such as 38.3 MJ/m3'
        ) from error


def to_celsius(values, unit: str):
    """Temperatures in °C.  `values`: number or array in `unit`, degC or degF (UnitError else)."""
    if unit not in ("degC", "degF"):
        raise UnitError(f'temperature unit "{unit}" is not degC or degF')
    if unit == "degC":
        return values
    return (values - 32.0) / 1.8
