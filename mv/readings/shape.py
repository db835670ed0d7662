"""Which columns of a table are times, values, flags?

Headers settle it where they can, the cells where headers are silent, and a meter's own row
(`time_column`, `value_column` ...) before either.  What stays unclear is refused with the
columns listed.
"""

from __future__ import annotations

import re
from collections import Counter
from dataclasses import dataclass

import pyarrow as pa

from mv.findings import Finding, ReadingsError
from mv.readings.table import Table, looks_like

SAMPLE_ROWS = 60

_TIME_NAMES = ["time", "timestamp", "datetime", "dateandtime", "datetimelocal", "timelocal", "localtime", "utc", "timeutc", "utctime", "datetimeutc", "interval", "intervalstart", "readtime", "readingtime", "zeit", "zeitstempel", "datumuhrzeit", "fecha", "fechahora", "horodate"]
_START_NAMES = ["start", "starttime", "startdate", "from", "fromdate", "intervalstart", "periodstart", "startdatetime", "begin", "von", "billstart", "servicefrom", "datefrom", "intervalstarttime", "startofperiod"]
_END_NAMES = ["end", "endtime", "enddate", "to", "todate", "intervalend", "periodend", "enddatetime", "until", "bis", "billend", "serviceto", "dateto", "intervalendtime", "endofperiod"]
_DATE_NAMES = ["date", "day", "datum", "fecha", "data", "readdate", "readingdate", "usagedate", "jour"]
_CLOCK_NAMES = ["time", "hour", "starttime", "uhrzeit", "hora", "heure", "clock"]
_VALUE_NAMES = ["value", "values", "usage", "use", "consumption", "energy", "quantity", "reading", "load", "amount", "verbrauch", "consumo", "total", "totalusage", "kwh", "kw", "wh", "mwh", "m3", "therm", "therms", "ccf", "gj", "mj", "energykwh", "usagekwh", "usekwh", "consumptionkwh", "volume", "kvalue", "wert", "valor"]
_TEMPERATURE_NAMES = ["temperature", "temp", "tempc", "tempf", "airtemperature", "airtemp", "temperaturec", "temperaturef", "drybulb", "drybulbtemperature", "tmean", "tavg", "tmp", "meantemperature", "meantemp", "outdoortemperature", "value", "temperaturedegc", "temperaturedegf", "tempdegc", "tempdegf"]
_FLAG_NAMES = ["flag", "quality", "status", "readtype", "readingtype", "type", "estimated", "estimate", "qualityflag", "qualitycode", "readstatus", "actualestimated"]
_DEMAND_NAMES = ["demand", "peakdemand", "demandkw", "billeddemand", "peakkw", "maxdemand"]
_COST_NAMES = ["cost", "amount", "charge", "charges", "billamount", "totalcost", "costs", "totalcharge", "bill"]


@dataclass(frozen=True)
class Roles:
    """Index of the column that plays each part; None where there is none."""

    time: int | None = None
    date: int | None = None
    clock: int | None = None
    start: int | None = None
    end: int | None = None
    value: int | None = None
    flag: int | None = None
    demand: int | None = None
    cost: int | None = None


def plain(name: str) -> str:
    """A header without case, spaces and punctuation: `Usage (kWh)` is `usagekwh`."""
    return re.sub(r"[\W_]+", "", name.lower())


def interval_roles(
    table: Table, *, time: str | None, value: str | None, flag: str | None, unit: str, key: str
) -> Roles:
    """Roles in a table with one row an interval (ReadingsError `columns_unclear`)."""
    kinds = column_kinds(table)
    names = [plain(n) for n in table.names]
    given_time = _given(table, time, "time_column")
    given_value = _given(table, value, "value_column")
    flag_at = _given(table, flag, "flag_column")
    start = end = date = clock = None
    at = given_time
    if at is None:
        start = _find(names, kinds, _START_NAMES, ("time",))
        end = _find(names, kinds, _END_NAMES, ("time", "clock"), without=(start,))
        at = start if start is not None else _find(names, kinds, _TIME_NAMES, ("time",))
        if at is None and end is not None and kinds[end] == "time":
            at = end
        if at is None:
            timed = [i for i, k in enumerate(kinds) if k == "time"]
            at = timed[0] if timed else None
    if at is None:
        raise unclear(table, "no column holds times", "time_column")
    if end is not None and (end == at or kinds[end] == "clock"):
        end = None
    clocks = [i for i, k in enumerate(kinds) if k == "clock" and i != at]
    if clocks and _days_only(table, at):
        named = [i for i in clocks if names[i] in _CLOCK_NAMES + _START_NAMES]
        date, clock, at = at, (named or clocks)[0], None
    if flag_at is None:
        flag_at = _find(names, kinds, _FLAG_NAMES, ("text", "number", "empty"))
        if flag_at is not None and kinds[flag_at] == "number" and given_value is None:
            numeric = [i for i, k in enumerate(kinds) if k == "number" and i != flag_at]
            flag_at = flag_at if numeric else None
    taken = (at, date, clock, start, end, flag_at)
    value_at = given_value
    if value_at is None:
        value_at = _value_column(table, names, kinds, taken, unit, key)
    return Roles(time=at, date=date, clock=clock, end=end, value=value_at, flag=flag_at)


def bill_roles(table: Table, *, value: str | None, flag: str | None, unit: str) -> Roles:
    """Roles in a table with one row a bill (ReadingsError `columns_unclear`)."""
    kinds = column_kinds(table)
    names = [plain(n) for n in table.names]
    timed = [i for i, k in enumerate(kinds) if k == "time"]
    start = _find(names, kinds, _START_NAMES, ("time",))
    end = _find(names, kinds, _END_NAMES, ("time",), without=(start,))
    if start is None and end is None and len(timed) >= 2:
        start, end = timed[:2]
    elif start is None and end is not None:
        start = next((i for i in timed if i != end), None)
    elif end is None and start is not None:
        end = next((i for i in timed if i != start), None)
    if start is None or end is None:
        raise unclear(table, "a bill table needs a start and an end date", "columns start, end")
    flag_at = _given(table, flag, "flag_column")
    if flag_at is None:
        flag_at = _find(names, kinds, _FLAG_NAMES, ("text", "empty"))
    demand = _find(names, kinds, _DEMAND_NAMES, ("number", "empty"))
    given = _given(table, value, "value_column")
    cost_names = [n for n in _COST_NAMES if n != "amount"]
    cost = _find(names, kinds, cost_names, ("number", "empty"), without=(given,))
    taken = (start, end, flag_at, demand, cost)
    value_at = given
    if value_at is None:
        value_at = _value_column(table, names, kinds, taken, unit, "")
    if cost is None:
        cost = _find(names, kinds, ["amount"], ("number",), without=(value_at,))
    return Roles(start=start, end=end, value=value_at, flag=flag_at, demand=demand, cost=cost)


def temperature_roles(table: Table, *, time: str | None, value: str | None) -> Roles:
    """Roles in a table of temperatures (ReadingsError `columns_unclear`)."""
    names = [plain(n) for n in table.names]
    if value is None:
        found = next((i for w in _TEMPERATURE_NAMES for i, n in enumerate(names) if n == w), None)
        value = table.names[found] if found is not None else None
    return interval_roles(table, time=time, value=value, flag=None, unit="degC", key="")


def column_kinds(table: Table) -> list[str]:
    """What most filled cells of each column look like: time, clock, number, text, empty."""
    kinds = []
    step = max(1, len(table) // SAMPLE_ROWS)
    for column in table.columns:
        if not pa.types.is_string(column.type):
            kinds.append(_typed_kind(column.type))
            continue
        cells = [c for c in column[::step].to_pylist()[:SAMPLE_ROWS] if c and c.strip()]
        if not cells:
            kinds.append("empty")
            continue
        found = Counter(looks_like(c) for c in cells)
        kinds.append(max(found, key=found.get))
    return kinds


def unclear(table: Table, what: str, setting: str) -> ReadingsError:
    """The refusal of a table whose columns can't be told apart."""
    listed = ", ".join(repr(n) for n in table.names[:12])
    return ReadingsError(
        Finding(
            "columns_unclear",
            f"{what}. The columns are {listed}. Name the right one in meters.csv ({setting}).",
            file=table.file,
        )
    )


def _typed_kind(kind: pa.DataType) -> str:
    if pa.types.is_timestamp(kind) or pa.types.is_date(kind):
        return "time"
    if pa.types.is_time(kind):
        return "clock"
    if pa.types.is_null(kind):
        return "empty"
    if pa.types.is_integer(kind) or pa.types.is_floating(kind) or pa.types.is_decimal(kind):
        return "number"
    return "text"


def _given(table: Table, name: str | None, setting: str) -> int | None:
    if not name:
        return None
    for i, column in enumerate(table.names):
        if column.strip() == name.strip():
            return i
    for i, column in enumerate(table.names):
        if plain(column) == plain(name):
            return i
    raise unclear(table, f"there is no column {name!r}", setting)


def _find(names, kinds, wanted, allowed, without=()) -> int | None:
    for word in wanted:
        for i, name in enumerate(names):
            if name == word and kinds[i] in allowed and i not in without:
                return i
    return None


def _days_only(table: Table, at: int) -> bool:
    column = table.columns[at]
    if not pa.types.is_string(column.type):
        return pa.types.is_date(column.type)
    cells = [c for c in column[:SAMPLE_ROWS].to_pylist() if c]
    return bool(cells) and not any(":" in c for c in cells)


def _value_column(table: Table, names, kinds, taken, unit: str, key: str) -> int:
    numeric = [i for i, k in enumerate(kinds) if k == "number" and i not in taken]
    if len(numeric) == 1:
        return numeric[0]
    if not numeric:
        raise unclear(table, "no column holds numbers", "value_column")
    for i in numeric:
        if key and table.names[i].strip() == key:
            return i
    for word in [plain(unit), *_VALUE_NAMES]:
        matches = [i for i in numeric if names[i] == word]
        if len(matches) == 1:
            return matches[0]
    matches = [i for i in numeric if plain(unit) and names[i].endswith(plain(unit))]
    if len(matches) == 1:
        return matches[0]
    raise unclear(table, f"{len(numeric)} columns hold numbers", "value_column")
