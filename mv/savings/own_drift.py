"""What do the placebo trials of other buildings say about the drift of a site?

- The prior's τ is multiplied by k.  Each trial's false saving r has scale √((s/P)² + (k·τ/P)²), s/P
  and τ/P as the official interval has them, and Student tails of ν degrees of freedom; ln k and
  ln ν have normal priors around 0 and the prior's ν.  k is its posterior mean, so the portfolio's
  own evidence counts by its weight.  The quantile is that of the posterior predictive
  distribution: what is not known of k and ν counts (Gelman et al., Bayesian Data Analysis, ch. 1,
  from memory), at the median s/P and τ of the trials.
- Under 30 site-years the trial may widen the interval, never narrow it: few quiet years are weak
  evidence that a portfolio is quiet (own convention), and warn well enough of a restless one.
- With 60 site-years or more the quantile is the conformal one: the ⌈(N+1)·confidence⌉-th smallest
  of |r| ÷ scale (Vovk, Gammerman & Shafer 2005, from memory).
- Reporting periods under a year are judged by the first months of the years predicted, where 30
  site-years or more hold them: short periods add seasonal misfit, which no law of the horizon
  knows and the trials do.
- A site's own trials never measure its own drift (building-disjoint).
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import lru_cache

import numpy as np

from mv.savings.drift import Granularity, Kind, carrier_kind, level_variance
from mv.savings.quantiles import student_quantile

SITE_YEARS_LEAST = 30
"""Site-years under which the trial only widens what the shipped prior gives."""
BUILDINGS_LEAST = 5
"""Buildings under which it does so: thirty years of one house are no portfolio (own convention)."""
CONFORMAL_LEAST = 60
"""Site-years from which the quantile is the conformal one (own convention: six trials
beyond the 90 % quantile)."""
LOG_K_SPREAD = 0.5
"""Prior standard deviation of ln k: portfolios differ by about half (own convention)."""
LOG_NU_SPREAD = 0.5
"""Prior standard deviation of ln ν (own convention)."""
WHOLE_YEAR = 11.5
"""Months from which a reporting period counts as a year."""
A_FEW_DAYS = 0.15
"""Months by which a period may be shorter than the months it is called."""
NEGLIGIBLE = 1e-4
"""Weight, against the largest, of a pair of k and ν that is left out of the quantile."""

_LOG_K = np.linspace(-2.5, 2.5, 51)
_LOG_NU = np.linspace(math.log(1.2), math.log(40.0), 29)
_K, _NU = np.exp(_LOG_K), np.exp(_LOG_NU)


@dataclass(frozen=True)
class FirstMonths:
    """The first months of a year predicted, as fractions of their adjusted baseline."""

    months: int
    false_saving: float
    model: float
    drift: float


@dataclass(frozen=True)
class Trial:
    """One placebo: a year fitted, the next predicted, no retrofit between."""

    site: str
    building: str
    """Sites of one building are never used for one another."""
    carrier: str
    granularity: Granularity
    start: str
    """First day of the year predicted, ISO."""
    false_saving: float
    """Fraction of the adjusted baseline; positive where a saving would have been reported."""
    model: float
    """Model part, fraction of the adjusted baseline."""
    drift: float
    """Drift part by the prior, fraction of the adjusted baseline."""
    nu: float
    """Degrees of freedom by the prior."""
    parts: tuple[FirstMonths, ...] = ()
    """The first months of the same year by themselves, where they were asked for."""

    @property
    def kind(self) -> Kind:
        """Kind of carrier."""
        return carrier_kind(self.carrier)

    def over(self, part: FirstMonths) -> Trial:
        """The trial as it would have been with a shorter reporting period."""
        return replace(
            self, false_saving=part.false_saving, model=part.model, drift=part.drift, parts=()
        )


@dataclass(frozen=True)
class OwnDrift:
    """What the portfolio's own trial says about the drift of one site's carrier."""

    factor: float
    """k, on the prior's τ."""
    nu: float
    site_years: int
    buildings: int
    scores: np.ndarray | None
    """Sorted |r| ÷ scale where the conformal quantile is used, None where the predictive one is."""
    known: tuple[tuple[float, float, float], ...] | None = None
    """What is known of k and ν: scale at k ÷ scale at the factor, ν and weight of each pair."""
    prior_nu: float = math.inf
    """Smallest ν that the prior gives any of the trials."""
    months: int = 12
    """Months predicted."""
    parts: Mapping[int, OwnDrift] = field(default_factory=dict)
    """The same over the first months alone, by their number; those that decide."""

    def over(self, months: float) -> OwnDrift:
        """Drift over a reporting period of `months`.

        Of the lengths that the trials hold the longest that fits, its τ carried to `months` by the
        law of the horizon (of a corrected level, the steeper one); that of a whole year where none
        fits.
        """
        fitting = [m for m in self.parts if m <= months + A_FEW_DAYS]
        if months >= WHOLE_YEAR or not fitting:
            return self
        part = self.parts[max(fitting)]
        here, there = (level_variance(12.0, 0.0, m, "recent") for m in (months, part.months))
        return replace(part, factor=part.factor * max(1.0, math.sqrt(here / there)))

    def quantile(self, confidence: float, prior_nu: float | None = None) -> float:
        """Two-sided quantile of the standardised error.

        `prior_nu`: the prior's ν for the site, whose quantile is the least where the trials are few
        (by default the smallest of the trials').
        """
        if self.scores is not None:
            rank = math.ceil((len(self.scores) + 1) * confidence)
            if rank <= len(self.scores):
                return float(self.scores[rank - 1])
        if self.known is None:
            return student_quantile(confidence, self.nu)
        quantile = _predictive_quantile(confidence, self.known)
        if self.decides:
            return quantile
        return max(quantile, student_quantile(confidence, prior_nu or self.prior_nu))

    @property
    def conformal(self) -> bool:
        """Whether the quantile comes from the trials themselves."""
        return self.scores is not None

    @property
    def decides(self) -> bool:
        """Whether the trials are enough to narrow the interval, too."""
        return _enough(self.site_years, self.buildings)

    @property
    def source(self) -> str:
        """For the report."""
        trials = (
            f"the portfolio's own placebo trial, {many(self.site_years, 'site-year')} of "
            f"{many(self.buildings, 'other building')}"
        )
        if self.months < 12:
            trials += f", the first {self.months} months of each"
        if self.decides:
            return f"{trials}, weighed with the shipped prior"
        return f"the shipped prior, which {trials} can only widen"


class Evidence:
    """Log-likelihood of one kind's trials on a grid of k and ν, summed building by building."""

    def __init__(self, trials: list[Trial]) -> None:
        self.trials = trials
        fields = [(t.false_saving, t.model, t.drift, t.nu) for t in trials]
        self.r, self.s, self.tau, self.nu = np.array(fields).reshape(-1, 4).T
        names, self.building = np.unique([t.building for t in trials], return_inverse=True)
        self.names = {str(name): i for i, name in enumerate(names)}
        self._by_size = np.argsort(self.r)
        if trials:
            # A building's own part is made again when it is left out: kept, all take 12 kB each.
            total = sum(_log_likelihood(self, i) for i in range(len(names)))
            spread = (_LOG_NU - np.log(self.nu).mean()) / LOG_NU_SPREAD
            prior = (_LOG_K[:, None] / LOG_K_SPREAD) ** 2 + spread**2
            self._posterior = total - 0.5 * prior
            # In this order the scores without any one building are all but sorted already.
            k, _ = _means(self._posterior)
            self._by_score = np.argsort(self.r**2 / (self.s**2 + (k * self.tau) ** 2))

    def false_savings(self, building: str) -> tuple[np.ndarray, int]:
        """False savings of every other building, from the smallest, and how many they are."""
        own = self.names.get(building, -1)
        others = self._by_size[self.building[self._by_size] != own]
        return self.r[others], len(self.names) - (own >= 0)

    def without(self, building: str) -> OwnDrift | None:
        """What every other building says of k and ν; None where there is none."""
        own = self.names.get(building, -1)
        n, buildings = int((self.building != own).sum()), len(self.names) - (own >= 0)
        if n == 0:
            return None
        posterior = self._posterior if own < 0 else self._posterior - _log_likelihood(self, own)
        k, nu = _means(posterior)
        if not _enough(n, buildings):
            k = max(1.0, k)
        scores = None
        if n >= CONFORMAL_LEAST and buildings >= BUILDINGS_LEAST:
            others = self._by_score[self.building[self._by_score] != own]
            r, s, tau = self.r[others], self.s[others], self.tau[others]
            scores = np.sqrt(np.sort(r**2 / (s**2 + (k * tau) ** 2), kind="stable"))
        known = None if scores is not None else self._known(posterior, k)
        return OwnDrift(k, nu, n, buildings, scores, known, float(self.nu.min()))

    def _known(self, posterior: np.ndarray, k: float) -> tuple[tuple[float, float, float], ...]:
        """Scale of the median trial at each k of the grid against the scale at `k`, ν, weight."""
        s, tau = np.median(self.s), np.median(self.tau)
        scale = np.hypot(s, _K * tau) / math.hypot(s, k * tau)
        weight = np.exp(posterior - posterior.max())
        at_k, at_nu = np.nonzero(weight > NEGLIGIBLE)
        weight = weight[at_k, at_nu]
        return tuple(zip(scale[at_k], _NU[at_nu], weight / weight.sum(), strict=True))

    def half_widths(self, confidences: Sequence[float]) -> np.ndarray:
        """Half-width of each trial by every other building's trials, (trials, confidences)."""
        half = np.empty((len(self.r), len(confidences)))
        for name, i in self.names.items():
            at, own = self.building == i, self.without(name)
            size = np.hypot(self.s[at], self.tau[at] * (own.factor if own else 1.0))
            for j, confidence in enumerate(confidences):
                for nu in np.unique(self.nu[at]):
                    of_nu = self.nu[at] == nu
                    quantile = (
                        own.quantile(confidence, nu) if own else student_quantile(confidence, nu)
                    )
                    half[np.flatnonzero(at)[of_nu], j] = size[of_nu] * quantile
        return half


def _enough(site_years: int, buildings: int) -> bool:
    return site_years >= SITE_YEARS_LEAST and buildings >= BUILDINGS_LEAST


@lru_cache(maxsize=256)
def _predictive_quantile(confidence: float, known: tuple[tuple[float, float, float], ...]) -> float:
    """Two-sided quantile of a mixture of Student distributions; `known`: scale, ν, weight."""
    from scipy.optimize import brentq
    from scipy.special import stdtr

    scale, nu, weight = np.array(known).T

    def missing(quantile: float) -> float:
        return float(confidence + 1 - 2 * (weight @ stdtr(nu, quantile / scale)))

    high = 1.0
    while missing(high) > 0:
        high *= 2
    return float(brentq(missing, 0.0, high, xtol=1e-12, rtol=1e-12))


def _means(posterior: np.ndarray) -> tuple[float, float]:
    """Posterior means of k and ν, of their logarithms; `posterior`: logarithm, (k, ν)."""
    weight = np.exp(posterior - posterior.max())
    weight /= weight.sum()
    k, nu = weight.sum(axis=1) @ _LOG_K, weight.sum(axis=0) @ _LOG_NU
    return math.exp(float(k)), math.exp(float(nu))


def _log_likelihood(evidence: Evidence, building: int) -> np.ndarray:
    """Student log-likelihood of one building's trials, (k, ν)."""
    from scipy.special import gammaln

    at = evidence.building == building
    r2, s2, tau2 = (v[at, None] ** 2 for v in (evidence.r, evidence.s, evidence.tau))
    scale2 = s2 + _K**2 * tau2
    tails = np.log(1 + (r2 / scale2)[:, :, None] / _NU).sum(axis=0)
    constant = gammaln((_NU + 1) / 2) - gammaln(_NU / 2) - 0.5 * np.log(math.pi * _NU)
    level = 0.5 * np.log(scale2).sum(axis=0)
    return len(r2) * constant - level[:, None] - (_NU + 1) / 2 * tails


def many(n: int, what: str) -> str:
    """A number with what it counts, in the plural where it is not one."""
    return f"{n} {what}" if n == 1 else f"{n} {what}s"
