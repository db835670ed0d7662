"""Comparison sites read over any two spans of months, from sums alone."""

import datetime as dt
import math
from dataclasses import replace
from itertools import pairwise

import numpy as np
import pandas as pd
import pytest
import statsmodels.api as sm

from mv.savings.contrast import comparison_group
from mv.savings.controls import CONTROLS_MOST, Controls, months_of, span_of, year_shape
from mv.savings.placebo import Trial


def rows(years=3, seed=1, level=lambda day: 1.0, start="2021-01-01"):
    days = pd.date_range(start, periods=years * 365, freq="D", name="date")
    random = np.random.default_rng(seed)
    season = 11 - 10 * np.cos(2 * np.pi * (days.day_of_year.to_numpy() - 20) / 365)
    temperature = season + random.normal(0, 3, len(days))
    work = (days.day_of_week < 5).astype(float)
    use = 200 + 5 * np.maximum(15 - temperature, 0) + 3 * np.maximum(temperature - 18, 0)
    use = (use + 60 * work + random.normal(0, 8, len(days))) * [level(d) for d in days]
    frame = {"energy": use, "temperature": temperature, "operating": work, "status": "used"}
    return pd.DataFrame(frame, index=days)


def span(first, last):
    return span_of(dt.date.fromisoformat(first), dt.date.fromisoformat(last))


def saving(months, before, after):
    (found,) = Controls((months,)).seeming_savings(before, after)
    return found


def test_periods_go_by_the_nearest_months():
    assert span("1970-01-01", "1970-12-31") == (0, 12)
    assert span("1970-01-16", "1971-01-15") == (0, 12)
    assert span("1970-01-17", "1971-01-16") == (1, 13)
    assert span("1970-02-01", "1970-02-28") == (1, 2)


def test_the_seeming_saving_is_that_of_the_regression_itself():
    """Against statsmodels' OLS over the same days."""
    table = rows(level=lambda day: 0.93 if day >= pd.Timestamp("2022-07-01") else 1.0)
    months = months_of(table, site="a", carrier="natural_gas")
    got = saving(months, span("2021-05-01", "2022-06-30"), span("2022-07-01", "2023-06-30"))
    t = table["temperature"]
    x = np.column_stack(
        [np.ones(len(t)), np.maximum(15 - t, 0), np.maximum(t - 18, 0), 1 - table["operating"]]
    )
    before = (table.index >= "2021-05-01") & (table.index < "2022-07-01")
    after = (table.index >= "2022-07-01") & (table.index < "2023-07-01")
    fit = sm.OLS(table["energy"][before], x[before]).fit()
    expected = 1 - table["energy"][after].sum() / fit.predict(x[after]).sum()
    assert got == pytest.approx(expected, rel=1e-9)
    assert got == pytest.approx(0.07, abs=0.01)


def test_the_level_of_electricity_follows_its_latest_months():
    """A level that falls in the last month of the baseline is half believed."""
    table = rows(level=lambda day: 0.9 if day >= pd.Timestamp("2022-12-01") else 1.0)
    before, after = span("2022-01-01", "2022-12-31"), span("2023-01-01", "2023-12-31")
    plain = saving(months_of(table, site="a", carrier="natural_gas"), before, after)
    got = saving(months_of(table, site="a", carrier="electricity"), before, after)
    assert plain == pytest.approx(0.1 * 11 / 12, abs=0.015)
    weight = np.exp2(-np.arange(365) / 45)
    share = 0.7 * weight[:31].sum() / weight.sum()
    assert got == pytest.approx(plain - share * 0.1 * 11 / 12, abs=0.01)


def test_bills_are_weighted_with_their_days():
    table = rows()
    ends = pd.date_range("2021-01-16", periods=36, freq="MS")
    days = table.index.to_numpy()
    bills = []
    for start, end in pairwise(ends):
        part = table[(days >= start.to_numpy()) & (days < end.to_numpy())]
        bills.append(
            {
                "start": start,
                "end": end,
                "days": len(part),
                "energy": part["energy"].mean(),
                "temperature": part["temperature"].mean(),
                "operating": part["operating"].mean(),
                "status": "used",
            }
        )
    months = months_of(pd.DataFrame(bills[:-1]), site="a", carrier="natural_gas")
    before, after = span("2021-03-01", "2022-02-28"), span("2022-03-01", "2023-02-28")
    assert abs(saving(months, before, after)) < 0.02
    measured = months.crossed[slice(*(month - months.first for month in after)), 0].sum()
    inside = (table.index >= "2022-03-01") & (table.index < "2023-03-01")
    assert measured == pytest.approx(table["energy"][inside].sum())


def test_spans_that_are_not_covered_tell_nothing():
    months = months_of(rows(), site="a", carrier="electricity")
    late = span("2023-07-01", "2024-06-30")
    assert math.isnan(saving(months, span("2022-01-01", "2022-12-31"), late))
    assert math.isnan(saving(months, span("2020-01-01", "2020-12-31"), late))
    assert months_of(rows().assign(status="missing"), site="a", carrier="electricity") is None


def test_the_change_is_the_median_of_the_nearest_and_never_of_oneself():
    months = tuple(
        months_of(
            rows(seed=i, level=lambda day, i=i: 1 - 0.01 * i * (day.year == 2023)),
            site=f"s{i:02d}",
            carrier="electricity",
        )
        for i in range(12)
    )
    before, after = span("2022-01-01", "2022-12-31"), span("2023-01-01", "2023-12-31")
    controls = Controls(months)
    got = controls.group(controls.nearest("s00", months[0].shape), before, after)
    each = np.array([saving(m, before, after) for m in months[1:]])
    assert len(got.remainders) == 11
    assert got.saved == (each > 0).sum()
    assert got.change == pytest.approx(float(np.median(each)), rel=1e-12)
    assert got.change == pytest.approx(0.06, abs=0.01)
    others = [np.median(np.delete(each, i)) for i in range(11)]
    assert got.remainders == pytest.approx(np.sort(each - others), rel=1e-9)
    even = controls.group(np.arange(1, 11), before, after).remainders
    others = [np.median(np.delete(each[:10], i)) for i in range(10)]
    assert even == pytest.approx(np.sort(each[:10] - others), rel=1e-9)
    assert got.spread == pytest.approx(np.quantile(np.abs(got.remainders), 0.68))
    few = Controls(months[:5])
    assert few.group(few.nearest("s01", months[0].shape), before, after) is None
    assert few.group(few.nearest("other", months[0].shape), before, after) is not None


def test_controls_are_matched_on_the_shape_of_their_year():
    flat, peaky = np.full(12, 1 / 12), np.r_[np.full(6, 0.15), np.full(6, 1 / 60)]
    one = months_of(rows(), site="x", carrier="natural_gas")
    controls = Controls(
        tuple(
            replace(one, site=f"{i:02d}", shape=peaky if i % 2 else flat)
            for i in range(2 * CONTROLS_MOST)
        )
    )
    near = controls.nearest("01", peaky)
    assert [i % 2 for i in near[: CONTROLS_MOST - 1]] == [1] * (CONTROLS_MOST - 1)
    assert 1 not in near
    before, after = span("2021-01-01", "2021-12-31"), span("2022-01-01", "2022-12-31")
    assert len(controls.group(near, before, after).remainders) == CONTROLS_MOST


def test_year_shape_sums_to_one(daily_rows):
    shape = year_shape(daily_rows(1))
    assert shape.sum() == pytest.approx(1.0, rel=1e-12)
    assert shape.argmax() in (5, 6, 7)  # warm months of the simulated site


def test_without_comparison_sites_the_words_say_so():
    trial = Trial("a", "a", "natural_gas", "daily", "2023-01-01", 0.01, 0.02, 0.04, 3.0)
    verdict = comparison_group("natural_gas", [trial] * 90, Controls(()), {"a": np.ones(12) / 12})
    assert not verdict.covers
    assert verdict.words == (
        "Not adopted (comparison group): 0 sites without a retrofit have readings of natural gas, "
        "5 are needed."
    )
