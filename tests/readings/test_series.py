"""Readings as arrays, and the same as a table."""

import numpy as np
import pandas as pd

from mv.readings.series import EXCLUDED, MEASURED, MISSING, BilledUse, Intervals


def test_intervals_there_and_back():
    starts = np.arange(3) * 3600 + 1_700_000_400
    flags = np.array([MEASURED, MISSING, EXCLUDED], dtype=np.int8)
    frame = Intervals(starts, np.array([1.5, np.nan, np.nan]), flags).frame()
    assert frame.index.name == "start"
    assert frame.index[0] == pd.Timestamp(1_700_000_400, unit="s", tz="UTC")
    assert frame["flag"].tolist() == ["measured", "missing", "excluded"]
    back = Intervals.of(frame)
    np.testing.assert_array_equal(back.starts, starts)
    np.testing.assert_array_equal(back.energy, frame["energy"])
    np.testing.assert_array_equal(back.flags, flags)


def test_bills_there_and_back():
    start = np.array(["2023-01-05", "2023-02-03"], dtype="datetime64[D]")
    end = np.array(["2023-02-03", "2023-03-07"], dtype="datetime64[D]")
    numbers = [np.array([310.0, 290.0]), np.array([4.0, np.nan]), np.array([np.nan, 31.5])]
    flags = np.array([1, 0], dtype=np.int8)
    bills = BilledUse(start, end, numbers[0], flags, numbers[1], numbers[2])
    frame = bills.frame()
    assert frame["flag"].tolist() == ["estimated", "measured"]
    back = BilledUse.of(frame)
    for name in ("start", "end", "energy", "flags", "demand", "cost"):
        np.testing.assert_array_equal(getattr(back, name), getattr(bills, name))
