"""Plain columns against the data frames that they were made of."""

import numpy as np
import pandas as pd
import pytest

from mv.baseline.columns import Columns
from mv.baseline.day_types import cells_of
from mv.baseline.rows import is_used, moments_of, used
from mv.savings.avoided import row_days
from mv.savings.drift import row_spans


@pytest.fixture
def days():
    index = pd.date_range("2024-02-26", periods=6, freq="D", name="date")
    return pd.DataFrame(
        {
            "energy": [5.0, np.nan, 7.0, 8.0, 9.0, 4.0],
            "operating": [1.0, 1.0, 1.0, 0.0, 1.0, 0.0],
            "status": pd.Series(["used", "coverage_low", *["used"] * 4], index, dtype=object),
            "period": ["baseline"] * 3 + ["reporting"] * 3,
        },
        index=index,
    )


@pytest.fixture
def bills():
    start = pd.date_range("2024-01-01", periods=4, freq="MS")
    return pd.DataFrame(
        {
            "start": start[:-1],
            "end": start[1:],
            "days": np.diff(start.to_numpy()) / np.timedelta64(1, "D"),
            "status": ["used", "used", "bill_excluded"],
        }
    )


def test_there_and_back(days, bills):
    for rows in (days, bills):
        back = Columns.of(rows).frame()
        pd.testing.assert_frame_equal(
            back, rows, check_dtype=False, check_freq=False, check_index_type=False
        )


def test_rows_answer_alike(days, bills):
    for rows in (days, bills):
        plain = Columns.of(rows)
        assert len(plain) == len(rows)
        assert "status" in plain
        assert "nothing" not in plain
        assert list(plain.columns) == list(rows.columns)
        assert is_used(plain).tolist() == is_used(rows).tolist()
        assert (moments_of(plain) == moments_of(rows)).all()
        assert len(used(plain)) == len(used(rows))
        assert row_days(plain).tolist() == row_days(rows).tolist()
        for mine, theirs in zip(row_spans(plain), row_spans(rows), strict=True):
            assert mine.tolist() == theirs.tolist()
    assert cells_of(Columns.of(days)).tolist() == cells_of(days).tolist()


def test_rows_are_taken_and_put_in_order(days):
    plain = Columns.of(days)
    late = plain[plain["period"] == "reporting"]
    assert late["energy"].tolist() == [8.0, 9.0, 4.0]
    assert plain[np.ones(6, bool)] is plain
    mixed = plain.take(np.array([3, 0, 5, 2]))
    assert used(mixed)["energy"].tolist() == [5.0, 7.0, 8.0, 4.0]


def test_other_columns_leave_the_first_rows_alone(days):
    plain = Columns.of(days)
    other = plain.assign(energy=plain["energy"] + 1, share=0.5)
    assert other["energy"][0] == 6.0
    assert other["share"].tolist() == [0.5] * 6
    assert plain["energy"][0] == 5.0
    assert "share" not in plain


def test_some_columns_are_left_out(days):
    plain = Columns.of(days)
    less = plain.without(("period", "nothing"))
    assert list(less.columns) == [name for name in plain.columns if name != "period"]
    assert less["energy"] is plain["energy"]


def test_used_rows_are_sought_once(days):
    rows = used(Columns.of(days))
    assert used(rows) is rows
    assert not rows.assign(status=np.array(["out"] * len(rows), dtype=object)).settled


def test_words_are_compared_once_and_follow_their_rows(days):
    plain = Columns.of(days)
    late = plain.having("period", "reporting")
    assert late.tolist() == (days["period"] == "reporting").tolist()
    assert plain.having("period", "reporting") is late
    assert plain.assign(energy=0.0).having("period", "reporting") is late
    assert plain.without(("energy",)).having("period", "reporting") is late
    assert plain[late].having("period", "reporting").all()
    assert plain.take(slice(2, 5)).having("period", "reporting").tolist() == late[2:5].tolist()
    other = plain.assign(period=np.array(["baseline"] * len(days), dtype=object))
    assert not other.having("period", "reporting").any()
    kinds = pd.Categorical(["a", "b", "a", "a", "b", "b"])
    assert plain.assign(kind=kinds).having("kind", "a").tolist() == (kinds == "a").tolist()


def test_rows_of_used_rows_are_used(days):
    rows = used(Columns.of(days))
    assert rows[np.arange(len(rows)) > 1].settled
    assert rows.assign(energy=0.0).settled
    assert not rows.assign(start=rows.index[::-1]).settled
