"""What is packed comes back as it was."""

import numpy as np
import pytest

from mv.verify.packed import pack, unpack

DAYS = np.arange("2024-02-27", "2024-03-03", dtype="datetime64[D]")


@pytest.mark.parametrize(
    "array",
    [
        np.array([[1.5, np.nan], [-np.inf, 0.0]]),
        np.arange(12.0).reshape(3, 4)[:, ::2],
        np.array([], dtype=float),
        np.array(3.25),
        np.array([True, False, True]),
        np.arange(5, dtype=np.int8),
        DAYS,
        DAYS.astype("datetime64[s]"),
        DAYS[1:] - DAYS[:-1],
        np.array(["used", "used", "coverage_low", "used"], dtype=object),
        np.array(["baseline"], dtype=object),
        np.array([], dtype=object),
        np.array(["a", None, 2.5], dtype=object),
    ],
    ids=str,
)
def test_arrays_come_back(array):
    back = unpack(pack({"kept": [array]}))["kept"][0]
    assert back.dtype == array.dtype
    assert back.shape == array.shape
    np.testing.assert_array_equal(back, array)


def test_arrays_of_arrays_come_back():
    pieces = np.empty(2, dtype=object)
    pieces[:] = [np.array([1.0, 2.0]), np.array([3.0])]
    back = unpack(pack(pieces))
    assert [piece.tolist() for piece in back] == [[1.0, 2.0], [3.0]]
