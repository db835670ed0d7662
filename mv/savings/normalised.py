"""What does the retrofit save in a normal year?

Annual savings never come from scaling days.  Two ways, in this order:

*Both models at normal conditions* (normalised savings, IPMVP Core Concepts): where the reporting
period is long enough for a model of its own, S = Σ_k d_k (ŷ_base(x_k) − ŷ_rep(x_k)) over one year
of normal temperatures and operating days.  The models' parts are of the mean response (no new
residuals) and the drift part is taken of the normal year's adjusted baseline.

*Baseline model at normal conditions times the saved fraction*: where it is not, the fraction saved
so far is carried to a whole year.  That is an extrapolation; months that were not measured may
save another fraction, for which a stated spread is added.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from mv.baseline.columns import Columns, Rows
from mv.baseline.rows import USED
from mv.findings import ModelError
from mv.quantity import Interval, around
from mv.savings.avoided import row_days
from mv.savings.drift import Granularity
from mv.savings.model_variance import mean_response_part, summed
from mv.savings.uncertainty import SavingsUncertainty
from mv.wording import percent

UNMEASURED_SPREAD = 0.25
"""Standard deviation of the saved fraction of months not measured, as a share of the fraction in
those that were (convention of this package, no source)."""

YEAR_DAYS = 365
FEBRUARY = 1
DAYS_BEFORE = np.cumsum([0, 31, 28, 31, 30, 31, 30, 31, 31, 30, 31, 30])
"""Days of a common year before each month."""


@dataclass(frozen=True)
class AnnualSavings:
    """Savings in a year at normal conditions; energies in the carrier's canonical unit."""

    savings: Interval
    adjusted_baseline: float
    """Baseline model over the normal year, level correction included."""
    reporting: float | None
    """Reporting model over the normal year; None where it was not fitted."""
    route: str
    """`both models` or `saved fraction`."""
    method: str
    """How it was made, in words."""
    days: float


def normal_rows(
    temperature: np.ndarray, dates: np.ndarray, operating: np.ndarray, granularity: Granularity
) -> Columns:
    """Rows of a normal year, as models take them: 365 days, or twelve calendar months for bills.

    Parameters
    ----------
    temperature : mean of each day of the year, degC, (365,).
    dates : 365 or 366 consecutive days, datetime64[D].
    operating : which of them are operating days (the calendar of the year that is taken as
        usual).

    Raises ModelError where either is not a whole year.
    """
    work = operating.astype(float)
    month = dates.astype("datetime64[M]")
    of_month = (dates - month).astype(int)
    month = month.astype(int) % 12
    keep = (month != FEBRUARY) | (of_month < 28)
    dates, work, month, of_month = dates[keep], work[keep], month[keep], of_month[keep]
    day = DAYS_BEFORE[month] + of_month
    if len(dates) != YEAR_DAYS or np.count_nonzero(np.bincount(day)) != YEAR_DAYS:
        raise ModelError(f"a normal year needs 365 consecutive days, found {len(dates)}")
    known = temperature[:YEAR_DAYS]
    if len(known) < YEAR_DAYS or not np.isfinite(known).all():
        raise ModelError("normal temperatures must be given for each of 365 days")
    degrees = known[day]
    if granularity != "bills":
        columns = {
            "temperature": degrees,
            "operating": work,
            "weight": np.ones(YEAR_DAYS),
            "status": np.full(YEAR_DAYS, USED, dtype=object),
        }
        return Columns(dates.astype("datetime64[s]"), columns)
    days = np.bincount(month, minlength=12).astype(float)
    first = np.array([dates[month == m].min() for m in range(12)])
    pieces = np.empty(12, dtype=object)
    for m in range(12):
        pieces[m] = degrees[month == m]
    columns = {
        "start": first,
        "end": first + days.astype("timedelta64[D]"),
        "days": days,
        "temperature": np.bincount(month, degrees, minlength=12) / days,
        "operating": np.bincount(month, work, minlength=12) / days,
        "weight": days,
        "status": np.full(12, USED, dtype=object),
        "daily_temperatures": pieces,
    }
    order = np.argsort(first)
    return Columns(np.arange(12), {name: values[order] for name, values in columns.items()})


def both_models(
    baseline_fit,
    baseline_rows: Rows,
    reporting_fit,
    reporting_rows: Rows,
    normal: Rows,
    *,
    granularity: Granularity,
    uncertainty: SavingsUncertainty,
    unit: str,
    level_correction: float = 0.0,
    adjustment_per_year: float = 0.0,
) -> AnnualSavings:
    """Normalised savings: both periods' models over the same normal year.

    The fits' used rows are needed for their variances.  `uncertainty` is the avoided energy's:
    confidence, quantile and τ are taken from it.
    """
    days = row_days(normal)
    before = summed(baseline_fit, baseline_rows, normal, granularity)
    later = summed(reporting_fit, reporting_rows, normal, granularity)
    base = float(before.g @ baseline_fit.coefficients) + level_correction * before.days
    after = float(later.g @ reporting_fit.coefficients)
    s = math.hypot(mean_response_part(before), mean_response_part(later))
    half = uncertainty.quantile * math.hypot(s, uncertainty.drift_tau * base)
    value = base - after + adjustment_per_year
    method = (
        "Models of the baseline and of the reporting period, both at the same year of normal "
        "temperatures and operating days; their difference is the saving."
    )
    return _annual(
        value,
        half,
        base=base,
        after=after,
        route="both models",
        method=method,
        uncertainty=uncertainty,
        unit=unit,
        days=days,
    )


def saved_fraction(
    baseline_fit,
    normal: Rows,
    *,
    avoided: float,
    adjusted_baseline: float,
    uncertainty: SavingsUncertainty,
    reporting_months: float,
    unit: str,
    level_correction: float = 0.0,
) -> AnnualSavings:
    """Annual savings from the fraction saved so far, the baseline model giving the normal year.

    Raises ModelError where the adjusted baseline is not above zero (no fraction exists).
    """
    if not adjusted_baseline > 0:
        raise ModelError("the adjusted baseline is not above zero, so no fraction is defined")
    days = row_days(normal)
    base = float(days @ (np.asarray(baseline_fit.predict(normal)) + level_correction))
    fraction = avoided / adjusted_baseline
    unmeasured = max(0.0, 1 - reporting_months / 12)
    spread = unmeasured * UNMEASURED_SPREAD * abs(fraction)
    half = base * math.hypot(
        uncertainty.half_width / adjusted_baseline, uncertainty.quantile * spread
    )
    method = (
        "The fraction of the adjusted baseline saved so far, times the baseline model over a year "
        "of normal temperatures and operating days: an extrapolation"
    )
    if unmeasured > 0:
        method += (
            f" to the {percent(unmeasured)} of a year not yet measured, whose saved fraction is "
            f"taken as known to {percent(UNMEASURED_SPREAD)} (one standard deviation)"
        )
    return _annual(
        fraction * base,
        half,
        base=base,
        after=None,
        route="saved fraction",
        method=method + ".",
        uncertainty=uncertainty,
        unit=unit,
        days=days,
    )


def realisation_rate(savings: Interval, estimated: float) -> Interval | None:
    """Verified ÷ estimated annual savings (UMP); None where nothing positive was estimated."""
    if not estimated > 0:
        return None
    scaled = savings.scaled(1 / estimated, "")
    return Interval(
        scaled.value,
        scaled.low,
        scaled.high,
        "",
        confidence=savings.confidence,
        kind="ratio",
        method="verified ÷ estimated annual savings; the estimate taken as exact",
    )


def _annual(
    value: float,
    half: float,
    *,
    base: float,
    after: float | None,
    route: str,
    method: str,
    uncertainty: SavingsUncertainty,
    unit: str,
    days: np.ndarray,
) -> AnnualSavings:
    savings = around(
        value,
        half,
        unit,
        confidence=uncertainty.confidence,
        kind="sum",
        method=method,
        base=base,
        fraction_of="adjusted baseline of the normal year",
    )
    return AnnualSavings(savings, base, after, route, method, float(days.sum()))
