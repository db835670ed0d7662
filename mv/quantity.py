"""Shapes that every room's numbers travel in: an interval, a span of months, a bridge, and the way
a number was made.

An `Interval` names its kind, its confidence and its method, so that the range of a mean, of a
new observation and of a sum can't be mistaken for one another.  A `Derivation` is what a reader
unfolds to follow a figure: formula, the values put in, their units and where those came from.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field, replace
from typing import Literal


@dataclass(frozen=True, slots=True)
class Interval:
    """A value with its two-sided interval.

    `low` and `high` are None when no interval can be given; `fraction` is value divided by the
    base named in `fraction_of` (for savings: the adjusted baseline).
    """

    value: float
    low: float | None
    high: float | None
    unit: str
    confidence: float | None = None
    kind: Literal["sum", "mean", "new observation", "ratio", "money"] = "sum"
    method: str = ""
    fraction: float | None = None
    fraction_low: float | None = None
    fraction_high: float | None = None
    fraction_of: str = ""

    @property
    def half_width(self) -> float | None:
        """Half the width of the interval, in `unit`."""
        return None if self.low is None or self.high is None else (self.high - self.low) / 2

    def as_fields(self) -> dict[str, float | str | None]:
        """Its fields by name."""
        return {name: getattr(self, name) for name in self.__slots__}

    def scaled(self, factor: float, unit: str) -> Interval:
        """The same interval times a constant (a price, say), in another unit."""
        ends = [None if e is None else e * factor for e in (self.low, self.high)]
        if factor < 0:
            ends.reverse()
        return replace(self, value=self.value * factor, low=ends[0], high=ends[1], unit=unit)


def around(value: float, half_width: float, unit: str, **rest) -> Interval:
    """Interval value ± half_width; a base can be given as `base` to fill the fractions."""
    base = rest.pop("base", None)
    low, high = value - half_width, value + half_width
    if base is not None and math.isfinite(base) and base > 0:
        rest |= {"fraction": value / base, "fraction_low": low / base, "fraction_high": high / base}
    return Interval(value, low, high, unit, **rest)


@dataclass(frozen=True, slots=True)
class Step:
    """One value that went into a figure.

    `ref` names another derivation by its key (so that the reader can go on following), or is
    empty where the trail ends at `source`: a file with line, a setting, a published table.
    """

    symbol: str
    meaning: str
    value: float | str | None
    unit: str
    source: str
    ref: str = ""


@dataclass(frozen=True, slots=True)
class Derivation:
    """How one printed figure was made."""

    figure: str
    """Key of the figure: a dotted path into the results, for instance `avoided_energy.value`."""
    formula: str
    """In symbols, `S = Σ(ŷ_t − y_t)`."""
    value: float | str | None
    unit: str
    source: str
    """Where the formula comes from: standard, chapter, or `common practice, no source`."""
    steps: tuple[Step, ...] = field(default_factory=tuple)


@dataclass(frozen=True, kw_only=True)
class Months:
    """A word for a payback: months with interval, or the reason there are none."""

    months: float | None
    low: float | None
    high: float | None
    """None where there is no upper limit (the saving's interval reaches zero)."""
    words: str


@dataclass(frozen=True, kw_only=True)
class BridgeStep:
    """One bar of a bridge."""

    name: str
    amount: float
    low: float | None = None
    high: float | None = None
    note: str = ""
    responsible: str = ""


@dataclass(frozen=True, kw_only=True)
class Bridge:
    """From one figure to another, in steps that add up exactly."""

    name: str
    """Key: savings, payback, bill."""
    unit: str
    start: float
    start_label: str
    end: float
    end_label: str
    steps: list[BridgeStep]
    method: str
    words: str = ""
