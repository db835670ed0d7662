"""Which temperature does each row of a weather table give?

Besides a plain column of temperatures, the public forms of weather services are known: daily
means, or means made of the highest and lowest of a day; one row an element (GHCN-Daily by
station); temperatures in tenths; the `+0123,1` cells of global hourly files; the columns of the
German service.  Forms are from memory of the services' own descriptions.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

from mv.findings import Finding
from mv.portfolio.schema import WeatherStation
from mv.readings import headings, shape
from mv.readings.number_text import to_numbers
from mv.readings.rows import Rows, long_rows
from mv.readings.table import Table

_PACKED = r"^([+-]\d{4}),(\d)$"
TENTHS_ABOVE = 135.0
"""Whole numbers whose 95 % quantile is above this are tenths of °C: no climate has it in °F."""


def temperature_rows(table: Table, station: WeatherStation) -> Rows:
    """Rows of time and temperature in the file's unit (ReadingsError when columns are unclear).

    Rows whose temperature failed the service's own check leave as `temperature_suspect`.
    """
    table = _elements(table)
    names = [headings.plain(n) for n in table.names]
    if station.value_column is None:
        packed = _packed(table, names)
        if packed is not None:
            table, suspect = packed
            rows = _rows(table, station, "temperature")
            _leave_suspect(rows, suspect, table)
            return rows
        if not any(n in headings.TEMPERATURE for n in names):
            high = next((i for i, n in enumerate(names) if n in headings.TEMPERATURE_HIGH), None)
            low = next((i for i, n in enumerate(names) if n in headings.TEMPERATURE_LOW), None)
            if high is not None and low is not None:
                return _from_extremes(table, station, high, low)
    value = station.value_column
    if value is None:
        found = next((i for w in headings.TEMPERATURE for i, n in enumerate(names) if n == w), None)
        value = table.names[found] if found is not None else None
    rows = _rows(table, station, value)
    _tenths(rows, station)
    return rows


def _rows(table: Table, station: WeatherStation, value: str | None) -> Rows:
    roles = shape.interval_roles(
        table, time=station.time_column, value=value, flag=None, unit="degC", key=""
    )
    return long_rows(table, replace(roles, flag=None), None)


def _from_extremes(table: Table, station: WeatherStation, high: int, low: int) -> Rows:
    """Mean of the day = (highest + lowest) / 2, the practice of US climatology."""
    highest, lowest = (to_numbers(table.columns[i], table.separator)[0] for i in (high, low))
    mean = pa.array((highest + lowest) / 2, from_pandas=True)
    joined = replace(
        table,
        names=[*table.names, "temperature"],
        columns=[*table.columns, mean],
    )
    rows = _rows(joined, station, "temperature")
    rows.tell(
        "temperature_from_extremes",
        f"daily means are (highest + lowest) / 2 of {table.names[high]!r} and "
        f"{table.names[low]!r}.",
        count=len(rows),
    )
    _tenths(rows, station)
    return rows


def _tenths(rows: Rows, station: WeatherStation) -> None:
    """Values far above any temperature, all whole numbers, are tenths of a degree Celsius."""
    values = rows.values[np.abs(rows.values) < 900]
    if station.temperature_unit != "degC" or not len(values):
        return
    whole = bool((values == np.round(values)).all())
    if whole and np.quantile(np.abs(values), 0.95) > TENTHS_ABOVE:
        rows.values = np.where(np.abs(rows.values) < 900, rows.values / 10, rows.values)
        rows.tell(
            "temperature_tenths",
            "temperatures are whole numbers far above what weather does and were read as tenths "
            "of a degree.",
            count=len(rows),
        )


def _elements(table: Table) -> Table:
    """A table with a row for each element of a day (GHCN-Daily by station) as one row a day."""
    names = [headings.plain(n) for n in table.names]
    at = next((i for i, n in enumerate(names) if n in headings.ELEMENT), None)
    if at is None:
        at = _headless_element(table)
        if at is None:
            return table
        names = ["id", "date", "element", "value", "mflag", "qflag", *names[6:]]
    value = next((i for i, n in enumerate(names) if n in headings.ELEMENT_VALUE), None)
    date = next((i for i, n in enumerate(names) if n in headings.ELEMENT_DATE), None)
    if value is None or date is None:
        return table
    element = pc.utf8_upper(shape.as_text(table.columns[at]))
    quality = next((i for i, n in enumerate(names) if n in headings.ELEMENT_QUALITY), None)
    passed = pc.equal(element, element)
    if quality is not None:
        passed = pc.equal(shape.as_text(table.columns[quality]), "")
    days = shape.as_text(table.columns[date])
    numbers = to_numbers(table.columns[value], table.separator)[0]
    order = {d: i for i, d in enumerate(dict.fromkeys(days.to_pylist()))}
    places = np.array([order[d] for d in days.to_pylist()])
    out = {"date": pa.array(list(order), pa.string())}
    whole = bool((numbers == np.round(numbers))[np.isfinite(numbers)].all())
    for word in ("TAVG", "TMAX", "TMIN"):
        mask = pc.and_(pc.equal(element, word), passed).to_numpy(zero_copy_only=False)
        column = np.full(len(order), np.nan)
        column[places[mask]] = np.where(numbers == -9999, np.nan, numbers)[mask]
        if mask.any():
            out[word] = pa.array(column / 10 if whole else column, from_pandas=True)
    lines = np.zeros(len(order), dtype=np.int64)
    lines[places[::-1]] = table.lines[::-1]
    findings = table.findings
    if whole:
        words = "temperatures are whole numbers by element, which are tenths of a degree Celsius."
        findings = (*findings, Finding("temperature_tenths", words, file=table.file))
    return replace(
        table,
        names=list(out),
        columns=list(out.values()),
        lines=lines,
        malformed=0,
        findings=findings,
        declared={"unit": "degC"} if whole else {},
    )


def _headless_element(table: Table) -> int | None:
    if table.headed or len(table.columns) < 4 or not shape.is_text(table.columns[2]):
        return None
    words = {"TMAX", "TMIN", "TAVG", "PRCP", "SNOW", "SNWD"}
    cells = table.columns[2][:50].to_pylist()
    return 2 if cells and sum(c in words for c in cells) > len(cells) / 3 else None


def _packed(table: Table, names: list[str]) -> tuple[Table, np.ndarray] | None:
    """Cells such as `+0123,1` (12.3 °C, quality 1) of global hourly files."""
    at = next((i for i, n in enumerate(names) if n == "tmp"), None)
    if at is None or not shape.is_text(table.columns[at]):
        return None
    parts = pc.extract_regex(
        shape.as_text(table.columns[at]),
        _PACKED.replace("([", "(?P<v>[").replace("(\\d)", "(?P<q>\\d)"),
    )
    missing = parts.is_null().to_numpy(zero_copy_only=False)
    if 2 * missing.sum() >= len(missing):
        return None
    value = pc.cast(pc.replace_substring(pc.struct_field(parts, "v"), "+", ""), pa.float64())
    values = value.to_numpy(zero_copy_only=False) / 10
    values = np.where(np.abs(values) > 900, np.nan, values)
    quality = pc.fill_null(pc.struct_field(parts, "q"), "9")
    suspect = pc.is_in(quality, value_set=pa.array(["2", "3", "6", "7"]))
    keep = [i for i, n in enumerate(names) if i != at and n in ("date", "time", "datetime")]
    joined = replace(
        table,
        names=[*(table.names[i] for i in keep), "temperature"],
        columns=[*(table.columns[i] for i in keep), pa.array(values, from_pandas=True)],
        declared=table.declared | {"unit": "degC"},
    )
    return joined, suspect.to_numpy(zero_copy_only=False)


def _leave_suspect(rows: Rows, suspect: np.ndarray, table: Table) -> None:
    bad = set(table.lines[suspect].tolist())
    mask = np.array([line in bad for line in rows.lines.tolist()], dtype=bool)
    rows.leave(
        mask,
        "temperature_suspect",
        "{n} temperature[|s] failed the weather service's own checks.",
    )
