"""Which columns of a table are times, values, flags?

Headers settle it where they can, the cells where headers are silent, and a meter's own row
(`time_column`, `value_column` ...) before either.  What stays unclear is refused with the
columns listed.
"""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass

import pyarrow as pa
import pyarrow.compute as pc

from mv.findings import Finding, ReadingsError
from mv.readings import headings
from mv.readings.dates import month_of
from mv.readings.headings import plain
from mv.readings.table import Table, looks_like

SAMPLE_ROWS = 60
SERIALS = (30_000, 80_000)
"""Days from 30 December 1899 that a reading may be of: 1982 to 2119."""


@dataclass(frozen=True)
class Roles:
    """Index of the column that plays each part; None where there is none."""

    time: int | None = None
    date: int | None = None
    clock: int | None = None
    start: int | None = None
    end: int | None = None
    month: int | None = None
    year: int | None = None
    days: int | None = None
    value: int | None = None
    flag: int | None = None
    demand: int | None = None
    cost: int | None = None
    marks: str | None = None
    """`start` or `end` where the header of the time column says which it is."""
    utc: bool = False
    """Whether the header of the time column says UTC."""


def interval_roles(
    table: Table, *, time: str | None, value: str | None, flag: str | None, unit: str, key: str
) -> Roles:
    """Roles in a table with one row an interval (ReadingsError `columns_unclear`)."""
    kinds = column_kinds(table)
    names = [plain(n) for n in table.names]
    given_time = _given(table, time, "time_column")
    given_value = _given(table, value, "value_column")
    flag_at = _given(table, flag, "flag_column")
    date = clock = None
    at = given_time
    if at is None:
        for words in (headings.UTC, headings.START, headings.TIME, headings.END, headings.DATE):
            at = _find(names, kinds, words, ("time",))
            if at is not None:
                break
        else:
            at = next((i for i, k in enumerate(kinds) if k == "time"), None)
    if at is None:
        at = _serials(table, names, kinds)
    if at is None:
        raise unclear(table, "no column holds times", "time_column")
    marks = headings.marks(names[at])
    clocks = [i for i, k in enumerate(kinds) if k == "clock" and i != at]
    if clocks and days_only(table, at):
        starts = [i for i in clocks if headings.marks(names[i]) == "start"]
        date, clock, at = at, (starts or clocks)[0], None
        marks = headings.marks(names[clock])
    if flag_at is None:
        flag_at = _find(names, kinds, headings.FLAG, ("text", "number", "empty"))
        if flag_at is not None and kinds[flag_at] == "number" and given_value is None:
            numeric = [i for i, k in enumerate(kinds) if k == "number" and i != flag_at]
            flag_at = flag_at if numeric else None
    taken = (at, date, clock, flag_at)
    value_at = given_value
    if value_at is None:
        value_at = _value_column(table, names, kinds, taken, unit, key)
    head = names[at if at is not None else clock]
    return Roles(
        time=at,
        date=date,
        clock=clock,
        value=value_at,
        flag=flag_at,
        marks=marks,
        utc="utc" in head or "gmt" in head,
    )


def bill_roles(table: Table, *, value: str | None, flag: str | None, unit: str) -> Roles:
    """Roles in a table with one row a bill (ReadingsError `columns_unclear`).

    Either `start` and `end` are found, or `end` alone (read dates, perhaps with `days`), or
    `month`, perhaps with `year`.
    """
    kinds = column_kinds(table)
    names = [plain(n) for n in table.names]
    timed = [i for i, k in enumerate(kinds) if k == "time"]
    given = _given(table, value, "value_column")
    month = year = days = None
    start = _find(names, kinds, headings.START, ("time",))
    end = _find(names, kinds, headings.END, ("time",), without=(start,))
    if start is None and end is None and len(timed) >= 2:
        start, end = timed[:2]
    elif start is None and end is not None:
        start = next((i for i in timed if i != end), None)
    elif end is None and start is not None:
        end = next((i for i in timed if i != start), None)
        if end is None:
            start, end = None, start
    if start is None:
        month = _find(names, kinds, headings.MONTH, ("time", "text", "number"))
        year = _find(names, kinds, headings.YEAR, ("number", "text"))
        if month is not None and kinds[month] == "time" and not _months_only(table, month):
            end, month = month, None
        if month is not None:
            end = None
        elif end is None:
            end = timed[0] if timed else None
            if end is not None and _months_only(table, end):
                month, end = end, None
        if end is not None:
            days = _find(names, kinds, ("days", "billdays", "numberofdays", "tage"), ("number",))
        if month is None and end is None:
            raise unclear(table, "a bill table needs dates", "columns start and end")
    flag_at = _given(table, flag, "flag_column")
    if flag_at is None:
        flag_at = _find(names, kinds, headings.FLAG, ("text", "empty"))
    demand = _find(names, kinds, headings.DEMAND, ("number", "empty"), without=(given,))
    cost = _find(names, kinds, headings.COST, ("number", "empty"), without=(given,))
    taken = (start, end, month, year, days, flag_at, demand, cost)
    value_at = given
    if value_at is None:
        value_at = _value_column(table, names, kinds, taken, unit, "")
    if cost is None:
        cost = _find(names, kinds, ["amount"], ("number",), without=(value_at,))
    return Roles(
        start=start,
        end=end,
        month=month,
        year=year,
        days=days,
        value=value_at,
        flag=flag_at,
        demand=demand,
        cost=cost,
    )


def _months_only(table: Table, at: int) -> bool:
    """Whether the cells name months and no days, such as 2023-01 or Jan 2023."""
    if not is_text(table.columns[at]):
        return False
    cells = [c for c in table.columns[at][:SAMPLE_ROWS].to_pylist() if c and c.strip()]
    return bool(cells) and sum(month_of(c) is not None for c in cells) > len(cells) / 2


def column_kinds(table: Table) -> list[str]:
    """What most filled cells of each column look like: time, clock, number, text, empty."""
    kinds = []
    step = max(1, len(table) // SAMPLE_ROWS)
    places = pa.array(range(0, len(table), step)[:SAMPLE_ROWS], pa.int64())
    for column in table.columns:
        if not pa.types.is_string(column.type):
            kinds.append(_typed_kind(column.type))
            continue
        cells = [c for c in column.take(places).to_pylist() if c and c.strip()]
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


def is_text(column: pa.Array) -> bool:
    """Whether a column holds text as written."""
    return pa.types.is_string(column.type)


def as_text(column: pa.Array) -> pa.Array:
    """A column as text (numbers as their shortest form); empty text for nothing."""
    if not is_text(column):
        if pa.types.is_floating(column.type):
            whole = pc.all(pc.equal(pc.floor(column), column)).as_py()
            column = pc.cast(column, pa.int64()) if whole else column
        column = pc.cast(column, pa.string())
    return pc.fill_null(column, "")


def days_only(table: Table, at: int) -> bool:
    """Whether a column of times holds days without a clock."""
    column = table.columns[at]
    if not is_text(column):
        if pa.types.is_timestamp(column.type):
            some = pc.cast(column[:SAMPLE_ROWS], pa.timestamp("us", column.type.tz), safe=False)
            micro = pc.drop_null(pc.cast(some, pa.int64())).to_numpy()
            return bool(len(micro)) and not (micro % 86_400_000_000).any()
        return pa.types.is_date(column.type)
    cells = [c for c in column[:SAMPLE_ROWS].to_pylist() if c]
    return bool(cells) and not any(":" in c for c in cells)


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


def _serials(table: Table, names: list[str], kinds: list[str]) -> int | None:
    """A column of spreadsheet serials (45000.25), headed as times are."""
    for words in (headings.UTC, headings.START, headings.TIME, headings.END, headings.DATE):
        at = _find(names, kinds, words, ("number",))
        if at is not None:
            cells = [_number(c) for c in table.columns[at][:SAMPLE_ROWS].to_pylist()]
            if cells and all(SERIALS[0] < c < SERIALS[1] for c in cells):
                return at
    return None


def _number(cell) -> float:
    try:
        return float(cell)
    except (TypeError, ValueError):
        return float("nan")


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


def _value_column(table: Table, names, kinds, taken, unit: str, key: str) -> int:
    numeric = [i for i, k in enumerate(kinds) if k == "number" and i not in taken]
    if len(numeric) == 1:
        return numeric[0]
    if not numeric:
        raise unclear(table, "no column holds numbers", "value_column")
    for i in numeric:
        if key and table.names[i].strip() == key:
            return i
    for word in [plain(unit), *headings.VALUE]:
        matches = [i for i in numeric if names[i] == word]
        if len(matches) == 1:
            return matches[0]
    matches = [i for i in numeric if plain(unit) and names[i].endswith(plain(unit))]
    if len(matches) == 1:
        return matches[0]
    raise unclear(table, f"{len(numeric)} columns hold numbers", "value_column")
