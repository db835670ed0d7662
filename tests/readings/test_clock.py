"""Local hours against the calendar of pandas."""

import numpy as np
import pandas as pd
import pytest

from mv.readings.clock import epoch_seconds, even_step, local_hours

ZONES = ["Europe/Lisbon", "Asia/Kathmandu", "Australia/Lord_Howe", "Pacific/Apia", "UTC", "+05:30"]


def by_pandas(index, zone):
    local = index.tz_convert("UTC+05:30" if zone == "+05:30" else zone).tz_localize(None)
    return epoch_seconds(local) // 3600


@pytest.mark.parametrize("zone", ZONES)
@pytest.mark.parametrize("step", ["5min", "15min", "30min", "1h"])
def test_local_hours_of_a_regular_series(zone, step):
    index = pd.date_range("2011-12-20 22:10", "2012-11-10", freq=step, tz="UTC")
    assert (local_hours(epoch_seconds(index), zone) == by_pandas(index, zone)).all()


def test_local_hours_of_series_that_share_years():
    for first in ("2023-01-01", "2023-03-25 07:00", "2023-10-28"):
        index = pd.date_range(first, periods=100, freq="h", tz="UTC")
        got = local_hours(epoch_seconds(index), "Europe/Lisbon")
        assert (got == by_pandas(index, "Europe/Lisbon")).all()


def test_local_hours_of_an_irregular_series():
    index = pd.date_range("2023-10-28", periods=100, freq="h", tz="UTC").delete([3, 30])
    got = local_hours(epoch_seconds(index), "Europe/Lisbon")
    assert (got == by_pandas(index, "Europe/Lisbon")).all()
    assert len(local_hours(np.empty(0, np.int64), "UTC")) == 0


@pytest.mark.parametrize(
    ("instants", "step"),
    [([0, 900, 1800], 900), ([0, 900, 1801], 0), ([5], 0), ([], 0), ([20, 10, 0], -10)],
)
def test_even_step(instants, step):
    for writeable in (True, False, False):  # what can't be written to is remembered
        array = np.array(instants, dtype=np.int64)
        array.flags.writeable = writeable
        assert even_step(array) == even_step(array) == step
