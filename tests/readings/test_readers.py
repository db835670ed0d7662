"""What every reader must do, asked of each that is registered."""

import pytest

from mv.findings import ReadingsError
from mv.readings.formats import READERS, Asked
from mv.readings.source import from_bytes
from tests.readings.quirks_quantities import feed, usage_xml
from tests.readings.quirks_shapes import PLAIN, long_text, parquet, workbook
from tests.readings.weather_files import WEATHER_FILES

SAMPLES = {
    "delimited": long_text(PLAIN).encode(),
    "parquet": parquet(time=PLAIN.index, kWh=PLAIN.to_numpy()),
    "workbook": workbook({"S": [["day", "kWh"], ["2023-01-01", 1.0], ["2023-01-02", 2.0]]}),
    "usage_xml": feed(usage_xml(PLAIN)).encode(),
    "isd_lite": WEATHER_FILES["isd_lite"]().encode(),
    "ghcn_daily": WEATHER_FILES["ghcn_daily_fixed"]().encode(),
    "typical_year": WEATHER_FILES["typical_year"]().encode(),
}


def test_each_reader_has_a_sample():
    assert READERS.names() == sorted(SAMPLES)


@pytest.mark.parametrize("name", sorted(SAMPLES))
def test_reader_knows_its_own_and_no_other(name):
    source = from_bytes("f", SAMPLES[name])
    mine = [r.name for r in READERS if r.mine(source)]
    assert set(mine) == {name, "delimited"}
    table = READERS[name].read(source, Asked(key="M1"))
    assert len(table.names) == len(table.columns) >= 2
    assert {len(c) for c in table.columns} == {len(table.lines)}
    assert len(table) > 0


@pytest.mark.parametrize("name", sorted(SAMPLES))
@pytest.mark.parametrize("keep", [0.02, 0.3, 0.9])
def test_reader_of_a_file_cut_short_refuses_or_reads_less(name, keep):
    data = SAMPLES[name]
    source = from_bytes("f", data[: max(int(len(data) * keep), 12)])
    whole = len(READERS[name].read(from_bytes("f", data), Asked(key="M1")))
    try:
        table = READERS[name].read(source, Asked(key="M1"))
    except ReadingsError as error:
        assert error.findings[0].message.endswith((".", ")"))  # noqa: PT017
    else:
        assert len(table) <= whole
