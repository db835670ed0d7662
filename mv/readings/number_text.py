"""What number does a cell hold: 1,234.5 or 1.234,5 or (12) or $ 7?

The plain form is cast in one go; other forms are normalised as text over the whole column
first.  Whether a comma is a decimal or a thousands separator is decided from the whole column.
"""

from __future__ import annotations

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

PLAIN = r"^[+-]?(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d+)?$"


def to_numbers(column: pa.Array) -> tuple[np.ndarray, np.ndarray, np.ndarray, bool]:
    """Values of a column.

    Returns values (float, NaN where there is none), empty (bool: no text), unreadable (bool:
    text that is no number), and whether a decimal comma was read.
    """
    if not pa.types.is_string(column.type) and not pa.types.is_large_string(column.type):
        values = pc.cast(column, pa.float64(), safe=False).to_numpy(zero_copy_only=False)
        nothing = np.isnan(values)
        return values, nothing, np.zeros(len(values), dtype=bool), False
    try:
        values = pc.cast(column, pa.float64())
        if not values.null_count:
            return _finite(values.to_numpy(zero_copy_only=False))
    except pa.ArrowInvalid:
        pass
    text = pc.fill_null(pc.utf8_trim_whitespace(column), "")
    empty = _bools(pc.equal(text, ""))
    text, comma = _normalised(text)
    good = pc.match_substring_regex(text, PLAIN)
    values = pc.cast(pc.if_else(good, text, None), pa.float64())
    values = values.to_numpy(zero_copy_only=False)
    finite = np.isfinite(values)
    return np.where(finite, values, np.nan), empty, ~finite & ~empty, comma


def _finite(values: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray, bool]:
    none = np.zeros(len(values), dtype=bool)
    finite = np.isfinite(values)
    if finite.all():
        return values, none, none, False
    return np.where(finite, values, np.nan), none, ~finite, False


def _normalised(text: pa.Array) -> tuple[pa.Array, bool]:
    """Text with signs, currency, spaces and separators brought to the plain form."""
    # (12) and 12- are ledger forms of a negative number
    text = pc.replace_substring_regex(text, r"^\((.*)\)$", r"-\1")
    text = pc.replace_substring_regex(text, r"^(.*\d)-$", r"-\1")
    text = pc.replace_substring_regex(text, r"[\s   $€£'’]|kWh|kW|Wh", "")
    commas = _bools(pc.match_substring(text, ","))
    if not commas.any():
        return text, False
    dots = _bools(pc.match_substring(text, "."))
    if (commas & dots).any():
        both = text.filter(pa.array(commas & dots))
        last = pc.match_substring_regex(both, r"\.[^,]*,[^,.]*$")
        comma_decimal = pc.mean(pc.cast(last, pa.int8())).as_py() > 0.5
    else:
        # A comma not followed by exactly three digits to the end can only be decimal; 1,234
        # alone is a thousands separator only when every comma of the column looks so.
        with_comma = text.filter(pa.array(commas))
        grouped = pc.match_substring_regex(with_comma, r"^[+-]?\d{1,3}(?:,\d{3})+$")
        all_grouped = pc.all(grouped).as_py()
        comma_decimal = not (all_grouped and not dots.any() and _thousands_likely(text, commas))
    if comma_decimal:
        text = pc.replace_substring(pc.replace_substring(text, ".", ""), ",", ".")
        return text, True
    return pc.replace_substring(text, ",", ""), False


def _thousands_likely(text: pa.Array, commas: np.ndarray) -> bool:
    """Whether cells without a comma are whole numbers below a thousand, as grouping leaves them."""
    rest = text.filter(pa.array(~commas))
    small = pc.match_substring_regex(rest, r"^[+-]?\d{0,3}$")
    return bool(pc.all(small).as_py()) if len(rest) else True


def _bools(array: pa.Array) -> np.ndarray:
    return pc.fill_null(array, False).to_numpy(zero_copy_only=False).astype(bool)
