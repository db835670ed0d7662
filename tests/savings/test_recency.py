"""The level correction tried inside the baseline."""

import numpy as np
import pytest

from mv.savings.drift import recency_level
from mv.savings.recency import recency_check


def test_it_is_a_refit_and_a_forecast(fit_line, daily_rows):
    """The same by fitting the days before as a baseline of their own."""
    rows = daily_rows(1, start="2023-01-01")
    rows = rows.assign(energy=rows["energy"] + 15.0 * (np.arange(365) > 250))
    before, late = rows.iloc[: 365 - 61], rows.iloc[365 - 61 :]
    fit = fit_line(before)
    plain = 1 - fit.predict(late).sum() / late["energy"].sum()
    level = recency_level(fit, before, "electricity")
    got = recency_check(fit_line(rows), rows, "electricity")
    assert got.plain == pytest.approx(plain, rel=1e-9)
    assert got.corrected == pytest.approx(plain - level * 61 / late["energy"].sum(), rel=1e-9)
    assert abs(got.corrected) < abs(got.plain)
    assert got.words.startswith("Tried on the last 61 days of the baseline")


def test_bills_are_held_back_whole(fit_line, daily_rows):
    edges = np.datetime64("2023-01-01") + np.arange(13).astype("timedelta64[D]") * 30
    bills = daily_rows(1, days=12).assign(start=edges[:-1], end=edges[1:], days=30.0)
    got = recency_check(fit_line(bills), bills, "electricity")
    assert "the last 60 days" in got.words


def test_not_tried_where_it_is_not_made_or_too_short(fit_line, daily_rows):
    rows = daily_rows(1)
    assert recency_check(fit_line(rows), rows, "natural_gas") is None
    short = rows.iloc[:300]
    assert recency_check(fit_line(short), short, "electricity") is None
