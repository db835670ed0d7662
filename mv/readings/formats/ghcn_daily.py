"""GHCN-Daily .dly: the fixed-width daily form of the world's weather services (NOAA).

A line holds a month of one element: station 1-11, year 12-15, month 16-17, element 18-21, then
31 times value (5), measurement, quality and source flag (1 each).  Temperatures are in tenths
of °C, −9999 is missing; a quality flag means a failed check.  From memory of the description.
"""

from __future__ import annotations

import re

import numpy as np
import pyarrow as pa

from mv.findings import Finding, ReadingsError
from mv.readings.formats import READERS, Asked, Reader
from mv.readings.source import SourceFile
from mv.readings.table import Table

LINE = re.compile(rb"^[A-Z]{2}[A-Z0-9_-]{9}\d{6}[A-Z0-9]{4}[ \-0-9]{5}")
MISSING = -9999


def _mine(source: SourceFile) -> bool:
    return bool(LINE.match(source.data[:40])) and b"," not in source.data[:40]


def _read(source: SourceFile, asked: Asked) -> Table:
    days: dict[np.datetime64, dict[str, float]] = {}
    for number, line in enumerate(source.data.split(b"\n"), start=1):
        if not line.strip() or line[17:21] not in (b"TMAX", b"TMIN", b"TAVG"):
            continue
        try:
            first = np.datetime64(f"{int(line[11:15]):04d}-{int(line[15:17]):02d}", "D")
            values = [int(line[21 + 8 * i : 26 + 8 * i] or MISSING) for i in range(31)]
        except ValueError as error:
            raise ReadingsError(
                Finding(
                    "file_unreadable",
                    "the line is not of the fixed-width daily form. Fetch the file again.",
                    file=source.name,
                    line=number,
                )
            ) from error
        month = first.astype("datetime64[M]")
        for i, value in enumerate(values):
            day = first + i
            failed = line[27 + 8 * i : 28 + 8 * i].strip()
            if value == MISSING or failed or day.astype("datetime64[M]") != month:
                continue
            days.setdefault(day, {})[line[17:21].decode()] = value / 10
    if not days:
        raise ReadingsError(
            Finding("file_empty", "the file holds no temperatures.", file=source.name)
        )
    order = sorted(days)
    columns = {
        word: np.array([days[d].get(word, np.nan) for d in order])
        for word in ("TAVG", "TMAX", "TMIN")
    }
    present = {w: c for w, c in columns.items() if np.isfinite(c).any()}
    if "TAVG" in present and np.isfinite(present["TAVG"]).mean() < 0.9 and len(present) == 3:
        del present["TAVG"]
    return Table(
        source.name,
        ["date", *present],
        [pa.array(np.array(order), pa.date32())]
        + [pa.array(c, from_pandas=True) for c in present.values()],
        np.arange(1, len(order) + 1),
        declared={"unit": "degC"},
    )


READERS.add("ghcn_daily", Reader("ghcn_daily", _mine, _read, rank=41))
