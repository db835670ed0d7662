"""Bill tables."""

import pandas as pd
import pytest

from tests.readings.build import energies, read, rules

THREE = (
    "start,end,kWh,demand,cost,flag\n"
    "2023-01-03,2023-02-02,900,12.5,180.00,actual\n"
    "2023-02-02,2023-03-04,800,11,165.10,actual\n"
    "2023-03-04,2023-04-03,750,,150,actual\n"
)


def test_three_bills():
    got = read(THREE, data="bills")
    assert got.kind == "bills"
    assert energies(got) == [900.0, 800.0, 750.0]
    assert got.table["start"].tolist() == [
        pd.Timestamp(d) for d in ("2023-01-03", "2023-02-02", "2023-03-04")
    ]
    assert got.table["end"].iloc[-1] == pd.Timestamp("2023-04-03")
    assert got.table["cost"].tolist() == [180.0, 165.1, 150.0]
    assert got.table["demand"].isna().tolist() == [False, False, True]
    assert got.input["rows_read"] == got.input["rows_used"] == 3
    assert got.input["coverage"] == 1.0
    assert got.findings == ()


def test_therms():
    # 1 therm (International Table) = 29.3071070172 kWh
    got = read(THREE, data="bills", carrier="natural_gas", unit="therm", value_column="kWh")
    assert energies(got)[0] == pytest.approx(900 * 29.3071070172, rel=1e-9)


def test_bill_that_ends_before_it_starts():
    text = THREE + "2023-05-03,2023-04-03,10,,,actual\n"
    got = read(text, data="bills")
    assert len(got.table) == 3
    assert got.input["excluded"] == {"bill_dates_impossible": 1}
    assert rules(got) == ["bill_dates_impossible"]
    assert got.findings[0].line == 5
