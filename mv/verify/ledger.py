"""Which non-routine events are on record, and what does each do to the saving?

Declared events come from events.csv and were taken off the measured rows of both periods when
these were prepared; suspected ones were found in the residuals and change nothing: they are
questions to the owner.
"""

from __future__ import annotations

import numpy as np

from mv.baseline.rows import is_used
from mv.prepare import REPORTING, PreparedCarrier, is_period
from mv.results import EventEntry
from mv.savings.avoided import row_days
from mv.savings.drift import carrier_kind
from mv.savings.events import SuspectedEvent, declared_events, suspected_events
from mv.verify.fits import Fits


def corrected_level(carrier: str) -> bool:
    """Whether the model's level carries the recency correction."""
    return carrier_kind(carrier) == "electricity"


def adjustment(prepared: PreparedCarrier) -> float:
    """Non-routine adjustment of the reporting period, energy: what declared events added to
    measured use there; positive adds to the saving."""
    rows = prepared.rows
    added = np.asarray(rows["adjustment"], float)
    if not added.any():
        return 0.0
    counts = is_period(rows, REPORTING) & is_used(rows)
    return float(added[counts] @ row_days(rows)[counts])


def declared(prepared: PreparedCarrier, fits: Fits | None) -> tuple[list[EventEntry], float]:
    """Entries of the declared events, and the standard error of all adjustments together."""
    if fits is None or not prepared.events:
        return [_entry(event, prepared.unit) for event in prepared.events], 0.0
    entries, error = declared_events(
        fits.fit,
        fits.baseline.frame(),
        fits.reporting.frame(),
        prepared.events,
        unit=prepared.unit,
        level_corrected=corrected_level(prepared.carrier),
    )
    made = [
        _entry(
            e.event,
            prepared.unit,
            change_per_day=e.change_per_day,
            standard_error=e.standard_error,
            effect_on_savings=e.effect_on_savings,
            question=e.note,
        )
        for e in entries
    ]
    return made, error


def suspects(fits: Fits, carrier: str) -> list[SuspectedEvent]:
    """What looks like an event in the daily rows of either period."""
    if fits.granularity == "bills":
        return []
    return suspected_events(
        fits.fit,
        fits.baseline,
        fits.reporting,
        level_corrected=corrected_level(carrier),
        night=fits.hourly.night if fits.hourly is not None else None,
    )


def suspected(found: list[SuspectedEvent], unit: str) -> list[EventEntry]:
    """Entries of the suspected events."""
    return [
        EventEntry(
            what=f"{e.period} period: {e.what}",
            start=e.start,
            end=e.end,
            kind="suspected",
            treatment="none: a question",
            change_per_day=e.change_per_day,
            standard_error=e.standard_error,
            effect_on_savings=e.effect_on_savings,
            unit=unit,
            question=e.question,
        )
        for e in found
    ]


def _entry(event, unit: str, **numbers) -> EventEntry:
    known = {
        "change_per_day": None,
        "standard_error": None,
        "effect_on_savings": None,
        **numbers,
    }
    return EventEntry(
        what=event.what,
        start=event.start.isoformat(),
        end=event.end.isoformat() if event.end else None,
        kind="declared",
        treatment=event.treatment,
        unit=unit,
        evidence=event.evidence,
        reported_by=event.reported_by,
        approved_by=event.approved_by,
        **known,
    )
