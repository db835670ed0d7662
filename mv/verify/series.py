"""What charts draw: daily, monthly, cumulative, profile and heat-map series of one carrier.

Everything here is arrays in, plain lists out; no number is made that a table doesn't also show.
Load profiles and the heat map are mean kW by local hour; energy series are per day or bill.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd

from mv.baseline.rows import is_used
from mv.prepare import BASELINE, REPORTING, PreparedCarrier
from mv.readings.clock import local_seconds

DIGITS = 6
"""Significant digits of a drawn value; results.json carries the full numbers."""


def rounded(values: np.ndarray, digits: int = DIGITS) -> list:
    """Values with so many significant digits as a list, None for what isn't finite; (n,)."""
    values = np.asarray(values, float)
    finite = np.isfinite(values)
    safe = np.where(finite & (values != 0), np.abs(values), 1.0)
    scale = 10.0 ** (digits - 1 - np.floor(np.log10(safe)))
    out = np.where(finite, np.round(values * scale) / scale, np.nan).tolist()
    if not finite.all():
        for i in np.flatnonzero(~finite):
            out[i] = None
    return out


def iso_days(days: np.ndarray | pd.DatetimeIndex) -> list[str]:
    """ISO dates; (n,)."""
    return np.datetime_as_string(np.asarray(days, "datetime64[D]")).tolist()


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
    common = {
        "measured": rounded(rows["energy"] * days),
        "modelled": rounded(modelled),
        "temperature": rounded(rows["temperature"], 4),
        "operating": rounded(rows["operating"], 4),
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
    months, index = np.unique(starts.astype("datetime64[M]"), return_inverse=True)
    count = len(months)
    sums = [np.bincount(index, values, count) for values in (measured, adjusted, days)]
    return {
        "month": np.datetime_as_string(months).tolist(),
        "measured": rounded(sums[0]),
        "adjusted_baseline": rounded(sums[1]),
        "avoided": rounded(sums[1] - sums[0]),
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
    line = rounded(np.cumsum(days) * estimated_per_day) if estimated_per_day is not None else []
    return {
        "date": iso_days(ends),
        "avoided": rounded(total),
        "low": rounded(total - half_widths),
        "high": rounded(total + half_widths),
        "estimated": line,
    }


def load_shapes(
    prepared: PreparedCarrier, time_zone: str
) -> tuple[dict[str, list], dict[str, list]]:
    """Mean daily profiles by period and kind of day, and the heat map of weeks by hours.

    Both empty for bills and for steps longer than an hour.
    """
    if prepared.interval is None or prepared.step_seconds > 3600:
        return {}, {}
    seconds = local_seconds(prepared.interval.starts, time_zone)
    load = prepared.interval.energy * (3600.0 / prepared.step_seconds)
    hour = (seconds // 3600) % 24
    day = seconds // 86400
    known = np.isfinite(load)
    return (
        _profiles(prepared.rows, day, hour, load, known),
        _heat(day, hour, load, known),
    )


def _profiles(
    rows: pd.DataFrame, day: np.ndarray, hour: np.ndarray, load: np.ndarray, known: np.ndarray
) -> dict[str, list]:
    row_day = rows.index.to_numpy("datetime64[D]").astype(np.int64)
    place = np.clip(day - row_day[0], 0, len(row_day) - 1)
    used = is_used(rows)
    period = rows["period"].to_numpy(dtype=object)
    operating = rows["operating"].to_numpy(float) >= 0.5
    kind = np.full(len(rows), -1)
    names: Sequence[tuple[str, str, bool]] = (
        ("baseline_operating", BASELINE, True),
        ("baseline_non_operating", BASELINE, False),
        ("reporting_operating", REPORTING, True),
        ("reporting_non_operating", REPORTING, False),
    )
    for code, (_, name, works) in enumerate(names):
        kind[used & (period == name) & (operating == works)] = code
    of_interval = kind[place]
    keep = known & (of_interval >= 0) & (day >= row_day[0]) & (day <= row_day[-1])
    cell = of_interval[keep] * 24 + hour[keep]
    sums = np.bincount(cell, load[keep], 96)
    counts = np.bincount(cell, minlength=96)
    mean = np.divide(sums, counts, out=np.full(96, np.nan), where=counts > 0)
    found = {"hour": list(range(24))}
    for code, (name, _, _) in enumerate(names):
        found[name] = rounded(mean[code * 24 : code * 24 + 24], 4)
    return found


def _heat(
    day: np.ndarray, hour: np.ndarray, load: np.ndarray, known: np.ndarray
) -> dict[str, list]:
    week = (day + 3) // 7  # day 0 of the count is a Thursday; weeks begin on Monday
    first = int(week[0])
    weeks = int(week[-1]) - first + 1
    cell = (week[known] - first) * 24 + hour[known]
    sums = np.bincount(cell, load[known], weeks * 24)
    counts = np.bincount(cell, minlength=weeks * 24)
    mean = np.divide(sums, counts, out=np.full(weeks * 24, np.nan), where=counts > 0)
    values = rounded(mean, 3)
    mondays = (np.arange(first, first + weeks) * 7 - 3).astype("datetime64[D]")
    return {
        "week": iso_days(mondays),
        "load": [values[i : i + 24] for i in range(0, weeks * 24, 24)],
    }
