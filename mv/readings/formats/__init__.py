"""Which reader understands a file?

A reader looks at a file's bytes, says whether it is its own, and turns it into a `Table`.  To
add one, put a module here that registers a `Reader` under a name; nothing else changes.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from mv.readings.source import SourceFile
from mv.readings.table import Table
from mv.registry import Registry


@dataclass(frozen=True, slots=True)
class Asked:
    """What is looked for in a file that may hold more than one thing."""

    key: str = ""
    """Meter or station."""
    carrier: str = ""
    flow: str = "use"
    value_column: str | None = None
    meter_column: str | None = None


@dataclass(frozen=True, slots=True)
class Reader:
    """One way to read a file.

    `mine` judges the bytes and must not raise; `read` returns a `Table` or raises
    ReadingsError.  Readers are asked in the order of `rank`.
    """

    name: str
    mine: Callable[[SourceFile], bool]
    read: Callable[[SourceFile, Asked], Table]
    rank: int = 0


READERS: Registry[Reader] = Registry("reader", "mv.readings.formats")


def read_table(source: SourceFile, asked: Asked) -> Table:
    """Read a file with the first reader that says it is its own (ReadingsError if it fails)."""
    reader = next(r for r in sorted(READERS, key=lambda r: r.rank) if r.mine(source))
    return reader.read(source, asked)
