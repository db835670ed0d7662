"""Which rows of a table are bills, and from which day to which do they run?

Three forms are known: a start and an end; read dates alone, each ending the period that began
with the one before (or `days` before); months without read dates, taken as calendar months and
told.  Rows that are no bill leave under a rule: charges, unreadable or impossible dates, no use.
"""

from __future__ import annotations

import datetime as dt
import re
from dataclasses import dataclass, field
from itertools import pairwise

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

from mv.findings import Finding, ReadingsError, counted
from mv.portfolio.schema import Meter
from mv.readings import dates, flags, headings, shape
from mv.readings.number_text import to_numbers
from mv.readings.rows import UNREADABLE_FEW, blank_rows
from mv.readings.table import TIME_LIKE, Table

_MONEY = re.compile(r"[$€£]|\b(?:USD|EUR|GBP)\b")


@dataclass
class Bill:
    """One bill: `start` and exclusive `end` in days since 1970, use in the file's unit."""

    start: int
    end: int
    value: float
    line: int
    estimated: bool = False
    corrected: bool = False
    cancelled: bool = False
    demand: float = float("nan")
    cost: float = float("nan")
    rows: int = 1
    """Rows of the file it is made of."""
    joined: bool = False

    @property
    def days(self) -> int:
        """Days it covers."""
        return self.end - self.start


@dataclass
class BillLedger:
    """Bills on their way, with what left, by rule: rows in `excluded`, use in `lost`."""

    file: str
    bills: list[Bill]
    read: int
    excluded: dict[str, int] = field(default_factory=dict)
    lost: dict[str, float] = field(default_factory=dict)
    findings: list[Finding] = field(default_factory=list)
    open_first: int | None = None
    """Index of a first row that no read date comes before; counted already."""

    def leave(self, gone: list[Bill], rule: str, message: str) -> None:
        """Take bills out under `rule`; `message` as `counted` takes it."""
        if not gone:
            return
        rows = sum(b.rows for b in gone)
        self.tell(rule, counted(message, len(gone)), line=gone[0].line, count=rows)
        self.excluded[rule] = self.excluded.get(rule, 0) + rows
        self.lost[rule] = self.lost.get(rule, 0.0) + sum(b.value for b in gone)
        out = {id(b) for b in gone}
        self.bills = [b for b in self.bills if id(b) not in out]

    def tell(self, rule: str, message: str, **place) -> None:
        """Add a finding on this file."""
        self.findings.append(Finding(rule, message, file=self.file, **place))


def bills_of(table: Table, meter: Meter) -> BillLedger:
    """The bills of a table, unsorted (ReadingsError when columns or dates can't be told)."""
    roles = shape.bill_roles(
        table, value=meter.value_column, flag=meter.flag_column, unit=meter.unit
    )
    n = len(table)
    value_text = shape.as_text(table.columns[roles.value])
    values, empty, unreadable, _ = to_numbers(table.columns[roles.value], table.separator)
    blank = blank_rows(table) if empty.any() else np.zeros(n, dtype=bool)
    ledger = BillLedger(table.file, [], int(n - blank.sum()) + table.malformed)
    ledger.findings.extend(table.findings)
    if table.malformed:
        ledger.excluded["row_malformed"] = table.malformed
    fee = _fees(table, roles, value_text)
    values = np.where(fee, np.nan, values)  # money is no use
    start, end, dated, datelike = _periods(table, roles, meter, ledger)
    _leave_rows(table, ledger, blank, fee, values, empty, unreadable, dated, datelike)
    whole = ~blank & dated & np.isfinite(values)
    extra = {
        name: to_numbers(table.columns[at], table.separator)[0]
        if at is not None
        else np.full(n, np.nan)
        for name, at in (("demand", roles.demand), ("cost", roles.cost))
    }
    marks = dict.fromkeys(("estimated", "corrected", "cancelled"), np.zeros(n, dtype=bool))
    if roles.flag is not None:
        words = shape.as_text(table.columns[roles.flag])
        marks = {
            "estimated": flags.is_estimated(words),
            "corrected": flags.is_corrected(words),
            "cancelled": flags.is_cancelled(words),
        }
    # In the order of the fields of a bill.
    columns = (start, end, values, table.lines, *marks.values(), *extra.values())
    cells = zip(*(column[whole].tolist() for column in columns), strict=True)
    ledger.bills += [Bill(*row) for row in cells]
    if meter.register_values:
        _difference(ledger)
    return ledger


def _periods(table: Table, roles: shape.Roles, meter: Meter, ledger: BillLedger):
    """Start and end day of each row, whether they were read, whether they look like dates."""

    if roles.month is not None:
        return _months(table, roles, ledger)
    if roles.start is not None:
        start, end = _both_times(table, (roles.start, roles.end), meter.day_first)
        both = start.readable & end.readable
        like = both
        if not both.all():
            like = _datelike(table.columns[roles.start]) & _datelike(table.columns[roles.end])
        return start.seconds // dates.DAY, end.seconds // dates.DAY, both, like
    times = _times(table, roles.end, meter.day_first)
    end, good = times.seconds // dates.DAY, times.readable
    like = good if good.all() and roles.days is None else _datelike(table.columns[roles.end])
    if good.sum() > 1 and _first_days(end[good]):
        ledger.tell(
            "bill_months_assumed",
            "the only date of each bill is the first of a month; calendar months that begin on "
            "it are assumed. Give read dates if there are any.",
            count=int(good.sum()),
        )
        return end, _next_month(end), good, like
    if roles.days is not None:
        days, _, _, _ = to_numbers(table.columns[roles.days], table.separator)
        known = np.isfinite(days) & (days > 0) & (days < 1000)
        return end - np.where(known, days, 0).astype(np.int64), end, good & known, like
    start = np.zeros(len(end), dtype=np.int64)
    order = np.flatnonzero(good)[np.argsort(end[good], kind="stable")]
    start[order[1:]] = end[order[:-1]]
    first = order[:1]
    if len(first) and not meter.register_values:
        ledger.excluded["bill_start_unknown"] = 1
        ledger.tell(
            "bill_start_unknown",
            "each bill runs from the read date before it; the first has none and was left out.",
            line=int(table.lines[first[0]]),
            count=1,
        )
        value = to_numbers(table.columns[roles.value], table.separator)[0][first[0]]
        ledger.lost["bill_start_unknown"] = float(np.nan_to_num(value))
        good = good.copy()
        good[first] = False
        like = like.copy()
        like[first] = True
        ledger.open_first = int(first[0])
    return start, end, good, like


def _datelike(column: pa.Array) -> np.ndarray:
    """Which cells look like dates, whether or not a calendar has them."""
    cells = shape.as_text(column).to_pylist()
    return np.array([bool(TIME_LIKE.match(c)) for c in cells], dtype=bool)


def _times(table: Table, at: int, day_first: bool | None) -> dates.Times:
    return dates.to_times(
        table.columns[at],
        file=table.file,
        name=table.names[at],
        day_first=day_first,
        lines=table.lines,
    )


def _both_times(
    table: Table, columns: tuple[int, int], day_first: bool | None
) -> tuple[dates.Times, dates.Times]:
    """Times of two columns.  One of them may show whether the day comes first where the other
    doesn't."""
    if day_first is None:
        alone: list[dates.Times] = []
        for at in columns:
            try:
                alone.append(_times(table, at, None))
            except ReadingsError:
                continue
        told = [t.form for t in alone if t.form in ("day first", "month first")]
        if not told and len(alone) == 2:
            return alone[0], alone[1]
        day_first = told[0] == "day first" if told else None
    return _times(table, columns[0], day_first), _times(table, columns[1], day_first)


def _months(table: Table, roles: shape.Roles, ledger: BillLedger):
    """Calendar months from a month column, or a year and a month column."""
    month = shape.as_text(table.columns[roles.month]).to_pylist()
    years = [""] * len(month)
    if roles.year is not None:
        years = shape.as_text(table.columns[roles.year]).to_pylist()
    start = np.zeros(len(month), dtype=np.int64)
    good = np.zeros(len(month), dtype=bool)
    for i, (word, year) in enumerate(zip(month, years, strict=True)):
        day = dates.month_of(word, year)
        if day is not None:
            start[i], good[i] = (day - dt.date(1970, 1, 1)).days, True
    ledger.tell(
        "bill_months_assumed",
        "bills name months without read dates; calendar months are assumed. Give read dates if "
        "there are any.",
        count=int(good.sum()),
    )
    return start, _next_month(start), good, good


def _leave_rows(table, ledger, blank, fee, values, empty, unreadable, dated, datelike) -> None:
    """Count rows that are no bills under their rules; refuse a file of nothing else."""
    gone = blank.copy()
    if ledger.open_first is not None:
        gone[ledger.open_first] = True
    for mask, rule, message in (
        (
            ~dated & datelike,
            "bill_dates_impossible",
            "{n} bill[|s] ha[s|ve] a date that no calendar has.",
        ),
        (
            ~dated,
            "time_unreadable",
            "{n} row[|s] ha[s|ve] no date that can be read (totals, remarks?).",
        ),
        (fee, "bill_fee", "{n} [row is a charge|rows are charges] and no use."),
        (unreadable, "value_unreadable", "{n} bill[|s] ha[s|ve] a use that is not a number."),
        (empty, "value_empty", "{n} bill[|s] ha[s|ve] dates and no use."),
    ):
        left = mask & ~gone
        count = int(left.sum())
        if not count:
            continue
        at = int(np.flatnonzero(left)[0])
        if rule in ("time_unreadable", "value_unreadable") and count > max(
            UNREADABLE_FEW, 0.2 * len(table)
        ):
            raise ReadingsError(
                Finding(
                    rule.replace("time_", "times_").replace("value_", "values_"),
                    f"{count} of {len(table)} bills can't be read. Name the columns in "
                    "meters.csv, or export the file again.",
                    line=int(table.lines[at]),
                    count=count,
                )
            )
        ledger.tell(rule, counted(message, count), line=int(table.lines[at]), count=count)
        ledger.excluded[rule] = ledger.excluded.get(rule, 0) + count
        ledger.lost[rule] = ledger.lost.get(rule, 0.0) + float(np.nansum(values[left]))
        gone |= left


def _fees(table: Table, roles: shape.Roles, value_text: pa.Array) -> np.ndarray:
    """Rows whose value is money, or whose description is a charge."""
    money = np.array([bool(_MONEY.search(cell)) for cell in value_text.to_pylist()], dtype=bool)
    if money.all() and len(money):
        raise ReadingsError(
            Finding(
                "values_unreadable",
                f"column {table.names[roles.value]!r} holds money and no use. Name the column of "
                "use in meters.csv (value_column).",
                line=int(table.lines[0]),
                column=table.names[roles.value],
            )
        )
    fee = money.copy()
    at = next(
        (i for i, n in enumerate(table.names) if headings.plain(n) in headings.DESCRIPTION), None
    )
    if at is not None and shape.is_text(table.columns[at]):
        words = pc.utf8_lower(shape.as_text(table.columns[at])).to_pylist()
        named = np.array(
            [any(w in text.split() for w in headings.FEE) for text in words], dtype=bool
        )
        if not named.all():
            fee |= named
    return fee


def _difference(ledger: BillLedger) -> None:
    """Use between register reads; the first read begins the count."""
    ordered = sorted(ledger.bills, key=lambda b: b.end)
    if not ordered:
        return
    ledger.excluded["register_start"] = 1
    ledger.tell("register_start", "values are register reads; the first gives no use.", count=1)
    out, fallen = [], []
    for before, bill in pairwise(ordered):
        use = bill.value - before.value
        bill_now = Bill(
            before.end, bill.end, use, bill.line, bill.estimated, cost=bill.cost, demand=bill.demand
        )
        (out if use >= 0 else fallen).append(bill_now)
    ledger.bills = out + fallen
    for bill in fallen:
        bill.value = 0.0
    ledger.leave(fallen, "register_reset", "the register falls at {n} read[|s]; use is not known.")


def _first_days(days: np.ndarray) -> bool:
    stamps = days.astype("datetime64[D]")
    return bool((stamps == stamps.astype("datetime64[M]").astype("datetime64[D]")).all())


def _next_month(days: np.ndarray) -> np.ndarray:
    months = days.astype("datetime64[D]").astype("datetime64[M]") + 1
    return months.astype("datetime64[D]").astype(np.int64)
