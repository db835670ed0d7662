"""How are a user's settings read into a description, with every problem named?

Wraps the validation of a `Described` class: unknown names get the nearest known one, missing and
invalid values their place, and all problems come at once.  `energy[2].price` is the price of the
second entry of energy.
"""

from __future__ import annotations

import re
from collections.abc import Iterable
from typing import Any, TypeVar

from pydantic import ValidationError

from mv.findings import Finding, FolderError
from mv.portfolio.cells import constraint_words, did_you_mean, listed
from mv.portfolio.schema import Block, Described
from mv.portfolio.tables import shown

D = TypeVar("D", bound=Described)


class Sayer:
    """Turns what is wrong in a block of settings into findings with file, line and setting."""

    def __init__(self, block: Block, what: str) -> None:
        self.block = block
        self.what = what
        self.found: list[Finding] = []

    def wrong(self, setting: str, sentence: str) -> None:
        """A value is outside what is allowed."""
        self._add("value_invalid", setting, sentence)

    def missing(self, setting: str, sentence: str) -> None:
        """A value must be given and isn't."""
        self._add("value_missing", setting, sentence)

    def unknown(self, setting: str, known: Iterable[str]) -> None:
        """A name means nothing; `known` are those that do."""
        known = sorted(known)
        name = setting.rsplit(".", 1)[-1]
        self._add(
            "setting_unknown",
            setting,
            f"{shown(name)} means nothing in {self.what}{did_you_mean(name, known)} "
            f"(known are {listed(known, len(known))})",
        )

    def finish(self) -> None:
        """Raise FolderError where something was found."""
        if self.found:
            raise FolderError(self.found)

    def _add(self, rule: str, setting: str, sentence: str) -> None:
        path = f"{self.block.key}.{setting}" if setting else self.block.key
        self.found.append(
            Finding(
                rule,
                f"{sentence}.",
                file=self.block.source.file,
                line=self._line(setting),
                column=path,
            )
        )

    def _line(self, setting: str) -> int | None:
        """Line of the setting, or of the nearest table that holds it."""
        names = re.sub(r"\[(\d+)\]", lambda m: f".{int(m[1]) - 1}", setting).split(".")
        while names:
            line = self.block.lines.get(".".join(names))
            if line is not None:
                return line
            names.pop()
        return self.block.source.line


def read_into(model: type[D], values: Any, path: str, say: Sayer) -> D | None:
    """Validate `values`, written at `path`; None where something is wrong (`say` has it)."""
    if not isinstance(values, dict):
        say.wrong(path, f"found {values!r} where a table of names and values is expected")
        return None
    try:
        return model.model_validate(values)
    except ValidationError as error:
        for problem in error.errors(include_url=False):
            place = path
            for part in problem["loc"]:
                place += f"[{part + 1}]" if isinstance(part, int) else f".{part}"
            place = place.lstrip(".")
            if problem["type"] == "extra_forbidden":
                say.unknown(place, _names_at(model, problem["loc"]))
            elif problem["type"] == "missing":
                say.missing(place, "this must be given")
            else:
                say.wrong(place, _words(problem))
        return None


def _words(problem: Any) -> str:
    if problem["type"] == "value_error":
        return problem["msg"].removeprefix("Value error, ")
    return constraint_words(problem, str(problem["input"]))


def read_described(model: type[D], block: Block) -> D:
    """Read a whole block.  Raises FolderError with all that is wrong."""
    say = Sayer(block, f"[{block.key}]")
    read = read_into(model, dict(block.values), "", say)
    say.finish()
    return read


def _names_at(model: type[Described], loc: tuple) -> list[str]:
    """Names allowed beside the unknown one at `loc`."""
    for part in loc[:-1]:
        if isinstance(part, int):
            continue
        field = model.model_fields.get(part)
        inner = [field.annotation, *getattr(field.annotation, "__args__", ())]
        inner = [a for a in inner if isinstance(a, type) and issubclass(a, Described)]
        if inner:
            model = inner[0]
    return [f.alias or name for name, f in model.model_fields.items()]
