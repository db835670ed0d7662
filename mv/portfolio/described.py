"""What every description of the folder has in common: frozen, typed, unknown names refused.

The string under a field is its entry in the manual; see `reference.py`.
"""

from __future__ import annotations

import ast
import inspect
from functools import cache
from itertools import pairwise
from textwrap import dedent
from typing import Annotated, Any

from pydantic import BaseModel, ConfigDict, Field

KEY = r"^[A-Za-z0-9_-]{1,80}$"
CURRENCY = r"^[A-Z]{3}$"

Share = Annotated[float, Field(ge=0, le=1)]
Positive = Annotated[float, Field(gt=0)]


class Described(BaseModel):
    """A frozen description; names that it does not know are refused."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    def __reduce__(self) -> tuple[Any, ...]:
        """Pickled as its fields alone: descriptions travel with every site, in half the time."""
        return _again, (type(self), self.__dict__, self.model_fields_set)


def _again(kind: type[Described], fields: dict[str, Any], given: set[str]) -> Described:
    """What was pickled: it was valid, and has neither extra nor private fields."""
    made = kind.__new__(kind)
    rest = {"__pydantic_extra__": None, "__pydantic_private__": None}
    made.__setstate__({"__dict__": fields, "__pydantic_fields_set__": given, **rest})
    return made


@cache
def meanings(model: type[Described]) -> dict[str, str]:
    """By field, the string under it and under those that it inherits, each on one line.

    Taken from the source when somebody asks, as a run of the program doesn't.
    """
    found: dict[str, str] = {}
    for kind in reversed(model.__mro__):
        if not issubclass(kind, Described):
            continue
        (own,) = ast.parse(dedent(inspect.getsource(kind))).body
        for field, below in pairwise(own.body):
            match field, below:
                case (
                    ast.AnnAssign(target=ast.Name(id=name)),
                    ast.Expr(value=ast.Constant(value=str(text))),
                ):
                    found[name] = " ".join(text.split())
    return found


class Source(Described):
    """Where a row was written."""

    file: str
    line: int | None = None
    """Line of the file, counted from 1 (a sheet's row for a workbook)."""


class Row(Described):
    """A row of a table, with its place."""

    source: Source
