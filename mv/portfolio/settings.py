"""What portfolio.toml and rates.toml say, and on which line.

Names that nothing knows are refused with the nearest known one, so that a slip of the hand never
leaves a default in force unseen.  A rate's contents belong to the room that prices energy: here
each top-level table of rates.toml stays a `Block` as written, with its line.
"""

from __future__ import annotations

import datetime as dt
import math
import re
import tomllib
from typing import Any

from pydantic import ValidationError

from mv.findings import Finding
from mv.portfolio.carriers import amount_problem, carrier_problem
from mv.portfolio.cells import (
    PATTERNS,
    constraint_words,
    did_you_mean,
    forms,
    listed,
)
from mv.portfolio.schema import KEY, Block, Described, Emissions, Finance, Limits, Settings, Source
from mv.portfolio.tables import UNSAFE, decode, shown

MAX_SETTINGS_BYTES = 5_000_000
"""Largest settings file, in bytes (common practice, no source)."""

MAX_LINE = 2_000
"""Characters of a line of settings in which a name is looked for."""

SECTIONS: dict[str, type[Described]] = {"finance": Finance, "limits": Limits}
"""Tables of portfolio.toml with fields of their own."""

_WORDS = {str: "text", bool: "true or false", list: "a list", dict: "a table"}
_HEADER = re.compile(r"\s*(\[\[?)\s*([^\]]+?)\s*\]\]?\s*(?:#.*)?$")
_ENTRY = re.compile(
    r"""\s*((?:"[^"]*"|'[^']*'|[\w-]+)(?:\s*\.\s*(?:"[^"]*"|'[^']*'|[\w-]+))*)\s*="""
)
_PART = re.compile(r"""\s*(?:"([^"]*)"|'([^']*)'|([\w-]+))\s*\.?""")


def load(data: bytes, file: str, findings: list[Finding]) -> tuple[dict[str, Any], str] | None:
    """Parse a TOML file.  Problems go to `findings`; None where there is no reading it."""
    if len(data) > MAX_SETTINGS_BYTES:
        words = f"the file is larger than {MAX_SETTINGS_BYTES // 1_000_000} MB"
        findings.append(Finding("settings_unreadable", words, file))
        return None
    text = decode(data, file, findings)
    if text is None:
        return None
    text = text.replace("\r\n", "\n")
    try:
        return tomllib.loads(text), text
    except tomllib.TOMLDecodeError as error:
        message = str(error)
        place = re.search(r"\s*\(at (?:line (\d+), column \d+|end of document)\)$", message)
        line = None
        if place:
            line = int(place[1]) if place[1] else text.count("\n") + 1
            message = message[: place.start()]
        written = text.split("\n")[line - 1].strip() if line else ""
        words = f"the file is not valid TOML here: {message[:1].lower()}{message[1:]}"
        if written:
            words += f", in {shown(written)}"
        findings.append(Finding("settings_unreadable", words, file, line))
    except RecursionError:
        findings.append(Finding("settings_unreadable", "the values are nested too deeply", file))
    return None


def settings(
    data: bytes, file: str, findings: list[Finding]
) -> tuple[Settings | None, dict[str, int]]:
    """Settings of portfolio.toml, and the line of each name in it by dotted path.

    None in place of the settings, with findings, where something in them is wrong.
    """
    loaded = load(data, file, findings)
    if loaded is None:
        return None, {}
    values, text = loaded
    lines = line_numbers(text)
    before = len(findings)
    clean = _check(values, Settings, (), file, lines, findings)
    try:
        made = Settings.model_validate(clean)
    except ValidationError as error:
        told = {f.column for f in findings}
        for problem in error.errors(include_url=False):
            path = tuple(problem["loc"])
            name = dotted(path)
            if problem["type"] == "missing" and name not in told:
                at = lines.get(dotted(path[:-1]))
                words = f'the setting is missing; write {path[-1]} = "…"'
                findings.append(Finding("value_missing", words, file, at, name))
            elif problem["type"] != "missing":
                words = constraint_words(problem, _written(_value_at(clean, path)))
                at = _line(lines, path)
                findings.append(Finding("value_invalid", words, file, at, name))
        return None, lines
    return made if len(findings) == before else None, lines


def rates(data: bytes, file: str, findings: list[Finding]) -> dict[str, Block]:
    """The top-level tables of rates.toml, as written; what is none becomes a finding."""
    loaded = load(data, file, findings)
    if loaded is None:
        return {}
    values, text = loaded
    lines = line_numbers(text)
    found = {}
    for key, value in values.items():
        line = lines.get(key)
        if not re.fullmatch(KEY, key):
            words = f"{shown(key)} is not a key: {PATTERNS[KEY]}"
            findings.append(Finding("value_invalid", words, file, line, shown(key).strip('"')))
        elif not isinstance(value, dict):
            words = f"a rate is a table of its own; put this setting under its header [{'name'}]"
            findings.append(Finding("value_invalid", words, file, line, key))
        else:
            inside = {
                name[len(key) + 1 :]: at for name, at in lines.items() if name.startswith(key + ".")
            }
            source = Source(file=file, line=line)
            found[key] = Block(key=key, values=value, source=source, lines=inside)
    return found


def line_numbers(text: str) -> dict[str, int]:
    """The line, counted from 1, on which each name of a TOML text stands first.

    Names are dotted paths; the second `[[emissions]]` is `emissions.1`.
    """
    lines: dict[str, int] = {}
    counts: dict[str, int] = {}
    prefix: tuple[str, ...] = ()
    closing = ""
    for number, raw in enumerate(text.split("\n"), 1):
        rest = raw
        if closing:
            if closing not in raw:
                continue
            rest, closing = raw.split(closing, 1)[1], ""
        line = rest[:MAX_LINE]
        if match := _HEADER.match(line):
            prefix = _parts(match[2])
            name = dotted(prefix)
            if match[1] == "[[":
                lines.setdefault(name, number)
                index = counts.get(name, 0)
                counts[name] = index + 1
                prefix = (*prefix, str(index))
        elif match := _ENTRY.match(line):
            path = (*prefix, *_parts(match[1]))
            for length in range(len(prefix) + 1, len(path) + 1):
                lines.setdefault(dotted(path[:length]), number)
        for length in range(1, len(prefix) + 1):
            lines.setdefault(dotted(prefix[:length]), number)
        for quote in ('"""', "'''"):
            if rest.count(quote) % 2:
                closing = quote
    return lines


def dotted(path: tuple[Any, ...]) -> str:
    """A path of names as one word: `finance.discount_rate`."""
    return ".".join(str(p) for p in path)


def _check(
    values: dict[str, Any],
    model: type[Described],
    path: tuple[Any, ...],
    file: str,
    lines: dict[str, int],
    findings: list[Finding],
) -> dict[str, Any]:
    """Leave out what has an unknown name or the wrong type, and say so."""
    known = forms(model)
    clean: dict[str, Any] = {}
    for name, value in values.items():
        here = (*path, name)

        def say(rule: str, words: str, here=here) -> None:
            findings.append(Finding(rule, words, file, _line(lines, here), dotted(here)))

        if name not in known:
            near = did_you_mean(name, known.keys() - values.keys())
            say("setting_unknown", f"the setting is not known here{near or '; remove it'}")
        elif name in SECTIONS and not path:
            if isinstance(value, dict):
                clean[name] = _check(value, SECTIONS[name], here, file, lines, findings)
            else:
                say("value_invalid", f"{_found(value)}; it must be a table, [{name}]")
        elif name == "emissions" and not path:
            if isinstance(value, list) and all(isinstance(v, dict) for v in value):
                clean[name] = tuple(
                    _check(v, Emissions, (*here, i), file, lines, findings)
                    for i, v in enumerate(value)
                )
                for i, entry in enumerate(clean[name]):
                    _check_emissions(entry, (*here, i), file, lines, findings)
            else:
                say("value_invalid", f"{_found(value)}; each factor is a table, [[{name}]]")
        elif words := _type_problem(known[name].kind, value):
            say("value_invalid", words)
        elif known[name].kind == "choice" and value not in known[name].choices:
            choices = known[name].choices
            near = did_you_mean(value, choices)
            say(
                "value_invalid",
                f"{shown(value)} is not allowed here; allowed are {listed(choices)}{near}",
            )
        else:
            clean[name] = value
    return clean


def _check_emissions(
    entry: dict[str, Any],
    path: tuple[Any, ...],
    file: str,
    lines: dict[str, int],
    findings: list[Finding],
) -> None:
    carrier = entry.get("carrier")
    unit = entry.get("unit", Emissions.model_fields["unit"].default)
    column, words = "carrier", carrier_problem(carrier)
    if not words:
        column, words = "unit", amount_problem(carrier, unit)
    if words:
        here = (*path, column)
        findings.append(Finding("value_invalid", words, file, _line(lines, here), dotted(here)))


def _type_problem(kind: str, value: Any) -> str | None:
    number = isinstance(value, (int, float)) and not isinstance(value, bool)
    match kind:
        case "number" if not number:
            return f"{_found(value)}; it must be a number, without quotes"
        case "number" if not math.isfinite(value):
            return f"{_found(value)}; it must be a finite number"
        case "text" | "choice" if not isinstance(value, str):
            return f"{_found(value)}; it must be text in quotes"
        case "text" if bad := UNSAFE.search(value):
            return f"{shown(value)} holds the control character U+{ord(bad[0]):04X}; remove it"
        case "truth" if not isinstance(value, bool):
            return f"{_found(value)}; it must be true or false"
        case "date" if not isinstance(value, dt.date) or isinstance(value, dt.datetime):
            return f"{_found(value)}; it must be a date, such as 2024-03-25, without quotes"
        case "other" if not isinstance(value, dict):
            return f"{_found(value)}; it must be a table"
    return None


def _found(value: Any) -> str:
    if isinstance(value, (dict, list)):
        return f"found {_WORDS[type(value)]}"
    return f"found {shown(value) if isinstance(value, str) else _written(value)}"


def _written(value: Any) -> str:
    """A value as TOML writes it; text without its quotes."""
    if isinstance(value, bool):
        return str(value).lower()
    return value if isinstance(value, str) else str(value)


def _value_at(values: Any, path: tuple[Any, ...]) -> Any:
    for part in path:
        try:
            values = values[part]
        except (KeyError, IndexError, TypeError):
            return ""
    return values


def _line(lines: dict[str, int], path: tuple[Any, ...]) -> int | None:
    """Line of a setting, or of the nearest table around it."""
    for length in range(len(path), 0, -1):
        if (line := lines.get(dotted(path[:length]))) is not None:
            return line
    return None


def _parts(name: str) -> tuple[str, ...]:
    return tuple(next(p for p in m if p) if any(m) else "" for m in _PART.findall(name))
