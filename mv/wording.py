"""How are numbers written in a sentence, the same wherever it is made?

Pages write each number with its settings and its path into the results (`report/format.py`); a
sentence that travels as text is written here, in the form that pages have without settings.
"""

from __future__ import annotations

from functools import lru_cache

MINUS = "−"
NARROW = "\u202f"
"""Narrow no-break space, groups thousands and stands before % (SI brochure, 9th edition, 5.4.4;
from memory)."""


def number(value: float, decimals: int = 0, *, sign: bool = False) -> str:
    """Such as `3 200`, `−12.5`; with `sign` also `+3 200`."""
    return _written(format(value, _form(decimals, "f", sign)))


def percent(fraction: float, decimals: int = 0, *, sign: bool = False) -> str:
    """A fraction such as `25.9 %`; with `sign` also `+25.9 %`."""
    text = format(fraction, _form(decimals, "%", sign))
    return f"{_written(text[:-1])}{NARROW}%"


@lru_cache(maxsize=64)
def _form(decimals: int, kind: str, sign: bool) -> str:
    """How `format` is told; made once, as a page has a thousand numbers."""
    return f"{'+' if sign else ''},.{decimals}{kind}"


def _written(text: str) -> str:
    if text[0] == "-":
        text = text[1:] if not text.strip("-0.,") else MINUS + text[1:]
    return text.replace(",", NARROW)
