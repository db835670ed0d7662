"""What charts draw: daily, monthly, cumulative, profile and heat-map series of one carrier.

Everything here is arrays in, plain lists out; no number is made that a table doesn't also show.
Load profiles and the heat map are mean kW by local hour; energy series are per day or bill.
"""

from __future__ import annotations

from functools import lru_cache

import numpy as np
import pandas as pd

from mv.baseline.columns import Rows
from mv.baseline.rows import is_used
from mv.prepare import BASELINE, REPORTING, PreparedCarrier, is_period
from mv.readings.clock import local_hours

DIGITS = 6
"""Significant digits of a drawn value; results.json carries the full numbers."""

PROFILED = (BASELINE, REPORTING)
"""Periods whose load profiles are drawn."""

DAYS_NAMED = 512
"""Days whose names are written at once."""

_POWER_LEAST = -320
with np.errstate(over="ignore"):
    _POWERS = 10.0 ** np.arange(_POWER_LEAST, 340.0)
"""Powers of ten from that of `_POWER_LEAST` on: to look one up is quicker than to raise it."""


def significant(values: np.ndarray, digits: int = DIGITS) -> np.ndarray:
    """Values with so many significant digits, NaN for what isn't finite, of their shape."""
    values = np.asarray(values, float)
    finite = np.isfinite(values)
    safe = np.where(finite & (values != 0), np.abs(values), 1.0)
    scale = _POWERS[digits - 1 - np.floor(np.log10(safe)).astype(int) - _POWER_LEAST]
    return np.where(finite, np.round(values * scale) / scale, np.nan)


def listed(lines: np.ndarray) -> list[list]:
    """Each line as a list, None for NaN; (k, n)."""
    out = lines.tolist()
    for line, place in np.argwhere(np.isnan(lines)).tolist():
        out[line][place] = None
    return out


def iso_days(days: np.ndarray | pd.DatetimeIndex) -> list[str]:
    """ISO dates; (n,)."""
    number = np.asarray(days, "datetime64[D]").astype(np.int64)
    if not len(number):
        return []
    first, last = int(number.min()), int(number.max())
    block = first // DAYS_NAMED
    names = _iso_of_blocks(block, last // DAYS_NAMED)
    begin = first - block * DAYS_NAMED
    if last - first == len(number) - 1 and (number[1:] > number[:-1]).all():
        return names[begin : begin + len(number)]
    return [names[place] for place in (number - block * DAYS_NAMED).tolist()]


@lru_cache(maxsize=64)
def _iso_of_blocks(first: int, last: int) -> list[str]:
    """ISO dates from the first day of a block of days since 1970 to the last of another."""
    days = np.arange(first * DAYS_NAMED, (last + 1) * DAYS_NAMED)
    return np.datetime_as_string(days.astype("datetime64[D]")).tolist()


def row_series(
    prepared: PreparedCarrier, modelled: np.ndarray
) -> tuple[dict[str, list], dict[str, list]]:
    """The daily and the bill series (one of them empty).

    `modelled`: model at each row's own conditions, energy per row, shape (rows,), NaN where a
    row has no temperature.
    """
    rows = prepared.rows
    bills = "days" in rows
    days = rows["days"] if bills else 1.0
    measured, modelled = listed(significant(np.stack([rows["energy"] * days, modelled])))
    conditions = significant(np.stack([rows["temperature"], rows["operating"]]), 4)
    temperature, operating = listed(conditions)
    common = {
        "measured": measured,
        "modelled": modelled,
        "temperature": temperature,
        "operating": operating,
        "period": rows["period"].tolist(),
        "status": rows["status"].tolist(),
    }
    if bills:
        spans = {
            "start": iso_days(rows["start"]),
            "end": iso_days(rows["end"]),
            "days": rows["days"].tolist(),
        }
        return {}, spans | common
    return {"date": iso_days(rows.index)} | common, {}


def monthly(
    starts: np.ndarray, measured: np.ndarray, adjusted: np.ndarray, days: np.ndarray
) -> dict[str, list]:
    """Sums by calendar month of the reporting period's used rows.

    `starts`: datetime64[D] of each row; energies per row; days each row covers; all (m,).
    A bill counts in the month in which it starts.
    """
    month = starts.astype("datetime64[M]")
    first = month.min()
    index = (month - first).astype(int)
    there = np.flatnonzero(np.bincount(index))
    sums = [np.bincount(index, values)[there] for values in (measured, adjusted, days)]
    lines = listed(significant(np.stack([sums[0], sums[1], sums[1] - sums[0]])))
    return {
        "month": np.datetime_as_string(first + there).tolist(),
        **dict(zip(("measured", "adjusted_baseline", "avoided"), lines, strict=True)),
        "days_used": sums[2].tolist(),
    }


def cumulative(
    ends: np.ndarray,
    avoided: np.ndarray,
    half_widths: np.ndarray,
    estimated_per_day: float | None,
    days: np.ndarray,
) -> dict[str, list]:
    """Running avoided energy with its band.

    `ends`: last day of each row, datetime64[D]; `avoided`: energy per row; `half_widths`: of the
    sum so far, energy; `days`: that each row covers; all (m,).
    """
    total = np.cumsum(avoided)
    lines = {"avoided": total, "low": total - half_widths, "high": total + half_widths}
    if estimated_per_day is not None:
        lines["estimated"] = np.cumsum(days) * estimated_per_day
    drawn = listed(significant(np.stack(list(lines.values()))))
    found = {"date": iso_days(ends), **dict(zip(lines, drawn, strict=True))}
    found.setdefault("estimated", [])
    return found


def load_shapes(
    prepared: PreparedCarrier, time_zone: str
) -> tuple[dict[str, list], dict[str, np.ndarray]]:
    """Mean daily profiles by period and kind of day, and the heat map of weeks by hours.

    Both empty for bills and for steps longer than an hour.
    """
    if prepared.interval is None or prepared.step_seconds > 3600:
        return {}, {}
    load = prepared.interval.energy * (3600.0 / prepared.step_seconds)
    local = local_hours(prepared.interval.starts, time_zone)
    day, last = int(local[0]) // 24, int(local[-1]) // 24
    monday = day - (day + 3) % 7  # day 0 of the count is a Thursday
    weeks = (last - monday) // 7 + 1
    place = local - monday * 24
    known = np.isfinite(load)
    if not known.all():
        load, place = load[known], place[known]
    sums, counts = (np.bincount(place, each, weeks * 168).reshape(-1, 24) for each in (load, None))
    return _profiles(prepared.rows, monday, sums, counts), _heat(monday, sums, counts)


def _profiles(rows: Rows, first: int, sums: np.ndarray, counts: np.ndarray) -> dict[str, list]:
    """`first` : Monday of the first week, days since 1970; sum and number of the loads of each day
    and hour from then on, (7·weeks, 24)."""
    place = np.asarray(rows.index).astype("datetime64[D]").astype(np.int64) - first
    kept = is_used(rows) & (place >= 0) & (place < len(sums))
    operating = np.asarray(rows["operating"], dtype=float) >= 0.5
    names = [f"{period}_{kind}" for period in PROFILED for kind in ("operating", "non_operating")]
    of_day = np.full(len(sums), len(names))  # which profile a day is of; the last is none
    for i, period in enumerate(PROFILED):
        mine = kept & is_period(rows, period)
        of_day[place[mine]] = 2 * i + 1 - operating[mine]
    cell = (24 * of_day[:, None] + np.arange(24)).ravel()
    of_profiles = [
        np.bincount(cell, table.ravel(), 24 * len(names) + 24).reshape(-1, 24)[:-1]
        for table in (sums, counts)
    ]
    drawn = listed(significant(_mean(*of_profiles), 4))
    return {"hour": list(range(24)), **dict(zip(names, drawn, strict=True))}


def _heat(first: int, sums: np.ndarray, counts: np.ndarray) -> dict[str, np.ndarray]:
    """The same by weeks: their Mondays, datetime64[D], and mean loads, (weeks, 24), NaN where none
    is known."""
    by_week = [sum(table.reshape(-1, 7, 24).swapaxes(0, 1)) for table in (sums, counts)]
    mondays = first + 7 * np.arange(len(by_week[0]))
    return {
        "week": mondays.astype("datetime64[D]"),
        "load": significant(_mean(*by_week), 3),
    }


def heat_lists(heat: dict[str, np.ndarray]) -> dict[str, list]:
    """The heat map as charts take it."""
    if not heat:
        return {}
    return {"week": iso_days(heat["week"]), "load": listed(heat["load"])}


def _mean(sums: np.ndarray, counts: np.ndarray) -> np.ndarray:
    """NaN where there are none."""
    return np.divide(sums, counts, out=np.full(sums.shape, np.nan), where=counts > 0)
