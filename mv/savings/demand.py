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
import pandas as pd

from mv.baseline.rows import used
from mv.quantity import Interval, around
from mv.readings.clock import local_clock
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


def not_claimed(why: str) -> DemandSavings:
    """No demand saving, with the reason."""
    return DemandSavings(False, f"Not claimed: {why}")


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
    fit,
    baseline_hours: pd.DataFrame,
    reporting_hours: pd.DataFrame,
    interval: pd.DataFrame,
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
    fit : hourly baseline model, `predict(rows)` in kWh an hour.
    baseline_hours, reporting_hours : rows of hours of both periods (index UTC start).
    interval : readings, index UTC start, `energy` in kWh, of a step of at most an hour.
    window_hours, window_months : local hours and months of the window, operating days only.
    """
    if step_seconds > 3600:
        return DemandBasis("readings are coarser than an hour, so no peak is known.")
    base, report = used(baseline_hours), used(reporting_hours)
    modelled = {"base": np.asarray(fit.predict(base)), "report": np.asarray(fit.predict(report))}
    window, window_words = _window(
        base, report, modelled, time_zone=time_zone, hours=window_hours, months=window_months
    )
    peaks = _billing_peaks(interval, step_seconds, max(billing_seconds, step_seconds), time_zone)
    before = _months(base, modelled["base"], peaks, time_zone)
    after = _months(report, modelled["report"], peaks, time_zone)
    if len(before) < BASELINE_MONTHS_LEAST or len(after) < REPORTING_MONTHS_LEAST:
        why = (
            f"{len(before)} whole months of baseline and {len(after)} of reporting have a peak "
            f"that was measured; {BASELINE_MONTHS_LEAST} and {REPORTING_MONTHS_LEAST} are needed."
        )
        return DemandBasis(why, window=window, window_words=window_words)
    ratio = before["measured"].to_numpy() / before["modelled"].to_numpy()
    adjusted = ratio.mean() * after["modelled"].to_numpy()
    measured = after["measured"].to_numpy()
    n, m = len(ratio), len(measured)
    s = float(after["modelled"].mean() * ratio.std(ddof=1) * math.sqrt(1 / n + 1 / m))
    months = [
        {
            "month": np.datetime_as_string(month, unit="M").item(),
            "adjusted_peak": float(a),
            "measured_peak": float(k),
            "saving": float(a - k),
        }
        for month, a, k in zip(after.index.to_numpy(), adjusted, measured, strict=True)
    ]
    saving = float((adjusted - measured).mean())
    return DemandBasis(
        peak=Estimate(saving, s, n - 1, float(adjusted.mean())),
        baseline_months=n,
        window=window,
        window_words=window_words,
        months=months,
    )


def demand_savings(
    fit,
    baseline_hours: pd.DataFrame,
    reporting_hours: pd.DataFrame,
    interval: pd.DataFrame,
    *,
    uncertainty: SavingsUncertainty,
    **settings,
) -> DemandSavings:
    """Verify the monthly billing peak and the mean over a window in one go.

    `settings` as in `demand_basis`; `uncertainty` is the site's official interval, whose
    confidence, quantile and τ are taken.
    """
    basis = demand_basis(fit, baseline_hours, reporting_hours, interval, **settings)
    return basis.concluded(uncertainty)


def _local(index: pd.DatetimeIndex, time_zone: str) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Local day and month, both counted since 1970, and hour of each instant of an index."""
    seconds = local_clock(index, time_zone).astype(np.int64)
    day = seconds // 86_400
    span = np.arange(day.min(), day.max() + 1).astype("datetime64[D]")
    month = span.astype("datetime64[M]").astype(np.int64)[day - day.min()]
    return day, month, seconds // 3600 % 24


def _billing_peaks(
    interval: pd.DataFrame, step_seconds: int, billing_seconds: int, time_zone: str
) -> pd.Series:
    """Highest mean power of each local month over whole billing intervals, kW."""
    seconds = interval.index.as_unit("s").asi8
    energy = interval["energy"].to_numpy(dtype=float)
    block = seconds // billing_seconds
    place = block - block[0]
    there = np.isfinite(energy)
    total = np.bincount(place[there], energy[there], minlength=int(place[-1]) + 1)
    count = np.bincount(place[there], minlength=len(total))
    whole = count == billing_seconds // step_seconds
    stamps = pd.DatetimeIndex(
        ((block[0] + np.flatnonzero(whole)) * billing_seconds).astype("datetime64[s]"), tz="UTC"
    )
    power = total[whole] * (3600 / billing_seconds)
    if len(stamps) == 0:
        return pd.Series(dtype=float)
    _, month, _ = _local(stamps, time_zone)
    first = np.flatnonzero(np.r_[True, np.diff(month) != 0])
    names = month[first].astype("datetime64[M]")
    return pd.Series(np.maximum.reduceat(power, first), index=names)


def _months(
    rows: pd.DataFrame, modelled: np.ndarray, peaks: pd.Series, time_zone: str
) -> pd.DataFrame:
    """Measured and modelled peak of each whole local month, kW."""
    empty = pd.DataFrame({"measured": [], "modelled": []})
    keep = np.isfinite(modelled)
    if not keep.any() or peaks.empty:
        return empty
    month = _local(rows.index, time_zone)[1][keep]
    first = np.flatnonzero(np.r_[True, np.diff(month) != 0])
    highest = np.maximum.reduceat(modelled[keep], first)
    names = month[first].astype("datetime64[M]")
    days = (names + 1).astype("datetime64[D]") - names.astype("datetime64[D]")
    hours = np.diff(np.r_[first, len(month)])
    whole = hours >= MONTH_COVERAGE * 24 * days.astype(int)
    table = pd.DataFrame({"modelled": highest[whole]}, index=names[whole])
    table["measured"] = peaks.reindex(table.index).to_numpy()
    return table[(table["measured"] > 0) & (table["modelled"] > 0)]


def _window(
    base: pd.DataFrame,
    report: pd.DataFrame,
    modelled: dict[str, np.ndarray],
    *,
    time_zone: str,
    hours: Sequence[int],
    months: Sequence[int],
) -> tuple[Estimate | None, str]:
    words = f"operating days, {min(hours):02d}:00 to {max(hours) + 1:02d}:00"
    if len(set(months)) < 12:
        words += ", months " + ", ".join(str(m) for m in sorted(set(months)))
    day, rest, _ = _by_day(base, modelled["base"], time_zone, hours, months)
    _, saving, level = _by_day(report, modelled["report"], time_zone, hours, months)
    n, m = len(rest), len(saving)
    if min(n, m) < WINDOW_DAYS_LEAST:
        return None, f"{words}: not claimed, {n} and {m} days are too few"
    lags = NEWEY_WEST_LAGS["daily"]
    variance = newey_west(rest, day, lags) / n * (1 / n + 1 / m)
    value = float(saving.mean() - rest.mean())
    return Estimate(value, math.sqrt(variance), n - 1, float(level.mean())), words


def _by_day(
    rows: pd.DataFrame,
    modelled: np.ndarray,
    time_zone: str,
    hours: Sequence[int],
    months: Sequence[int],
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Day number, mean of model − measured and mean of the model over the window, by day."""
    if not len(rows):
        return np.zeros(0, int), np.zeros(0), np.zeros(0)
    day, month, hour = _local(rows.index, time_zone)
    keep = (
        np.isin(np.arange(24), list(hours))[hour]
        & np.isin(np.arange(12) + 1, list(months))[month % 12]
        & (rows["operating"].to_numpy() > 0.5)
        & np.isfinite(modelled)
    )
    if not keep.any():
        return np.zeros(0, int), np.zeros(0), np.zeros(0)
    day = day[keep]
    place = day - day[0]
    count = np.bincount(place)
    whole = count == len(hours)
    saving = np.bincount(place, modelled[keep] - rows["energy"].to_numpy()[keep])
    level = np.bincount(place, modelled[keep])
    return (
        np.flatnonzero(whole) + day[0],
        saving[whole] / len(hours),
        level[whole] / len(hours),
    )


def _peak_words(peak: Interval, n: int, m: int) -> str:
    size = f"{peak.value:.3g} kW ({peak.low:.3g} to {peak.high:.3g} kW)"
    if peak.low > 0:
        return f"The monthly billing peak fell by {size} on average over {m} months."
    return (
        f"Not claimed: the change of the monthly billing peak, {size} over {n} baseline and {m} "
        "reporting months, can't be told from zero."
    )
