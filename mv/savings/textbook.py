"""What would the textbook say the uncertainty is?

The figures that programmes ask for and reviewers know, named as such beside the official
interval: ASHRAE Guideline 14 (Annex B, from memory; Reddy & Claridge 2000, HVAC&R Research;
polynomial of Sun & Baltazar 2013) and exact least squares (any regression text).  Both know only
the scatter of the baseline's fit, so on real buildings they are too narrow.
"""

from __future__ import annotations

import math

from mv.savings.drift import Granularity
from mv.savings.model_variance import Summed
from mv.savings.quantiles import student_quantile

GUIDELINE_14_FACTOR = 1.26
"""Factor of Guideline 14-2002 (from memory)."""
GUIDELINE_14_POLYNOMIAL: dict[str, tuple[float, float, float]] = {
    "bills": (-0.00022, 0.03306, 0.94054),
    "daily": (-0.00024, 0.03535, 1.00286),
}
"""a, b, c of aM² + bM + c that replaces it in the 2014 edition (from memory), M months of
reporting.  There is none for hours: sum to days first."""


def least_squares(of: Summed, confidence: float) -> float:
    """Half-width for independent residuals: t·s·√(m + g'(X'WX)⁻¹g), exact for least squares.

    For bills m is the number of reporting days, residuals being weighted by days.
    """
    scale = float(of.weight @ of.residuals**2) / of.degrees
    variance = scale * (of.days + float(of.g @ of.solved))
    return student_quantile(confidence, of.degrees) * math.sqrt(variance)


def guideline_14(
    fit,
    *,
    rows: int,
    adjusted_baseline: float,
    confidence: float,
    granularity: Granularity,
    reporting_months: float,
) -> float | None:
    """Guideline 14's half-width in energy, autocorrelation counted; None for hours.

    U = k·t·CV·P·√[(n/n′)(1 + 2/n′)/m], k the polynomial in the months of reporting.
    """
    if granularity not in GUIDELINE_14_POLYNOMIAL:
        return None
    statistics = fit.statistics
    if statistics.cv_rmse is None:
        return None
    return adjusted_baseline * guideline_14_fraction(
        cv_rmse=statistics.cv_rmse,
        n=len(fit.residuals),
        parameters=int(fit.parameters),
        effective_n=statistics.effective_n,
        rows=rows,
        confidence=confidence,
        factor=guideline_14_factor(granularity, reporting_months),
    )


def guideline_14_factor(granularity: Granularity, reporting_months: float) -> float:
    """aM² + bM + c in place of 1.26 (2014 edition, from memory)."""
    a, b, c = GUIDELINE_14_POLYNOMIAL[granularity]
    return a * reporting_months**2 + b * reporting_months + c


def guideline_14_fraction(
    *,
    cv_rmse: float,
    n: int,
    parameters: int,
    rows: int,
    confidence: float,
    effective_n: float | None = None,
    factor: float = GUIDELINE_14_FACTOR,
) -> float:
    """Half-width as a fraction of the adjusted baseline; divided by F it is the fractional
    savings uncertainty.

    t is taken at n − p degrees of freedom; with n′ − p (another reading) it is 0.5 % wider in a
    year of days and undefined for a year of strongly autocorrelated bills.
    """
    near = effective_n or n
    t = student_quantile(confidence, n - parameters)
    return factor * t * cv_rmse * math.sqrt((n / near) * (1 + 2 / near) / rows)
