"""Quirks of shape: separators, encodings, titles, wide tables, several meters, formats."""

from __future__ import annotations

import gzip
import io

import pandas as pd

from tests.readings.quirks import LISBON, Quirk, load, long_text, put, quirk, truth, without

PLAIN = truth("2023-01-02", 2)


@quirk
def plain_long_table():
    return Quirk(long_text(PLAIN), PLAIN)


@quirk
def semicolons_and_decimal_comma():
    return Quirk(long_text(PLAIN, separator=";", decimal=","), PLAIN)


@quirk
def tabs():
    return Quirk(long_text(PLAIN, separator="\t"), PLAIN)


@quirk
def bars():
    return Quirk(long_text(PLAIN, separator="|"), PLAIN)


@quirk
def quoted_thousands():
    series = PLAIN * 1000 + 0.5
    return Quirk(long_text(series, value=lambda v: f'"{v:,.1f}"'), series.round(1))


@quirk
def continental_thousands():
    series = (PLAIN * 1000 + 0.5).round(1)

    def written(value: float) -> str:
        return f"{value:,.1f}".replace(",", "~").replace(".", ",").replace("~", ".")

    rows = [f"{t:%Y-%m-%d %H:%M};{written(v)}" for t, v in series.items()]
    return Quirk("time;kWh\n" + "\n".join(rows), series)


@quirk
def spaces_as_thousands():
    series = (PLAIN * 1000).round(0)
    return Quirk(long_text(series, value=lambda v: f"{v:,.0f}".replace(",", " ")), series)


@quirk
def byte_order_mark():
    return Quirk(b"\xef\xbb\xbf" + long_text(PLAIN).encode(), PLAIN)


@quirk
def utf_16():
    return Quirk(long_text(PLAIN, separator="\t").encode("utf-16"), PLAIN)


@quirk
def utf_16_without_mark():
    return Quirk(long_text(PLAIN).encode("utf-16-le"), PLAIN)


@quirk
def latin_1_header():
    return Quirk(long_text(PLAIN, header="time,Énergie kWh").encode("latin-1"), PLAIN)


@quirk
def windows_line_ends():
    return Quirk(long_text(PLAIN).replace("\n", "\r\n"), PLAIN)


@quirk
def title_lines_above():
    title = "Ferry hall, main meter\nPrinted on 3 January 2023\n\n"
    return Quirk(title + long_text(PLAIN), PLAIN)


@quirk
def title_lines_with_separators():
    title = "Account;12345;;\nPeriod;January;2023;\n"
    return Quirk(title + long_text(PLAIN, separator=";"), PLAIN)


@quirk
def total_below():
    text = long_text(PLAIN) + f"Total,{PLAIN.sum():.3f}\n"
    return Quirk(text, PLAIN, findings=("time_unreadable",))


@quirk
def remark_below():
    text = long_text(PLAIN) + "Values after the last are provisional\n"
    return Quirk(text, PLAIN, findings=("row_malformed",))


@quirk
def two_exports_in_one_file():
    text = long_text(PLAIN.iloc[:24]) + long_text(PLAIN.iloc[24:])
    return Quirk(text, PLAIN, findings=("time_unreadable",))


@quirk
def blank_lines():
    return Quirk(put(long_text(PLAIN), 10, "\n\n" + long_text(PLAIN).splitlines()[9]), PLAIN)


@quirk
def no_header():
    return Quirk(long_text(PLAIN, header=""), PLAIN)


@quirk
def everything_quoted():
    rows = [f'"{t:%Y-%m-%d %H:%M}","{v}"' for t, v in PLAIN.items()]
    return Quirk('"time","kWh"\n' + "\n".join(rows), PLAIN)


@quirk
def separator_after_the_last_cell():
    rows = [f"{t:%Y-%m-%d %H:%M},{v}," for t, v in PLAIN.items()]
    return Quirk("time,kWh\n" + "\n".join(rows), PLAIN)


@quirk
def date_and_time_in_two_columns():
    rows = [f"{t:%d.%m.%Y};{t:%H:%M};{v}" for t, v in PLAIN.items()]
    return Quirk("Date;Time;kWh\n" + "\n".join(rows), PLAIN, meter={"day_first": True})


@quirk
def date_with_start_and_end_clock():
    rows = [
        f"Electric usage,{t:%Y-%m-%d},{t:%H:%M},{t + pd.Timedelta(minutes=59):%H:%M},{v},kWh"
        for t, v in PLAIN.items()
    ]
    head = "TYPE,DATE,START TIME,END TIME,USAGE,UNITS\n"
    return Quirk(head + "\n".join(rows), PLAIN, meter={"stamp": None}, findings=("stamp_detected",))


@quirk
def start_and_end_columns():
    hour = pd.Timedelta(hours=1)
    rows = [f"{t:%Y-%m-%d %H:%M},{t + hour:%Y-%m-%d %H:%M},{v}" for t, v in PLAIN.items()]
    return Quirk(
        "Start,End,kWh\n" + "\n".join(rows),
        PLAIN,
        meter={"stamp": None},
        findings=("stamp_detected",),
    )


@quirk
def interval_end_column():
    shifted = PLAIN.set_axis(PLAIN.index + pd.Timedelta(hours=1))
    return Quirk(
        long_text(shifted, header="Interval End,kWh"),
        PLAIN,
        meter={"stamp": None},
        findings=("stamp_detected",),
    )


def wide(series: pd.Series, labels: list[str], separator: str = ",") -> str:
    """A row a day; every day of `series` must have as many values as there are labels."""
    days = series.groupby(series.index.date)
    rows = [separator.join([str(day), *(f"{v}" for v in values)]) for day, values in days]
    return separator.join(["Date", *labels]) + "\n" + "\n".join(rows) + "\n"


def clock_labels(minutes: int, ends: bool = False) -> list[str]:
    first = minutes if ends else 0
    return [f"{m // 60:02d}:{m % 60:02d}" for m in range(first, 1440 + first, minutes)]


@quirk
def wide_by_starts():
    return Quirk(
        wide(PLAIN, clock_labels(60)), PLAIN, meter={"stamp": None}, findings=("stamp_detected",)
    )


@quirk
def wide_by_ends():
    return Quirk(
        wide(PLAIN, clock_labels(60, ends=True)),
        PLAIN,
        meter={"stamp": None},
        findings=("stamp_detected",),
    )


@quirk
def wide_quarter_hours():
    series = truth("2023-01-02", 3, "15min")
    return Quirk(wide(series, clock_labels(15)), series)


@quirk
def wide_numbered_half_hours():
    series = truth("2023-01-02", 3, "30min")
    return Quirk(wide(series, [str(n) for n in range(1, 49)]), series)


@quirk
def wide_hour_endings():
    return Quirk(wide(PLAIN, [f"HE{n:02d}" for n in range(1, 25)]), PLAIN)


@quirk
def wide_with_total_column():
    lines = wide(PLAIN, clock_labels(60)).splitlines()
    text = "\n".join([lines[0] + ",Total", *(f"{line},100" for line in lines[1:])])
    return Quirk(text, PLAIN)


@quirk
def wide_with_empty_cell():
    lines = wide(PLAIN, clock_labels(60)).splitlines()
    cells = lines[1].split(",")
    cells[6] = ""
    lines[1] = ",".join(cells)
    return Quirk(
        "\n".join(lines), without(PLAIN, [5]), findings=("value_empty", "readings_missing")
    )


SPRING = truth("2023-03-25", 3)  # 26 March has 23 hours in Lisbon, 01:00 does not occur
AUTUMN = truth("2023-10-28", 3)  # 29 October has 25, 01:00 occurs twice


@quirk
def wide_spring_day_with_a_hole():
    def row(day):
        values = {t.hour: v for t, v in SPRING[str(day)].items()}
        return ",".join([str(day), *(str(values.get(h, "")) for h in range(24))])

    days = sorted(set(SPRING.index.date))
    head = ",".join(["Date", *clock_labels(60)])
    return Quirk("\n".join([head, *(row(d) for d in days)]), SPRING)


@quirk
def wide_spring_day_filled_from_the_left():
    def row(day):
        values = [str(v) for v in SPRING[str(day)]]
        return ",".join([str(day), *values, *[""] * (24 - len(values))])

    days = sorted(set(SPRING.index.date))
    head = ",".join(["Date", *(f"H{n}" for n in range(1, 25))])
    return Quirk("\n".join([head, *(row(d) for d in days)]), SPRING)


@quirk
def wide_autumn_day_with_25th_column():
    def row(day):
        values = [str(v) for v in AUTUMN[str(day)]]
        return ",".join([str(day), *values, *[""] * (25 - len(values))])

    days = sorted(set(AUTUMN.index.date))
    head = ",".join(["Date", *(f"H{n}" for n in range(1, 26))])
    return Quirk("\n".join([head, *(row(d) for d in days)]), AUTUMN)


@quirk
def wide_autumn_day_with_inner_column():
    labels = clock_labels(60)
    labels.insert(2, "01:00 B")

    def row(day):
        values = [str(v) for v in AUTUMN[str(day)]]
        if len(values) == 24:
            values.insert(2, "")
        return ",".join([str(day), *values])

    days = sorted(set(AUTUMN.index.date))
    return Quirk("\n".join([",".join(["Date", *labels]), *(row(d) for d in days)]), AUTUMN)


@quirk
def wide_autumn_hour_holding_both():
    flat = AUTUMN.copy()
    repeated = (flat.index.tz_convert("UTC") >= "2023-10-29 00:00") & (
        flat.index.tz_convert("UTC") < "2023-10-29 02:00"
    )
    flat[repeated] = flat[repeated].mean()

    def row(day):
        values = flat[str(day)].groupby(flat[str(day)].index.hour).sum()
        return ",".join([str(day), *(str(v) for v in values)])

    days = sorted(set(flat.index.date))
    head = ",".join(["Date", *clock_labels(60)])
    return Quirk("\n".join([head, *(row(d) for d in days)]), flat, findings=("autumn_hour_split",))


@quirk
def meter_column():
    other = PLAIN * 3
    rows = [
        f"{name},{t:%Y-%m-%d %H:%M},{v}"
        for series, name in ((other, "M0"), (PLAIN, "M1"), (other, "00M1"))
        for t, v in series.items()
    ]
    return Quirk("Meter,Time,kWh\n" + "\n".join(rows), PLAIN)


@quirk
def meter_column_interleaved_and_named():
    rows = [
        f"{t:%Y-%m-%d %H:%M},{name},{v * factor}"
        for t, v in PLAIN.items()
        for name, factor in (("M0", 3), ("M1", 1))
    ]
    text = "Time,Kennung,kWh\n" + "\n".join(rows)
    return Quirk(text, PLAIN, meter={"meter_column": "Kennung"})


@quirk
def meter_not_in_the_file():
    rows = [f"M7,{t:%Y-%m-%d %H:%M},{v}\nM8,{t:%Y-%m-%d %H:%M},{v}" for t, v in PLAIN.items()]
    text = "Meter,Time,kWh\n" + "\n".join(rows)
    return Quirk(text, refused=("meter_absent", "names 'M7', 'M8'"))


@quirk
def a_column_for_each_meter():
    rows = [f"{t:%Y-%m-%d %H:%M},{v * 2},{v},{v * 3}" for t, v in PLAIN.items()]
    return Quirk("Time,M0,M1,M2\n" + "\n".join(rows), PLAIN)


@quirk
def two_value_columns():
    rows = [f"{t:%Y-%m-%d %H:%M},{v},{v * 2}" for t, v in PLAIN.items()]
    text = "Time,Line A,Line B\n" + "\n".join(rows)
    return Quirk(text, refused=("columns_unclear", "2 columns hold numbers"))


@quirk
def value_column_named():
    rows = [f"{t:%Y-%m-%d %H:%M},{v * 2},{v}" for t, v in PLAIN.items()]
    text = "Time,Line A,Line B\n" + "\n".join(rows)
    return Quirk(text, PLAIN, meter={"value_column": "Line B"})


@quirk
def kwh_beside_kvarh_and_cost():
    rows = [f"{t:%Y-%m-%d %H:%M},{v / 2},{v},{v / 5}" for t, v in PLAIN.items()]
    return Quirk("Time,kvarh,kWh,Cost\n" + "\n".join(rows), PLAIN)


@quirk
def column_that_is_not_there():
    return Quirk(
        long_text(PLAIN),
        refused=("columns_unclear", "there is no column 'Usage'"),
        meter={"value_column": "Usage"},
    )


@quirk
def decimal_comma_between_comma_separators():
    return Quirk(
        long_text(PLAIN, decimal=","), refused=("columns_unclear", "decimal comma between comma")
    )


@quirk
def one_column_only():
    text = "kWh\n" + "\n".join(str(v) for v in PLAIN)
    return Quirk(text, refused=("columns_unclear", "one column only"))


@quirk
def empty_file():
    return Quirk(" \n", refused=("file_empty", "the file is empty"))


@quirk
def header_only():
    return Quirk("time,kWh\n", refused=("file_empty", "no readings under it"))


@quirk
def web_page_in_place_of_a_table():
    page = "<!DOCTYPE html><html><body><p>Please sign in</p></body></html>"
    return Quirk(page, refused=("xml_refused", "document type"))


@quirk
def gzip_file():
    return Quirk(gzip.compress(long_text(PLAIN).encode()), PLAIN, meter={"file": "m1.csv.gz"})


@quirk
def gzip_of_two_members():
    text = long_text(PLAIN)
    parts = gzip.compress(text[:300].encode()) + gzip.compress(text[300:].encode())
    return Quirk(parts, PLAIN, meter={"file": "m1.csv.gz"})


@quirk
def gzip_cut_short():
    packed = gzip.compress(long_text(PLAIN).encode())
    return Quirk(packed[:-20], refused=("file_unreadable", "ends too early"))


def workbook(rows: dict[str, list[list]]) -> bytes:
    import openpyxl

    book = openpyxl.Workbook()
    book.remove(book.active)
    for title, cells in rows.items():
        sheet = book.create_sheet(title)
        for row in cells:
            sheet.append(row)
    out = io.BytesIO()
    book.save(out)
    return out.getvalue()


@quirk
def spreadsheet():
    cells = [["time", "kWh"]] + [[t.tz_localize(None).to_pydatetime(), v] for t, v in PLAIN.items()]
    return Quirk(workbook({"Sheet1": cells}), PLAIN, meter={"file": "m1.xlsx"})


@quirk
def spreadsheet_with_title_and_total():
    cells = [["Ferry hall"], [], ["Date", "Time", "Use", "Note"]]
    cells += [[t.date(), t.time(), v, None] for t, v in PLAIN.items()]
    cells += [["Total", None, float(PLAIN.sum()), None]]
    return Quirk(
        workbook({"Cover": [["January"]], "Data": cells}),
        PLAIN,
        findings=("time_unreadable",),
        meter={"file": "m1.xlsx"},
    )


@quirk
def spreadsheet_with_a_sheet_for_each_meter():
    sheets = {
        name: [["time", "kWh"]]
        + [[t.tz_localize(None).to_pydatetime(), v * factor] for t, v in PLAIN.items()]
        for name, factor in (("M0", 2), ("M1", 1), ("M2", 3))
    }
    return Quirk(workbook(sheets), PLAIN, meter={"file": "m1.xlsx"})


@quirk
def damaged_spreadsheet():
    whole = workbook({"Sheet1": [["time", "kWh"]]})
    return Quirk(whole[:200], refused=("file_unreadable", "damaged"), meter={"file": "m1.xlsx"})


def parquet(**columns) -> bytes:
    out = io.BytesIO()
    pd.DataFrame(columns).to_parquet(out, index=False)
    return out.getvalue()


@quirk
def parquet_with_zoned_times():
    data = parquet(time=PLAIN.index, kWh=PLAIN.to_numpy())
    return Quirk(data, PLAIN, meter={"file": "m1.parquet"})


@quirk
def parquet_of_several_meters():
    local = PLAIN.index.tz_localize(None)
    data = parquet(
        meter=["M0"] * len(PLAIN) + ["M1"] * len(PLAIN),
        time=list(local) * 2,
        kWh=[*(PLAIN * 2), *PLAIN],
    )
    return Quirk(data, PLAIN, meter={"file": "m1.parquet"})


@quirk
def damaged_parquet():
    data = parquet(time=PLAIN.index, kWh=PLAIN.to_numpy())
    return Quirk(b"PAR1" + data[50:], refused=("file_unreadable", "Parquet"))


@quirk
def extra_columns_and_notes():
    rows = [f"{i},{t:%Y-%m-%d %H:%M},ok,{v}" for i, (t, v) in enumerate(PLAIN.items())]
    text = "row,time,remark,kWh\n" + "\n".join(rows)
    return Quirk(text, PLAIN)


@quirk
def one_minute_values():
    index = pd.date_range("2023-01-02", periods=300, freq="1min", tz=LISBON)
    series = load(index) / 60
    return Quirk(long_text(series), series)


@quirk
def three_decimals_after_a_comma():
    series = (PLAIN + 1.0).round(0) + 0.125
    return Quirk(long_text(series, separator=";", decimal=",", value="{:.3f}".format), series)


@quirk
def grouped_thousands_only():
    series = (PLAIN * 1000 + 1000).round(0)
    return Quirk(long_text(series, value=lambda v: f'"{v:,.0f}"'), series)


@quirk
def comma_that_could_be_both():
    series = (PLAIN * 1000 + 1000).round(0)
    return Quirk(
        long_text(series, separator="\t", value="{:,.0f}".format),
        refused=("numbers_ambiguous", "groups thousands"),
    )


@quirk
def dots_that_group_thousands():
    series = (PLAIN * 100).round(0)
    text = long_text(series, separator=";", value=lambda v: f"{v:,.0f}".replace(",", "~"))
    return Quirk(text.replace("~", "."), refused=("numbers_ambiguous", "'.' groups thousands"))


@quirk
def dots_that_group_millions():
    series = (PLAIN * 1e6).round(0)
    text = long_text(series, separator=";", value=lambda v: f"{v:,.0f}".replace(",", "~"))
    return Quirk(text.replace("~", "."), series)
