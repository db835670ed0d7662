"""ISD-Lite: the fixed-width hourly form of the US weather service (NOAA), UTC, tenths of °C.

Columns, from memory of the service's description: year, month, day, hour, air temperature, dew
point, sea-level pressure, wind direction, wind speed, sky, rain in 1 and 6 hours; −9999 is missing.
"""

from __future__ import annotations

import re

import numpy as np
import pyarrow as pa

from mv.findings import Finding, ReadingsError
from mv.readings.formats import READERS, Asked, Reader
from mv.readings.source import SourceFile
from mv.readings.table import Table

LINE = re.compile(rb"^\d{4} \d\d \d\d \d\d(?:\s+-?\d{1,5}){1,8}\s*$")


def _mine(source: SourceFile) -> bool:
    lines = source.data[:2000].split(b"\n")[:3]
    return bool(lines) and all(LINE.match(line) for line in lines if line.strip())


def _read(source: SourceFile, asked: Asked) -> Table:
    lines = [line for line in source.data.split(b"\n") if line.strip()]
    cells = [line.split()[:5] for line in lines]
    bad = next((i for i, c in enumerate(cells) if len(c) < 5), None)
    try:
        numbers = np.array([[int(x) for x in c] for c in cells if len(c) == 5], dtype=np.int64)
    except (ValueError, OverflowError) as error:
        raise _refuse(source) from error
    if bad is not None or not len(numbers) or (np.abs(numbers) > 99_999).any():
        raise _refuse(source)
    year, month, day, hour, tenths = numbers.T
    start = ((year - 1970) * 12 + month - 1).astype("datetime64[M]").astype("datetime64[D]")
    seconds = (start + (day - 1)).astype("datetime64[s]").astype(np.int64) + hour * 3600
    values = np.where(tenths == -9999, np.nan, tenths / 10)
    return Table(
        source.name,
        ["time_utc", "temperature"],
        [
            pa.array(seconds.astype("datetime64[s]"), pa.timestamp("s", "UTC")),
            pa.array(values, from_pandas=True),
        ],
        np.arange(1, len(numbers) + 1),
        declared={"unit": "degC"},
    )


def _refuse(source: SourceFile) -> ReadingsError:
    return ReadingsError(
        Finding(
            "file_unreadable",
            "the file begins like ISD-Lite and has lines of another form. Fetch it again.",
            file=source.name,
        )
    )


READERS.add("isd_lite", Reader("isd_lite", _mine, _read, rank=40))
