"""What is a part of a rate?  The contract that every rate component keeps.

A component is one kind of charge: energy price, demand charge, tax ...  It lives in one file of
this room, with the description of what may be written for it, and registers under the name by
which a rate speaks of it.  To add a kind of charge, add a file.

A rate is priced in the order of `Stage`: charges for the service and for quantities first, then
the minimum bill over them, then riders, then taxes.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from enum import IntEnum
from typing import Any

import numpy as np
from pydantic import ConfigDict, Field

from mv.portfolio.cells import did_you_mean
from mv.portfolio.schema import Described
from mv.portfolio.tables import shown
from mv.registry import Registry


class Stage(IntEnum):
    """When a component is priced; a later one may be a share of earlier ones."""

    CHARGE = 0
    MINIMUM = 1
    RIDER = 2
    TAX = 3


class Entry(Described):
    """What every entry of a component may say."""

    model_config = ConfigDict(populate_by_name=True)

    name: str = ""
    """Name of the line, as the bill prints it."""
    season: str | None = None
    """Season in which it applies; all year when empty."""
    period: str | None = None
    """Time-of-use period in which it applies; at all hours when empty."""
    from_: dt.date | None = Field(default=None, alias="from")
    """First day on which it is in force."""
    until: dt.date | None = None
    """Last day on which it is in force, inclusive."""


@dataclass(frozen=True)
class Line:
    """One line of a bill."""

    name: str
    component: str
    amount: np.ndarray
    """Currency, by billing period, shape (k,)."""
    how: str
    """How it was counted, in words."""
    shares_in: bool = True
    """Whether later percentages count this line in."""


Cost = Callable[[Sequence[Any], Any, Sequence[Line]], list[Line]]
"""(entries, the load's `use.Use`, lines of earlier stages) -> lines."""
Check = Callable[[Sequence[Any]], list[str]]


@dataclass(frozen=True)
class Component:
    """One kind of charge."""

    name: str
    """Key in the rate: a list of entries stands under it."""
    label: str
    stage: Stage
    entry: type[Entry]
    cost: Cost
    check: Check = lambda entries: []
    """Contradictions between entries, as sentences."""


COMPONENTS: Registry[Component] = Registry("rate component", "mv.money")


def overlaps(one: Entry, other: Entry) -> bool:
    """Whether two entries can apply at the same moment."""
    return (
        _meets(one.season, other.season)
        and _meets(one.period, other.period)
        and (one.from_ or dt.date.min) <= (other.until or dt.date.max)
        and (other.from_ or dt.date.min) <= (one.until or dt.date.max)
    )


def no_two_at_once(entries: Sequence[Entry]) -> list[str]:
    """Sentences for entries of one name that apply at the same moment."""
    problems = []
    for i, one in enumerate(entries):
        for j in range(i):
            if one.name == entries[j].name and overlaps(one, entries[j]):
                problems.append(
                    f"entries {j + 1} and {i + 1} apply at the same time; limit them by season, "
                    "period or dates, or give them different names if both are to be charged"
                )
    return problems


def never_by_hours(entries: Sequence[Entry]) -> list[str]:
    """Sentences for entries of a charge without hours that are limited to a period."""
    return [
        f"entry {i} is limited to the period {shown(entry.period)}, but this charge knows no "
        "hours; leave the period out"
        for i, entry in enumerate(entries, start=1)
        if entry.period is not None
    ]


def names_components(entries: Sequence[Any]) -> list[str]:
    """Sentences for entries whose `of` names something that is no component."""
    return [
        f"'of' names {shown(name)}, which is no part of a rate"
        f"{did_you_mean(name, COMPONENTS.names())} (there are: {', '.join(COMPONENTS.names())})"
        for entry in entries
        for name in entry.of
        if name not in COMPONENTS
    ]


def when(entry: Entry) -> str:
    """In words, when an entry applies; empty for always."""
    parts = [p for p in (entry.season, entry.period) if p]
    if entry.from_:
        parts.append(f"from {entry.from_}")
    if entry.until:
        parts.append(f"until {entry.until}")
    return " ".join(parts)


def label(entry: Entry, component: str) -> str:
    """Name of an entry's line: its own, and when it applies."""
    words = " ".join(p for p in (entry.season, entry.period) if p)
    base = entry.name or component
    return f"{base}, {words}" if words else base


def total_of(lines: Sequence[Line], names: Mapping[str, Any] | Sequence[str], count: int):
    """Sum of the lines whose component is in `names` (all where empty), shape (count,)."""
    chosen = [ln.amount for ln in lines if ln.shares_in and (not names or ln.component in names)]
    return np.sum(chosen, axis=0) if chosen else np.zeros(count)


def _meets(one: str | None, other: str | None) -> bool:
    return one is None or other is None or one == other
