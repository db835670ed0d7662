"""How figures, dates and money are written: one place for every number on a page.

Digits follow the uncertainty: a value with an interval is rounded where the second significant
digit of its half-width stands; a value without one gets three significant digits.  What is
rounded is only the text: every printed figure keeps its full value and its path into the results
(`Figure`), so that a reader, or a test, can compare the two.  What a page is made of are named
tuples: there are thousands on each, and frozen dataclasses take twice as long to make.
"""

from __future__ import annotations

import datetime as dt
import math
from collections.abc import Sequence
from functools import lru_cache
from itertools import islice
from typing import NamedTuple

import numpy as np

from mv.quantity import Interval
from mv.wording import MINUS, NARROW, number, percent

NOT_GIVEN = "not given"
FIXED = tuple([f",.{decimals}f" for decimals in range(20)])
"""How a number with so many decimals is written; put together anew, it would cost half as much as
the writing."""
COLUMN = "\x1f"
"""Stands between the numbers of columns while they are written."""
LEAST_CUT, LEAST_PLAIN = 1e5, 1e-4
"""Whole numbers from here on are rounded to their significant digits; numbers below this are
written with a power of ten."""
SMALLEST = 1e-9
"""A number below this is rounding of the machine: `about 0`."""
SMALLEST_PERCENT = 1e-4
"""A share below this is printed as `about 0`: a small share never prints as plain zero."""

MONTHS = (
    "January",
    "February",
    "March",
    "April",
    "May",
    "June",
    "July",
    "August",
    "September",
    "October",
    "November",
    "December",
)

UNIT_WORDS = {
    "m3": "m³",
    "m2": "m²",
    "ft2": "ft²",
    "degC": "°C",
    "degF": "°F",
    "K": "°C",
    "1": "",
    "fraction": "",
    "-": "",
}
"""Units as people write them; every other unit is printed as it is named."""


@lru_cache(maxsize=256)
def unit_words(unit: str) -> str:
    """A unit as people write it: `kWh/day/degC` is kWh a day for each °C."""
    first, *rest = unit.split("/")
    words = UNIT_WORDS.get(first, first)
    for each in rest:
        part = UNIT_WORDS.get(each, each)
        words += f" a {part}" if part in ("day", "year", "month", "hour") else f" per {part}"
    return words.strip()


def _raised(power: int) -> str:
    """A power of ten's exponent, raised."""
    return str(power).translate(str.maketrans("-0123456789", "⁻⁰¹²³⁴⁵⁶⁷⁸⁹"))


class Figure(NamedTuple):
    """One printed figure: its text, its unit, and where in the results it stands.

    `value` is the full value, None for text that stands for a missing figure.
    """

    text: str
    unit: str = ""
    path: str = ""
    value: float | None = None

    def __str__(self) -> str:
        return f"{self.text}{NARROW if self.unit == '%' else ' '}{self.unit}".strip()


class Name(NamedTuple):
    """A word from the folder (name of a site, a person, a file): printed apart from ours."""

    text: str

    def __str__(self) -> str:
        return self.text


class Sentence(NamedTuple):
    """Words with figures and names set into them."""

    parts: tuple[str | Figure | Name, ...]

    def __str__(self) -> str:
        return "".join(str(p) for p in self.parts)


@lru_cache(maxsize=512)
def _cut(pattern: str) -> tuple[tuple[str, str], ...]:
    """Split `a {b} c` into ((text, name), ...); name is empty for the tail."""
    pieces, rest = [], pattern
    while "{" in rest:
        before, _, rest = rest.partition("{")
        name, _, rest = rest.partition("}")
        pieces.append((before, name))
    pieces.append((rest, ""))
    return tuple(pieces)


def sentence(pattern: str, **parts: str | Figure | Name | Sentence) -> Sentence:
    """Set `parts` into the `{places}` of `pattern`."""
    out: list[str | Figure | Name] = []
    for text, name in _cut(pattern):
        if text:
            out.append(text)
        if name:
            part = parts[name]
            out.extend(part.parts if isinstance(part, Sentence) else (part,))
    return Sentence(tuple(out))


def decimals_for(half_width: float, digits: int = 2) -> int:
    """Decimals (negative: tens, hundreds) at which `half_width` has `digits` significant ones."""
    if half_width <= 0 or not math.isfinite(half_width):
        return 0
    return _decimals(half_width, digits)


def _decimals(size: float, digits: int) -> int:
    return digits - 1 - math.floor(math.log10(size))


def _significant(value: float, digits: int) -> str:
    """A number with `digits` significant digits, such as −1 234.5."""
    size = abs(value)
    if size < LEAST_CUT and float(value).is_integer():
        return number(value)
    if size < SMALLEST:
        return "about 0"
    if size < LEAST_PLAIN:
        power = math.floor(math.log10(size))
        return f"{number(value / 10.0**power, digits - 1)}{NARROW}×{NARROW}10{_raised(power)}"
    return number(value, _decimals(size, digits))


FT2 = 1 / 0.3048**2
"""Square feet in a square metre (international foot, exact)."""


def _in_us(value: float, unit: str, half: float) -> tuple[float, str, float]:
    """A value in °C, m² or per kelvin as it is printed in the United States."""
    if unit == "degC":
        return value * 1.8 + 32, "degF", half * 1.8
    if unit == "m2":
        return value * FT2, "ft2", half * FT2
    if unit.endswith(("/degC", "/K")):
        return value / 1.8, f"{unit.rpartition('/')[0]}/degF", half / 1.8
    return value, unit, half


class Numbers(NamedTuple):
    """A column of numbers that are written alike."""

    values: Sequence[float | None]
    digits: int = 3
    missing: str = "none"
    """Stands where there is no number."""


class Say:
    """Writes numbers, money and dates the way one portfolio wants them.

    Parameters
    ----------
    currency : code printed before amounts.
    decimal, group : decimal mark and thousands mark.
    us : print temperatures in °F and areas in ft² (results stay in °C and m²).
    """

    def __init__(
        self, currency: str = "", decimal: str = ".", group: str = NARROW, *, us: bool = False
    ) -> None:
        self.currency = currency
        self.us = us
        self.temperature_unit = "°F" if us else "°C"
        self.temperature_step = 10 if us else 5
        """Width of a step of temperature in tables and charts."""
        usual = decimal == "." and group == NARROW
        self._marks = None if usual else {ord(NARROW): group, ord("."): decimal}

    # -- plain numbers -------------------------------------------------------------------------
    def fixed(self, value: float | None, decimals: int) -> str:
        """Number with `decimals` places (negative: rounded to tens, hundreds ...)."""
        if value is None or not math.isfinite(value):
            return NOT_GIVEN
        return self._marked(number(value, decimals))

    def number(self, value: float | None, digits: int = 3) -> str:
        """Number with `digits` significant digits; whole numbers up to 99 999 stay whole."""
        if value is None or not math.isfinite(value):
            return NOT_GIVEN
        return self._marked(_significant(value, digits))

    def columns(self, columns: Sequence[Numbers]) -> list[list[str]]:
        """Each column's numbers, each as `number` writes it; all of a page at once, for speed."""
        lengths = [len(column.values) for column in columns]
        values = np.array([v for column in columns for v in column.values], dtype=float)
        column_of = np.repeat(np.arange(len(columns)), lengths)
        digits = np.array([column.digits for column in columns], dtype=int)[column_of]
        size = np.abs(values)
        whole = (size < LEAST_CUT) & (size == np.floor(size))
        cut = (size >= LEAST_PLAIN) & (size < np.inf) & ~whole
        decimals = np.where(cut, digits - 1 - np.floor(np.log10(np.where(cut, size, 1.0))), 0)
        tens = 10.0 ** np.maximum(-decimals, 0)
        rounded = np.where(decimals < 0, np.round(values / tens) * tens, values)
        forms = [FIXED[n] for n in np.maximum(decimals, 0).astype(int).tolist()]
        texts = list(map(format, (rounded + 0.0).tolist(), forms))  # no minus before a zero
        for i in np.flatnonzero(~(whole | cut)).tolist():
            known = math.isfinite(values[i])
            missing = columns[column_of[i]].missing
            texts[i] = _significant(values[i], columns[column_of[i]].digits) if known else missing
        told = COLUMN.join(texts).replace(",", NARROW).replace("-", MINUS)
        written = iter(self._marked(told).split(COLUMN))
        return [list(islice(written, length)) for length in lengths]

    def _marked(self, text: str) -> str:
        """Plain figures with this portfolio's marks in them."""
        return text if self._marks is None else text.translate(self._marks)

    def count(self, value: int | None) -> str:
        """A count, whole."""
        return NOT_GIVEN if value is None else self.fixed(value, 0)

    # -- figures -------------------------------------------------------------------------------
    def figure(
        self, value: float | None, unit: str, path: str, *, digits: int = 3, half: float = 0.0
    ) -> Figure:
        """A figure in `unit`; `half` is the half-width of its interval, 0 when there is none."""
        if value is None or not math.isfinite(value):
            return Figure(NOT_GIVEN)
        full = float(value)
        if self.us:
            value, unit, half = _in_us(value, unit, half)
        if half and math.isfinite(half):
            text = number(value, decimals_for(half))
        else:
            text = _significant(value, digits)
        return Figure(self._marked(text), unit_words(unit), path, full)

    def temperature(self, values):
        """Temperatures in °C (number or array) as they are printed."""
        return values * 1.8 + 32 if self.us else values

    def whole(self, value: int | None, path: str, unit: str = "") -> Figure:
        """A count with its path."""
        if value is None:
            return Figure(NOT_GIVEN)
        return Figure(self.fixed(value, 0), unit, path, float(value))

    def percent(
        self, fraction: float | None, path: str, *, half: float = 0.0, digits: int = 2
    ) -> Figure:
        """A fraction as percent."""
        if fraction is None or not math.isfinite(fraction):
            return Figure(NOT_GIVEN)
        scaled = fraction * 100
        if 0 < abs(scaled) < SMALLEST_PERCENT:
            return Figure("about 0", "%", path, float(fraction))
        if half and math.isfinite(half):
            text = self.fixed(scaled, min(2, decimals_for(half * 100)))
        elif scaled and abs(scaled) < 100:
            text = self.fixed(scaled, min(4, max(0, decimals_for(abs(scaled), digits))))
        else:
            text = self.fixed(scaled, 0)
        return Figure(text, "%", path, float(fraction))

    def interval(self, interval: Interval | None, path: str) -> Told | None:
        """Value, low and high of an interval, all rounded alike, and the fractions with them."""
        return None if interval is None else Told(self, interval, path)

    # -- money ---------------------------------------------------------------------------------
    def money(self, amount: float | None, path: str, *, half: float = 0.0) -> Figure:
        """An amount in the portfolio's currency: whole units from 100 up, else two places."""
        if amount is None or not math.isfinite(amount):
            return Figure(NOT_GIVEN)
        if half and math.isfinite(half):
            text = self.fixed(amount, min(0 if abs(amount) >= 100 else 2, decimals_for(half)))
        else:
            text = self.fixed(amount, 0 if abs(amount) >= 100 or float(amount).is_integer() else 2)
        return Figure(text, self.currency, path, float(amount))

    def money_interval(self, interval: Interval | None, path: str) -> dict[str, Figure] | None:
        """Value, low and high of an amount."""
        if interval is None:
            return None
        half = interval.half_width or 0.0
        return {
            part: self.money(getattr(interval, part), f"{path}.{part}", half=half)
            for part in ("value", "low", "high")
        }

    def years(self, months: float | None, path: str) -> Figure:
        """A payback given in months, in years with one decimal; the path leads to the months."""
        if months is None or not math.isfinite(months):
            return Figure(NOT_GIVEN)
        years = months / 12
        return Figure(self.fixed(years, 1 if years < 100 else 0), "years", path, float(months))


class Told:
    """An interval's figures by the names of its parts; few are asked for, so each is made then."""

    __slots__ = ("_interval", "_path", "_say")

    def __init__(self, say: Say, interval: Interval, path: str) -> None:
        self._say, self._interval, self._path = say, interval, path

    def __getitem__(self, part: str) -> Figure:
        of, path = self._interval, f"{self._path}.{part}"
        if not part.startswith("fraction"):
            return self._say.figure(getattr(of, part), of.unit, path, half=of.half_width or 0.0)
        half = 0.0
        if of.fraction_low is not None and of.fraction_high is not None:
            half = (of.fraction_high - of.fraction_low) / 2
        return self._say.percent(getattr(of, part), path, half=half)


def as_date(text: str | dt.date | None) -> dt.date | None:
    """A date from its ISO text (a time of day is left off)."""
    if text is None or text == "":
        return None
    if isinstance(text, dt.datetime):
        return text.date()
    if isinstance(text, dt.date):
        return text
    return dt.date.fromisoformat(str(text)[:10])


@lru_cache(maxsize=4096)
def date(text: str | None) -> str:
    """Date in words: 1 March 2024."""
    day = as_date(text)
    return NOT_GIVEN if day is None else f"{day.day} {MONTHS[day.month - 1]} {day.year}"


@lru_cache(maxsize=4096)
def month(text: str | None) -> str:
    """Month in words: March 2024, from `2024-03` or any date in it."""
    if not text:
        return NOT_GIVEN
    return f"{MONTHS[int(str(text)[5:7]) - 1]} {str(text)[:4]}"


def ratio(part: float | None, whole: float | None) -> float | None:
    """part ÷ whole, None where that says nothing."""
    if part is None or not whole:
        return None
    return part / whole


def listed(words: list[str]) -> str:
    """a, b and c."""
    if len(words) < 2:
        return "".join(words)
    return f"{', '.join(words[:-1])} and {words[-1]}"


def share(fraction: float) -> str:
    """A fraction as whole percent, for titles: `97 %`."""
    return percent(fraction)
