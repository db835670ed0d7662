"""What number does a cell hold: 1,234.5 or 1.234,5 or (12) or $ 7?

The plain form is cast in one go; other forms are normalised as text over the whole column
first.  Whether a comma is a decimal or a thousands separator is decided from the whole column.
"""

from __future__ import annotations

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

from mv.findings import Finding, ReadingsError

GROUPING_SAMPLE = 500
"""Cells that are looked at for dots that group thousands."""
PLAIN = r"^[+-]?(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d+)?$"


def to_numbers(
    column: pa.Array, separator: str = ","
) -> tuple[np.ndarray, np.ndarray, np.ndarray, bool]:
    """Values of a column.

    `separator` of the file helps where `1,234` could be both: files cut by ; use a decimal comma.

    Returns values (float, NaN where there is none), empty (bool: no text), unreadable (bool:
    text that is no number), and whether a decimal comma was read.  Raises ReadingsError
    `numbers_ambiguous` where grouping and decimals can't be told apart.
    """
    if not pa.types.is_string(column.type) and not pa.types.is_large_string(column.type):
        values = pc.cast(column, pa.float64(), safe=False).to_numpy(zero_copy_only=False)
        nothing = np.isnan(values)
        finite = np.isfinite(values)
        return np.where(finite, values, np.nan), nothing, ~finite & ~nothing, False
    try:
        values = pc.cast(column, pa.float64())
        if not values.null_count:
            if separator != ",":
                _refuse_grouping_dots(column)
            return _finite(values.to_numpy(zero_copy_only=False))
    except pa.ArrowInvalid:
        pass
    text = pc.fill_null(pc.utf8_trim_whitespace(column), "")
    empty = _bools(pc.equal(text, ""))
    text, comma = _normalised(text, separator)
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


def _normalised(text: pa.Array, separator: str) -> tuple[pa.Array, bool]:
    """Text with signs, currency, spaces and separators brought to the plain form, and whether
    its comma was a decimal one."""
    # (12) and 12- are ledger forms of a negative number
    text = pc.replace_substring_regex(text, r"^\((.*)\)$", r"-\1")
    text = pc.replace_substring_regex(text, r"^(.*\d)-$", r"-\1")
    text = pc.replace_substring_regex(text, "[\\s\u00a0\u202f\u2009$€£'’]|kWh|kW|Wh", "")
    commas = _bools(pc.match_substring(text, ","))
    if not commas.any():
        grouped = pc.match_substring_regex(text, r"^[+-]?\d{1,3}(?:\.\d{3}){2,}$")
        if pc.any(grouped).as_py():
            return pc.replace_substring(text, ".", ""), False
        return text, False
    dots = _bools(pc.match_substring(text, "."))
    if (commas & dots).any():
        both = text.filter(pa.array(commas & dots))
        last = pc.match_substring_regex(both, r"\.[^,]*,[^,.]*$")
        decimal = pc.mean(pc.cast(last, pa.int8())).as_py() > 0.5
    else:
        decimal = bool(dots.any()) or _decimal_comma(text.filter(pa.array(commas)), separator)
    if decimal:
        return pc.replace_substring(pc.replace_substring(text, ".", ""), ",", "."), True
    return pc.replace_substring(text, ",", ""), False


def _decimal_comma(text: pa.Array, separator: str) -> bool:
    """Whether the only comma of each number is a decimal one.

    A comma that isn't followed by three digits, or follows a lone zero, is; two commas in a
    number are not.  `1,234` throughout is decided by the separator of the file: between commas
    it must have been quoted for its grouping, between ; it is how decimals are written.
    """
    if pc.any(pc.match_substring_regex(text, r",\d{3},\d{3}$")).as_py():
        return False
    grouped = pc.match_substring_regex(text, r"^[+-]?[1-9]\d{0,2},\d{3}$")
    if not pc.all(pc.or_(grouped, pc.invert(pc.match_substring_regex(text, r"\d")))).as_py():
        return True
    if separator in ",;":
        return separator == ";"
    raise _ambiguous(text[0].as_py(), ",")


def _refuse_grouping_dots(column: pa.Array) -> None:
    """Refuse `1.234` beside `987`: dots that group thousands would pass as decimals."""
    head = column[:GROUPING_SAMPLE]
    dotted = pc.match_substring(head, ".")
    grouped = pc.match_substring_regex(head, r"^[+-]?[1-9]\d{0,2}\.\d{3}$")
    plain = pc.match_substring_regex(head, r"^[+-]?\d{1,3}$")
    if (
        pc.any(dotted).as_py()
        and pc.any(plain).as_py()
        and pc.all(pc.or_(grouped, plain)).as_py()
        and pc.any(pc.match_substring_regex(head, r"^\d{3}$")).as_py()
    ):
        raise _ambiguous(head.filter(dotted)[0].as_py(), ".")


def _ambiguous(example: str, mark: str) -> ReadingsError:
    whole = example.replace(mark, "")
    return ReadingsError(
        Finding(
            "numbers_ambiguous",
            f"{example!r} is {whole} if {mark!r} groups thousands and {example.replace(mark, '.')} "
            "if it marks decimals, and the file doesn't tell. Export without grouping.",
        )
    )


def _bools(array: pa.Array) -> np.ndarray:
    return pc.fill_null(array, False).to_numpy(zero_copy_only=False).astype(bool)
