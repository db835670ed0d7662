"""What a cell means: text into numbers, dates, words; rows into the objects of `schema.py`.

A cell that can be read in two ways is refused, never guessed: `1,234` may be one thousand or a
little over one, `03/04/2024` is March to one reader and April to another.  What only one reading
fits is accepted: `1,234.5`, `1.234,5`, `25/03/2024`, `25.03.2024`.  Each problem becomes a
`Finding` that names file, line, column, what was found, what is allowed, and the nearest name.

Sources: ISO 8601 for dates; the rest is common practice, no source.
"""

from __future__ import annotations

import datetime as dt
import difflib
import math
import re
import types
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from functools import lru_cache
from typing import Any, Generic, Literal, TypeVar, Union, get_args, get_origin

from pydantic import ValidationError
from pydantic_core import PydanticUndefined

from mv.findings import Finding
from mv.portfolio.described import CURRENCY, KEY, Described, Source, meanings
from mv.portfolio.tables import MAX_CELL, UNSAFE, Table, normal, shown

FIRST_DAY = dt.date(1950, 1, 1)
LAST_DAY = dt.date(2150, 12, 31)
"""Days that a portfolio can be about; anything else is a slip of the hand (common practice)."""

YES = frozenset({"true", "yes", "y", "1"})
NO = frozenset({"false", "no", "n", "0"})

PATTERNS = {
    KEY: "letters, digits, - and _ alone, at most 80 of them",
    CURRENCY: "three capital letters, such as EUR",
}
"""What a pattern of the schema asks for, in words."""

_NUMBER = re.compile(r"[+-]?(\d+\.?\d*|\.\d+)([eE][+-]?\d+)?", re.ASCII)
_GROUPED = re.compile(r"[+-]?\d{1,3}(?:([ ,.'\u00a0\u202f\u2019])\d{3})(?:\1\d{3})*", re.ASCII)
_THOUSAND = re.compile(r"[+-]?[1-9]\d{0,2}[.,]\d{3}", re.ASCII)
_ISO = re.compile(r"(\d{4})([-/.])(\d{1,2})\2(\d{1,2})(?:[ T]00:00(?::00(?:\.0+)?)?)?", re.ASCII)
_COMPACT = re.compile(r"(\d{4})(\d{2})(\d{2})", re.ASCII)
_NATIONAL = re.compile(r"(\d{1,2})([-/.])(\d{1,2})\2(\d{4})(?:[ T]00:00(?::00)?)?", re.ASCII)
_SCIENTIFIC = re.compile(r"\d([.,]\d+)?E\+\d+", re.ASCII)

M = TypeVar("M", bound=Described)


class CellError(ValueError):
    """A cell that can't be read; carries the rule and a sentence without place."""

    def __init__(self, rule: str, message: str) -> None:
        self.rule = rule
        super().__init__(message)


def nearest(name: str, known: Iterable[str]) -> str | None:
    """The known name that looks most like `name`, if one is near enough."""
    by_normal = {normal(k): k for k in sorted(known, reverse=True)}
    close = difflib.get_close_matches(normal(name), by_normal, n=1, cutoff=0.6)
    return by_normal[close[0]] if close else None


def did_you_mean(name: str, known: Iterable[str]) -> str:
    """`; did you mean "x"?` where a near name is known, empty text otherwise."""
    near = nearest(name, known)
    return f'; did you mean "{near}"?' if near else ""


def listed(names: Iterable[str], most: int = 12) -> str:
    """Names as a sentence lists them, at most `most` of them and the count of the rest."""
    names = list(names)
    rest = len(names) - most
    return ", ".join(names[:most]) + (f" and {rest} more" if rest > 0 else "")


# -- one cell ------------------------------------------------------------------------------
def text_of(text: str) -> str:
    """Free text, as written; CellError for control characters and for more than a cell holds."""
    if len(text) > MAX_CELL:
        raise CellError(
            "text_unsafe", f"the cell holds {len(text)} characters; at most {MAX_CELL} are allowed"
        )
    if not text.isprintable() and (bad := UNSAFE.search(text)):
        raise CellError(
            "text_unsafe",
            f"{shown(text)} holds the control character U+{ord(bad[0]):04X}; remove it",
        )
    return text


def number_of(text: str) -> float:
    """A finite number; CellError for what is none, or can be read in two ways."""
    if _NUMBER.fullmatch(text):
        value = float(text)
        if math.isfinite(value):
            return value
        raise CellError("number_invalid", f"{shown(text)} is too large for a number")
    if text.startswith("\u2212"):  # the typographic minus sign
        return number_of("-" + text[1:])
    return _national_number(text)


def date_of(text: str) -> dt.date:
    """A day; CellError for what is none, or can be read in two ways."""
    if match := _ISO.fullmatch(text):
        return _day(text, match[1], match[3], match[4])
    if match := _COMPACT.fullmatch(text):
        return _day(text, *match.groups())
    if match := _NATIONAL.fullmatch(text):
        first, separator, second, year = match.groups()
        if separator == "." or int(first) > 12 or first == second:
            return _day(text, year, second, first)
        if int(second) > 12:
            return _day(text, year, first, second)
        readings = [
            f"{year}-{int(m):02}-{int(d):02}" for m, d in ((second, first), (first, second))
        ]
        raise CellError(
            "date_invalid",
            f"{shown(text)} can be read in two ways; write {readings[0]} or {readings[1]}",
        )
    hint = "write year-month-day, such as 2024-03-25"
    if re.fullmatch(r"[34567]\d{4}(\.0)?", text, re.ASCII):
        day = dt.date(1899, 12, 30) + dt.timedelta(days=int(text[:5]))
        hint = (
            f"it may be a spreadsheet program's number for {day.isoformat()}; give the column "
            "the format year-month-day"
        )
    raise CellError("date_invalid", f"{shown(text)} is not a date; {hint}")


def truth_of(text: str) -> bool:
    """True or false."""
    word = text.lower()
    if word in YES:
        return True
    if word in NO:
        return False
    raise CellError("value_invalid", f"{shown(text)} is neither true nor false; write one of them")


def choice_of(text: str, allowed: tuple[str, ...]) -> str:
    """One of the words allowed, in whatever case."""
    if text in allowed:
        return text
    for word in allowed:
        if normal(text) == normal(word):
            return word
    raise CellError(
        "value_invalid",
        f"{shown(text)} is not allowed here; allowed are {listed(allowed)}"
        f"{did_you_mean(text, allowed)}",
    )


def list_of(text: str) -> tuple[str, ...]:
    """Words separated by semicolons."""
    return tuple(part.strip() for part in text_of(text).split(";") if part.strip())


# -- fields --------------------------------------------------------------------------------
@dataclass(frozen=True, slots=True)
class FieldForm:
    """What one field of a description takes."""

    model: type[Described]
    name: str
    kind: Literal["text", "number", "date", "truth", "choice", "list", "other"]
    required: bool
    default: Any
    choices: tuple[str, ...]

    @property
    def description(self) -> str:
        """What it means, in the words of the manual."""
        return meanings(self.model).get(self.name, "")


@lru_cache(maxsize=64)
def forms(model: type[Described]) -> dict[str, FieldForm]:
    """The fields of a description by name, without its place, in the order of the class."""
    result = {}
    for name, field in model.model_fields.items():
        if field.annotation is Source:
            continue
        kind, choices = _kind(field.annotation)
        default = None if field.default is PydanticUndefined else field.default
        result[name] = FieldForm(model, name, kind, field.is_required(), default, choices)
    return result


def _kind(annotation: Any) -> tuple[str, tuple[str, ...]]:
    if get_origin(annotation) in (Union, types.UnionType):
        annotation = next(a for a in get_args(annotation) if a is not type(None))
    if get_origin(annotation) is Literal:
        return "choice", get_args(annotation)
    if get_origin(annotation) is tuple and get_args(annotation)[0] is str:
        return "list", ()
    kinds = {str: "text", float: "number", int: "number", dt.date: "date", bool: "truth"}
    return kinds.get(annotation, "other"), ()


def _converter(form: FieldForm) -> Callable[[str], Any]:
    if form.kind == "choice":
        known = {c: c for c in form.choices}
        return lambda text: known.get(text) or choice_of(text, form.choices)
    return {"text": text_of, "number": number_of, "date": date_of, "truth": truth_of}.get(
        form.kind, list_of
    )


# -- rows ----------------------------------------------------------------------------------
@dataclass(frozen=True, slots=True)
class Objects(Generic[M]):
    """The rows of a table as objects of the schema."""

    good: list[M]
    """Rows without a problem of their own."""
    every: list[M]
    """All rows; of one with a problem the fields that could be read (None where one couldn't)."""
    bad_columns: dict[int, frozenset[str]]
    """For rows with a problem, by `id` of the object: the columns that it was told of."""
    findings: list[Finding]


def objects(table: Table, model: type[M]) -> Objects[M]:
    """Make one object of `model` per row of the table.

    Every problem of the table's columns and cells becomes a finding with file, line and column.
    """
    known = forms(model)
    findings = list(table.findings)
    plan = [
        (index, column, _converter(known[column]))
        for index, column in enumerate(table.columns)
        if column in known
    ]
    lacking = _header_problems(table, known, findings)
    commas = _comma_columns(table, plan, known, findings)
    result: Objects[M] = Objects([], [], {}, findings)
    validate = model.model_validate
    for line, cells in table.rows:
        values: dict[str, Any] = {"source": Source(file=table.file, line=line)}
        told: list[Finding] = []
        for index, column, convert in plan:
            if text := cells[index]:
                try:
                    if column in commas and "." in text and _THOUSAND.fullmatch(text):
                        raise _two_readings(text)
                    values[column] = convert(text)
                except CellError as error:
                    told.append(Finding(error.rule, str(error), table.file, line, column))
        try:
            made = validate(values)
            if not told:
                result.good.append(made)
                result.every.append(made)
                continue
        except ValidationError as error:
            unread = {f.column for f in told} | lacking
            written = {column: cells[index] for index, column, _ in plan}
            for problem in error.errors(include_url=False):
                column = str(problem["loc"][0])
                if problem["type"] != "missing":
                    words = constraint_words(problem, written.get(column, ""))
                    told.append(Finding("value_invalid", words, table.file, line, column))
                elif column not in unread:
                    words = f"the cell is empty: {_lower(known[column].description)}"
                    told.append(Finding("value_missing", words, table.file, line, column))
        findings += told
        empty = {n: None for n, form in known.items() if form.required}
        partial = model.model_construct(**(empty | values))
        result.every.append(partial)
        result.bad_columns[id(partial)] = frozenset(f.column for f in told if f.column)
    return result


def _header_problems(
    table: Table, known: dict[str, FieldForm], findings: list[Finding]
) -> set[str]:
    """Tell of unknown and missing columns; returns the names of the missing ones."""
    if not table.columns:
        return set()
    file, line = table.file, table.header_line
    strangers = [c for c in table.columns if c and c not in known]
    for column in strangers:
        near = did_you_mean(column, known.keys() - set(table.columns))
        words = f"the column is not known here and was not used{near}"
        findings.append(Finding("column_unknown", words, file, line, column))
    lacking = {f.name for f in known.values() if f.required and f.name not in table.columns}
    for name in sorted(lacking, key=list(known).index):
        near = nearest(name, strangers)
        words = f"the column is missing: {_lower(known[name].description)}"
        if near:
            words += f' Is "{near}" meant for it?'
        findings.append(Finding("column_missing", words, file, line, name))
    return lacking


def constraint_words(problem: Any, text: str) -> str:
    """A sentence for one problem that pydantic found; `text` is what was written."""
    context = problem.get("ctx", {})
    match problem["type"]:
        case "greater_than":
            return f"{shown(text)} must be above {context['gt']:g}"
        case "greater_than_equal":
            return f"{shown(text)} must be {context['ge']:g} or more"
        case "less_than":
            return f"{shown(text)} must be below {context['lt']:g}"
        case "less_than_equal":
            return f"{shown(text)} must be {context['le']:g} or less"
        case "int_from_float":
            return f"{shown(text)} must be a whole number"
        case "string_too_long":
            return f"{shown(text)} has more than {context['max_length']} characters"
        case "string_too_short":
            return f"{shown(text)} has fewer than {context['min_length']} characters"
        case "string_pattern_mismatch":
            return f"{shown(text)} does not have the form needed: {PATTERNS[context['pattern']]}"
        case "literal_error":
            return f"{shown(text)} is not allowed here; allowed are {context['expected']}"
    return f"{shown(text)} can't be used here ({problem['msg'].lower()})"


def _comma_columns(table: Table, plan, known, findings: list[Finding]) -> frozenset[str]:
    """Number columns of a table whose numbers plainly have a decimal comma somewhere."""
    columns = [(i, c) for i, c, _ in plan if known[c].kind == "number"]
    for row in table.rows:
        for index, column in columns:
            cell = row.cells[index]
            if "," in cell and _plain_comma(cell):
                message = (
                    f"{shown(cell)} was read as {number_of(cell):.12g}: the numbers of this "
                    "table have a decimal comma"
                )
                findings.append(Finding("decimal_comma", message, table.file, row.line, column))
                return frozenset(c for _, c in columns)
    return frozenset()


def _plain_comma(text: str) -> bool:
    if "," not in text or text.rfind(",") < text.rfind("."):
        return False
    try:
        number_of(text)
    except CellError:
        return False
    return text.count(",") == 1


def _lower(sentence: str) -> str:
    """A description as the second half of a sentence."""
    first = sentence.split(" ", 1)[0]
    return sentence if first.isupper() or first == "ISO" else sentence[:1].lower() + sentence[1:]


def _two_readings(text: str) -> CellError:
    thousand = re.sub(r"[,.]", "", text)
    decimal = text.replace(",", ".")
    return CellError(
        "number_invalid",
        f"{shown(text)} can be read in two ways; write {thousand} or, with a point and one more "
        f"digit, {decimal}0",
    )


def _national_number(text: str) -> float:
    """A number with marks between thousands, or with a decimal comma, where only one fits."""
    if "," in text and _THOUSAND.fullmatch(text):
        raise _two_readings(text)
    whole, mark, part = text, "", ""
    if match := re.fullmatch(r"(.*)([.,])(\d+)", text):
        whole, mark, part = match.groups()
        if mark in whole:  # 1,234,567: the last mark is one more between thousands
            whole, mark, part = text, "", ""
    if re.fullmatch(r"[+-]?\d+", whole, re.ASCII):
        digits = whole
    elif (match := _GROUPED.fullmatch(whole)) and match[1] != mark:
        digits = whole.replace(match[1], "")
    elif mark and re.fullmatch(r"[+-]?", whole) and part:
        digits = whole + "0"
    else:
        raise _no_number(text)
    if part and not part.isascii():
        raise _no_number(text)
    return float(f"{digits}.{part or 0}")


def _no_number(text: str) -> CellError:
    hint = "write digits alone, with a point before decimals"
    if re.search(r"%\s*$", text):
        hint = "write a share as a fraction, 0.12 in place of 12 %"
    elif re.fullmatch(r"\(.*\d.*\)", text):
        hint = "write a negative number with a minus sign"
    elif re.search(r"\d", text) and re.search(r"[^\d.,\s'+-]", text):
        hint = "write digits alone, without unit or currency, with a point before decimals"
    return CellError("number_invalid", f"{shown(text)} is not a number; {hint}")


def _day(text: str, year: str, month: str, day: str) -> dt.date:
    try:
        found = dt.date(int(year), int(month), int(day))
    except ValueError:
        raise CellError(
            "date_invalid", f"{shown(text)} is not a day of the calendar; write year-month-day"
        ) from None
    if not FIRST_DAY <= found <= LAST_DAY:
        raise CellError(
            "date_invalid",
            f"{shown(text)} lies outside the years {FIRST_DAY.year} to {LAST_DAY.year}",
        )
    return found


def spoiled_key(text: str) -> bool:
    """Whether a key looks like a long number that a spreadsheet program cut short (`1.2E+11`)."""
    return bool(_SCIENTIFIC.fullmatch(text))
