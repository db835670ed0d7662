"""How many fixtures, circuits or sites must be measured for a wanted precision?

Definitions: *coefficient of variation* CV = standard deviation ÷ mean of the quantity over the
population; *precision* = half-width of the interval ÷ estimate; "90/10" means 10 % precision at
90 % confidence.  For a population of N:

    n0 = (z · CV / precision)²          without limit to the population
    n  = n0 / (1 + n0/N)                finite population correction, rounded up

and for a share q to be known within ± d:  n0 = z² · q(1 − q) / d².

Source: Cochran, Sampling Techniques, 3rd ed. 1977, sections 4.4-4.6 (from memory); the same
formulas stand in BPA Sampling for M&V, FEMP M&V Guidelines and UMP chapter 11 (from memory).
What a sample then tells is in `estimate.py`, not here.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from mv.findings import ModelError
from mv.sampling.estimate import student

DEFAULT_CV = 0.5
"""Coefficient of variation to plan with when nothing is known (BPA, FEMP, UMP, from memory)."""

LOGGER_LOSS = 0.15
"""Share of loggers planned for beyond the need, because some fail or are lost (common practice
is 10-20 %, no source)."""

Z_DECIMALS = 3
"""The guides look z up in a table of three decimals (1.645 at 90 %, 1.282 at 80 %).  Kept, so
that sizes agree with theirs to the last unit where n falls on the edge of rounding up."""

SOURCE = "Cochran, Sampling Techniques, 3rd ed., sections 4.4-4.6 (from memory)"

_EDGE = 1e-9  # rounding noise that must not push an exact whole number up by one


@dataclass(frozen=True, slots=True)
class SampleSize:
    """How many to measure, with every number that led there."""

    n: int
    """Units that must end with good readings."""
    install: int
    """Units to equip, the expected losses included; never more than the population."""
    uncorrected: float
    """n0, before the finite population correction, not rounded."""
    corrected: float
    """n after the correction, not rounded."""
    population: int | None
    """N; None where it is so large that it does not matter."""
    confidence: float
    z: float
    formula: str
    source: str


def z_table(confidence: float) -> float:
    """Two-sided normal quantile as the tables print it: 1.645 at 0.90.

    Raises ModelError outside 0 < confidence < 1.
    """
    return round(student(confidence, math.inf), Z_DECIMALS)


def size_for_mean(
    population: int | None = None,
    *,
    cv: float = DEFAULT_CV,
    precision: float = 0.10,
    confidence: float = 0.90,
    loss: float = 0.0,
) -> SampleSize:
    """Sample size for a mean or a total.

    Parameters
    ----------
    population : number of units N; None for very many.
    cv : coefficient of variation of the units, a fraction.
    precision : wanted half-width ÷ estimate, a fraction.
    confidence : two-sided.
    loss : share added for loggers that fail (`LOGGER_LOSS` is usual).

    Raises ModelError for values out of range.
    """
    _positive("coefficient of variation", cv)
    _positive("precision", precision)
    z = z_table(confidence)
    return _size((z * cv / precision) ** 2, population, confidence, z, loss, "n0 = (z·CV/e)²")


def size_for_proportion(
    population: int | None = None,
    *,
    share: float = 0.5,
    margin: float = 0.10,
    confidence: float = 0.90,
    loss: float = 0.0,
) -> SampleSize:
    """Sample size for a share of units (fixtures found burning, say).

    `share` is the share expected (0.5 is the worst case), `margin` the wanted half-width, both
    fractions.  Raises ModelError for values out of range.
    """
    if not 0 < share < 1:
        raise ModelError(f"share is {share!r}; it must lie between 0 and 1")
    _positive("margin", margin)
    z = z_table(confidence)
    n0 = z**2 * share * (1 - share) / margin**2
    return _size(n0, population, confidence, z, loss, "n0 = z²·q(1 − q)/d²")


def size_with_student(
    population: int | None = None,
    *,
    cv: float = DEFAULT_CV,
    precision: float = 0.10,
    confidence: float = 0.90,
) -> int:
    """Smallest n whose interval, made with Student's t instead of z, meets the precision.

    A sample of eleven judged by t is wider than the formula with z promised; this is the size
    that keeps the promise.  Solves t(n−1)·CV/√n·√(1 − n/N) ≤ precision.
    """
    n = max(2, size_for_mean(population, cv=cv, precision=precision, confidence=confidence).n)
    if population is not None and n >= population:
        return population
    while achieved_precision(n, population, cv=cv, confidence=confidence) > precision:
        n += 1
    return n


def achieved_precision(
    n: int, population: int | None = None, *, cv: float, confidence: float = 0.90
) -> float:
    """Precision that n units give: t(n−1) · CV/√n · √(1 − n/N), a fraction; 0 for a census.

    Raises ModelError for n < 2 (no spread can be seen) unless n is the whole population.
    """
    if population is not None and n >= population:
        return 0.0
    if n < 2:
        raise ModelError(f"{n} unit measured; at least 2 are needed to see how they differ")
    rest = 1.0 if population is None else 1 - n / population
    return student(confidence, n - 1) * cv / math.sqrt(n) * math.sqrt(rest)


def _size(
    n0: float, population: int | None, confidence: float, z: float, loss: float, formula: str
) -> SampleSize:
    if not 0 <= loss < 1:
        raise ModelError(f"loss is {loss!r}; it must lie between 0 and 1")
    if population is not None and population < 1:
        raise ModelError(f"population is {population!r}; it must be at least 1")
    corrected = n0 if population is None else n0 / (1 + n0 / population)
    n = max(1, math.ceil(corrected - _EDGE))
    install = math.ceil(n * (1 + loss) - _EDGE)
    if population is not None:
        n, install = min(n, population), min(install, population)
    if population is not None:
        formula += ", n = n0/(1 + n0/N)"
    return SampleSize(n, install, n0, corrected, population, confidence, z, formula, SOURCE)


def _positive(name: str, value: float) -> None:
    if not value > 0 or not math.isfinite(value):
        raise ModelError(f"{name} is {value!r}; it must be above 0")
