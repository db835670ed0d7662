"""Which non-routine events are on record, and what does each do to the saving?

Declared events come from events.csv and were applied when the rows were prepared; suspected
ones were found in the residuals and change nothing: they are questions.
"""

from __future__ import annotations

import datetime as dt
import math

import numpy as np

from mv import units
from mv.portfolio.schema import Event
from mv.prepare import REPORTING, PreparedCarrier
from mv.results import EventEntry
from mv.savings.avoided import row_days


def adjustment(prepared: PreparedCarrier) -> tuple[float, float]:
    """Non-routine adjustment of the reporting period and its standard error, energy.

    What declared events added to measured use is taken off it, so it adds to the saving.  The
    errors of one event's days are one error; those of several events are independent.
    """
    rows = prepared.rows
    reporting = rows[(rows["period"] == REPORTING) & (rows["status"] == "used")]
    days = row_days(reporting)
    value = float(reporting["adjustment"].to_numpy(float) @ days)
    errors = [
        (event.standard_error or 0.0)
        * units.factor(event.unit, prepared.unit)
        * _days_within(event, prepared)
        for event in prepared.events
        if event.treatment == "adjust" and event.change is not None
    ]
    return value, math.sqrt(sum(e * e for e in errors))


def _days_within(event: Event, prepared: PreparedCarrier) -> float:
    """Days of the reporting period on which the event was going on."""
    window = prepared.window
    end = min(event.end or window.reporting_end, window.reporting_end)
    return float(max((end - max(event.start, window.reporting_start)).days + 1, 0))


def declared(prepared: PreparedCarrier) -> list[EventEntry]:
    """Entries of the events that were declared."""
    entries = []
    for event in prepared.events:
        change = None
        if event.change is not None:
            change = event.change * units.factor(event.unit, prepared.unit)
        effect = None
        if event.treatment == "adjust" and change is not None:
            effect = change * _days_within(event, prepared)
        entries.append(
            EventEntry(
                what=event.what,
                start=event.start.isoformat(),
                end=event.end.isoformat() if event.end else None,
                kind="declared",
                treatment=event.treatment,
                change_per_day=change,
                standard_error=event.standard_error,
                effect_on_savings=effect,
                unit=prepared.unit,
                evidence=event.evidence,
                reported_by=event.reported_by,
                approved_by=event.approved_by,
            )
        )
    return entries


def excluded_days(prepared: PreparedCarrier) -> int:
    """Rows that declared events left out."""
    return int(np.count_nonzero(prepared.rows["status"] == "event_excluded"))


def iso(day: dt.date | np.datetime64) -> str:
    """ISO text of a day."""
    return str(np.datetime64(day, "D"))
