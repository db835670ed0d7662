"""One long file of many meters: split at once, and read through the store as if it were whole."""

import hashlib

import numpy as np
import pandas as pd
import pytest

from mv.findings import ReadingsError
from mv.portfolio.schema import Portfolio, Settings, Site, Source, WeatherStation
from mv.readings import many
from mv.readings.read import read_meter
from tests.readings.build import LISBON, meter
from tests.readings.quirks import truth

KEYS = ("M1", "M2", "M3")
SERIES = truth("2023-03-20", 60)


def rows_of(key: str) -> list[str]:
    factor = 1 + KEYS.index(key)
    return [f"{key},{t:%Y-%m-%d %H:%M},{v * factor:.3f}" for t, v in SERIES.items()]


def by_meter() -> str:
    return "meter,time,kWh\n" + "\n".join(r for key in KEYS for r in rows_of(key)) + "\n"


def by_time() -> str:
    together = zip(*(rows_of(key) for key in KEYS), strict=True)
    return "meter,time,kWh\n" + "\n".join(r for rows in together for r in rows) + "\n"


@pytest.mark.parametrize("order", [by_meter, by_time])
@pytest.mark.parametrize("block", [3_000, 1 << 20])
def test_split_gives_each_meter_its_rows_in_order(tmp_path, monkeypatch, order, block):
    monkeypatch.setattr(many, "BLOCK", block)
    path = tmp_path / "long.csv"
    path.write_text(order())
    got = many.split_long(path, meter="meter", time="time", value="kWh")
    clock = SERIES.index.tz_localize(None).as_unit("s").asi8
    assert sorted(got) == list(KEYS)
    for i, key in enumerate(KEYS):
        seconds, values = got[key]
        assert (seconds == clock).all()
        np.testing.assert_allclose(values, SERIES * (1 + i), atol=5e-4)


def test_split_says_which_column_is_missing(tmp_path):
    path = tmp_path / "long.csv"
    path.write_text(by_meter())
    with pytest.raises(ReadingsError, match="no column 'usage'; the columns are meter, time, kWh"):
        many.split_long(path, meter="meter", time="time", value="usage")


def portfolio(folder) -> Portfolio:
    source = Source(file="sites.csv", line=2)
    return Portfolio(
        folder=str(folder),
        settings=Settings(name="test"),
        sites={"hall": Site(source=source, site="hall", time_zone=LISBON, weather="bay")},
        meters=tuple(meter(meter=key, file="long.csv") for key in KEYS),
        weather={
            "bay": WeatherStation(
                source=source, station="bay", file="bay.csv", temperature_unit="degC"
            )
        },
    )


@pytest.fixture
def _no_store():
    yield
    many.use_store(None)


@pytest.mark.usefixtures("_no_store")
@pytest.mark.parametrize("order", [by_meter, by_time])
def test_reading_through_the_store_changes_nothing(tmp_path, monkeypatch, order):
    monkeypatch.setattr(many, "SPLIT_FROM", 0)
    monkeypatch.setattr(many, "BLOCK", 50_000)
    text = order().replace(",5.0", ",n/a", 1)
    (tmp_path / "long.csv").write_text(text)
    whole = portfolio(tmp_path)
    site = whole.describe("hall")
    before = [read_meter(site, m) for m in site.meters]
    cache = tmp_path / "cache"
    assert many.split_shared_files(whole, cache) == ["long.csv"]
    many.use_store(cache)
    assert many.from_store(str(tmp_path), "long.csv", "M1") is not None
    after = [read_meter(site, m) for m in site.meters]
    for one, other in zip(before, after, strict=True):
        pd.testing.assert_frame_equal(one.table, other.table)
        assert one.input == other.input
        assert one.findings == other.findings
    assert before[0].input["sha256"] == hashlib.sha256(text.encode()).hexdigest()


@pytest.mark.usefixtures("_no_store")
def test_store_of_a_file_that_changed_is_not_used(tmp_path, monkeypatch):
    monkeypatch.setattr(many, "SPLIT_FROM", 0)
    (tmp_path / "long.csv").write_text(by_meter())
    whole = portfolio(tmp_path)
    cache = tmp_path / "cache"
    many.split_shared_files(whole, cache)
    many.use_store(cache)
    (tmp_path / "long.csv").write_text(by_meter() + "M1,2024-01-01 00:00,9\n")
    assert many.from_store(str(tmp_path), "long.csv", "M1") is None
    assert many.split_shared_files(whole, cache) == ["long.csv"]
    assert many.from_store(str(tmp_path), "long.csv", "M1") is not None


def test_files_without_a_meter_column_are_left_alone(tmp_path, monkeypatch):
    monkeypatch.setattr(many, "SPLIT_FROM", 0)
    (tmp_path / "long.csv").write_text("time,M1,M2,M3\n2023-01-01 00:00,1,2,3\n")
    assert many.split_shared_files(portfolio(tmp_path), tmp_path / "cache") == []
