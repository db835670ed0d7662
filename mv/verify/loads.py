"""The loads that a rate prices: measured, and adjusted baseline, piece by piece on one clock.

A rate with hours or demand in it needs intervals: the official daily energies are spread over
the hours, the measured ones by the meter, the adjusted baseline by the hourly model.  A flat
rate prices days or bills as they are.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from mv.baseline.rows import is_used
from mv.money.load import Load, bill_load, daily_load, interval_load, shaped
from mv.prepare import REPORTING, PreparedCarrier, is_period, year_before
from mv.prepare.periods import DAY
from mv.readings.clock import local_hours
from mv.savings.avoided import Avoided
from mv.verify.fits import Hourly


@dataclass(frozen=True, kw_only=True)
class HourShape:
    """What is needed to spread days over intervals, kept when the readings are let go."""

    starts: np.ndarray
    """UTC seconds of the reporting period's intervals, (n,)."""
    step_seconds: int
    measured: np.ndarray
    """Energy by interval of the reporting period, (n,)."""
    modelled: np.ndarray
    """Hourly model's energy by interval, (n,); NaN where there is none."""
    earlier_starts: np.ndarray
    earlier: np.ndarray
    """Energy by interval of the 12 months before the reporting period, for ratchets."""


def hour_shape(
    prepared: PreparedCarrier, hourly: Hourly | None, time_zone: str
) -> HourShape | None:
    """Shapes of both loads over the reporting period, at the meter's own step."""
    if prepared.interval is None or hourly is None:
        return None
    starts, energy = prepared.interval.starts, prepared.interval.energy
    first, last = prepared.window.reporting_start, prepared.window.reporting_end
    days = np.array([year_before(first), first, last + DAY], "datetime64[D]").astype(np.int64)
    looks_back, begin, end = np.searchsorted(local_hours(starts, time_zone), days * 24)
    if begin == end:
        return None
    hours = hourly.reporting.index.astype(np.int64) // 3600
    own = starts[begin:end] // 3600
    shape = np.full(len(own), np.nan)
    if len(hours):
        place = np.minimum(np.searchsorted(hours, own), len(hours) - 1)
        known = hours[place] == own
        parts = 3600 / prepared.step_seconds
        shape[known] = hourly.reporting["modelled"][place[known]] / parts
    return HourShape(
        starts=starts[begin:end],
        step_seconds=prepared.step_seconds,
        measured=energy[begin:end],
        modelled=shape,
        earlier_starts=starts[looks_back:begin],
        earlier=energy[looks_back:begin],
    )


def history(shape: HourShape | None, time_zone: str) -> Load | None:
    """Measured load of the year before the reporting period, where a rate looks back at it."""
    if shape is None or not len(shape.earlier):
        return None
    return interval_load(shape.earlier_starts, shape.earlier, shape.step_seconds, time_zone)


def loads(
    prepared: PreparedCarrier,
    avoided: Avoided,
    shape: HourShape | None,
    time_zone: str,
    *,
    needs_intervals: bool,
) -> tuple[Load, Load]:
    """Measured and adjusted-baseline load over the used rows of the reporting period."""
    if prepared.kind == "bills":
        rows = prepared.rows
        rows = rows[is_period(rows, REPORTING) & is_used(rows)]
        measured = bill_load(rows["start"], rows["end"], avoided.measured_rows)
        return measured, measured.with_energy(avoided.modelled_rows)
    dates = np.asarray(avoided.index, dtype="datetime64[D]")
    if not needs_intervals or shape is None:
        measured = daily_load(avoided.index, avoided.measured_rows)
        return measured, measured.with_energy(avoided.modelled_rows)
    raw = interval_load(shape.starts, shape.measured, shape.step_seconds, time_zone)
    measured = shaped(raw, None, dates, avoided.measured_rows)
    return measured, shaped(raw, shape.modelled, dates, avoided.modelled_rows)
