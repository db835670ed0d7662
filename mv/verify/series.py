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


def listed(values: np.ndarray) -> list:
    """Values as a list, None for NaN; (n,)."""
    out = values.tolist()
    for i in np.flatnonzero(np.isnan(values)).tolist():
        out[i] = None
    return out


def iso_days(days: np.ndarray | pd.DatetimeIndex) -> list[str]:
    """ISO dates; (n,)."""
    days = np.asarray(days, "datetime64[D]")
    if not len(days):
        return []
    first, last = days.min(), days.max()
    start = first.astype("datetime64[Y]")
    names = _iso_of_years(start, last.astype("datetime64[Y]"))
    places = (days - start).astype(int)
    if len(places) == places[-1] - places[0] + 1 and (np.diff(places) == 1).all():
        return names[places[0] : places[-1] + 1]
    return [names[place] for place in places.tolist()]


@lru_cache(maxsize=64)
def _iso_of_years(first: np.datetime64, last: np.datetime64) -> list[str]:
    """ISO dates from the first day of a year to the last of another, datetime64[Y]."""
    return np.datetime_as_string(np.arange(first, last + 1, dtype="datetime64[D]")).tolist()


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
    measured, modelled = significant(np.stack([rows["energy"] * days, modelled]))
    temperature, operating = significant(np.stack([rows["temperature"], rows["operating"]]), 4)
    common = {
        "measured": listed(measured),
        "modelled": listed(modelled),
        "temperature": listed(temperature),
        "operating": listed(operating),
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
    lines = significant(np.stack([sums[0], sums[1], sums[1] - sums[0]]))
    return {
        "month": np.datetime_as_string(first + there).tolist(),
        **dict(zip(("measured", "adjusted_baseline", "avoided"), map(listed, lines), strict=True)),
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
    drawn = map(listed, significant(np.stack(list(lines.values()))))
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
    days = np.zeros((len(names), len(sums)))  # of each profile, 1 on the days that it is of
    for i, period in enumerate(PROFILED):
        mine = kept & is_period(rows, period)
        days[2 * i + 1 - operating[mine], place[mine]] = 1.0
    drawn = map(listed, significant(_mean(days @ sums, days @ counts), 4))
    return {"hour": list(range(24)), **dict(zip(names, drawn, strict=True))}


def _heat(first: int, sums: np.ndarray, counts: np.ndarray) -> dict[str, np.ndarray]:
    """The same by weeks: their Mondays, datetime64[D], and mean loads, (weeks, 24), NaN where none
    is known."""
    by_week = [table.reshape(-1, 7, 24).sum(axis=1) for table in (sums, counts)]
    mondays = first + 7 * np.arange(len(by_week[0]))
    return {
        "week": mondays.astype("datetime64[D]"),
        "load": significant(_mean(*by_week), 3),
    }


def heat_lists(heat: dict[str, np.ndarray]) -> dict[str, list]:
    """The heat map as charts take it."""
    if not heat:
        return {}
    values = listed(heat["load"].ravel())
    return {
        "week": iso_days(heat["week"]),
        "load": [values[i : i + 24] for i in range(0, len(values), 24)],
    }


def _mean(sums: np.ndarray, counts: np.ndarray) -> np.ndarray:
    """NaN where there are none."""
    return np.divide(sums, counts, out=np.full(sums.shape, np.nan), where=counts > 0)
