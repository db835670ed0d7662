"""What does a simple random sample tell about its population?

Mean of n of N units with its interval:

    ȳ ± t(n−1) · s/√n · √(1 − n/N)

s² with divisor n − 1.  Sums of independent parts, each with its own degrees of freedom, get
Satterthwaite's effective degrees of freedom  ν = (Σv)² / Σ(v²/ν_i)  for Student's t.

Source: Cochran, Sampling Techniques, 3rd ed. 1977, sections 2.6-2.8 and 5.4 (from memory).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from mv.findings import ModelError

SOURCE = "Cochran, Sampling Techniques, 3rd ed., sections 2.6-2.8 (from memory)"


@dataclass(frozen=True, slots=True)
class SampleMean:
    """Mean of a sample as an estimate of the population's mean."""

    mean: float
    """In the unit of the values."""
    standard_deviation: float
    """Of the units, divisor n − 1; 0 for a single unit of a census."""
    cv: float | None
    """Standard deviation ÷ mean; None where the mean is zero."""
    standard_error: float
    """Of the mean, finite population correction included; 0 for a census."""
    degrees_of_freedom: float
    half_width: float
    precision: float | None
    """Half-width ÷ |mean|; None where the mean is zero."""
    n: int
    population: int | None
    confidence: float

    @property
    def low(self) -> float:
        """Lower end of the interval."""
        return self.mean - self.half_width

    @property
    def high(self) -> float:
        """Upper end of the interval."""
        return self.mean + self.half_width


def sample_mean(
    values: Sequence[float] | np.ndarray,
    population: int | None = None,
    *,
    confidence: float = 0.90,
) -> SampleMean:
    """Mean of a simple random sample with its interval.

    Parameters
    ----------
    values : (n,) one value a unit.
    population : N, None for very many.

    Raises ModelError for no values, non-finite values, more values than units, and for a
    single value that is not the whole population (its error can't be known).
    """
    y = np.asarray(values, dtype=float)
    n = y.size
    if n == 0:
        raise ModelError("the sample is empty")
    if not np.isfinite(y).all():
        raise ModelError(f"{int((~np.isfinite(y)).sum())} of {n} values are not finite numbers")
    if population is not None and n > population:
        raise ModelError(f"{n} units measured of a population of {population}")
    census = population is not None and n == population
    if n == 1 and not census:
        raise ModelError("1 unit measured; at least 2 are needed to see how they differ")
    mean = float(y.mean())
    sd = float(y.std(ddof=1)) if n > 1 else 0.0
    rest = 1.0 if population is None else 1 - n / population
    error = 0.0 if census else sd / math.sqrt(n) * math.sqrt(rest)
    freedom = float(max(n - 1, 1))
    half = student(confidence, freedom) * error
    relative = (sd / mean, half / abs(mean)) if mean else (None, None)
    return SampleMean(
        mean, sd, relative[0], error, freedom, half, relative[1], n, population, confidence
    )


def student(confidence: float, degrees_of_freedom: float) -> float:
    """Two-sided Student quantile; the normal one for infinite degrees of freedom.

    Raises ModelError where the confidence does not lie between 0 and 1.
    """
    from scipy.special import ndtri, stdtrit

    if not 0 < confidence < 1:
        raise ModelError(f"confidence is {confidence!r}; it must lie between 0 and 1")
    p = (1 + confidence) / 2
    if math.isinf(degrees_of_freedom):
        return float(ndtri(p))
    return float(stdtrit(degrees_of_freedom, p))


def effective_freedom(variances: Sequence[float], degrees_of_freedom: Sequence[float]) -> float:
    """Satterthwaite's degrees of freedom of a sum of independent parts.

    Infinite where no part has an error.
    """
    v = np.asarray(variances, dtype=float)
    nu = np.asarray(degrees_of_freedom, dtype=float)
    bottom = float((v**2 / nu).sum())
    return float(v.sum()) ** 2 / bottom if bottom > 0 else math.inf
