"""Quirks of bills."""

from __future__ import annotations

import datetime as dt
from itertools import pairwise

from tests.readings.quirks import Quirk, quirk

READS = [
    dt.date(2022, 1, 4),
    dt.date(2022, 2, 3),
    dt.date(2022, 3, 4),
    dt.date(2022, 4, 5),
    dt.date(2022, 5, 4),
    dt.date(2022, 6, 3),
    dt.date(2022, 7, 5),
]
USES = [900.0, 820.0, 790.0, 640.0, 610.0, 655.0]
EXPECTED = [(str(a), str(b), use) for a, b, use in zip(READS[:-1], READS[1:], USES, strict=True)]


def table(rows: list[tuple], head: str = "start,end,kWh") -> str:
    return head + "\n" + "\n".join(",".join(map(str, row)) for row in rows) + "\n"


@quirk
def bills_with_exclusive_ends():
    return Quirk(table(EXPECTED), EXPECTED)


@quirk
def bills_with_inclusive_ends():
    rows = [(a, dt.date.fromisoformat(b) - dt.timedelta(days=1), u) for a, b, u in EXPECTED]
    return Quirk(table(rows), EXPECTED, findings=("bill_dates_inclusive",))


@quirk
def bills_newest_first():
    return Quirk(table(EXPECTED[::-1]), EXPECTED)


@quirk
def bills_by_read_date_alone():
    rows = [(READS[0], 777.0), *((b, u) for _, b, u in EXPECTED)]
    return Quirk(table(rows, "Read date,kWh"), EXPECTED, findings=("bill_start_unknown",))


@quirk
def bills_by_read_date_and_days():
    rows = [(b, (READS[i + 1] - READS[i]).days, u) for i, (_, b, u) in enumerate(EXPECTED)]
    return Quirk(table(rows, "Read date,Days,kWh"), EXPECTED)


@quirk
def bills_by_register():
    reads = [40_000.0]
    for use in USES:
        reads.append(reads[-1] + use)
    rows = list(zip(READS, reads, strict=True))
    return Quirk(
        table(rows, "Read date,Reading"),
        EXPECTED,
        findings=("register_start",),
        meter={"register_values": True},
    )


MONTHS = [
    ("2022-01-01", "2022-02-01", 900.0),
    ("2022-02-01", "2022-03-01", 820.0),
    ("2022-03-01", "2022-04-01", 790.0),
    ("2022-04-01", "2022-05-01", 640.0),
    ("2022-05-01", "2022-06-01", 610.0),
    ("2022-06-01", "2022-07-01", 655.0),
]


@quirk
def bills_by_month():
    rows = [(a[:7], u) for a, _, u in MONTHS]
    return Quirk(table(rows, "Month,kWh"), MONTHS, findings=("bill_months_assumed",))


@quirk
def bills_by_month_name():
    rows = [(f"{dt.date.fromisoformat(a):%b %Y}", u) for a, _, u in MONTHS]
    return Quirk(table(rows, "Billing month,kWh"), MONTHS, findings=("bill_months_assumed",))


@quirk
def bills_by_year_and_month():
    rows = [(2022, i + 1, u) for i, (_, _, u) in enumerate(MONTHS)]
    return Quirk(table(rows, "Year,Month,kWh"), MONTHS, findings=("bill_months_assumed",))


@quirk
def bills_of_whole_months():
    return Quirk(table(MONTHS), MONTHS, findings=("bill_calendar_months",))


@quirk
def bills_of_whole_months_with_last_days():
    rows = [(a, dt.date.fromisoformat(b) - dt.timedelta(days=1), u) for a, b, u in MONTHS]
    return Quirk(table(rows), MONTHS, findings=("bill_dates_inclusive", "bill_calendar_months"))


@quirk
def bills_with_two_estimates():
    flags = ["actual", "estimated", "estimated", "actual", "actual", "actual"]
    rows = [(*b, f) for b, f in zip(EXPECTED, flags, strict=True)]
    joined = (EXPECTED[1][0], EXPECTED[3][1], sum(u for *_, u in EXPECTED[1:4]))
    return Quirk(
        table(rows, "start,end,kWh,read type"),
        [EXPECTED[0], joined, *EXPECTED[4:]],
        findings=("bills_estimated_joined",),
    )


@quirk
def bills_ending_with_an_estimate():
    rows = [(*b, "A") for b in EXPECTED[:-1]] + [(*EXPECTED[-1], "E")]
    return Quirk(table(rows, "start,end,kWh,flag"), EXPECTED, findings=("readings_estimated",))


@quirk
def bill_estimated_then_read():
    a, b, use = EXPECTED[2]
    rows = [(*e, "A") for e in EXPECTED]
    rows.insert(2, (a, b, use * 1.3, "E"))
    return Quirk(table(rows, "start,end,kWh,flag"), EXPECTED, findings=("bill_superseded",))


@quirk
def bill_corrected():
    a, b, use = EXPECTED[2]
    rows = [(*e, "actual") for e in EXPECTED]
    rows[2] = (a, b, use * 2, "actual")
    rows.append((a, b, use, "corrected"))
    return Quirk(table(rows, "start,end,kWh,flag"), EXPECTED, findings=("bill_superseded",))


@quirk
def two_bills_corrected_by_one():
    rows = [(*e, "actual") for e in EXPECTED]
    rows[1], rows[2] = (*EXPECTED[1][:2], 1.0, "actual"), (*EXPECTED[2][:2], 5000.0, "actual")
    both = (EXPECTED[1][0], EXPECTED[2][1], EXPECTED[1][2] + EXPECTED[2][2])
    rows.append((*both, "rebilled"))
    return Quirk(
        table(rows, "start,end,kWh,flag"),
        [EXPECTED[0], both, *EXPECTED[3:]],
        findings=("bill_superseded",),
    )


@quirk
def bill_cancelled_and_billed_again():
    a, b, use = EXPECTED[3]
    rows = list(EXPECTED)
    rows[3:4] = [(a, b, 9000.0), (a, b, -9000.0), (a, b, use)]
    return Quirk(table(rows), EXPECTED, findings=("bill_cancelled",))


@quirk
def bill_flagged_cancelled():
    rows = [(*e, "actual") for e in EXPECTED] + [(*EXPECTED[0][:2], 4.0, "cancelled")]
    return Quirk(table(rows, "start,end,kWh,flag"), EXPECTED, findings=("bill_cancelled",))


@quirk
def bill_printed_twice():
    return Quirk(table([*EXPECTED, EXPECTED[2]]), EXPECTED, findings=("duplicate_equal",))


@quirk
def bills_that_overlap():
    rows = list(EXPECTED)
    rows[2] = ("2022-02-20", EXPECTED[2][1], 1000.0)
    kept = [EXPECTED[0], *EXPECTED[3:]]
    return Quirk(table(rows), kept, findings=("bill_overlap", "bill_gap"))


@quirk
def bills_with_a_gap():
    kept = [*EXPECTED[:2], *EXPECTED[3:]]
    return Quirk(table(kept), kept, findings=("bill_gap",))


@quirk
def bill_of_a_few_days():
    a, b, use = EXPECTED[2]
    rows = list(EXPECTED)
    rows[2:3] = [(a, "2022-03-10", 150.0), ("2022-03-10", b, use - 150.0)]
    return Quirk(table(rows), EXPECTED, findings=("bills_short_joined",))


@quirk
def bill_of_a_few_days_that_touches_none():
    rows = [*EXPECTED, ("2022-09-01", "2022-09-06", 100.0)]
    return Quirk(table(rows), EXPECTED, findings=("bill_short",))


@quirk
def bill_of_half_a_year():
    rows = [*EXPECTED, ("2022-07-05", "2023-01-05", 4000.0)]
    return Quirk(table(rows), EXPECTED, findings=("bill_long",))


@quirk
def bills_by_the_quarter():
    ends = ["2021-01-10", "2021-04-12", "2021-07-09", "2021-10-11", "2022-01-12"]
    bills = [(a, b, 2000.0 + i) for i, (a, b) in enumerate(pairwise(ends))]
    return Quirk(table(bills), bills)


@quirk
def bill_with_a_day_that_no_month_has():
    rows = list(EXPECTED)
    rows[5] = ("2022-06-03", "2022-07-36", 655.0)
    return Quirk(table(rows), EXPECTED[:5], findings=("bill_dates_impossible",))


@quirk
def bill_that_ends_before_it_begins():
    rows = [*EXPECTED, ("2022-09-01", "2022-08-01", 10.0)]
    return Quirk(table(rows), EXPECTED, findings=("bill_dates_impossible",))


@quirk
def fee_in_place_of_use():
    rows = list(EXPECTED)
    rows.insert(3, ("2022-04-05", "2022-05-04", "$12.50"))
    return Quirk(table(rows), EXPECTED, findings=("bill_fee",))


@quirk
def rows_of_charges_between_bills():
    rows = [("Energy", *e) for e in EXPECTED]
    rows.insert(2, ("Late fee", "2022-03-04", "2022-04-05", 25.0))
    return Quirk(table(rows, "Description,start,end,kWh"), EXPECTED, findings=("bill_fee",))


@quirk
def column_of_money_named_as_use():
    rows = [(a, b, f"${u / 5:.2f}") for a, b, u in EXPECTED]
    return Quirk(
        table(rows),
        refused=("values_unreadable", "holds money"),
        meter={"data": "bills"},
    )


@quirk
def bill_below_zero():
    rows = [*EXPECTED, ("2022-07-05", "2022-08-04", -40.0)]
    return Quirk(table(rows), EXPECTED, findings=("bill_negative",))


@quirk
def total_under_the_bills():
    rows = [*EXPECTED, ("Total", "", sum(USES))]
    return Quirk(table(rows), EXPECTED, findings=("time_unreadable",))


@quirk
def bills_of_two_meters_mixed():
    rows = [*EXPECTED, *((a, b, u * 3) for a, b, u in EXPECTED)]
    return Quirk(table(rows), refused=("duplicates_contradict", "several"), meter={"data": "bills"})


@quirk
def bills_of_two_meters_told_apart():
    rows = [("M1", *e) for e in EXPECTED] + [("M2", a, b, u * 3) for a, b, u in EXPECTED]
    return Quirk(table(rows, "Meter,start,end,kWh"), EXPECTED)


@quirk
def two_meters_merged_into_one():
    reads = [dt.date(2020, 1, 5) + dt.timedelta(days=30 * i) for i in range(37)]
    uses = [900.0 + 10 * (i % 12) for i in range(36)]
    uses[28:] = [u * 2.2 for u in uses[28:]]
    bills = [(str(a), str(b), round(u, 3)) for a, b, u in zip(reads, reads[1:], uses, strict=False)]
    return Quirk(table(bills), bills, findings=("bill_step",))


@quirk
def bills_with_day_first_dates():
    rows = [
        (f"{dt.date.fromisoformat(a):%d/%m/%Y}", f"{dt.date.fromisoformat(b):%d/%m/%Y}", u)
        for a, b, u in EXPECTED
    ]
    return Quirk(table(rows), EXPECTED, meter={"day_first": True})


@quirk
def bills_in_kilowatts():
    return Quirk(
        table(EXPECTED),
        refused=("unit_invalid", "bills hold energy"),
        meter={"unit": "kW", "data": "bills"},
    )


@quirk
def bills_whose_first_column_could_be_both():
    bills = [("2022-01-04", "2022-02-03", 900.0), ("2022-02-03", "2022-03-25", 820.0)]
    rows = [
        (f"{dt.date.fromisoformat(a):%d/%m/%Y}", f"{dt.date.fromisoformat(b):%d/%m/%Y}", u)
        for a, b, u in bills
    ]
    return Quirk(table(rows), bills)


@quirk
def bills_whose_columns_could_both_be_both():
    rows = [("04/01/2022", "03/02/2022", 900.0), ("03/02/2022", "05/03/2022", 820.0)]
    return Quirk(
        table(rows),
        refused=("dates_ambiguous", "4 January 2022 if the day comes first and 1 April 2022"),
        meter={"data": "bills"},
    )
