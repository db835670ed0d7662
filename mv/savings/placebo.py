"""Would this method have reported a saving where nobody saved anything?

The placebo trial: each site's history before its retrofit, and every comparison site's, is cut into
a year to fit and the next year to predict.  What comes out are false savings, as a fraction of the
adjusted baseline.  They show whether the interval covers what it claims, and they measure this
portfolio's own drift, which then takes the place of the shipped prior:

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
- A site's own trials never measure its own drift (building-disjoint).
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass
from functools import cached_property, lru_cache

import numpy as np
import pandas as pd

from mv.baseline.rows import used
from mv.findings import ModelError
from mv.savings.avoided import avoided_energy, row_days
from mv.savings.drift import (
    DAYS_A_MONTH,
    Granularity,
    Kind,
    Prior,
    carrier_kind,
    recency_level,
    row_spans,
)
from mv.savings.quantiles import student_quantile
from mv.savings.uncertainty import interval

SITE_YEARS_LEAST = 30
"""Site-years under which the trial only widens what the shipped prior gives."""
BUILDINGS_LEAST = 5
"""Buildings under which it does so: thirty years of one house are no portfolio (own convention)."""
CONFORMAL_LEAST = 60
"""Site-years from which the conformal quantile replaces Student's (own convention: six trials
beyond the 90 % quantile)."""
LOG_K_SPREAD = 0.5
"""Prior standard deviation of ln k: portfolios differ by about half (own convention)."""
LOG_NU_SPREAD = 0.5
"""Prior standard deviation of ln ν (own convention)."""
COVERAGE_LEVELS = (0.68, 0.80, 0.90, 0.95)
VALID_SHARE = 0.75
"""Share of a trial's days that must be usable (Guideline 14: at most 25 % removed, from memory)."""

NEGLIGIBLE = 1e-4
"""Weight, against the largest, of a pair of k and ν that is left out of the quantile."""

_LOG_K = np.linspace(-2.5, 2.5, 51)
_LOG_NU = np.linspace(math.log(1.2), math.log(40.0), 29)
_K, _NU = np.exp(_LOG_K), np.exp(_LOG_NU)


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

    @property
    def kind(self) -> Kind:
        """Kind of carrier."""
        return carrier_kind(self.carrier)


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
            f"the portfolio's own placebo trial, {_many(self.site_years, 'site-year')} of "
            f"{_many(self.buildings, 'other building')}"
        )
        if self.decides:
            return f"{trials}, weighed with the shipped prior"
        return f"the shipped prior, which {trials} can only widen"


@dataclass(frozen=True)
class CoverageLine:
    """Claimed against achieved coverage at one confidence."""

    claimed: float
    achieved: float
    false_verdicts: float
    """Share of trials in which a saving would have been shown."""
    trials: int


@dataclass(frozen=True)
class Placebo:
    """All trials of a portfolio."""

    trials: tuple[Trial, ...]

    def of_kind(self, kind: Kind) -> _Evidence:
        """Trials of one kind of carrier."""
        return self._evidence[kind]

    @cached_property
    def _evidence(self) -> dict[Kind, _Evidence]:
        kinds: tuple[Kind, ...] = ("electricity", "heat")
        return {k: _Evidence([t for t in self.trials if t.kind == k]) for k in kinds}

    def own_drift(self, carrier: str, building: str = "") -> OwnDrift | None:
        """Drift measured on other buildings; None where they are too few for it."""
        return self.of_kind(carrier_kind(carrier)).without(building)

    def coverage(self, carrier: str) -> list[CoverageLine]:
        """Claimed against achieved coverage, each building judged by the others.

        Where the others are too few the prior's τ and ν are judged.
        """
        evidence = self.of_kind(carrier_kind(carrier))
        n = len(evidence.trials)
        if not n:
            return []
        half = evidence.half_widths(COVERAGE_LEVELS)
        inside = (np.abs(evidence.r)[:, None] <= half).sum(axis=0)
        shown = (evidence.r[:, None] > half).sum(axis=0)
        return [
            CoverageLine(claimed, int(i) / n, int(s) / n, n)
            for claimed, i, s in zip(COVERAGE_LEVELS, inside, shown, strict=True)
        ]

    def as_fields(self) -> dict:
        """Mapping for the results: coverage per kind, and every false saving for the histogram."""
        fields = {}
        for kind in ("electricity", "heat"):
            carrier = "electricity" if kind == "electricity" else "natural_gas"
            evidence = self.of_kind(kind)
            if not evidence.trials:
                continue
            own = evidence.without("")
            fields[kind] = {
                "site_years": len(evidence.trials),
                "buildings": len({t.building for t in evidence.trials}),
                "median_absolute": float(np.median(np.abs(evidence.r))),
                "coverage": [vars(line) for line in self.coverage(carrier)],
                "false_savings": [
                    {"site": t.site, "start": t.start, "fraction": t.false_saving}
                    for t in evidence.trials
                ],
                "used": own.decides,
                "tau_factor": own.factor,
                "words": _words(evidence, own),
            }
        return fields


class _Evidence:
    """Log-likelihood of one kind's trials on a grid of k and ν, summed building by building."""

    def __init__(self, trials: list[Trial]) -> None:
        self.trials = trials
        fields = [(t.false_saving, t.model, t.drift, t.nu) for t in trials]
        self.r, self.s, self.tau, self.nu = np.array(fields).reshape(-1, 4).T
        names, self.building = np.unique([t.building for t in trials], return_inverse=True)
        self.names = {str(name): i for i, name in enumerate(names)}
        self._by_size = np.argsort(self.r)
        if trials:
            self._by_building = np.stack([_log_likelihood(self, i) for i in range(len(names))])
            spread = (_LOG_NU - np.log(self.nu).mean()) / LOG_NU_SPREAD
            prior = (_LOG_K[:, None] / LOG_K_SPREAD) ** 2 + spread**2
            self._posterior = self._by_building.sum(axis=0) - 0.5 * prior
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
        posterior = self._posterior if own < 0 else self._posterior - self._by_building[own]
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
    from scipy.special import stdtr

    scale, nu, weight = np.array(known).T

    def missing(quantile: float) -> float:
        return float(confidence + 1 - 2 * (weight @ stdtr(nu, quantile / scale)))

    low, high = 0.0, 1.0
    at_low, at_high = confidence, missing(1.0)
    while at_high > 0:
        low, at_low, high = high, at_high, 2 * high
        at_high = missing(high)
    while high - low > 1e-9 * high:  # false position; an end that stays counts half (Illinois)
        middle = (low * at_high - high * at_low) / (at_high - at_low)
        at_middle = missing(middle)
        if abs(at_middle) < 1e-10:
            return middle
        if at_middle > 0:
            low, at_low, at_high = middle, at_middle, at_high / 2
        else:
            high, at_high, at_low = middle, at_middle, at_low / 2
    return high


def _means(posterior: np.ndarray) -> tuple[float, float]:
    """Posterior means of k and ν, of their logarithms; `posterior`: logarithm, (k, ν)."""
    weight = np.exp(posterior - posterior.max())
    weight /= weight.sum()
    k, nu = weight.sum(axis=1) @ _LOG_K, weight.sum(axis=0) @ _LOG_NU
    return math.exp(float(k)), math.exp(float(nu))


def _log_likelihood(evidence: _Evidence, building: int) -> np.ndarray:
    """Student log-likelihood of one building's trials, (k, ν)."""
    from scipy.special import gammaln

    at = evidence.building == building
    r2, s2, tau2 = (v[at, None] ** 2 for v in (evidence.r, evidence.s, evidence.tau))
    scale2 = s2 + _K**2 * tau2
    tails = np.log(1 + (r2 / scale2)[:, :, None] / _NU).sum(axis=0)
    constant = gammaln((_NU + 1) / 2) - gammaln(_NU / 2) - 0.5 * np.log(math.pi * _NU)
    level = 0.5 * np.log(scale2).sum(axis=0)
    return len(r2) * constant - level[:, None] - (_NU + 1) / 2 * tails


def trials_of_site(
    rows: pd.DataFrame,
    *,
    site: str,
    carrier: str,
    granularity: Granularity,
    prior: Prior,
    building: str = "",
    fit: Callable[[pd.DataFrame], object] | None = None,
    baseline_months: float = 12.0,
    reporting_months: float = 12.0,
) -> list[Trial]:
    """Cut a site's history without retrofit into placebo trials, the latest first.

    Parameters
    ----------
    rows : daily or bill rows before the works (a comparison site: all rows).
    fit : rows of a baseline -> fitted model; by default the official choice of model.
    baseline_months, reporting_months : lengths of each trial's periods; successive trials start
        a reporting period earlier, so that no reporting day serves twice.

    Returns
    -------
    Trials with enough usable rows; empty where the history is shorter than one trial.
    """
    choose = fit or _official_fit(carrier, granularity)
    trials = []
    for baseline, reporting in _cuts(rows, baseline_months, reporting_months):
        try:
            model = choose(baseline)
            level = recency_level(model, baseline, carrier)
            saving = avoided_energy(model, baseline, reporting, level_correction=level)
            if not saving.adjusted_baseline > 0:
                continue
            made = interval(
                model,
                baseline,
                reporting,
                carrier=carrier,
                granularity=granularity,
                confidence=0.9,
                prior=prior,
                adjusted_baseline=saving.adjusted_baseline,
                avoided=saving.avoided,
                baseline_months=baseline_months,
                reporting_months=reporting_months,
            )
        except ModelError:
            continue
        start = pd.Timestamp(row_spans(reporting)[0][0] * 86400, unit="s")
        trials.append(
            Trial(
                site=site,
                building=building or site,
                carrier=carrier,
                granularity=granularity,
                start=start.date().isoformat(),
                false_saving=saving.avoided / saving.adjusted_baseline,
                model=made.model_part / saving.adjusted_baseline,
                drift=made.drift_part / saving.adjusted_baseline,
                nu=float(made.degrees_of_freedom or math.inf),
            )
        )
    return trials


def placebo(trials: Iterable[Trial]) -> Placebo:
    """Put the trials of all sites together, in an order that doesn't depend on who came first."""
    return Placebo(tuple(sorted(trials, key=lambda t: (t.site, t.carrier, t.start))))


def _official_fit(carrier: str, granularity: Granularity) -> Callable[[pd.DataFrame], object]:
    from mv.baseline.select import select

    return lambda rows: select(rows, granularity, carrier).fit


def _cuts(
    rows: pd.DataFrame, baseline_months: float, reporting_months: float
) -> Iterator[tuple[pd.DataFrame, pd.DataFrame]]:
    """Used rows of each (baseline, reporting) pair that is covered well enough, latest first."""
    rows = used(rows)
    if len(rows) == 0:
        return
    start, end = row_spans(rows)
    base, report = baseline_months * DAYS_A_MONTH, reporting_months * DAYS_A_MONTH
    days = row_days(rows)
    last = end[-1]
    tolerance = float(days.max()) if "days" in rows.columns else 1.0
    while last - base - report >= start[0] - tolerance:
        cut = last - report
        middle = (start + end) / 2
        before = (middle >= cut - base) & (middle < cut)
        after = (middle >= cut) & (middle < last)
        if days[before].sum() >= VALID_SHARE * base and days[after].sum() >= VALID_SHARE * report:
            yield rows[before], rows[after]
        last = cut


def _words(evidence: _Evidence, own: OwnDrift) -> str:
    n, buildings = len(evidence.trials), len(evidence.names)
    if not own.decides:
        return (
            f"{_many(n, 'site-year')} of {_many(buildings, 'building')}. The trial decides from "
            f"{SITE_YEARS_LEAST} site-years of {BUILDINGS_LEAST} buildings on; until then the "
            "shipped prior does, and the trial of the other buildings can only widen it."
        )
    how = f"{'the' if own.conformal else 'a predictive'} quantile of {own.quantile(0.9):.2f} at 90%"
    return (
        f"{n} site-years of {buildings} buildings; weighed with the shipped prior they multiply "
        f"its drift by {own.factor:.2f}, with {how}."
    )


def _many(n: int, what: str) -> str:
    return f"{n} {what}" if n == 1 else f"{n} {what}s"
