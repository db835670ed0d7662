"""What does a load cost under a rate?

A rate is one table of rates.toml, written by the user from a rate sheet.  Its head says what it is;
every other key names a component (energy, demand, fixed ...) with a list of entries, described and
priced by the component's own file (`component.py` has the contract).  The smallest rate is

    [office]
    price = 0.145

and a full one is shown in `example_rates.toml`.  Cost saved is always the cost of the adjusted
baseline less the cost of the measured load, both under the same rate; an average price is used
only where the rate declares one (`blended`).

Common practice, no source, unless a component names one.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from functools import cached_property
from typing import Any, Literal

import numpy as np
from pydantic import Field

from mv.findings import Finding, FolderError
from mv.money.calendar import RateCalendar, read_calendar
from mv.money.clock import EMPTY, Clock, breaks_of
from mv.money.component import COMPONENTS, Entry, Line, when
from mv.money.described import Sayer, read_into
from mv.money.load import Load
from mv.money.use import Use
from mv.portfolio.cells import did_you_mean
from mv.portfolio.schema import Block, Described
from mv.portfolio.tables import shown
from mv.units import UnitError, factor, kind_of

Basis = Literal["actual", "estimate", "contract"]


class RateHead(Described):
    """What a rate says of itself."""

    name: str = ""
    """Name of the rate, as the supplier prints it."""
    source: str = ""
    """Where the prices come from: rate sheet, page, date, bill."""
    unit: str | None = None
    """Unit of energy that prices are per (kWh, therm, m3 ...); the meter's canonical unit when
    empty."""
    basis: Basis = "actual"
    """Which price this is: the actual one, the one that the estimate was made with, or the one in
    a contract."""
    of: str | None = None
    """For an estimate or contract rate: the key of the actual rate it stands beside."""
    holidays: str | None = None
    """How public holidays are priced: like a day of the week (Sun), or none."""
    seasons: dict[str, str | list[str]] = Field(default_factory=dict)
    """Seasons by name: spans of days, 06-01..09-30, or rest."""
    periods: dict[str, str | list[str]] = Field(default_factory=dict)
    """Time-of-use periods by name: days and hours, Mon-Fri 12:00-18:00, or rest."""
    price: float | None = Field(default=None, ge=0)
    """One price per unit, in place of an energy list."""


@dataclass(frozen=True)
class Rate:
    """A rate, read and valid."""

    key: str
    head: RateHead
    calendar: RateCalendar
    parts: Mapping[str, tuple[Entry, ...]]
    """Entries by component."""
    place: str
    """File and line where it is written."""

    @property
    def label(self) -> str:
        """Key and name."""
        return f"{self.key} ({self.head.name})" if self.head.name else self.key

    @property
    def source(self) -> str:
        """Where its prices come from: what the user says, and the place in the folder."""
        return f"{self.head.source}; {self.place}" if self.head.source else self.place

    @property
    def flat(self) -> bool:
        """Whether every unit costs the same at all times, and nothing else is charged."""
        if set(self.parts) != {"energy"} or len(self.parts["energy"]) != 1:
            return False
        entry = self.parts["energy"][0]
        return entry.price is not None and not when(entry)

    @property
    def needs_intervals(self) -> bool:
        """Whether it asks for hours of the day or for demand, so that days are too coarse."""
        return "demand" in self.parts or self._asks_for_hours

    @property
    def _asks_for_hours(self) -> bool:
        return any(entry.period for entries in self.parts.values() for entry in entries)

    def parts_for(self, load: Load) -> Mapping[str, tuple[Entry, ...]]:
        """The components that price this load: the average price alone, where it must stand in."""
        blended = self.parts.get("blended")
        if blended is None:
            return self.parts
        others = {k: v for k, v in self.parts.items() if k != "blended"}
        if "energy" not in others or (load.kind != "interval" and self._asks_for_hours):
            return {"blended": blended}
        return others


@dataclass(frozen=True)
class Bill:
    """What a load costs, line by line and billing period by billing period."""

    rate: str
    lines: tuple[Line, ...]
    use: Use

    @cached_property
    def by_period(self) -> np.ndarray:
        """Cost of each billing period, currency, shape (k,)."""
        return np.sum([line.amount for line in self.lines], axis=0)

    @cached_property
    def total(self) -> float:
        """Cost of all billing periods, currency."""
        return float(sum(line.amount.sum() for line in self.lines))


def open_rate(block: Block) -> Rate:
    """Read one rate.

    Raises FolderError with everything that is wrong in it, each with file, line and setting.
    """
    say = Sayer(block, "a rate")
    own = {k: v for k, v in block.values.items() if k in RateHead.model_fields}
    head = read_into(RateHead, own, "", say)
    parts: dict[str, tuple[Entry, ...]] = {}
    for name, value in block.values.items():
        if name in RateHead.model_fields:
            continue
        if name not in COMPONENTS:
            say.unknown(name, [*RateHead.model_fields, *COMPONENTS.names()])
            continue
        parts[name] = _read_entries(name, value, say)
    if head is None:
        raise FolderError(say.found)
    if head.price is not None:
        if "energy" in parts:
            say.wrong("price", "give either a price or an energy list, not both")
        parts["energy"] = (COMPONENTS["energy"].entry(price=head.price),)
    if not {"energy", "blended"} & set(parts):
        say.missing("price", "the rate has no energy price; add price = 0.145, say")
    calendar, problems = read_calendar(head.seasons, head.periods, head.holidays)
    for setting, sentence in problems:
        say.wrong(setting, sentence)
    if (head.basis == "actual") != (head.of is None):
        say.wrong(
            "of",
            "an estimate's or contract's rate needs of = \"key of the actual rate\", "
            "and the actual rate has none",
        )
    _check_names(parts, head, say)
    _check_unit(head, say)
    say.finish()
    ordered = dict(sorted(parts.items(), key=lambda item: COMPONENTS[item[0]].stage))
    return Rate(block.key, head, calendar, ordered, _place(block))


def open_rates(blocks: Iterable[Block]) -> dict[str, Rate]:
    """Read all rates.  Raises FolderError with the problems of all of them."""
    blocks = tuple(blocks)
    keys = [block.key for block in blocks]
    rates: dict[str, Rate] = {}
    found: list[Finding] = []
    for block in blocks:
        try:
            rates[block.key] = open_rate(block)
        except FolderError as error:
            found.extend(error.findings)
        of = block.values.get("of")
        if of is not None and of not in keys:
            say = Sayer(block, "a rate")
            say.wrong("of", f"there is no rate {shown(str(of))}{did_you_mean(str(of), keys)}")
            found.extend(say.found)
    if found:
        raise FolderError(found)
    return rates


def rate_findings(blocks: Iterable[Block]) -> list[Finding]:
    """Everything that is wrong in a folder's rates; empty where they can be used."""
    try:
        open_rates(blocks)
    except FolderError as error:
        return list(error.findings)
    return []


def unit_factor(rate: Rate, unit: str) -> float:
    """Units that the rate's prices are per, in one `unit`.  UnitError where they don't match."""
    per = rate.head.unit or unit
    return 1.0 if per == unit else factor(unit, per)


def price_load(
    rate: Rate,
    load: Load,
    *,
    unit: str = "kWh",
    holidays: np.ndarray = EMPTY,
    history: Load | None = None,
) -> Bill:
    """What `load` costs under `rate`.

    Parameters
    ----------
    unit : canonical unit of the load (kWh, or m3 where only a volume is known).
    holidays : datetime64[D], public holidays of the site.
    history : measured load of the months before, for a ratchet.

    Raises UnitError where the prices are per another kind of unit than the load's, ModelError
    where the load is too coarse for the rate.
    """
    return price_use(rate, use_of(rate, load, unit=unit, holidays=holidays, history=history))


def use_of(
    rate: Rate,
    load: Load,
    *,
    unit: str = "kWh",
    holidays: np.ndarray = EMPTY,
    history: Load | None = None,
    beside: Use | None = None,
) -> Use:
    """What a rate asks of a load.

    `beside` is the use of a measured load with the same pieces: its clock is shared, and its
    demand billed.  Raises UnitError like `price_load`.
    """
    if beside is not None:
        return Use(load, beside.clock, beside.unit_factor, peaks_of=beside)
    entries = [entry for part in rate.parts.values() for entry in part]
    clock = Clock(rate.calendar, load, holidays, breaks_of(entries))
    return Use(load, clock, unit_factor(rate, unit), history)


def price_use(rate: Rate, use: Use) -> Bill:
    """The bill over a load whose determinants are at hand.  Raises ModelError like `price_load`."""
    lines: list[Line] = []
    for name, entries in rate.parts_for(use.load).items():
        lines += COMPONENTS[name].cost(entries, use, tuple(lines))
    return Bill(rate.key, tuple(lines), use)


def _place(block: Block) -> str:
    line = f", line {block.source.line}" if block.source.line is not None else ""
    return f"{block.source.file}{line}"


def _read_entries(name: str, value: Any, say: Sayer) -> tuple[Entry, ...]:
    component = COMPONENTS[name]
    items = value if isinstance(value, list) else [value]
    if not items:
        say.wrong(name, "the list is empty; leave the name out, or give an entry")
    entries = []
    for i, item in enumerate(items, start=1):
        path = f"{name}[{i}]" if isinstance(value, list) else name
        entry = read_into(component.entry, item, path, say)
        if entry is not None:
            if entry.from_ and entry.until and entry.from_ > entry.until:
                say.wrong(path, f"from {entry.from_} is after until {entry.until}")
            entries.append(entry)
    if len(entries) == len(items):
        for sentence in component.check(entries):
            say.wrong(name, sentence)
    return tuple(entries)


def _check_names(parts, head: RateHead, say: Sayer) -> None:
    """Every season and period that an entry names, or a table within it, must be there."""
    known = {"season": head.seasons, "period": head.periods}
    for component, entries in parts.items():
        for i, entry in enumerate(entries, start=1):
            inner = {n: v for n, v in entry if isinstance(v, Described)}
            for path, holder in {"": entry, **inner}.items():
                for what, names in known.items():
                    value = getattr(holder, what, None)
                    if value is None or value in names:
                        continue
                    there = ", ".join(names) or f"none; add [{say.block.key}.{what}s]"
                    say.wrong(
                        ".".join(p for p in (f"{component}[{i}]", path, what) if p),
                        f"the rate has no {what} called {shown(value)}"
                        f"{did_you_mean(value, names)} (there are: {there})",
                    )


def _check_unit(head: RateHead, say: Sayer) -> None:
    if head.unit is None:
        return
    try:
        kind = kind_of(head.unit)
    except UnitError as error:
        say.wrong("unit", str(error))
        return
    if kind == "power":
        say.wrong("unit", f"{shown(head.unit)} measures power; prices are per energy or volume")
