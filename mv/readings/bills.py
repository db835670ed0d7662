"""Which bills can be compared: once each, in order, from one actual read to the next?

A bill runs from one read date to the next: the end day is the day of the read and starts the
next period, so ends are exclusive.  Bills are settled in this order: cancelled ones, repeats and
corrections, ends written inclusive, overlaps, estimated reads joined with the next actual one
(Uniform Methods Project chapter 8, from memory), periods too short or too long, gaps.
"""

from __future__ import annotations

import datetime as dt
from bisect import bisect_left, bisect_right
from collections import defaultdict
from dataclasses import dataclass, field, replace
from itertools import pairwise

import numpy as np

from mv.findings import Finding, ReadingsError, counted
from mv.portfolio.schema import Limits, Meter
from mv.readings.bill_table import Bill, BillLedger, bills_of
from mv.readings.series import ESTIMATED, MEASURED, BilledUse
from mv.readings.table import Table

STEADY = 0.8
"""Share of neighbouring bills that must show one-day gaps for their ends to be inclusive."""
LONG_BY_HABIT = 1.5
"""A meter billed by the quarter has long bills; those over this multiple of its median are long."""
JOINED_MOST = 130
"""Days that a bill joined of estimates may cover (common practice, no source)."""
SAME_SEASON = 20
"""Days by which the starts of two bills may differ from a year for one season (common practice,
no source)."""
STEP_RATIO = 1.7
"""Use per day against the same season a year before that makes one ask whether meters were
merged or split (common practice, no source)."""


@dataclass
class Bills:
    """Bills in order, with what became of every row."""

    series: BilledUse
    rows_read: int
    rows_used: int
    excluded: dict[str, int]
    findings: list[Finding]
    coverage: float
    energy: dict[str, float] = field(default_factory=dict)


def read_bills(
    table: Table, meter: Meter, scale: float, limits: Limits, *, signed: bool = False
) -> Bills:
    """Read a bill table; energies are the file's values × `scale`.

    Raises ReadingsError when columns or dates can't be told or bills of several meters are mixed.
    """
    ledger = bills_of(table, meter)
    settle(ledger, limits, signed=signed)
    if not ledger.bills:
        raise ReadingsError(
            Finding("file_empty", "no row of the file is a bill with dates and use.")
        )
    bills = ledger.bills
    energy = np.array([b.value for b in bills]) * scale
    series = BilledUse(
        start=np.array([b.start for b in bills], dtype="datetime64[D]"),
        end=np.array([b.end for b in bills], dtype="datetime64[D]"),
        energy=energy,
        flags=np.array([ESTIMATED if b.estimated else MEASURED for b in bills], dtype=np.int8),
        # an estimated demand is no demand
        demand=np.array([np.nan if b.estimated else b.demand for b in bills]),
        cost=np.array([b.cost for b in bills]),
    )
    return Bills(
        series,
        ledger.read,
        sum(b.rows for b in bills),
        ledger.excluded,
        ledger.findings,
        sum(b.days for b in bills) / (bills[-1].end - bills[0].start),
        {"used": float(energy.sum())}
        | {rule: value * scale for rule, value in ledger.lost.items()},
    )


def settle(ledger: BillLedger, limits: Limits, *, signed: bool) -> None:
    """Bring bills into order; every one stays, joins another or leaves under a rule."""
    leave_impossible(ledger)
    leave_cancelled(ledger)
    settle_repeats(ledger)
    ledger.bills.sort(key=lambda b: (b.start, b.end))
    move_inclusive_ends(ledger)
    leave_overlaps(ledger)
    if not signed:
        negative = [b for b in ledger.bills if b.value < 0]
        ledger.leave(negative, "bill_negative", "{n} bill[|s] ha[s|ve] a use below zero.")
    join_estimated(ledger)
    join_short(ledger, limits)
    leave_long(ledger, limits)
    tell_gaps(ledger)
    tell_calendar_months(ledger)
    tell_step(ledger)
    left = [b for b in ledger.bills if b.estimated]
    if left:
        ledger.tell(
            "readings_estimated",
            counted(
                "{n} [bill is estimated and no actual read follows; it is|bills are estimated and "
                "no actual read follows; they are] used.",
                len(left),
            ),
            line=left[0].line,
            count=len(left),
        )


def leave_impossible(ledger: BillLedger) -> None:
    """Bills that end on or before their first day."""
    ledger.leave(
        [b for b in ledger.bills if b.end <= b.start],
        "bill_dates_impossible",
        "{n} bill[|s] end[s|] on or before [its|their] first day.",
    )


def leave_cancelled(ledger: BillLedger) -> None:
    """Bills flagged as cancelled, and pairs for the same days that cancel each other."""
    gone = [b for b in ledger.bills if b.cancelled]
    waiting = defaultdict(list)
    for bill in ledger.bills:
        if bill.cancelled or not bill.value:
            continue
        opposite = waiting[bill.start, bill.end, -bill.value]
        if opposite:
            gone += [opposite.pop(), bill]
        else:
            waiting[bill.start, bill.end, bill.value].append(bill)
    gone.sort(key=lambda b: b.line)
    ledger.leave(
        gone,
        "bill_cancelled",
        "{n} bill[|s] [was|were] cancelled or cancel[s|] another.",
    )


def settle_repeats(ledger: BillLedger) -> None:
    """Bills for the same days: equal ones count once; a correction or an actual read replaces
    what it corrects; others contradict each other and none counts.

    Raises ReadingsError when almost every period is billed more than once.
    """
    groups = defaultdict(list)
    for bill in ledger.bills:
        groups[bill.start, bill.end].append(bill)
    several = [g for g in groups.values() if len(g) > 1]
    if len(groups) > 3 and len(several) > 0.8 * len(groups):
        raise ReadingsError(
            Finding(
                "duplicates_contradict",
                "almost every period is billed more than once: the file seems to hold several "
                "meters. Name the column that tells them apart (meter_column).",
                line=several[0][1].line,
                count=sum(map(len, several)),
            )
        )
    equal, superseded, unclear = [], [], []
    for group in several:
        kept = []
        for bill in group:
            if any(b.value == bill.value for b in kept):
                equal.append(bill)
            else:
                kept.append(bill)
        if len(kept) == 1:
            continue
        best = [b for b in kept if b.corrected] or [b for b in kept if not b.estimated]
        if len(best) == 1 or (best and best[0].corrected):
            superseded += [b for b in kept if b is not best[-1]]
        else:
            unclear += kept
    ledger.leave(equal, "duplicate_equal", "{n} bill[|s] repeat[s|] another; each counts once.")
    ledger.leave(
        superseded,
        "bill_superseded",
        "{n} bill[|s] [was|were] replaced by a correction or an actual read.",
    )
    ledger.leave(
        unclear,
        "bill_overlap",
        "{n} bill[|s] give[s|] different uses for the same days; none was used.",
    )


def move_inclusive_ends(ledger: BillLedger) -> None:
    """Ends the day before the next start, steadily, or month ends: the last day was written."""
    bills = ledger.bills
    gaps = [b.start - a.end for a, b in pairwise(bills)]
    inclusive = len(gaps) >= 2 and sum(g == 1 for g in gaps) >= STEADY * len(gaps)
    inclusive = inclusive or _whole_months(bills, 1)
    if not inclusive:
        return
    for bill in bills:
        bill.end += 1
    ledger.tell(
        "bill_dates_inclusive",
        "bills end the day before the next one begins; ends were read as last days, inclusive.",
        count=len(bills),
    )


def leave_overlaps(ledger: BillLedger) -> None:
    """A correction that covers earlier bills replaces them; other overlaps all leave."""
    bills = ledger.bills
    superseded = []
    for bill in bills:
        if bill.corrected:
            inside = [
                b
                for b in bills
                if b is not bill and not b.corrected and b.start >= bill.start and b.end <= bill.end
            ]
            superseded += [b for b in inside if b not in superseded]
    ledger.leave(
        superseded,
        "bill_superseded",
        "{n} bill[|s] [was|were] replaced by a correction that covers [it|them].",
    )
    overlapping = set()
    furthest: Bill | None = None
    for bill in ledger.bills:
        if furthest is not None and bill.start < furthest.end:
            overlapping |= {id(furthest), id(bill)}
        if furthest is None or bill.end > furthest.end:
            furthest = bill
    ledger.leave(
        [b for b in ledger.bills if id(b) in overlapping],
        "bill_overlap",
        "{n} bill[|s] cover[s|] days that another covers too; none of them was used.",
    )


def join_estimated(ledger: BillLedger) -> None:
    """Estimated bills and the next actual one become one bill: their sum is right, its split
    is not.  An estimated demand is not kept."""
    out: list[Bill] = []
    joined = 0
    first_line = None
    for bill in ledger.bills:
        last = out[-1] if out else None
        if last is not None and last.estimated and last.end == bill.start:
            joined += 1
            first_line = first_line or last.line
            out[-1] = _joined(last, bill, demand=bill.demand if not bill.estimated else np.nan)
        else:
            out.append(bill)
    ledger.bills = out
    if joined:
        ledger.tell(
            "bills_estimated_joined",
            counted(
                "{n} estimated [bill was joined with the bill after it|bills were joined with the "
                "bills after them], up to the next actual read.",
                joined,
            ),
            line=first_line,
            count=joined,
        )


def join_short(ledger: BillLedger, limits: Limits) -> None:
    """Bills under `bill_days_short` join the next that touches them, else the one before."""
    out: list[Bill] = []
    count, line = 0, None
    bills = ledger.bills
    for i, bill in enumerate(bills):
        last = out[-1] if out else None
        touching = last is not None and last.end == bill.start
        alone = i + 1 == len(bills) or bills[i + 1].start != bill.end
        short = bill.days < limits.bill_days_short and alone
        if touching and (last.days < limits.bill_days_short or short):
            out[-1] = _joined(last, bill, demand=np.fmax(last.demand, bill.demand))
            count, line = count + 1, line or bill.line
        else:
            out.append(bill)
    ledger.bills = out
    if count:
        ledger.tell(
            "bills_short_joined",
            counted(
                f"{{n}} bill[|s] of less than {limits.bill_days_short:g} days [was joined with "
                "its neighbour|were joined with their neighbours].",
                count,
            ),
            line=line,
            count=count,
        )
    ledger.leave(
        [b for b in ledger.bills if b.days < limits.bill_days_short],
        "bill_short",
        f"{{n}} [bill of less than {limits.bill_days_short:g} days touches|bills of less than "
        f"{limits.bill_days_short:g} days touch] no other.",
    )


def leave_long(ledger: BillLedger, limits: Limits) -> None:
    """Bills over `bill_days_long`, or over 1.5 times the habit of a meter billed more rarely."""
    if all(b.days <= limits.bill_days_long for b in ledger.bills):
        return
    habit = LONG_BY_HABIT * float(np.median([b.days for b in ledger.bills if not b.joined] or [0]))
    limit = max(limits.bill_days_long, habit)
    ledger.leave(
        [b for b in ledger.bills if b.days > (max(limit, JOINED_MOST) if b.joined else limit)],
        "bill_long",
        f"{{n}} bill[|s] cover[s|] more than {limit:g} days.",
    )


def tell_gaps(ledger: BillLedger) -> None:
    """Days between bills that none covers."""
    gaps = [(a, b.start - a.end) for a, b in pairwise(ledger.bills) if b.start > a.end]
    if gaps:
        days = sum(d for _, d in gaps)
        where = counted("{n} gap[|s] between bills", len(gaps))
        ledger.tell(
            "bill_gap",
            counted(
                f"{{n}} [day in {where} is covered by none; nothing was put in its|days in {where} "
                "are covered by none; nothing was put in their] place.",
                days,
            ),
            line=gaps[0][0].line,
            count=days,
        )


def tell_calendar_months(ledger: BillLedger) -> None:
    """All bills are whole calendar months: perhaps not read on those days."""
    if any(f.rule == "bill_months_assumed" for f in ledger.findings):
        return
    if len(ledger.bills) >= 6 and _whole_months(ledger.bills, 0):
        ledger.tell(
            "bill_calendar_months",
            "all bills are whole calendar months, on whose ends meters are rarely read: weather "
            "may be matched a few days off.",
            count=len(ledger.bills),
        )


def tell_step(ledger: BillLedger) -> None:
    """Use per day against the same season a year before steps far up or down and stays."""
    starts = [b.start for b in ledger.bills]
    rates = [b.value / b.days for b in ledger.bills]
    ratios = []
    for bill, rate in zip(ledger.bills, rates, strict=True):
        season = slice(
            bisect_left(starts, bill.start - 365 - SAME_SEASON),
            bisect_right(starts, bill.start - 365 + SAME_SEASON),
        )
        same = next((r for r in rates[season] if r > 0), None)
        if same is not None:
            ratios.append((bill, rate / same))
    for i in range(3, len(ratios) - 2):
        before = [r for _, r in ratios[i - 3 : i]]
        after = [r for _, r in ratios[i : i + 3]]
        calm = all(1 / 1.3 < r < 1.3 for r in before)
        if calm and (min(after) > STEP_RATIO or max(after) < 1 / STEP_RATIO):
            ledger.tell(
                "bill_step",
                f"from the bill of line {ratios[i][0].line} on, use per day is "
                f"{np.median(after):.2g} times the year before. Were meters merged or split?",
                line=ratios[i][0].line,
                count=1,
            )
            return


def _joined(a: Bill, b: Bill, demand: float) -> Bill:
    return replace(
        a,
        end=b.end,
        value=a.value + b.value,
        cost=a.cost + b.cost,
        demand=float(demand),
        estimated=b.estimated,
        rows=a.rows + b.rows,
        joined=True,
    )


def _whole_months(bills: list[Bill], inclusive: int) -> bool:
    """Whether there are bills, and each is a calendar month; `inclusive` days are added to ends."""
    return bool(bills) and all(
        (month := _months_at(b.start)) is not None and _months_at(b.end + inclusive) == month + 1
        for b in bills
    )


def _months_at(day: int) -> int | None:
    """Months before a day that begins one; None for other days.  Days since 1970."""
    date = dt.date(1970, 1, 1) + dt.timedelta(days=day)
    return 12 * date.year + date.month if date.day == 1 else None
