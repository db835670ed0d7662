"""No bytes, however broken, make a reader fail with anything but the project's own refusal."""

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from mv.findings import ReadingsError
from mv.portfolio.schema import Limits, Source, WeatherStation
from mv.readings.read import read_source
from mv.readings.source import from_bytes
from mv.readings.weather import read_temperatures
from tests.readings.build import meter
from tests.readings.quirks import QUIRKS
from tests.readings.test_quirks import read_quirk
from tests.readings.weather_files import WEATHER_FILES

STATION = WeatherStation(
    source=Source(file="weather.csv", line=2), station="s", file="s", temperature_unit="degC"
)
METERS = (
    meter(),
    meter(stamp=None, flag_column=None, unit="kW"),
    meter(data="bills"),
    meter(data="bills", register_values=True),
    meter(register_values=True, day_first=True, flow="export"),
)
SEEDS = sorted(QUIRKS)
ALPHABET = st.sampled_from(
    [
        *"0123456789,;:.-/+ \t\n\"'TZeE",
        *("2023-01-01", "24:00", "\x00", "\ufeff", "é", "nan", "inf", "1e999", "9" * 20),
        *("<a>", "PK\x03\x04", "time,kWh\n"),
    ]
)


def survive(data: bytes, which: int) -> None:
    """Read bytes as a meter's file and as a station's; anything but a refusal is a failure."""
    for read in (
        lambda source: read_source(source, METERS[which % len(METERS)], "Europe/Lisbon", Limits()),
        lambda source: read_temperatures(source, STATION, Limits()),
    ):
        try:
            read(from_bytes("f", data))
        except ReadingsError as error:
            if not all(f.message for f in error.findings):
                raise AssertionError("a refusal must say why") from error


def mutate(data: bytes, rng: np.random.Generator) -> bytes:
    """Bytes with a few random changes: flips, cuts, repeats, insertions."""
    changed = bytearray(data)
    for _ in range(int(rng.integers(1, 8))):
        if not changed:
            break
        at = int(rng.integers(len(changed)))
        kind = int(rng.integers(5))
        if kind == 0:
            changed[at] = int(rng.integers(256))
        elif kind == 1:
            del changed[at : at + int(rng.integers(1, 40))]
        elif kind == 2:
            changed[at:at] = changed[at : at + int(rng.integers(1, 200))]
        elif kind == 3:
            changed[at:at] = bytes(rng.integers(0, 256, int(rng.integers(1, 6)), dtype=np.uint8))
        else:
            changed = changed[: at + 1]
    return bytes(changed)


def seed_bytes(name: str) -> bytes:
    if name in WEATHER_FILES:
        return WEATHER_FILES[name]().encode()
    data = QUIRKS[name]().data
    return data.encode() if isinstance(data, str) else data


@settings(max_examples=60, deadline=None, suppress_health_check=list(HealthCheck))
@given(st.binary(max_size=400), st.integers(0, 4))
def test_random_bytes(data, which):
    survive(data, which)


@settings(max_examples=60, deadline=None, suppress_health_check=list(HealthCheck))
@given(st.lists(ALPHABET, max_size=120).map("".join), st.integers(0, 4))
def test_random_text(text, which):
    survive(text.encode(), which)


@settings(max_examples=60, deadline=None, suppress_health_check=list(HealthCheck))
@given(st.sampled_from(SEEDS + sorted(WEATHER_FILES)), st.integers(0, 2**32), st.integers(0, 4))
def test_damaged_files(name, seed, which):
    survive(mutate(seed_bytes(name), np.random.default_rng(seed)), which)


def test_seeds_are_read_as_they_are():
    # the damaged files above start from files that are read
    name = "usage_xml_feed"
    assert len(read_quirk(QUIRKS[name]()).table) == 48
    with pytest.raises(ReadingsError):
        read_source(from_bytes("f", b"a"), meter(), "UTC", Limits())
