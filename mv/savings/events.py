"""Did something other than the retrofit change what the site uses?

*Declared events* were entered with their treatment.  Here each gets its line in the ledger: what
its adjustment is worth in the saving, and with what standard error.

*Suspected events* are found: level shifts and pulses in the residuals of both periods, a changed
ratio of operating to non-operating days, a changed night base.  They are questions to the owner
with dates, size and effect, never adjustments.  Each period is held against its own level, so the
step between baseline and reporting period, which is the saving, is no event.

Kinds and treatments follow the IPMVP application guide on non-routine events (2020, meaning only).
An event that added δ a day over the rows W changes the avoided energy, if taken off, by
+Σ_W δ in the reporting period and by −Σ_W a_t δ (w_t) in the baseline, a_t = x_t'(X'WX)⁻¹g
(`model_variance.py`), the level correction following its residuals.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import Literal

import numpy as np
import pandas as pd

from mv import units
from mv.baseline.columns import Rows
from mv.baseline.rows import moments_of, used
from mv.readings.clock import day_index
from mv.savings.avoided import row_days
from mv.savings.drift import RECENCY_SHARE, recency_weights, row_spans
from mv.savings.model_variance import fit_rows, solve, sum_row
from mv.savings.shifts import Series, Shift, find_in_all, find_shifts
from mv.savings.windows import NIGHTS, WEEKS
from mv.wording import percent

SIZE_LEAST = 0.03
"""Smallest shift told, fraction of the period's mean use (own convention)."""
RELATIVE_ERROR = 0.5
"""Standard error of a declared change given without one, as a share of the change (own
convention; it is said beside the figure)."""
FULL_YEAR = 330
"""Days from which a period's season can be told from its level (own convention)."""
NIGHT_HOURS = (1, 2, 3, 4)
"""Local hours whose use is the night base."""
_IS_NIGHT = np.isin(np.arange(24), NIGHT_HOURS)

Kind = Literal["level shift", "pulse", "non-operating days", "night base"]

QUESTIONS: dict[Kind, str] = {
    "level shift": (
        "Did occupancy, opening hours or equipment change for good around this day, or was the "
        "meter, its multiplier or its unit changed?"
    ),
    "pulse": (
        "Was there an outage, a closure, a special event, a tenant's works or a meter fault in "
        "these days?"
    ),
    "non-operating days": (
        "Did use on non-operating days change against operating days: new opening days, weekend "
        "work, or controls that no longer switch off?"
    ),
    "night base": (
        "Did use at night change: equipment left on or switched off, vehicle charging, cooling, "
        "server or security loads?"
    ),
}


@dataclass(frozen=True)
class SuspectedEvent:
    """One thing found in the residuals; energies in the carrier's canonical unit."""

    kind: Kind
    period: Literal["baseline", "reporting"]
    start: str
    """ISO date."""
    end: str | None
    """ISO date, inclusive; None where it goes on to the end of the period."""
    change_per_day: float
    """Signed; positive where use rose."""
    standard_error: float
    score: float
    fraction: float
    """Change as a fraction of the period's mean use a day."""
    effect_on_savings: float | None
    """What avoided energy would change by if this were adjusted; None where it can't be told."""
    question: str

    @property
    def what(self) -> str:
        """The event in a few words."""
        verb = "rose" if self.change_per_day > 0 else "fell"
        where = {
            "level shift": "use",
            "pulse": "use",
            "non-operating days": "use on non-operating days",
            "night base": "use at night",
        }[self.kind]
        return f"{where} {verb} by {percent(abs(self.fraction))} of mean use"


@dataclass(frozen=True)
class DeclaredEvent:
    """One declared event's line in the ledger."""

    event: object
    """The row of events.csv."""
    change_per_day: float | None
    """Canonical unit a day; positive where the event added use."""
    standard_error: float | None
    effect_on_savings: float | None
    """What its adjustment adds to avoided energy; None where days were excluded or only noted."""
    effect_error: float
    """Standard error of that effect."""
    note: str


def declared_events(
    fit,
    baseline_rows: pd.DataFrame,
    reporting_rows: pd.DataFrame,
    events: Sequence,
    *,
    unit: str,
    level_corrected: bool,
) -> tuple[list[DeclaredEvent], float]:
    """Put declared events into the ledger; returns them and their joint standard error.

    `events` are rows of events.csv; `unit` is the carrier's canonical unit.  Independent events
    add in quadrature.
    """
    ledger, variance = [], 0.0
    for event in events:
        if event.treatment != "adjust" or event.change is None:
            note = "days left out of fit and sum" if event.treatment == "exclude" else "only noted"
            ledger.append(DeclaredEvent(event, None, None, None, 0.0, note))
            continue
        factor = units.factor(event.unit, unit)
        change = event.change * factor
        error, note = RELATIVE_ERROR * abs(change), ""
        if event.standard_error is not None:
            error = event.standard_error * factor
        else:
            note = f"no standard error was given; {percent(RELATIVE_ERROR)} of the change is taken"
        per_unit = effect_of_change(
            fit,
            baseline_rows,
            reporting_rows,
            baseline_change=_share_within(used(baseline_rows), event.start, event.end),
            reporting_change=_share_within(used(reporting_rows), event.start, event.end),
            level_corrected=level_corrected,
        )
        effect_error = abs(per_unit) * error
        variance += effect_error**2
        ledger.append(DeclaredEvent(event, change, error, per_unit * change, effect_error, note))
    return ledger, math.sqrt(variance)


def suspected_events(
    fit,
    baseline_rows: Rows,
    reporting_rows: Rows,
    *,
    level_corrected: bool,
    night: pd.Series | None = None,
) -> list[SuspectedEvent]:
    """Find what looks like a non-routine event in daily rows of both periods, strongest first.

    Parameters
    ----------
    fit : baseline model of the days.
    night : energy a night by local date (`night_energy`), where intervals are there.

    Returns
    -------
    Suspected events of both periods; empty for bills, which are too few.
    """
    if "days" in baseline_rows.columns:
        return []
    periods = [
        _period(fit, name, used(rows))
        for name, rows in (("baseline", baseline_rows), ("reporting", reporting_rows))
    ]
    periods = [p for p in periods if p is not None]
    with_season = any(np.ptp(p.day) >= FULL_YEAR for p in periods)
    found: list[SuspectedEvent] = []
    shifts = find_in_all(
        [Series(p.residuals, p.design, p.season if with_season else None) for p in periods],
        least=[SIZE_LEAST * p.mean for p in periods],
    )
    quiet = []
    for period, told in zip(periods, shifts, strict=True):
        cleaned = period.residuals.copy()
        for shift in told:
            cleaned[shift.first : shift.last + 1] -= shift.size
            change = np.zeros(len(cleaned))
            change[shift.first : shift.last + 1] = shift.size
            effect = effect_of_change(
                fit,
                baseline_rows,
                reporting_rows,
                **{f"{period.name}_change": change},
                level_corrected=level_corrected,
            )
            kind = "level shift" if shift.open_end else "pulse"
            found.append(period.event(kind, shift, shift.first, shift.last, effect))
        weekly = [
            period.event("non-operating days", shift, *span)
            for shift, span in _weekly_contrast(period, cleaned)
        ]
        found += weekly
        if not told and not weekly:
            quiet.append(period)
    if night is not None and len(night):
        found += _night_shifts(quiet, night, with_season)
    return sorted(found, key=lambda e: -e.score)


def effect_of_change(
    fit,
    baseline_rows: pd.DataFrame,
    reporting_rows: pd.DataFrame,
    *,
    baseline_change: np.ndarray | None = None,
    reporting_change: np.ndarray | None = None,
    level_corrected: bool = False,
) -> float:
    """What avoided energy changes by when a change of use is taken off the measured rows.

    `baseline_change`, `reporting_change`: energy a day per used row of the period.
    """
    effect = 0.0
    if reporting_change is not None:
        effect += float(row_days(used(reporting_rows)) @ reporting_change)
    if baseline_change is not None and np.any(baseline_change):
        rows = used(baseline_rows)
        x, _, weight = fit_rows(fit, rows)
        g, days = sum_row(fit, used(reporting_rows))
        effect -= float((x @ solve(x, weight, g)) @ (weight * baseline_change))
        if level_corrected:
            fitted = x @ solve(x, weight, x.T @ (weight * baseline_change))
            recent = recency_weights(rows)
            left = float(recent @ (baseline_change - fitted)) / float(recent.sum())
            effect -= RECENCY_SHARE * left * float(days.sum())
    return effect


def night_energy(energy: np.ndarray, local_hour: np.ndarray) -> pd.Series:
    """Energy of each local night's base hours, by local date; days with all of them present.

    `energy` : of each hour, (n,); `local_hour` : hours since 1970 on the site's clock, in order.
    """
    if not len(local_hour):
        return pd.Series(dtype=float)
    first, last = int(local_hour[0]) // 24, int(local_hour[-1]) // 24
    place = local_hour - first * 24
    is_night = np.tile(_IS_NIGHT, last - first + 1)[place]
    there = np.flatnonzero(is_night & np.isfinite(energy))
    day = place[there] // 24
    total = np.bincount(day, energy[there])
    whole = np.flatnonzero(np.bincount(day) >= len(NIGHT_HOURS))
    return pd.Series(total[whole], index=day_index(first + whole))


@dataclass(frozen=True)
class _Period:
    """Days of one period, held against the baseline model."""

    name: Literal["baseline", "reporting"]
    day: np.ndarray
    """Days since 1970, rising."""
    mean: float
    residuals: np.ndarray
    design: np.ndarray
    """The period's own level and response: an event is a step away from these, and a saving that
    grows with use is none."""
    temperature: np.ndarray
    operating: np.ndarray

    @cached_property
    def season(self) -> np.ndarray:
        """Yearly harmonic pair at the period's days, (days, 2)."""
        turn = 2 * np.pi * self.day / 365.25
        return np.column_stack([np.cos(turn), np.sin(turn)])

    def event(
        self, kind: Kind, shift: Shift, first: int, last: int, effect: float | None = None
    ) -> SuspectedEvent:
        """A shift from one row to another, told as a question."""
        start, end = (str(self.day[i].astype("datetime64[D]")) for i in (first, last))
        return SuspectedEvent(
            kind=kind,
            period=self.name,
            start=start,
            end=None if shift.open_end else end,
            change_per_day=shift.size,
            standard_error=shift.standard_error,
            score=shift.score,
            fraction=shift.size / self.mean,
            effect_on_savings=effect,
            question=QUESTIONS[kind],
        )


def _period(fit, name: Literal["baseline", "reporting"], rows: Rows) -> _Period | None:
    energy = np.asarray(rows["energy"], dtype=float)
    mean = float(energy.mean()) if len(energy) else 0.0
    if not mean > 0:
        return None
    design = fit.design(rows)
    return _Period(
        name=name,
        day=moments_of(rows).astype("datetime64[D]").astype(np.int64),
        mean=mean,
        residuals=energy - design @ fit.coefficients,
        design=design,
        temperature=np.asarray(rows["temperature"], dtype=float),
        operating=np.asarray(rows["operating"], dtype=float),
    )


def _weekly_contrast(period: _Period, residuals: np.ndarray) -> list[tuple[Shift, tuple[int, int]]]:
    """Shifts of (non-operating − operating) residual by week, with first and last row."""
    week = (period.day + 3) // 7
    week = week - week[0]
    size = int(week[-1]) + 1
    kind = 2 * week + (period.operating > 0.5)
    counts = np.bincount(kind, minlength=2 * size).reshape(size, 2)
    sums = np.bincount(kind, residuals, 2 * size).reshape(size, 2)
    place = np.flatnonzero((counts >= [1, 2]).all(axis=1))
    if not len(place):
        return []
    rest, work = (sums[place] / counts[place]).T
    contrast = rest - work
    found = []
    for shift in find_shifts(contrast, least=2 * SIZE_LEAST * period.mean, scan=WEEKS, most=1):
        first = int(np.searchsorted(week, place[shift.first]))
        last = int(np.searchsorted(week, place[shift.last], side="right")) - 1
        found.append((shift, (first, last)))
    return found


def _night_shifts(
    periods: list[_Period], night: pd.Series, with_season: bool
) -> list[SuspectedEvent]:
    """Shifts of the night's energy once temperature and operating days are taken off."""
    nights = night.index.to_numpy().astype("datetime64[D]").astype(np.int64)
    energy = night.to_numpy(dtype=float)
    rows, series = [], []
    for period in periods:
        place = np.minimum(np.searchsorted(nights, period.day), len(nights) - 1)
        there = np.flatnonzero((nights[place] == period.day) & np.isfinite(energy[place]))
        t = period.temperature[there]
        x = np.column_stack([np.ones(len(there)), t, t**2, period.operating[there]])
        rows.append(there)
        season = period.season[there] if with_season else None
        series.append(Series(energy[place[there]], x, season))
    least = [SIZE_LEAST * p.mean * len(NIGHT_HOURS) / 24 for p in periods]
    return [
        period.event("night base", shift, int(there[shift.first]), int(there[shift.last]))
        for period, there, shifts in zip(
            periods, rows, find_in_all(series, least=least, scan=NIGHTS, most=1), strict=True
        )
        for shift in shifts
    ]


def _share_within(rows: pd.DataFrame, first, last) -> np.ndarray:
    """Share of each row's span that lies between two dates, both inclusive (open end: None)."""
    start, end = row_spans(rows)
    low = np.datetime64(first).astype("datetime64[D]").astype(np.int64)
    high = np.datetime64(last).astype("datetime64[D]").astype(np.int64) + 1 if last else np.inf
    return np.clip(np.minimum(end, high) - np.maximum(start, low), 0, None) / (end - start)
