"""EPW: hourly weather of a typical year, the open form of building simulation, for normal years.

Eight header lines, then year, month, day, hour 1 to 24 (ends), minute, source flags, dry-bulb
temperature in °C (99.9 is missing).  Months come from different years; all are put into one
year of 365 days.  The header's first line ends with latitude, longitude, hours from UTC,
elevation.  From memory of the format's description.
"""

from __future__ import annotations

import numpy as np
import pyarrow as pa

from mv.findings import Finding, ReadingsError
from mv.readings.clock import offset_name
from mv.readings.formats import READERS, Asked, Reader
from mv.readings.source import SourceFile
from mv.readings.table import Table

YEAR = 2001
"""A year of 365 days in which the typical months are placed."""


def _read(source: SourceFile, asked: Asked) -> Table:
    lines = source.data.decode("utf-8", errors="replace").splitlines()
    try:
        hours_from_utc = float(lines[0].split(",")[8])
        if not -14 <= hours_from_utc <= 14:
            raise ValueError
        cells = [line.split(",", 7) for line in lines[8:] if line.strip()]
        if not cells:
            raise ValueError
        month, day, hour = (np.array([int(c[i]) for c in cells]) for i in (1, 2, 3))
        values = np.array([float(c[6]) for c in cells])
        if ((month < 1) | (month > 12) | (day < 1) | (day > 31) | (hour < 1) | (hour > 24)).any():
            raise ValueError
    except (ValueError, IndexError) as error:
        raise ReadingsError(
            Finding(
                "file_unreadable",
                "the file begins like EPW and its lines are not of that form.",
                file=source.name,
            )
        ) from error
    keep = ~((month == 2) & (day == 29))
    month, day, hour, values = month[keep], day[keep], hour[keep], values[keep]
    first = ((YEAR - 1970) * 12 + month - 1).astype("datetime64[M]").astype("datetime64[D]")
    local = (first + (day - 1)).astype("datetime64[s]").astype(np.int64) + (hour - 1) * 3600
    return Table(
        source.name,
        ["start", "temperature"],
        [
            pa.array(local.astype("datetime64[s]"), pa.timestamp("s")),
            pa.array(np.where(values >= 99, np.nan, values), from_pandas=True),
        ],
        np.arange(9, 9 + len(lines[8:]))[: len(keep)][keep],
        declared={"unit": "degC", "clock": offset_name(int(hours_from_utc * 3600))},
    )


READERS.add(
    "typical_year", Reader("typical_year", lambda s: s.data[:9] == b"LOCATION,", _read, rank=42)
)
