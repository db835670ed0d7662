"""Quirks of time: ways to write it, clocks, switching days, stamps, order, grids."""

from __future__ import annotations

import numpy as np
import pandas as pd

from tests.readings.quirks import (
    LISBON,
    NEW_YORK,
    Quirk,
    load,
    long_text,
    put,
    quirk,
    truth,
    without,
)

PLAIN = truth("2023-01-02", 2)
HOUR = pd.Timedelta(hours=1)


@quirk
def day_first_found_in_the_column():
    series = truth("2023-01-10", 5)
    return Quirk(long_text(series, form="%d/%m/%Y %H:%M"), series)


@quirk
def month_first_found_in_the_column():
    series = truth("2023-01-10", 5)
    return Quirk(long_text(series, form="%m/%d/%Y %H:%M"), series)


@quirk
def dates_that_could_be_both():
    text = long_text(truth("2023-03-04", 2), form="%d/%m/%Y %H:%M")
    return Quirk(
        text, refused=("dates_ambiguous", "is 4 March 2023 if the day comes first and 3 A")
    )


@quirk
def dates_that_could_be_both_settled():
    series = truth("2023-03-04", 2)
    text = long_text(series, form="%m/%d/%Y %H:%M")
    return Quirk(text, series, meter={"day_first": False})


@quirk
def twelve_hour_clock():
    series = truth("2023-01-14", 2)
    return Quirk(long_text(series, form="%m/%d/%Y %I:%M %p"), series)


@quirk
def midnight_written_24():
    ends = PLAIN.set_axis(PLAIN.index + HOUR)

    def written(t):
        if t.hour:
            return f"{t:%Y-%m-%d %H:%M}"
        return f"{t - HOUR:%Y-%m-%d} 24:00"

    text = "time,kWh\n" + "\n".join(f"{written(t)},{v}" for t, v in ends.items())
    return Quirk(text, PLAIN, findings=("hour_24", "stamp_detected"), meter={"stamp": None})


@quirk
def epoch_seconds():
    rows = [f"{int(t.timestamp())},{v}" for t, v in PLAIN.items()]
    return Quirk("timestamp,kWh\n" + "\n".join(rows), PLAIN)


@quirk
def epoch_milliseconds():
    rows = [f"{int(t.timestamp() * 1000)},{v}" for t, v in PLAIN.items()]
    return Quirk("timestamp,kWh\n" + "\n".join(rows), PLAIN)


@quirk
def spreadsheet_serials():
    origin = pd.Timestamp("1899-12-30")
    days = (PLAIN.index.tz_localize(None) - origin) / pd.Timedelta(days=1)
    rows = [f"{d:.9f},{v}" for d, v in zip(days, PLAIN, strict=True)]
    return Quirk("time,kWh\n" + "\n".join(rows), PLAIN)


@quirk
def month_names():
    return Quirk(long_text(PLAIN, form="%d-%b-%Y %H:%M"), PLAIN)


@quirk
def month_name_first():
    rows = [f'"{t:%B} {t.day}, {t:%Y %H:%M}",{v}' for t, v in PLAIN.items()]
    return Quirk("time,kWh\n" + "\n".join(rows), PLAIN)


@quirk
def weekday_names():
    series = truth("2023-01-14", 2)
    return Quirk(long_text(series, form="%a %d/%m/%Y %H:%M"), series)


@quirk
def compact_times():
    return Quirk(long_text(PLAIN, form="%Y%m%d%H%M"), PLAIN)


@quirk
def years_of_two_digits():
    series = truth("2023-01-14", 2)
    return Quirk(long_text(series, form="%d.%m.%y %H:%M"), series)


@quirk
def fractions_of_seconds():
    return Quirk(long_text(PLAIN, form="%Y-%m-%dT%H:%M:%S.000"), PLAIN)


@quirk
def offsets_in_the_cells():
    series = truth("2023-03-25", 3)
    rows = [f"{t.isoformat()},{v}" for t, v in series.items()]
    return Quirk("time,kWh\n" + "\n".join(rows), series)


@quirk
def offsets_with_other_separators():
    series = truth("2023-03-25", 3, zone=NEW_YORK)
    rows = [f"{t:%Y/%m/%d %H:%M:%S %z},{v}" for t, v in series.items()]
    return Quirk("time,kWh\n" + "\n".join(rows), series, zone=NEW_YORK)


@quirk
def a_date_that_no_calendar_has():
    text = put(long_text(PLAIN, form="%d.%m.%Y %H:%M"), 8, "36.01.2023 06:00,5")
    return Quirk(
        text,
        without(PLAIN, [6]),
        findings=("time_unreadable", "readings_missing"),
        meter={"day_first": True},
    )


@quirk
def ends_found_by_first_and_last_time():
    ends = PLAIN.set_axis(PLAIN.index + HOUR)
    return Quirk(long_text(ends), PLAIN, findings=("stamp_detected",), meter={"stamp": None})


@quirk
def starts_found_by_first_and_last_time():
    return Quirk(long_text(PLAIN), PLAIN, findings=("stamp_detected",), meter={"stamp": None})


@quirk
def stamps_that_nothing_decides():
    series = PLAIN.iloc[3:30]
    return Quirk(long_text(series), series, findings=("stamp_assumed",), meter={"stamp": None})


@quirk
def declared_ends_win():
    ends = PLAIN.set_axis(PLAIN.index + HOUR)
    return Quirk(long_text(ends, header="start,kWh"), PLAIN, meter={"stamp": "end"})


@quirk
def header_says_utc():
    series = truth("2023-07-03", 2)
    text = long_text(series.tz_convert("UTC"), header="Time (UTC),kWh")
    return Quirk(text, series, findings=("clock_of_header",))


@quirk
def switching_days_in_local_time():
    series = truth("2023-03-20", 230, "30min")
    return Quirk(long_text(series), series)


@quirk
def switching_days_across_the_ocean():
    series = truth("2023-03-06", 250, zone=NEW_YORK)
    return Quirk(long_text(series), series, zone=NEW_YORK)


@quirk
def half_hour_of_summer_time():
    # Lord Howe Island moves its clock by half an hour only
    zone = "Australia/Lord_Howe"
    series = truth("2023-03-25", 20, "30min", zone=zone)
    return Quirk(long_text(series), series, zone=zone)


@quirk
def standard_time_all_year():
    series = truth("2023-02-20", 290)
    standard = series.set_axis(series.index.tz_convert("UTC"))
    return Quirk(long_text(standard), series, findings=("clock_standard",))


@quirk
def standard_time_all_year_in_new_york():
    series = truth("2023-02-06", 100, zone=NEW_YORK)
    standard = series.set_axis(series.index.tz_convert("Etc/GMT+5"))
    return Quirk(long_text(standard), series, findings=("clock_standard",), zone=NEW_YORK)


@quirk
def spring_hour_made_up_in_local_time():
    series = truth("2023-02-20", 60)
    text = long_text(series)
    lines = text.splitlines()
    at = next(i for i, line in enumerate(lines) if line.startswith("2023-03-26 02:00"))
    copied = "2023-03-26 01:00," + lines[at].split(",")[1]
    lines.insert(at, copied)
    return Quirk("\n".join(lines), series, findings=("hour_nonexistent",))


@quirk
def autumn_hour_once_in_local_time():
    series = truth("2023-10-01", 60)
    gone = list(series.index.tz_convert("UTC")).index(pd.Timestamp("2023-10-29 01:00", tz="UTC"))
    text = put(long_text(series), gone + 2, None)
    return Quirk(
        text,
        without(series, [gone]),
        findings=("autumn_hour_once", "readings_missing"),
    )


@quirk
def local_times_as_epoch():
    series = truth("2023-10-20", 20)
    local = series.index.tz_localize(None)
    rows = [
        f"{int(t.timestamp())},{v}" for t, v in zip(local.tz_localize("UTC"), series, strict=True)
    ]
    return Quirk("timestamp,kWh\n" + "\n".join(rows), series, findings=("clock_local_epoch",))


@quirk
def newest_first():
    return Quirk(long_text(PLAIN.iloc[::-1]), PLAIN)


@quirk
def newest_first_across_autumn():
    series = truth("2023-10-28", 3, "15min")
    return Quirk(long_text(series.iloc[::-1]), series)


@quirk
def rows_out_of_order():
    lines = long_text(PLAIN).splitlines()
    lines[10], lines[20] = lines[20], lines[10]
    return Quirk("\n".join(lines), PLAIN, findings=("rows_unordered",))


@quirk
def drifting_stamps():
    drift = pd.to_timedelta(np.arange(len(PLAIN)) % 5, unit="s")
    text = long_text(PLAIN.set_axis(PLAIN.index + drift), form="%Y-%m-%d %H:%M:%S")
    return Quirk(text, PLAIN, findings=("stamps_snapped",))


@quirk
def a_stamp_off_the_grid():
    text = long_text(PLAIN) + "2023-01-03 07:25,3.3\n"
    return Quirk(text, PLAIN, findings=("rows_unordered", "off_grid"))


@quirk
def hours_then_quarters():
    hours, quarters = truth("2023-01-02", 2), truth("2023-01-04", 2, "15min")
    text = long_text(hours) + "\n".join(long_text(quarters).splitlines()[1:])
    summed = quarters.groupby(quarters.index.floor("h")).sum()
    return Quirk(text, pd.concat([hours, summed]), findings=("steps_mixed",))


@quirk
def hours_then_quarters_with_a_hole():
    hours, quarters = truth("2023-01-02", 2), truth("2023-01-04", 2, "15min")
    lines = long_text(quarters).splitlines()[1:]
    del lines[13]
    summed = quarters.groupby(quarters.index.floor("h")).sum()
    return Quirk(
        long_text(hours) + "\n".join(lines),
        pd.concat([hours, without(summed, [3])]),
        findings=("steps_mixed", "step_incomplete", "readings_missing"),
    )


@quirk
def quarters_then_hours_in_kilowatts():
    quarters, hours = truth("2023-01-02", 2, "15min"), truth("2023-01-04", 2)
    text = long_text(quarters) + "\n".join(long_text(hours).splitlines()[1:])
    mean = quarters.groupby(quarters.index.floor("h")).mean()
    expected = pd.concat([mean, hours])
    return Quirk(text, expected, findings=("steps_mixed",), meter={"unit": "kW"})


@quirk
def leap_day():
    series = truth("2024-02-27", 4)
    return Quirk(long_text(series), series)


@quirk
def missing_hours():
    lines = long_text(PLAIN).splitlines()
    del lines[10:13]
    return Quirk("\n".join(lines), without(PLAIN, [9, 10, 11]), findings=("readings_missing",))


@quirk
def daily_values():
    days = pd.date_range("2023-03-20", periods=20, tz=LISBON)
    series = load(days)
    return Quirk(long_text(series, form="%Y-%m-%d"), series)


@quirk
def daily_values_of_the_day_before():
    days = pd.date_range("2023-03-20", periods=20, tz=LISBON)
    series = load(days)
    shifted = series.set_axis(days + pd.DateOffset(days=1))
    return Quirk(long_text(shifted, form="%Y-%m-%d"), series, meter={"stamp": "end"})


@quirk
def six_hour_values_across_spring():
    index = pd.DatetimeIndex(
        [
            pd.Timestamp(f"2023-03-{day} {hour:02d}:00", tz=LISBON)
            for day in range(24, 29)
            for hour in (0, 6, 12, 18)
        ]
    )
    series = load(index)
    return Quirk(long_text(series), series)


@quirk
def no_regular_step():
    text = "time,kWh\n2023-01-01 00:00,1\n2023-01-09 00:00,2\n2023-02-11 00:00,3\n"
    return Quirk(text, refused=("step_unclear", "If these are bills"))


@quirk
def one_row_only():
    return Quirk("time,kWh\n2023-01-01 00:00,1\n", refused=("step_unclear", "fewer than two"))


@quirk
def unknown_clock():
    return Quirk(
        long_text(PLAIN),
        refused=("time_zone_unknown", "'Atlantis/Capital' is neither"),
        meter={"time_zone": "Atlantis/Capital"},
    )


@quirk
def times_that_are_none():
    text = "time,kWh\n" + "\n".join(f"row {i},{i}" for i in range(20))
    return Quirk(text, refused=("columns_unclear", "no column holds times"))


@quirk
def too_many_unreadable_times():
    lines = long_text(PLAIN).splitlines()
    lines[5:15] = ["later,4.0"] * 10
    return Quirk("\n".join(lines), refused=("times_unreadable", "10 of 48 times"))


@quirk
def days_whose_midnight_does_not_exist():
    # In Havana summer time begins at midnight: 12 March 2023 starts at 01:00
    zone = "America/Havana"
    days = pd.date_range("2023-03-06", periods=20)
    starts = [pd.Timestamp(d).tz_localize(zone, nonexistent="shift_forward") for d in days]
    series = load(pd.DatetimeIndex(starts))
    return Quirk(long_text(series.set_axis(days), form="%Y-%m-%d"), series, zone=zone)


@quirk
def utc_stamps_judged_by_the_local_day():
    series = truth("2023-07-03", 2, zone=NEW_YORK)
    text = long_text(series.tz_convert("UTC"), form="%Y-%m-%dT%H:%M:%SZ")
    return Quirk(text, series, findings=("stamp_detected",), zone=NEW_YORK, meter={"stamp": None})


@quirk
def times_that_wander():
    minutes = np.arange(60) * 60 + np.arange(60) * 7 % 23
    rows = [
        f"{pd.Timestamp('2023-01-02') + pd.Timedelta(minutes=int(m)):%Y-%m-%d %H:%M},5"
        for m in minutes
    ]
    return Quirk("time,kWh\n" + "\n".join(rows), refused=("step_unclear", ""))
