"""Any valid series, in any shape that is read, comes back to the microwatt-hour; and whatever
dirt a file holds, rows and energy in are rows and energy used plus excluded."""

import gzip

import numpy as np
import pandas as pd
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from mv.findings import ReadingsError
from mv.portfolio.schema import Limits
from mv.readings.read import read_source
from mv.readings.source import from_bytes
from tests.readings.build import meter
from tests.readings.quirks import long_text
from tests.readings.quirks_quantities import feed, usage_xml
from tests.readings.quirks_shapes import clock_labels, parquet, wide, workbook

MICROWATT_HOUR = 1e-9  # kWh
UNCLEANED = Limits(stuck_hours=1e6, spike_factor=1e6, zero_hours=1e6, outage_share=0)
ZONES = ("Europe/Lisbon", "America/New_York", "Australia/Sydney", "Asia/Kolkata", "UTC")


def split_clock(series: pd.Series) -> str:
    rows = [f"{t:%Y-%m-%d},{t:%H:%M},{v:.9f}" for t, v in series.items()]
    return "date,time,kWh\n" + "\n".join(rows)


def start_and_end(series: pd.Series) -> str:
    step = series.index[1] - series.index[0]
    rows = [f"{t:%Y-%m-%d %H:%M},{t + step:%Y-%m-%d %H:%M},{v:.9f}" for t, v in series.items()]
    return "start,end,kWh\n" + "\n".join(rows)


def with_meters(series: pd.Series) -> str:
    rows = [
        f"{t:%Y-%m-%d %H:%M},{name},{v * k:.9f}"
        for t, v in series.items()
        for name, k in (("M0", 2), ("M1", 1), ("M2", 3))
    ]
    return "time,meter,kWh\n" + "\n".join(rows)


def with_columns(series: pd.Series) -> str:
    rows = [f"{t:%Y-%m-%d %H:%M},{v * 2:.9f},{v:.9f}" for t, v in series.items()]
    return "time,M0,M1\n" + "\n".join(rows)


def wide_days(series: pd.Series) -> str:
    minutes = int((series.index[1] - series.index[0]).total_seconds() // 60)
    per_day = 1440 // minutes
    sizes = series.groupby(series.index.date).size()
    whole = [d for d in sizes.index if sizes[d] == per_day]
    if len(whole) != len(sizes):  # switching days have shapes of their own, tested elsewhere
        return ""
    written = series.map("{:.9f}".format)
    return wide(written, clock_labels(minutes))


def sheet(series: pd.Series) -> bytes:
    cells = [[t.tz_localize(None).to_pydatetime(), v] for t, v in series.items()]
    return workbook({"Sheet1": [["time", "kWh"], *cells]})


SHAPES = {
    "long": lambda s: long_text(s, value="{:.9f}".format),
    "ISO with seconds": lambda s: long_text(s, form="%Y-%m-%dT%H:%M:%S", value="{:.9f}".format),
    "decimal comma": lambda s: long_text(s, separator=";", decimal=",", value="{:.9f}".format),
    "day first": lambda s: long_text(s, form="%d.%m.%Y %H:%M", value="{:.9f}".format),
    "half days": lambda s: long_text(s, form="%d.%m.%Y %I:%M %p", value="{:.9f}".format),
    "newest first": lambda s: long_text(s.iloc[::-1], value="{:.9f}".format),
    "offsets": lambda s: long_text(s, form="%Y-%m-%d %H:%M%z", value="{:.9f}".format),
    "epoch": lambda s: (
        "timestamp,kWh\n" + "\n".join(f"{int(t.timestamp())},{v:.9f}" for t, v in s.items())
    ),
    "date and clock": split_clock,
    "start and end": start_and_end,
    "meter column": with_meters,
    "meters in columns": with_columns,
    "wide": wide_days,
    "UTF-16": lambda s: long_text(s, value="{:.9f}".format).encode("utf-16"),
    "gzip": lambda s: gzip.compress(long_text(s, value="{:.9f}".format).encode()),
    "parquet": lambda s: parquet(time=s.index, kWh=s.to_numpy()),
    "spreadsheet": sheet,
    "usage XML": lambda s: feed(usage_xml(s, power=-6, scale=1e9)),
}


@st.composite
def series(draw) -> pd.Series:
    """A regular series over whole local days, values to the microwatt-hour."""
    zone = draw(st.sampled_from(ZONES))
    step = draw(st.sampled_from(["15min", "30min", "1h"]))
    day = draw(st.dates(pd.Timestamp("2015-01-01").date(), pd.Timestamp("2026-12-01").date()))
    near_switch = draw(st.sampled_from([None, "03-24", "10-27", "11-03", "04-05"]))
    first = pd.Timestamp(f"{day.year}-{near_switch}" if near_switch else day, tz=zone)
    index = pd.date_range(
        first, first + pd.DateOffset(days=draw(st.integers(2, 6))), freq=step, inclusive="left"
    )
    micro = np.random.default_rng(draw(st.integers(0, 2**32))).integers(0, 10**12, len(index))
    zeros = draw(st.booleans())
    return pd.Series(np.where(micro % 7 == 0, 0, micro) / 1e9 if zeros else micro / 1e9, index)


@settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(series=series(), shape=st.sampled_from(sorted(SHAPES)))
def test_what_is_written_is_read(series, shape):
    written = SHAPES[shape](series)
    if not written:
        return
    data = written.encode() if isinstance(written, str) else written
    row = meter(day_first=True, register_values=False)
    got = read_source(from_bytes("f", data), row, str(series.index.tz), UNCLEANED)
    assert list(got.table.index) == list(series.index.tz_convert("UTC"))
    np.testing.assert_allclose(
        got.table["energy"].to_numpy(), series.to_numpy(), rtol=0, atol=MICROWATT_HOUR / 2
    )
    assert got.input["rows_read"] == got.input["rows_used"] == len(series)


DIRT = (
    "lose", "repeat", "contradict", "empty", "word", "negative", "spike", "zeros", "stuck",
    "swap", "drift", "off grid", "estimate", "invalid", "bad time", "short row", "blank",
)  # fmt: skip


@st.composite
def dirty_file(draw) -> tuple[str, int, float]:
    """A file with random dirt: text, how many rows with content, the sum of its numbers."""
    n = draw(st.integers(200, 700))
    rng = np.random.default_rng(draw(st.integers(0, 2**32)))
    hours = pd.date_range("2023-01-02", periods=n, freq="1h")
    rows = [
        [f"{t:%Y-%m-%d %H:%M:%S}", f"{v:.3f}", "A"]
        for t, v in zip(hours, rng.uniform(5, 15, n), strict=True)
    ]
    for _ in range(draw(st.integers(0, 8))):
        dirt = draw(st.sampled_from(DIRT))
        i = draw(st.integers(1, len(rows) - 60))
        row = rows[i]
        if any(len(r) != 3 for r in rows[i : i + 55]):
            continue
        if dirt == "lose":
            del rows[i : i + draw(st.integers(1, 30))]
        elif dirt == "repeat":
            rows.insert(i, list(row))
        elif dirt == "contradict":
            rows.insert(i, [row[0], "7.5", "A"])
        elif dirt == "empty":
            row[1] = ""
        elif dirt == "word":
            row[1] = "n/a"
        elif dirt == "negative":
            row[1] = "-2.5"
        elif dirt == "spike":
            row[1] = "5000"
        elif dirt == "zeros":
            for k in range(draw(st.integers(1, 40))):
                rows[i + k][1] = "0"
        elif dirt == "stuck":
            for k in range(draw(st.integers(10, 50))):
                rows[i + k][1] = "9.999"
        elif dirt == "swap":
            rows[i], rows[i + 5] = rows[i + 5], rows[i]
        elif dirt == "drift":
            row[0] = row[0][:-2] + "20"
        elif dirt == "off grid":
            rows.insert(i, [row[0][:-5] + "31:00", "4.4", "A"])
        elif dirt == "estimate":
            row[2] = "E"
        elif dirt == "invalid":
            row[2] = "invalid"
        elif dirt == "bad time":
            row[0] = "2023-02-31 00:00:00"
        elif dirt == "short row":
            rows.insert(i, ["page 2"])
        else:
            rows.insert(i, ["", "", ""])
    text = "time,kWh,quality\n" + "\n".join(",".join(r) for r in rows) + "\n"
    total = sum(_number(r[1]) for r in rows if len(r) == 3)
    return text, sum(any(r) for r in rows), total


def _number(text: str) -> float:
    try:
        return float(text)
    except ValueError:
        return 0.0


@settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(dirty_file())
def test_rows_and_energy_in_are_used_or_excluded(case):
    text, count, total = case
    row = meter(unit="MWh", multiplier=2.0)
    try:
        got = read_source(from_bytes("f", text.encode()), row, "UTC", Limits())
    except ReadingsError:
        return  # refused whole, with a reason
    rows = got.input
    assert rows["rows_read"] == count
    assert rows["rows_read"] == rows["rows_used"] + sum(rows["excluded"].values())
    assert set(rows["excluded"]) <= {f.rule for f in got.findings}
    in_kwh = total * 1000 * 2.0
    np.testing.assert_allclose(sum(got.energy.values()), in_kwh, rtol=1e-9, atol=1e-6)
    np.testing.assert_allclose(got.energy["used"], got.table["energy"].sum(), rtol=1e-12)
    absent = got.table["flag"].isin(["missing", "excluded"])
    assert (absent == got.table["energy"].isna()).all()


@st.composite
def dirty_bills(draw) -> tuple[str, int, float]:
    n = draw(st.integers(3, 30))
    day = pd.Timestamp("2021-01-04")
    rows = []
    for _ in range(n):
        end = day + pd.Timedelta(days=draw(st.integers(25, 35)))
        rows.append([f"{day:%Y-%m-%d}", f"{end:%Y-%m-%d}", str(draw(st.integers(1, 2000))), "A"])
        day = end
    for _ in range(draw(st.integers(0, 6))):
        i = draw(st.integers(0, len(rows) - 1))
        change = draw(st.integers(0, 9))
        row = rows[i]
        if change == 0 and len(rows) > 3:
            del rows[i]
        elif change == 1:
            rows.insert(i, list(row))
        elif change == 2:
            rows.insert(i, [row[0], row[1], "17", "C"])
        elif change == 3:
            row[3] = draw(st.sampled_from(["E", "estimated", "corrected", "cancelled"]))
        elif change == 4:
            rows.insert(i, [row[0], row[1], f"-{row[2].lstrip('-$')}", "A"])
        elif change == 5:
            row[2] = draw(st.sampled_from(["", "n/a", "-5", "$12.00"]))
        elif change == 6:
            row[1] = row[0]
        elif change == 7:
            row[0] = f"{pd.Timestamp('2021-02-01') + pd.Timedelta(days=20 * i):%Y-%m-%d}"
        elif change == 8:
            row[1] = "2021-04-31"
        else:
            rows.append(["Total", "", "99", ""])
    text = "start,end,kWh,flag\n" + "\n".join(",".join(r) for r in rows) + "\n"
    total = sum(_number(r[2]) for r in rows)  # money is no use
    return text, len(rows), total


@settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(dirty_bills())
def test_bills_in_are_used_or_excluded(case):
    text, count, total = case
    row = meter(data="bills")
    try:
        got = read_source(from_bytes("f", text.encode()), row, "UTC", Limits())
    except ReadingsError:
        return
    rows = got.input
    assert rows["rows_read"] == count
    assert rows["rows_read"] == rows["rows_used"] + sum(rows["excluded"].values())
    np.testing.assert_allclose(sum(got.energy.values()), total, rtol=1e-9, atol=1e-6)
    starts, ends = got.table["start"], got.table["end"]
    assert (ends > starts).all()
    assert (starts.iloc[1:].to_numpy() >= ends.iloc[:-1].to_numpy()).all()
