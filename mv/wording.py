"""How are numbers written in a sentence, the same wherever it is made?

Pages write each number with its settings and its path into the results (`report/format.py`); a
sentence that travels as text is written here, in the form that pages have without settings.
"""

from __future__ import annotations

import math
from functools import lru_cache

MINUS = "−"
NARROW = "\u202f"
"""Narrow no-break space, groups thousands and stands before % (SI brochure, 9th edition, 5.4.4;
from memory)."""


def number(value: float, decimals: int = 0, *, sign: bool = False) -> str:
    """Such as `3 200`, `−12.5`; with `sign` also `+3 200`.

    Negative `decimals` round to tens, hundreds ...
    """
    size = abs(value)
    if decimals < 0:
        tens = 10**-decimals
        text = _whole(round(size / tens) * tens)
    elif decimals == 0 and math.isfinite(size):
        text = _whole(round(size))
    else:
        text = f"{size:,.{decimals}f}".replace(",", NARROW)
    if value < 0:
        return MINUS + text if text.strip("0.") else text
    return "+" + text if sign else text


@lru_cache(maxsize=8192)
def _whole(size: int) -> str:
    """Rounded numbers come again and again, and setting groups is most of the work."""
    return format(size, ",").replace(",", NARROW)


def percent(fraction: float, decimals: int = 0, *, sign: bool = False) -> str:
    """A fraction such as `25.9 %`; with `sign` also `+25.9 %`."""
    return f"{number(fraction * 100, decimals, sign=sign)}{NARROW}%"
