"""Numbers as people and programs write them."""

import numpy as np
import pyarrow as pa
import pytest

from mv.findings import ReadingsError
from mv.readings.number_text import to_numbers


def numbers(*cells: str, separator: str = ",") -> list[float]:
    return to_numbers(pa.array(cells, pa.string()), separator)[0].tolist()


@pytest.mark.parametrize(
    ("cells", "values"),
    [
        (("1", "2.5", ".5", "-3", "+4", "1e3"), [1, 2.5, 0.5, -3, 4, 1000]),
        (("1,234.5", "7"), [1234.5, 7]),
        (("1.234,5", "7"), [1234.5, 7]),
        (("1,234", "987.5"), [1234, 987.5]),
        (("1.234", "987,5"), [1234, 987.5]),
        (("12.5", "13,5"), [12.5, 13.5]),
        (("0,125", "1,250"), [0.125, 1.25]),
        (("1,234,567", "1,000"), [1234567, 1000]),
        (("1.234.567", "1.234.568"), [1234567, 1234568]),
        (("(12.5)", "12.5-", "$ 7.00", "1 234.5", "3'000"), [-12.5, -12.5, 7, 1234.5, 3000]),
        (("5 kWh", "6kWh"), [5, 6]),
    ],
)
def test_forms(cells, values):
    assert numbers(*cells) == values


def test_three_digits_after_a_comma_by_the_separator_of_the_file():
    assert numbers("1,234", "5,678", separator=";") == [1.234, 5.678]
    assert numbers("1,234", "5,678", separator=",") == [1234, 5678]
    with pytest.raises(ReadingsError, match=r"is 1234 if ',' groups thousands and 1\.234 if"):
        numbers("1,234", "5,678", separator="\t")


def test_both_marks_could_group():
    with pytest.raises(ReadingsError, match="groups thousands"):
        numbers("1,234", "5.678")


def test_what_is_no_number():
    values, empty, unreadable, _ = to_numbers(
        pa.array(["", " ", "n/a", "1,2,3", "inf", "nan", "0x10", "1-2", "12", None])
    )
    assert empty.tolist() == [True, True, *[False] * 7, True]
    assert unreadable.tolist() == [False, False, *[True] * 6, False, False]
    assert np.isnan(values).sum() == 9
