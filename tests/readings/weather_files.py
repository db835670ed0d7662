"""Small files of temperatures in the public forms of weather services, made from known values.

`TEMPERATURES` is what each hourly file holds, from 2023-01-01 00:00 UTC; `DAYS` what each daily
file holds (lowest, highest).
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pandas as pd

HOURS = pd.date_range("2023-01-01", periods=96, freq="1h")
TEMPERATURES = np.round(
    6 + 4 * np.sin(2 * np.pi * (HOURS.hour - 9) / 24) + np.arange(96) * 7 % 11 / 10, 1
)
DAY_INDEX = pd.date_range("2023-01-01", "2023-02-28")
DAYS = [(round(2 + i % 9 / 2, 1), round(9 + i % 7 / 2, 1)) for i in range(len(DAY_INDEX))]

WEATHER_FILES: dict[str, Callable[[], str]] = {}


def weather_file(make: Callable[[], str]) -> Callable[[], str]:
    WEATHER_FILES[make.__name__] = make
    return make


@weather_file
def plain_hours() -> str:
    rows = [f"{t:%Y-%m-%d %H:%M},{v}" for t, v in zip(HOURS, TEMPERATURES, strict=True)]
    return "time,temperature\n" + "\n".join(rows)


@weather_file
def isd_lite() -> str:
    return "".join(
        f"{t:%Y %m %d %H} {round(v * 10):5d}   -10 10180   250    36     8 -9999 -9999\n"
        for t, v in zip(HOURS, TEMPERATURES, strict=True)
    )


@weather_file
def global_hourly() -> str:
    rows = [
        f'"08536099999","{t:%Y-%m-%dT%H:%M:%S}","4","{round(v * 10):+05d},1","+9999,9"'
        for t, v in zip(HOURS, TEMPERATURES, strict=True)
    ]
    return '"STATION","DATE","SOURCE","TMP","DEW"\n' + "\n".join(rows)


@weather_file
def german_hours() -> str:
    rows = [
        f"      1975;{t:%Y%m%d%H};    3;{v:7.1f};  80.0;eor"
        for t, v in zip(HOURS, TEMPERATURES, strict=True)
    ]
    return "STATIONS_ID;MESS_DATUM;QN_9;TT_TU;RF_TU;eor\n" + "\n".join(rows)


@weather_file
def typical_year() -> str:
    head = ["LOCATION,Bay,-,PRT,SRC,085360,38.77,-9.13,0.0,100.0"]
    head += [f"HEADER {i}" for i in range(7)]
    hours = pd.date_range("2001-01-01", "2001-12-31 23:00", freq="1h")
    rows = [
        f"{1990 + t.month},{t.month},{t.day},{t.hour + 1},0,?9?9,{t.day_of_year / 10:.1f},5.0,80"
        for t in hours
    ]
    return "\n".join(head + rows)


def daily_fixed_line(element: str, year: int, month: int, values: dict[int, float]) -> str:
    cells = "".join(
        f"{round(values[d] * 10):5d}  S" if d in values else "-9999   " for d in range(1, 32)
    )
    return f"PO000008535{year:04d}{month:02d}{element}{cells}\n"


@weather_file
def ghcn_daily_fixed() -> str:
    out = ""
    for month in (1, 2):
        for element, which in (("TMAX", 1), ("TMIN", 0), ("PRCP", 0)):
            values = {
                d.day: v[which] for d, v in zip(DAY_INDEX, DAYS, strict=True) if d.month == month
            }
            out += daily_fixed_line(element, 2023, month, values)
    return out


@weather_file
def ghcn_daily_rows() -> str:
    return "".join(
        f"PO000008535,{d:%Y%m%d},{element},{round(v[which] * 10)},,,S,\n"
        for d, v in zip(DAY_INDEX, DAYS, strict=True)
        for element, which in (("TMAX", 1), ("TMIN", 0), ("PRCP", 0))
    )


@weather_file
def daily_extremes() -> str:
    rows = [f"{d:%Y-%m-%d},{hi},{lo}" for d, (lo, hi) in zip(DAY_INDEX, DAYS, strict=True)]
    return "DATE,TMAX,TMIN\n" + "\n".join(rows)


@weather_file
def daily_means() -> str:
    rows = [
        f"{d:%Y-%m-%d},{(lo + hi) / 2:.2f}" for d, (lo, hi) in zip(DAY_INDEX, DAYS, strict=True)
    ]
    return "date,tavg\n" + "\n".join(rows)
