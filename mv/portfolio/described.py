"""What every description of the folder has in common: frozen, typed, unknown names refused.

The string under a field is its entry in the manual; see `reference.py`.
"""

from __future__ import annotations

from typing import Annotated

from pydantic import BaseModel, ConfigDict, Field

KEY = r"^[A-Za-z0-9_-]{1,80}$"
CURRENCY = r"^[A-Z]{3}$"

Share = Annotated[float, Field(ge=0, le=1)]
Positive = Annotated[float, Field(gt=0)]


class Described(BaseModel):
    """A frozen description; names that it does not know are refused."""

    model_config = ConfigDict(frozen=True, extra="forbid", use_attribute_docstrings=True)


class Source(Described):
    """Where a row was written."""

    file: str
    line: int | None = None
    """Line of the file, counted from 1 (a sheet's row for a workbook)."""


class Row(Described):
    """A row of a table, with its place."""

    source: Source
