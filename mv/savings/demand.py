"""Did the retrofit lower the peak, and by how much?

A demand saving is claimed only where the meter shows it; the default is "not claimed", in words.
Two figures, both from the hourly model at reporting-period conditions:

*Monthly billing peak*.  A model smooths, so its own peak is too low.  In each baseline month the
measured peak (highest mean over the billing interval) is held against the model's highest hour;
the mean ratio R carries the model's peaks of the reporting months to billing peaks:
D = mean_m (R·Q_m − K_m), Q_m the model's highest hour, K_m the measured peak.  Its model part is
Q̄·s_R·√(1/n + 1/m), s_R the ratios' standard deviation over n baseline months, widened by Student.

*Mean over a window* (the hours that a rate or a grid calls peak): mean of model − measured over the
window's hours on operating days, with Newey-West over days: s² = (NW/n)·(1/n + 1/m).

The drift part is that of the site's energy; what peaks drift more shows in s_R.  Months with
missing hours are left out: a peak is never estimated.  (Own method; IPMVP and Guideline 14 ask for
demand savings with uncertainty and leave the way open.)
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np

from mv.baseline.columns import Rows
from mv.baseline.rows import used
from mv.quantity import Interval, around
from mv.readings.clock import local_midnights
from mv.readings.series import Intervals
from mv.savings.model_variance import NEWEY_WEST_LAGS, newey_west
from mv.savings.quantiles import normal_quantile, student_quantile
from mv.savings.uncertainty import SavingsUncertainty

BILLING_SECONDS = 900
"""Interval over which billed demand is averaged where no rate says otherwise (common practice);
longer where readings are."""
WINDOW_HOURS = (14, 15, 16, 17)
"""Local hours of the window where none is given: late afternoon (common practice, no source)."""
MONTH_COVERAGE = 0.98
"""Share of a month's hours that must be measured for its peak to count (own convention)."""
BASELINE_MONTHS_LEAST = 9
REPORTING_MONTHS_LEAST = 3
"""Whole months on either side under which no peak saving is claimed (own convention)."""
WINDOW_DAYS_LEAST = 60
"""Days on either side under which no window saving is claimed (own convention)."""


@dataclass(frozen=True)
class DemandSavings:
    """Demand saving in kW, or why none is claimed."""

    claimed: bool
    """Whether the billing peak's interval lies above zero."""
    words: str
    peak: Interval | None = None
    """Mean saving of the monthly billing peak."""
    window: Interval | None = None
    """Mean saving over the window's hours."""
    window_words: str = ""
    months: list[dict] = field(default_factory=list)
    """`month`, `adjusted_peak`, `measured_peak`, `saving`, kW."""


@dataclass(frozen=True)
class Estimate:
    """A demand saving before its interval, kW."""

    value: float
    s: float
    """Standard deviation of its model part."""
    degrees: float
    """Degrees of freedom of `s`."""
    base: float
    """Mean adjusted demand that the drift is a fraction of."""

    def interval(self, uncertainty: SavingsUncertainty) -> Interval:
        """With the drift, quantile and confidence of the site's official interval."""
        confidence = uncertainty.confidence
        widened = self.s * student_quantile(confidence, self.degrees) / normal_quantile(confidence)
        half = uncertainty.quantile * math.hypot(widened, uncertainty.drift_tau * self.base)
        return around(
            self.value,
            half,
            "kW",
            confidence=confidence,
            kind="mean",
            method="model part and drift part in quadrature, Student's quantile of the drift",
            base=self.base,
            fraction_of="adjusted peak",
        )


@dataclass(frozen=True)
class DemandBasis:
    """Both demand figures as the readings give them; `concluded` adds their intervals."""

    why_not: str = ""
    """Why no peak saving can be told; empty when it can."""
    peak: Estimate | None = None
    baseline_months: int = 0
    window: Estimate | None = None
    window_words: str = ""
    months: list[dict] = field(default_factory=list)

    def concluded(self, uncertainty: SavingsUncertainty) -> DemandSavings:
        """The verified demand saving; `claimed` is False, with a reason, where none is shown."""
        window = self.window.interval(uncertainty) if self.window is not None else None
        shown = {"window": window, "window_words": self.window_words}
        if self.peak is None:
            return DemandSavings(False, f"Not claimed: {self.why_not}", **shown)
        peak = self.peak.interval(uncertainty)
        words = _peak_words(peak, self.baseline_months, len(self.months))
        return DemandSavings(peak.low > 0, words, peak, months=self.months, **shown)


def demand_basis(
    baseline_hours: Rows,
    reporting_hours: Rows,
    interval: Intervals,
    *,
    step_seconds: int,
    time_zone: str,
    window_hours: Sequence[int] = WINDOW_HOURS,
    window_months: Sequence[int] = tuple(range(1, 13)),
    billing_seconds: int = BILLING_SECONDS,
) -> DemandBasis:
    """Take the monthly billing peaks and the mean over a window from the readings.

    Parameters
    ----------
    baseline_hours, reporting_hours : rows of hours of both periods with columns energy, modelled
        (by the hourly baseline model, both kWh), operating, local_hour, status.
    interval : readings in kWh, of a step of at most an hour.
    window_hours, window_months : local hours and months of the window, operating days only.
    """
    if step_seconds > 3600:
        return DemandBasis("readings are coarser than an hour, so no peak is known.")
    base, report = _hours(baseline_hours), _hours(reporting_hours)
    window, window_words = _window(base, report, hours=window_hours, months=window_months)
    peaks = _billing_peaks(interval, step_seconds, max(billing_seconds, step_seconds), time_zone)
    before, after = _months(base, *peaks), _months(report, *peaks)
    n, m = len(before.month), len(after.month)
    if n < BASELINE_MONTHS_LEAST or m < REPORTING_MONTHS_LEAST:
        why = (
            f"{n} whole months of baseline and {m} of reporting have a peak "
            f"that was measured; {BASELINE_MONTHS_LEAST} and {REPORTING_MONTHS_LEAST} are needed."
        )
        return DemandBasis(why, window=window, window_words=window_words)
    ratio = before.measured / before.modelled
    adjusted = ratio.mean() * after.modelled
    s = float(after.modelled.mean() * ratio.std(ddof=1) * math.sqrt(1 / n + 1 / m))
    months = [
        {
            "month": month,
            "adjusted_peak": a,
            "measured_peak": k,
            "saving": a - k,
        }
        for month, a, k in zip(
            np.datetime_as_string(after.month).tolist(),
            adjusted.tolist(),
            after.measured.tolist(),
            strict=True,
        )
    ]
    saving = float((adjusted - after.measured).mean())
    return DemandBasis(
        peak=Estimate(saving, s, n - 1, float(adjusted.mean())),
        baseline_months=n,
        window=window,
        window_words=window_words,
        months=months,
    )


def demand_savings(
    baseline_hours: Rows,
    reporting_hours: Rows,
    interval: Intervals,
    *,
    uncertainty: SavingsUncertainty,
    **settings,
) -> DemandSavings:
    """Verify the monthly billing peak and the mean over a window in one go.

    `settings` as in `demand_basis`; `uncertainty` is the site's official interval, whose
    confidence, quantile and τ are taken.
    """
    basis = demand_basis(baseline_hours, reporting_hours, interval, **settings)
    return basis.concluded(uncertainty)


@dataclass(frozen=True)
class _Hours:
    """Used hours of a period of which the model speaks; each (n,)."""

    energy: np.ndarray
    modelled: np.ndarray
    operating: np.ndarray
    """Whether they lie on an operating day."""
    local: np.ndarray
    """Since 1970 on the local clock, rising."""


def _hours(rows: Rows) -> _Hours:
    rows = used(rows)
    modelled = np.asarray(rows["modelled"], dtype=float)
    keep = np.isfinite(modelled)
    if not keep.all():
        rows, modelled = rows[keep], modelled[keep]
    return _Hours(
        energy=np.asarray(rows["energy"], dtype=float),
        modelled=modelled,
        operating=np.asarray(rows["operating"], dtype=float) > 0.5,
        local=np.asarray(rows["local_hour"]),
    )


@dataclass(frozen=True)
class _Months:
    """Peaks of whole local months, each (k,)."""

    month: np.ndarray
    """datetime64[M]."""
    modelled: np.ndarray
    measured: np.ndarray
    """kW."""


def _billing_peaks(
    interval: Intervals, step_seconds: int, billing_seconds: int, time_zone: str
) -> tuple[np.ndarray, np.ndarray]:
    """Local months, datetime64[M], and the highest mean power of each over whole billing
    intervals, kW; NaN where a month has none."""
    energy, starts = interval.energy, interval.starts
    if billing_seconds != step_seconds:
        block = starts // billing_seconds
        place, there = block - block[0], np.isfinite(energy)
        total = np.bincount(place, np.where(there, energy, 0.0))
        whole = np.bincount(place, there) == billing_seconds // step_seconds
        energy = np.where(whole, total, np.nan)
        starts = (block[0] + np.arange(len(total))) * billing_seconds
    dates, midnights = local_midnights(time_zone, int(starts[0]), int(starts[-1]))
    months = dates.astype("datetime64[M]")
    turns = np.flatnonzero(np.diff(months, prepend=months[0] - 1))
    first, _, seen = _stretches(starts, midnights[np.append(turns, len(dates))])
    return months[turns][seen], np.fmax.reduceat(energy, first) * (3600 / billing_seconds)


def _months(hours: _Hours, peak_month: np.ndarray, peak: np.ndarray) -> _Months:
    """Measured and modelled peak of each whole local month, kW."""
    if not len(hours.local):
        return _Months(np.zeros(0, "datetime64[M]"), np.zeros(0), np.zeros(0))
    first, last = (hours.local[[0, -1]] // 24).astype("datetime64[D]").astype("datetime64[M]")
    month = np.arange(first, last + 2)
    begins = month.astype("datetime64[D]").astype(np.int64) * 24
    first, there, seen = _stretches(hours.local, begins)
    month = month[:-1][seen]
    modelled = np.maximum.reduceat(hours.modelled, first)
    place = np.minimum(np.searchsorted(peak_month, month), len(peak) - 1)
    measured = np.where(peak_month[place] == month, peak[place], np.nan)
    whole = there >= MONTH_COVERAGE * np.diff(begins)[seen]
    whole &= (measured > 0) & (modelled > 0)
    return _Months(month[whole], modelled[whole], measured[whole])


def _stretches(ordered: np.ndarray, edges: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """First place and number of the values between each two edges, of those stretches that have
    any, and which these are, (edges − 1,)."""
    place = np.searchsorted(ordered, edges)
    there = np.diff(place)
    seen = there > 0
    return place[:-1][seen], there[seen], seen


def _window(
    base: _Hours, report: _Hours, *, hours: Sequence[int], months: Sequence[int]
) -> tuple[Estimate | None, str]:
    words = f"operating days, {min(hours):02d}:00 to {max(hours) + 1:02d}:00"
    if len(set(months)) < 12:
        words += ", months " + ", ".join(str(m) for m in sorted(set(months)))
    day, rest, _ = _by_day(base, hours, months)
    _, saving, level = _by_day(report, hours, months)
    n, m = len(rest), len(saving)
    if min(n, m) < WINDOW_DAYS_LEAST:
        return None, f"{words}: not claimed, {n} and {m} days are too few"
    lags = NEWEY_WEST_LAGS["daily"]
    variance = newey_west(rest, day, lags) / n * (1 / n + 1 / m)
    value = float(saving.mean() - rest.mean())
    return Estimate(value, math.sqrt(variance), n - 1, float(level.mean())), words


def _by_day(
    rows: _Hours, hours: Sequence[int], months: Sequence[int]
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Day number, mean of model − measured and mean of the model over the window, by day."""
    day = rows.local // 24
    in_window = np.zeros(24, dtype=bool)
    in_window[list(hours)] = True
    keep = rows.operating & in_window[rows.local - day * 24]
    if len(set(months)) < 12:
        month = day.astype("datetime64[D]").astype("datetime64[M]").astype(np.int64) % 12 + 1
        keep &= np.isin(month, list(months))
    kept = np.flatnonzero(keep)
    if not len(kept):
        return np.zeros(0, int), np.zeros(0), np.zeros(0)
    day, modelled = day[kept], rows.modelled[kept]
    place = day - day[0]
    whole = np.flatnonzero(np.bincount(place) == len(hours))
    saving = np.bincount(place, modelled - rows.energy[kept])
    level = np.bincount(place, modelled)
    return whole + day[0], saving[whole] / len(hours), level[whole] / len(hours)


def _peak_words(peak: Interval, n: int, m: int) -> str:
    size = f"{peak.value:.3g} kW ({peak.low:.3g} to {peak.high:.3g} kW)"
    if peak.low > 0:
        return f"The monthly billing peak fell by {size} on average over {m} months."
    return (
        f"Not claimed: the change of the monthly billing peak, {size} over {n} baseline and {m} "
        "reporting months, can't be told from zero."
    )
