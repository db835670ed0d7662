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
    plain = pc.match_substring_regex(text, PLAIN)
    odd = ~_bools(plain) & ~empty
    values = pc.cast(pc.if_else(plain, text, None), pa.float64()).to_numpy(zero_copy_only=False)
    comma = False
    if odd.any():
        written, comma, dots_group = _normalised(
            text.filter(pa.array(odd)), text.filter(plain), separator
        )
        good = pc.match_substring_regex(written, PLAIN)
        values = values.copy()
        if dots_group:  # 1.234 beside 987,5 is more than a thousand
            whole = pc.replace_substring_regex(text.filter(plain), r"\.(\d{3})", r"\1")
            values[_bools(plain)] = pc.cast(whole, pa.float64()).to_numpy(zero_copy_only=False)
        values[odd] = pc.cast(pc.if_else(good, written, None), pa.float64()).to_numpy(
            zero_copy_only=False
        )
    finite = np.isfinite(values)
    return np.where(finite, values, np.nan), empty, ~finite & ~empty, comma


def _finite(values: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray, bool]:
    none = np.zeros(len(values), dtype=bool)
    finite = np.isfinite(values)
    if finite.all():
        return values, none, none, False
    return np.where(finite, values, np.nan), none, ~finite, False


def _normalised(text: pa.Array, plain: pa.Array, separator: str) -> tuple[pa.Array, bool, bool]:
    """Cells with signs, currency, spaces and separators brought to the plain form, whether their
    comma was a decimal one, and whether dots of the column group thousands.

    `plain` are the column's cells that need nothing.
    """
    # (12) and 12- are ledger forms of a negative number
    text = pc.replace_substring_regex(text, r"^\((.*)\)$", r"-\1")
    text = pc.replace_substring_regex(text, r"^(.*\d)-$", r"-\1")
    text = pc.replace_substring_regex(text, "[\\s\u00a0\u202f\u2009$€£'’]|kWh|kW|Wh", "")
    with_comma = text.filter(pc.match_substring_regex(text, r"\d,\d|^,\d|\d,$"))
    if not len(with_comma):
        # 1.234.567 can only be grouping
        return (
            pc.replace_substring_regex(text, r"^([+-]?\d{1,3})\.(\d{3})\.(\d{3})$", r"\1\2\3"),
            False,
            False,
        )
    both = with_comma.filter(pc.match_substring(with_comma, "."))
    dotted = pa.concat_arrays(
        [a.filter(pc.match_substring_regex(a, r"^[^,]*\.[^,]*$")) for a in (text, plain)]
    )
    if len(both):
        last = pc.match_substring_regex(both, r"\.[^,]*,[^,.]*$")
        decimal = pc.mean(pc.cast(last, pa.int8())).as_py() > 0.5
    elif len(dotted):
        comma_groups = _all(with_comma, r"^[+-]?[1-9]\d{0,2}(?:,\d{3})+$")
        dot_groups = _all(dotted, r"^[+-]?[1-9]\d{0,2}(?:\.\d{3})+$")
        if comma_groups and dot_groups:
            raise _ambiguous(with_comma[0].as_py(), ",")
        if not comma_groups and not dot_groups:  # both marks are decimals in this column
            return pc.replace_substring(text, ",", "."), True, False
        decimal = dot_groups
    else:
        decimal = _decimal_comma(with_comma, separator)
    if decimal:
        text = pc.replace_substring_regex(text, r"\.(\d{3})", r"\1")
        return pc.replace_substring(text, ",", "."), True, True
    return pc.replace_substring_regex(text, r",(\d{3})", r"\1"), False, False


def _all(text: pa.Array, pattern: str) -> bool:
    return bool(pc.all(pc.match_substring_regex(text, pattern)).as_py())


def _decimal_comma(text: pa.Array, separator: str) -> bool:
    """Whether the only comma of each number is a decimal one.

    A comma that isn't followed by three digits, or follows a lone zero, is; two commas in a
    number are not.  `1,234` throughout is decided by the separator of the file: between commas
    it must have been quoted for its grouping, between ; it is how decimals are written.
    """
    if pc.any(pc.match_substring_regex(text, r",\d{3},\d{3}$")).as_py():
        return False
    if not _all(text, r"^[+-]?[1-9]\d{0,2},\d{3}$"):
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
