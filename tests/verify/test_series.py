"""What charts draw, held against plain Python and pandas."""

import datetime as dt

import numpy as np
import pandas as pd
import pytest

from mv.baseline.columns import Columns
from mv.verify.series import _heat, _profiles, iso_days, listed


@pytest.mark.parametrize(
    "days",
    [
        pd.date_range("2023-11-20", periods=500),
        pd.date_range("1969-12-20", periods=30),
        pd.DatetimeIndex(["2024-02-28", "2024-02-29", "2024-03-05"]),
        pd.DatetimeIndex(["2024-02-29", "2024-02-28", "2024-03-01"]),
        pd.DatetimeIndex([]),
    ],
)
def test_days_are_written_as_python_writes_them(days):
    assert iso_days(days.to_numpy()) == [day.date().isoformat() for day in days]


def test_lines_are_lists_and_what_is_not_known_is_none():
    lines = np.array([[1.0, np.nan, 3.0], [np.nan, 5.0, np.nan]])
    assert listed(lines) == [[1.0, None, 3.0], [None, 5.0, None]]
    assert listed(lines[:0]) == []


def test_profiles_and_heat_map_are_means_of_their_days_and_weeks():
    rng = np.random.default_rng(3)
    monday, weeks = 19723, 4  # 1 January 2024
    counts = rng.integers(0, 3, (7 * weeks, 24))
    sums = np.where(counts > 0, np.round(rng.uniform(1, 50, counts.shape)), 0.0)
    days = pd.date_range("2024-01-01", periods=7 * weeks)
    assert (days[0].date() - dt.date(1970, 1, 1)).days == monday
    rows = pd.DataFrame(
        {
            "operating": (days.day_of_week < 5).astype(float),
            "status": np.where(np.arange(len(days)) % 9 == 4, "coverage_low", "used"),
            "period": ["baseline"] * 12 + ["installation"] * 3 + ["reporting"] * 13,
        },
        index=days,
    )
    drawn = _profiles(Columns.of(rows), monday, sums, counts)
    for period in ("baseline", "reporting"):
        for kind, works in (("operating", 1.0), ("non_operating", 0.0)):
            mine = (rows == [works, "used", period]).all(axis=1).to_numpy()
            with np.errstate(invalid="ignore"):
                means = sums[mine].sum(axis=0) / counts[mine].sum(axis=0)
            got = np.array(drawn[f"{period}_{kind}"], dtype=float)
            assert got == pytest.approx(means, rel=1e-3, nan_ok=True)
    heat = _heat(monday, sums, counts)
    means = sums.reshape(-1, 7, 24).sum(axis=1) / counts.reshape(-1, 7, 24).sum(axis=1)
    assert heat["load"] == pytest.approx(means, rel=1e-2)
    assert heat["week"].astype(str).tolist() == [str(d.date()) for d in days[::7]]
