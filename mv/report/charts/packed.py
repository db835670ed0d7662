"""How do long columns of a chart stand in a page: short, quick to write, and as exact as drawn?

Whole numbers are written in a fifth of the time of floats.  So a long column of values becomes
whole numbers and the power of ten that they are multiplied by, and days that follow one another
become the first of them and their count.  The page's script unpacks both before it draws.
"""

from __future__ import annotations

from collections.abc import Sequence
from itertools import accumulate
from typing import Any

import numpy as np

from mv.report.charts.base import DIGITS

LONG = 200
"""Columns shorter than this stay as they are."""
DIGITS_OF = {"y": DIGITS, "z": 4}
"""Significant digits of the largest value of a column that are kept; shades tell three."""
GAP = -999_999
"""Stands for a missing value: no value has so many digits."""


def packed(traces: Sequence[dict[str, Any]]) -> list[dict[str, Any]]:
    """The traces with their long columns packed, all columns of all of them at once."""
    out = [trace | {"x": _run(trace["x"])} if _is_long(trace["x"]) else trace for trace in traces]
    places = [
        (i, name)
        for i, trace in enumerate(traces)
        for name in DIGITS_OF
        if name in trace and _is_long(trace[name])
    ]
    if not places:
        return out
    columns = [traces[i][name] for i, name in places]
    sizes = [column.size for column in columns]
    values = np.concatenate([column.ravel() for column in columns], dtype=float)
    values[np.isinf(values)] = np.nan
    largest = np.fmax.reduceat(np.abs(values), [0, *accumulate(sizes[:-1])])
    least = np.where(largest > 0, largest, 1.0)  # a column may hold zeros or gaps alone
    tens = np.floor(np.log10(least)) - [DIGITS_OF[name] - 1 for _, name in places]
    values *= np.repeat(10.0**-tens, sizes)
    values[np.isnan(values)] = GAP
    whole = np.rint(values).astype(np.int32)
    last = 0
    for (i, name), column, ten in zip(places, columns, tens.tolist(), strict=True):
        first, last = last, last + column.size
        of = whole[first:last].reshape(column.shape)
        out[i] = out[i] | {name: {"of": of, "tens": int(ten)}}
    return out


def _is_long(column: Any) -> bool:
    return isinstance(column, np.ndarray) and column.size >= LONG


def _run(column: np.ndarray) -> Any:
    """Whole numbers that follow one another, as the first and their count; others as they are."""
    count, first = len(column), column[0]
    if column.dtype.kind != "i" or column[-1] - first != count - 1:
        return column
    runs = np.count_nonzero(column[1:] - column[:-1] == 1) == count - 1
    return {"from": first, "count": count} if runs else column
