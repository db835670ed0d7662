"""One line of a printed table."""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple

from mv.report.format import Figure, Name, Sentence


class Digest(NamedTuple):
    """A file's digest: one long word that may break anywhere."""

    text: str


Cell = str | Figure | Name | Sentence | Digest


@dataclass(frozen=True, slots=True)
class Plain:
    """A table whose columns the results decide: columns that hold figures stand to the right."""

    head: list[str]
    rows: list[tuple[Cell, ...]]

    @property
    def right(self) -> tuple[int, ...]:
        """Columns that hold figures."""
        return tuple(i for i in range(len(self.head)) if any(_counts(row[i]) for row in self.rows))


def _counts(cell: Cell) -> bool:
    if isinstance(cell, Sentence):
        return any(isinstance(p, Figure) for p in cell.parts)
    return isinstance(cell, Figure)


class Row(NamedTuple):
    """A label, its cells, the id of its fold-out, a remark, a mark for its state."""

    label: Cell
    cells: tuple[Cell, ...]
    how: str = ""
    note: Cell = ""
    mark: str = ""
