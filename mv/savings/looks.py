"""What does looking every month do to the confidence of a verdict, and how is it controlled?

A running report asks the same question again each month.  Every look has its own chance of a
false "savings shown"; over many looks the chances add up, though not in full, because the looks
share most of their error: a building that has drifted stays drifted.

Model of the looks where nothing was saved.  At look k, S_k is the cumulative avoided energy and
H_k the half-width of its calibrated single-look interval.  The ratios u_k = S_k/H_k follow a
multivariate Student t with the drift's degrees of freedom, one scale a site.  Their correlation
comes from two parts: noise, accumulating independently month by month, and drift, which is
either one level for the whole period or a walk that began in the baseline.  Both laws of drift
are simulated and the wider limit of the two is taken.

Control: the declared share α = (1 − confidence)/2 of false "savings shown" is *spent* over the
looks (Lan & DeMets 1983) along α·t^ρ (Kim & DeMets 1987), t the share of the planned period
elapsed: four fifths by its end, the rest over as many months again.  Month by month the factor
c_k is the smallest, not below 1, for which P(u_j > c_j for some j ≤ k) stays within what may be
spent by then.  S_k ± c_k·H_k are repeated confidence intervals (Jennison & Turnbull 1989): all of
them together hold the truth with the stated confidence, one-sided α on either side.

References: Lan & DeMets, Biometrika 70 (1983); Kim & DeMets, Biometrika 74 (1987); Jennison &
Turnbull, JRSS B 51 (1989); all from memory.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from mv.findings import ModelError
from mv.savings.quantiles import student_quantile
from mv.wording import percent

SPENDING_POWER = 1.0
"""ρ of the spending function.  1 spends evenly: with drift shared by all looks it costs the
final look next to nothing and still lets a large saving show by mid-year; the O'Brien-Fleming
kind (like ρ = 3) leaves the first half-year with limits no site could reach."""

PLANNED_SHARE = 0.8
"""Part of α that may be spent by the end of the planned reporting period (our choice)."""

PATHS = 40_000
"""Simulated sites; at a declared share of 5 % the share is then known to ± 0.1 point."""

SEED = 20_250_101
"""Fixed, so that the same report has the same limits."""

NOISE_GRID = (0.0, 0.25, 0.5, 1.0, 2.0, 4.0)
"""Noise ÷ drift at the planned length is rounded up to one of these, so that sites share their
simulations; more noise means looks that agree less, which only widens the limits."""

SOURCE = "Lan & DeMets 1983, Kim & DeMets 1987, Jennison & Turnbull 1989 (from memory)"


@dataclass(frozen=True, slots=True)
class LookPlan:
    """Limits for a series of monthly looks, fixed before the first."""

    planned_months: int
    confidence: float
    declared: float
    """Share of sites with no saving that may show one at any of the looks."""
    factors: tuple[float, ...]
    """c_k: by how much the single-look half-width of month k is widened; inf where no look can
    decide yet."""
    spent: tuple[float, ...]
    """Share of sites that may have shown a false saving by month k."""
    uncontrolled: float
    """The share that would show one if every look used the single-look interval."""
    uncontrolled_planned: float
    """The same by the end of the planned period."""
    source: str = SOURCE

    @property
    def words(self) -> str:
        """One sentence on what repeated looking does and how it is held."""
        return (
            f"Looking every month for {len(self.factors)} months with the single-look interval "
            f"could show a saving at {percent(self.uncontrolled)} of sites that have none, instead "
            f"of {percent(self.declared)}; the running interval is widened so that all looks "
            f"together stay within {percent(self.declared)}."
        )


@dataclass(frozen=True, slots=True)
class Look:
    """One month's look."""

    month: int
    """1 is the first month of the reporting period."""
    end: str
    """Last day looked at, ISO."""
    value: float
    """Cumulative avoided energy."""
    low: float
    high: float
    """Widened interval; infinite where it is too early for any verdict."""
    single_low: float
    single_high: float
    """The single-look interval, for comparison."""
    factor: float
    verdict: str
    """savings shown, not distinguishable, use increased, or too early."""


def look_plan(
    planned_months: int,
    *,
    confidence: float,
    degrees_of_freedom: float,
    noise_to_drift: float,
    looks: int | None = None,
) -> LookPlan:
    """Fix the limits of a series of monthly looks.

    Parameters
    ----------
    planned_months : whole months of the planned reporting period.
    confidence : two-sided, of each single-look interval.
    degrees_of_freedom : of the drift's Student t.
    noise_to_drift : model part s ÷ drift part τP at the planned length.
    looks : months to be looked at in all; twice the planned length when not given.

    Raises ModelError for values out of range.
    """
    if planned_months < 1:
        raise ModelError(f"{planned_months} months planned; at least 1 is needed")
    if not 0 < confidence < 1:
        raise ModelError(f"confidence is {confidence!r}; it must lie between 0 and 1")
    if not degrees_of_freedom > 0:
        raise ModelError(f"degrees of freedom are {degrees_of_freedom!r}; they must be above 0")
    if not noise_to_drift >= 0:
        raise ModelError(f"noise ÷ drift is {noise_to_drift!r}; it can't be below 0")
    total = max(looks or 2 * planned_months, planned_months)
    grid = next((g for g in NOISE_GRID if noise_to_drift <= g), NOISE_GRID[-1])
    freedom = round(min(degrees_of_freedom, 200.0), 1)
    return _plan(planned_months, total, round(confidence, 6), max(freedom, 0.1), grid)


def running_verdict(
    plan: LookPlan,
    months: Sequence[int],
    ends: Sequence[str],
    values: Sequence[float],
    half_widths: Sequence[float],
) -> list[Look]:
    """Judge each month of a reporting period so far.

    Parameters
    ----------
    months : whole months measured at each look, rising; a month may be left out (a look that is
        not taken spends nothing).
    ends : last day of each month looked at, ISO.
    values : (k,) cumulative avoided energy.
    half_widths : (k,) of the single-look interval, at the plan's confidence.

    Raises ModelError for lengths that differ or more looks than were planned.
    """
    if not len(months) == len(ends) == len(values) == len(half_widths):
        raise ModelError(
            f"{len(months)} months, {len(ends)} dates, {len(values)} values and "
            f"{len(half_widths)} half-widths"
        )
    if months and max(months) > len(plan.factors):
        raise ModelError(f"a look at month {max(months)}, but {len(plan.factors)} were planned")
    looks = []
    for k, end, value, half in zip(months, ends, values, half_widths, strict=True):
        factor = plan.factors[k - 1]
        wide = half * factor
        if math.isinf(factor):
            verdict = "too early"
        elif value - wide > 0:
            verdict = "savings shown"
        elif value + wide < 0:
            verdict = "use increased"
        else:
            verdict = "not distinguishable"
        looks.append(
            Look(
                k, end, value, value - wide, value + wide, value - half, value + half, factor,
                verdict,
            )
        )  # fmt: skip
    return looks


def correlation(months: int, planned: int, noise_to_drift: float, walk: bool) -> np.ndarray:
    """Correlation (months, months) of the looks where nothing was saved.

    `walk`: drift as a random walk that began twelve months before the period, measured from the
    baseline's mean; otherwise as one level.  Drift has unit variance at the planned length.
    """
    k = np.arange(1, months + 1, dtype=float)
    if walk:
        path = np.tril(np.ones((12 + months, 12 + months)))
        off = np.cumsum(path[12:], axis=0) / k[:, None] - path[:12].mean(axis=0)
        drift = off @ off.T
        drift /= drift[planned - 1, planned - 1]
    else:
        drift = np.ones((months, months))
    # Relative noise of the mean of k months; sums share the months they have in common.
    noise = noise_to_drift**2 * planned / np.maximum.outer(k, k)
    both = drift + noise
    sd = np.sqrt(np.diag(both))
    return both / np.outer(sd, sd)


@lru_cache(maxsize=64)
def _plan(planned: int, total: int, confidence: float, freedom: float, noise: float) -> LookPlan:
    declared = (1 - confidence) / 2
    quantile = student_quantile(confidence, freedom)
    elapsed = np.arange(1, total + 1) / planned
    spent = PLANNED_SHARE * np.minimum(elapsed, 1.0) ** SPENDING_POWER
    if total > planned:
        late = np.clip((elapsed - 1) * planned / (total - planned), 0, 1)
        spent = spent + (1 - PLANNED_SHARE) * late
    spent = declared * spent / spent[-1]
    rng = np.random.default_rng(SEED)
    normal = rng.standard_normal((PATHS, total))
    scale = np.sqrt(freedom / rng.chisquare(freedom, PATHS))
    factors = np.ones(total)
    uncontrolled = np.zeros(2)
    for walk in (False, True):
        root = _root(correlation(total, planned, noise, walk))
        u = (normal @ root.T) * scale[:, None] / quantile
        factors = np.maximum(factors, _spend(u, spent))
        false = u > 1
        shares = [false[:, :planned].any(axis=1).mean(), false.any(axis=1).mean()]
        uncontrolled = np.maximum(uncontrolled, shares)
    return LookPlan(
        planned,
        confidence,
        declared,
        tuple(float(f) for f in factors),
        tuple(float(s) for s in spent),
        float(uncontrolled[1]),
        float(uncontrolled[0]),
    )


def _spend(u: np.ndarray, spent: np.ndarray) -> np.ndarray:
    """Factors c_k that let no more than `spent` of the paths cross by look k."""
    count = u.shape[0]
    alive = np.ones(count, dtype=bool)
    factors = np.full(u.shape[1], math.inf)
    for k, share in enumerate(spent):
        allowed = math.floor(share * count) - int((~alive).sum())
        if allowed <= 0:
            continue
        # Nobody may cross but the `allowed` largest: the limit is the next one below them.
        rest = u[alive, k]
        place = rest.size - allowed - 1
        factors[k] = max(1.0, np.partition(rest, place)[place])
        alive &= u[:, k] <= factors[k]
    return factors


def _root(matrix: np.ndarray) -> np.ndarray:
    """A square root of a correlation matrix that may be singular (one common level)."""
    values, vectors = np.linalg.eigh(matrix)
    return vectors * np.sqrt(np.clip(values, 0.0, None))
