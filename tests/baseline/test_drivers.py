"""Further independent variables: spread over days, put into models, left out where they must be."""

import datetime as dt

import numpy as np
import pandas as pd
import pytest

from mv.baseline.drivers import driver_series, is_level
from mv.baseline.select import select
from mv.findings import ModelError
from mv.portfolio.schema import Driver, Source


def row(start, end, value, unit="t", driver="production", line=2):
    return Driver(
        source=Source(file="drivers.csv", line=line),
        site="mill",
        start=start,
        end=end,
        driver=driver,
        value=value,
        unit=unit,
    )


def test_totals_are_spread_and_levels_hold():
    series, findings = driver_series(
        [
            row(dt.date(2024, 1, 1), dt.date(2024, 1, 10), 50),
            row(dt.date(2024, 1, 13), None, 7),
            row(dt.date(2024, 1, 1), dt.date(2024, 1, 2), 80, "%", "occupancy"),
        ]
    )
    assert findings == ()
    assert series["production"].to_list() == [5.0] * 10 + [7.0]
    assert series["production"].index[-1] == pd.Timestamp("2024-01-13")
    assert series["occupancy"].to_list() == [80.0, 80.0]


def test_overlaps_are_told():
    series, findings = driver_series(
        [row(dt.date(2024, 1, 1), dt.date(2024, 1, 2), 4), row(dt.date(2024, 1, 2), None, 3)]
    )
    assert series["production"].to_list() == [2.0, 5.0]
    assert findings[0].rule == "driver_overlap"
    assert str(findings[0]) == (
        "drivers.csv, line 2, column start: Rows of the driver production overlap on 1 days; they "
        "are added up. Give each day one row."
    )


@pytest.mark.parametrize(
    ("unit", "level"), [("t", False), ("t/day", True), ("%", True), ("guests per day", True)]
)
def test_is_level(unit, level):
    assert is_level(unit) is level


def site(seed=3, n=365):
    rng = np.random.default_rng(seed)
    dates = pd.date_range("2023-01-01", periods=n, name="date")
    t = 10 - 9 * np.cos(2 * np.pi * np.arange(n) / 365) + rng.normal(0, 3, n)
    made = rng.uniform(0, 40, n)
    operating = (dates.day_of_week < 5).astype(float)
    energy = 200 + 60 * operating + 5 * np.maximum(12 - t, 0) + 3.5 * made + rng.normal(0, 8, n)
    return pd.DataFrame(
        {"energy": energy, "temperature": t, "operating": operating, "weight": 1.0}
        | {"status": "used", "driver:production": made},
        index=dates,
    )


def test_driver_enters_the_model():
    rows = site()
    fit = select(rows, "daily").fit
    place = fit.term_names.index("driver:production")
    assert fit.coefficients[place] == pytest.approx(3.5, abs=4 * fit.standard_errors[place])
    assert abs(fit.t_values[place]) > 50
    assert fit.term_units[place] == "kWh/day per unit"
    without = select(rows.drop(columns="driver:production"), "daily").fit
    assert fit.statistics.rmse < without.statistics.rmse / 3


def test_rows_without_the_driver_are_refused():
    fit = select(site(), "daily").fit
    with pytest.raises(ModelError, match="the rows have no column 'driver:production'"):
        fit.predict(site().drop(columns="driver:production"))


def test_driver_without_value_is_refused():
    rows = site()
    rows.iloc[5, rows.columns.get_loc("driver:production")] = np.nan
    with pytest.raises(ModelError, match="no value of the driver production"):
        select(rows, "daily")


@pytest.mark.parametrize(
    ("values", "note"),
    [
        (
            lambda rows: 4.0,
            "The driver production does not vary in the baseline period; it is left out of the "
            "model.",
        ),
        (
            lambda rows: 2 * rows["temperature"] + 1,
            "The driver production can't be told from temperature, operating days and other "
            "drivers; it is left out of the model.",
        ),
    ],
)
def test_driver_that_tells_nothing_is_left_out(values, note):
    rows = site()
    selection = select(rows.assign(**{"driver:production": values(rows)}), "daily")
    assert [(f.rule, f.message) for f in selection.findings] == [("driver_unused", note)]
    assert "driver:production" not in selection.fit.term_names
