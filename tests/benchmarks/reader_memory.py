"""How much memory does each reader take, as a multiple of the file's size?

    python -m pytest -s tests/benchmarks/reader_memory.py

Reads a few megabytes in each form in a process of its own and prints the peak over what the
process had before, per byte of the file (for gzip: of the text inside).  At most 50 is wanted.
"""

from __future__ import annotations

import gzip
import subprocess
import sys
from pathlib import Path

import pandas as pd
import pytest

from tests.readings.quirks import load, long_text
from tests.readings.quirks_quantities import feed, usage_xml
from tests.readings.quirks_shapes import clock_labels, parquet, wide, workbook

ROOT = Path(__file__).parents[2]
MOST = 50
CHILD = """
import sys
sys.path.insert(0, "tests/readings")
from pathlib import Path
import openpyxl
from peak_memory import forget_peak, peak
from mv.portfolio.schema import Limits, Meter, Source
from mv.readings.read import read_source
from mv.readings.source import from_bytes

meter = Meter(source=Source(file="meters.csv"), meter="M1", site="s", carrier="electricity",
              data="interval", file="f", unit="kWh", day_first=True)
data = Path(sys.argv[1]).read_bytes()
warm = b"time,kWh\\n2023-01-01 00:00,1\\n2023-01-01 01:00,2\\n"
read_source(from_bytes("warm", warm), meter, "UTC", Limits())
before = forget_peak()
read_source(from_bytes("f", data), meter, "UTC", Limits())
print(peak() - before)
"""


def sheet(series: pd.Series) -> bytes:
    cells = [[t.tz_localize(None).to_pydatetime(), v] for t, v in series.items()]
    return workbook({"S": [["time", "kWh"], *cells]})


FORMS = {
    "csv": lambda s: long_text(s).encode(),
    "csv, day first": lambda s: long_text(s, form="%d/%m/%Y %H:%M").encode(),
    "csv, gzip": lambda s: gzip.compress(long_text(s).encode()),
    "wide": lambda s: wide(s.iloc[: 96 * 1040], clock_labels(15)).encode(),
    "parquet": lambda s: parquet(time=s.index, kWh=s.to_numpy()),
    "workbook": sheet,
    "usage XML": lambda s: feed(usage_xml(s)).encode(),
}


@pytest.mark.parametrize("form", sorted(FORMS))
def test_memory(form, tmp_path):
    index = pd.date_range("2021-01-01", periods=100_000, freq="15min", tz="UTC")
    data = FORMS[form](load(index))
    path = tmp_path / "file"
    path.write_bytes(data)
    done = subprocess.run(
        [sys.executable, "-c", CHILD, str(path)],
        capture_output=True,
        text=True,
        cwd=ROOT,
        check=True,
    )
    size = len(gzip.decompress(data)) if "gzip" in form else len(data)
    more = float(done.stdout)
    print(f"{form}: {size / 1e6:.2f} MB, {more / 1e6:.1f} MB more, {more / size:.1f} times")
    assert more < MOST * size
