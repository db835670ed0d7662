"""What was the highest demand in each billing period?

Billed demand is the highest mean power over a window of the clock (15 or 30 minutes, usually) in a
billing period (common practice, no source).  Windows start at whole multiples of their length
since midnight; a window with a missing interval has no demand.  Readings coarser than the window
understate it, and that is told.  Bills carry the demand that the meter printed.
"""

from __future__ import annotations

import numpy as np

from mv.money.load import Load

MINUTES_AN_HOUR = 60.0
WHOLE = 1e-6
"""Part of a window that rounding may lack."""


def window_means(load: Load, window: int) -> tuple[np.ndarray, np.ndarray]:
    """Mean power in every window of `window` minutes.

    Returns kW (w,), NaN for incomplete windows, and the position of each window's first interval
    (w,).  A window shorter than the readings is taken as one reading long.
    """
    step = float(load.hours[0]) * MINUTES_AN_HOUR
    if window <= step + WHOLE:
        return load.energy / load.hours, np.arange(len(load.energy))
    minute = load.start.astype("datetime64[m]").astype(np.int64)
    number = minute // window
    begins = np.flatnonzero(np.concatenate([[True], number[1:] != number[:-1]]))
    energy = np.add.reduceat(load.energy, begins)
    hours = np.add.reduceat(load.hours, begins)
    whole = hours * MINUTES_AN_HOUR >= window - WHOLE
    return np.where(whole, energy / hours, np.nan), begins


def period_peaks(load: Load, window: int, counts: np.ndarray | None) -> np.ndarray:
    """Highest window mean of each billing period in kW, shape (k,); NaN where none is known.

    `counts` says whether each interval counts, shape (n,); a window counts with its first one.
    """
    count = load.billing.count
    if load.kind == "bill":
        return np.full(count, np.nan) if load.peak is None else np.asarray(load.peak, float)
    peaks = np.full(count, np.nan)
    if load.kind == "day":
        return peaks
    power, first = window_means(load, window)
    period = load.billing.index[first]
    if counts is not None:
        power = np.where(counts[first], power, np.nan)
    if (np.diff(period) < 0).any():  # clocks put back over the turn of a month
        order = np.argsort(period, kind="stable")
        power, period = power[order], period[order]
    begins = np.flatnonzero(np.concatenate([[True], period[1:] != period[:-1]]))
    peaks[period[begins]] = np.fmax.reduceat(power, begins)
    return peaks
