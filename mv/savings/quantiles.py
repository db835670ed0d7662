"""How many standard deviations make an interval of a given confidence?

Two-sided quantiles of the normal and the Student distribution.  They stand here once, because
importing a whole statistics library for two numbers costs half a second a process.
"""

from __future__ import annotations

from functools import lru_cache
from statistics import NormalDist

from mv.findings import ModelError


@lru_cache(maxsize=64)
def normal_quantile(confidence: float) -> float:
    """Two-sided normal quantile: 1.645 at a confidence of 0.90.

    Raises ModelError where the confidence is not between 0 and 1.
    """
    return NormalDist().inv_cdf(_upper(confidence))


@lru_cache(maxsize=256)
def student_quantile(confidence: float, degrees_of_freedom: float) -> float:
    """Two-sided Student quantile; degrees of freedom need not be whole (any value above zero).

    Raises ModelError where the confidence is not between 0 and 1 or no degree of freedom is left.
    """
    from scipy.special import stdtrit

    if not degrees_of_freedom > 0:
        raise ModelError(f"degrees of freedom must be above zero, found {degrees_of_freedom}")
    return float(stdtrit(degrees_of_freedom, _upper(confidence)))


def _upper(confidence: float) -> float:
    if not 0 < confidence < 1:
        raise ModelError(f"a confidence lies between 0 and 1, found {confidence}")
    return (1 + confidence) / 2
