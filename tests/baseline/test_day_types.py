"""Kinds of day: found where they are there, not found where they are not, worth told."""

import numpy as np
import pandas as pd
import pytest

from mv.baseline.day_types import CELLS, cells_of, find_day_types, operating_day_effect
from mv.baseline.select import select


def site(seed, *, saturday=0.0, cooling_added=0.0, holidays=10, rho=0.5, noise=20.0, n=365):
    """Operating Mon–Fri less holidays; a non-operating Saturday uses `saturday` of the step more
    than a Sunday; noise is autocorrelated."""
    rng = np.random.default_rng(seed)
    dates = pd.date_range("2021-01-01", periods=n, name="date")
    t = 11 - 10 * np.cos(2 * np.pi * (np.arange(n) - 20) / 365) + rng.normal(0, 3, n)
    weekday = dates.day_of_week.to_numpy()
    operating = (weekday < 5).astype(float)
    operating[rng.choice(np.flatnonzero(weekday < 5), holidays, replace=False)] = 0
    level = 150 + 150 * operating + saturday * 150 * ((weekday == 5) & (operating == 0))
    e = rng.normal(0, noise, n)
    for i in range(1, n):
        e[i] += rho * e[i - 1]
    energy = level + 6 * np.maximum(13 - t, 0) + e
    energy += (8 + cooling_added * operating) * np.maximum(t - 17, 0)
    return pd.DataFrame(
        {"energy": energy, "temperature": t, "operating": operating}
        | {"weight": 1.0, "status": "used"},
        index=dates,
    )


def test_cells():
    rows = pd.DataFrame(
        {"operating": [1.0, 0.0, 1.0]},
        index=pd.DatetimeIndex(["2024-01-01", "2024-01-02", "2024-01-07"]),
    )
    assert cells_of(rows).tolist() == [0, 8, 6]


def test_a_half_used_saturday_becomes_a_type():
    found = [select(site(s, saturday=0.5), "daily").fit for s in range(8)]
    assert all(f.terms.days == "types" for f in found)
    types = found[0].terms.day_types
    assert types.labels[1:] == ("non-operating Sat", "operating Mon–Fri")
    # holidays are like Sundays
    assert types.labels[0].startswith("non-operating ")
    assert types.labels[0].endswith(", Sun")
    names = dict(zip(found[0].term_names, found[0].coefficients, strict=True))
    assert names["non-operating Sat"] == pytest.approx(75, abs=20)
    assert names["operating Mon–Fri"] == pytest.approx(150, abs=20)
    assert set(found[0].curve(np.array([0.0, 25.0]))) == {"temperature", *types.labels}


def test_no_type_is_invented():
    """Simulated sites with two kinds of day: a third is claimed in at most 1 of 30."""
    found = [select(site(s), "daily").fit.terms.days for s in range(30)]
    assert found.count("types") <= 1
    assert set(found) <= {"operating", "types"}


def test_slopes_by_kind_of_day_where_the_data_ask():
    asked = [select(site(s, cooling_added=12.0, noise=10), "daily").fit for s in range(6)]
    names = [set(f.term_names) for f in asked]
    assert sum("cooling on operating days" in n for n in names) >= 5
    fit = next(f for f in asked if "cooling on operating days" in f.term_names)
    value = fit.coefficients[fit.term_names.index("cooling on operating days")]
    assert value == pytest.approx(12, abs=5)
    curve = fit.curve(np.array([10.0, 30.0]))
    steep = {k: v[1] - v[0] for k, v in curve.items() if k != "temperature"}
    assert steep["operating"] > steep["non-operating"]
    plain = [select(site(s, noise=10), "daily").fit for s in range(12)]
    assert sum(any("on operating days" in n for n in f.term_names) for f in plain) <= 1


def test_best_split_is_found():
    """Four levels of 14 cells, no noise: the split is exact for three types by brute force."""
    rng = np.random.default_rng(1)
    cells = rng.integers(0, CELLS, 600)
    levels = rng.choice([10.0, 11.0, 30.0, 60.0], CELLS)
    found = find_day_types(cells, levels[cells])
    assert [len(f.labels) for f in found] == [2, 3, 4]
    assert levels[cells] == pytest.approx(
        np.array([levels[cells][np.asarray(found[-1].code)[cells] == k].mean() for k in range(4)])[
            np.asarray(found[-1].code)[cells]
        ]
    )
    three = np.asarray(found[1].code)
    assert len(set(three[np.isin(levels, [10.0, 11.0])])) == 1


def test_unseen_cells_go_with_their_sort():
    cells = np.repeat([0, 1, 2, 3, 4, 13], 20)  # weekdays operating, Sundays not
    use = np.where(cells == 13, 10.0, 50.0)
    two = find_day_types(cells, use)[0]
    assert two.labels == ("non-operating Sun", "operating Mon–Fri")
    assert two.code[5:7] == (1, 1)  # an operating weekend day
    assert two.code[7:13] == (0,) * 6  # a closed weekday
    assert two.operating == (0.0, 1.0)


def test_effect_of_operating_days_is_the_change_of_mix():
    rows = site(0, noise=5.0)
    fit = select(rows, "daily").fit
    assert fit.terms.days == "operating"
    busy = rows.assign(operating=1.0)
    step = fit.coefficients[fit.term_names.index("operating")]
    expected = step * (1 - rows["operating"].mean()) * len(rows)
    assert operating_day_effect(fit, rows, busy) == pytest.approx(expected, rel=1e-9)
    assert operating_day_effect(fit, rows, rows) == pytest.approx(0, abs=1e-6)


def test_effect_with_day_types_and_slopes():
    rows = site(1, saturday=0.5, cooling_added=12, noise=5.0)
    fit = select(rows, "daily").fit
    assert fit.terms.days == "types"
    assert operating_day_effect(fit, rows, rows.assign(operating=1.0)) > 0
    closed = rows.assign(operating=0.0)
    assert operating_day_effect(fit, rows, closed) < 0


def test_no_effect_without_kinds_of_day():
    rows = site(0).assign(operating=1.0, energy=100.0)
    fit = select(rows, "daily").fit
    assert operating_day_effect(fit, rows, rows) is None


def test_a_school_in_its_holidays():
    """Eight weeks of closure that use less than a weekend become a type of their own."""
    rows = site(4, noise=8.0, holidays=0)
    summer = (rows.index >= "2021-07-05") & (rows.index < "2021-08-30")
    weekday = rows.index.day_of_week < 5
    rows.loc[summer & weekday, "operating"] = 0.0
    rows.loc[summer & weekday, "energy"] -= 150 + 90
    fit = select(rows, "daily").fit
    assert fit.terms.days == "types"
    assert fit.terms.day_types.labels == (
        "non-operating Mon–Fri",
        "non-operating Sat–Sun",
        "operating Mon–Fri",
    )
    names = dict(zip(fit.term_names, fit.coefficients, strict=True))
    assert names["non-operating Sat–Sun"] == pytest.approx(90, abs=12)
    assert names["operating Mon–Fri"] == pytest.approx(240, abs=12)
