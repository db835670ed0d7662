"""One line of a printed table."""

from __future__ import annotations

from dataclasses import dataclass

from mv.report.format import Figure, Name, Sentence

Cell = str | Figure | Name | Sentence


@dataclass(frozen=True, slots=True)
class Row:
    """A label, its cells, the id of the fold-out that follows it, a remark, a mark for its state."""

    label: Cell
    cells: tuple[Cell, ...]
    how: str = ""
    note: Cell = ""
    mark: str = ""
