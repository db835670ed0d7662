"""Which hours the hourly model sees: all of the days that the daily model used, no others."""

import numpy as np
import pytest

from mv.baseline.columns import Columns
from mv.readings.clock import local_hours
from mv.verify import fits


@pytest.mark.parametrize(
    ("left_out", "days"), [((), 60), ((0, 59), 60), ((3, 4, 30), 60), ((), 1), ((), 0)]
)
def test_hours_of_days_are_those_whose_date_is_among_them(left_out, days):
    seconds = np.arange(np.datetime64("2024-03-01", "h"), np.datetime64("2024-06-01", "h"))
    local = local_hours(seconds.astype("datetime64[s]").astype(np.int64), "Europe/Berlin")
    used = np.datetime64("2024-03-10") + np.delete(np.arange(days), left_out)
    rows = Columns(seconds, {"local_hour": local})
    got = fits._hours_of_days(rows, used.astype("datetime64[s]"))
    wanted = seconds[np.isin(local // 24, used.astype(np.int64))]
    assert np.array_equal(got.index, wanted)
