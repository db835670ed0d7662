"""Descriptions and readings made by hand for the tests of this room."""

from __future__ import annotations

from pathlib import Path

import pandas as pd

from mv.portfolio.schema import (
    Limits,
    Meter,
    Settings,
    Site,
    SiteDescription,
    Source,
    WeatherStation,
)
from mv.readings.read import MeterReadings, read_source
from mv.readings.source import from_bytes

LISBON = "Europe/Lisbon"


def meter(**fields) -> Meter:
    given = {
        "source": Source(file="meters.csv", line=2),
        "meter": "M1",
        "site": "hall",
        "carrier": "electricity",
        "data": "interval",
        "file": "meters/m1.csv",
        "unit": "kWh",
        "stamp": "start",
    }
    return Meter(**(given | fields))


def read(text: str | bytes, zone: str = LISBON, limits: Limits | None = None, **fields):
    """Read text as the file of one meter."""
    data = text.encode() if isinstance(text, str) else text
    one = meter(**fields)
    return read_source(from_bytes(one.file, data), one, zone, limits or Limits())


def description(folder: Path, **site) -> SiteDescription:
    given = {
        "source": Source(file="sites.csv", line=2),
        "site": "hall",
        "time_zone": LISBON,
        "weather": "bay",
    }
    return SiteDescription(
        folder=str(folder),
        settings=Settings(name="test"),
        site=Site(**(given | site)),
        weather=WeatherStation(
            source=Source(file="weather.csv", line=2),
            station="bay",
            file="bay.csv",
            temperature_unit="degC",
        ),
    )


def energies(got: MeterReadings) -> list[float]:
    return got.table["energy"].tolist()


def rules(got) -> list[str]:
    return [f.rule for f in got.findings]


def hourly_local(first: str, last: str, zone: str = LISBON) -> pd.DatetimeIndex:
    """Every hour of the days from first to last as the local clock shows it (with its zone)."""
    end = pd.Timestamp(last, tz=zone) + pd.Timedelta(days=1)
    return pd.date_range(pd.Timestamp(first, tz=zone), end, freq="h", inclusive="left")
