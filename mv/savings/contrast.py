"""Can something that the retrofit didn't touch tell how the site drifted?

Two things may carry a site's drift and not its saving:

- *comparison group*: sites without a retrofit over the same two periods, matched on carrier and on
  the shape of their year; what they seem to have saved is drift that is common to all;
- *hours of the day* that the retrofit can't touch, nights for office lighting: what the site seems
  to have saved in them is the site's own drift.

Either gives a companion u to the fraction r that a site seems to have saved, and r − k·u is
narrower than r as far as both drift together.  How far they do is not assumed: k, the drift that
remains and its tails come from the portfolio's own placebo trials (`placebo.py`), where r should
be zero.  Without 30 site-years of trials, or where the trials show no narrowing or lose coverage,
the contrast is *not adopted* and the report says so.  Drift may change the shape of a day; that is
in the trials too, and then k is small.

k is the regression of r on u through zero with Student weights (iteratively reweighted least
squares at the prior's ν; Lange, Little & Taylor 1989, from memory), drawn towards zero by a normal
prior.  Own method; "difference in differences" is the case k = 1.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
import pandas as pd

from mv.baseline.hourly import fit_hourly
from mv.baseline.rows import used
from mv.findings import ModelError
from mv.quantity import Interval, around
from mv.savings.drift import DAYS_A_MONTH, RECENCY_SHARE, carrier_kind, recency_weights
from mv.savings.placebo import (
    BUILDINGS_LEAST,
    SITE_YEARS_LEAST,
    OwnDrift,
    Placebo,
    Trial,
    placebo,
)
from mv.savings.quantiles import normal_quantile
from mv.savings.uncertainty import SavingsUncertainty

NARROWING_LEAST = 0.05
"""Share by which the typical half-width must shrink for a contrast to be adopted (own
convention: less is not worth a second method)."""
COVERAGE_SLACK = 1.0
"""Standard errors by which achieved coverage at 90 % may fall short of the claim."""
K_SPREAD = 1.0
"""Prior standard deviation of k around zero (own convention)."""
CONTROLS_LEAST = 3
"""Comparison sites needed for a group (own convention)."""
CONTROLS_MOST = 8
"""Comparison sites taken, the nearest in shape."""
FOLDS_MOST = 20
"""Folds into which buildings are dealt when they are judged by one another; to leave each out by
itself would take the square of their number in time."""
_ROUNDS = 15


@dataclass(frozen=True)
class Pair:
    """A placebo trial with its companion."""

    trial: Trial
    companion: float
    """Fraction that seems to have been saved where nothing can have been."""


@dataclass(frozen=True)
class Contrast:
    """What the trials say about one kind of companion, for one carrier."""

    name: str
    carrier: str
    k: float
    """Share of the companion that is taken off."""
    adopted: bool
    narrowing: float
    """Share by which the typical half-width shrinks in the trials."""
    coverage: float | None
    """Coverage of the contrasted trials at a claimed 90 %."""
    site_years: int
    words: str
    pairs: tuple[Pair, ...]

    @cached_property
    def _placebo(self) -> Placebo:
        return _contrasted(self.pairs, self.k)

    def corrected(self, fraction: float, companion: float) -> float:
        """Saved fraction with the companion's drift taken off."""
        return fraction - self.k * companion

    def own_drift(self, building: str = "") -> OwnDrift | None:
        """Drift that remains, measured on other buildings; for `interval(own=...)`."""
        return self._placebo.own_drift(self.carrier, building)


def contrast(name: str, carrier: str, pairs: Sequence[Pair]) -> Contrast:
    """Judge whether a companion narrows the interval and keeps its coverage.

    `pairs`: trials of the portfolio's own with their companions; other kinds of carrier are left
    out.  Each building is judged with k from others.
    """
    kind = carrier_kind(carrier)
    kept = tuple(p for p in pairs if p.trial.kind == kind and math.isfinite(p.companion))
    n, buildings = len(kept), {p.trial.building for p in kept}

    def refused(words: str, **figures) -> Contrast:
        figures = {"k": 0.0, "narrowing": 0.0, "coverage": None} | figures
        return Contrast(
            name, carrier, adopted=False, site_years=n, words=words, pairs=kept, **figures
        )

    if n <= SITE_YEARS_LEAST or len(buildings) <= BUILDINGS_LEAST:
        return refused(
            f"Not adopted ({name}): {n} site-years of placebo trials with a companion, more than "
            f"{SITE_YEARS_LEAST} of more than {BUILDINGS_LEAST} buildings are needed to measure "
            "how far the two drift together."
        )
    k = _slope(_figures(kept))
    by_building = _slopes_of_others(kept, sorted(buildings))
    plain = placebo(p.trial for p in kept)
    held_out = placebo(
        replace(
            p.trial,
            false_saving=p.trial.false_saving - by_building[p.trial.building] * p.companion,
        )
        for p in kept
    )
    before, after = plain.own_drift(carrier), held_out.own_drift(carrier)
    model, drift = _figures(kept)[:, 2:4].T
    widths = [
        own.quantile(0.9) * np.median(np.hypot(model, own.factor * drift))
        for own in (before, after)
    ]
    narrowing = float(1 - widths[1] / widths[0])
    achieved = next(line for line in held_out.coverage(carrier) if line.claimed == 0.90).achieved
    figures = {"k": k, "narrowing": narrowing, "coverage": achieved}
    shown = f"{n} site-years: half-width {-narrowing:+.0%}, coverage {achieved:.0%} of 90 % claimed"
    if narrowing < NARROWING_LEAST:
        return refused(f"Not adopted ({name}): it doesn't narrow the interval; {shown}.", **figures)
    if achieved < 0.90 - COVERAGE_SLACK * math.sqrt(0.9 * 0.1 / n):
        return refused(f"Not adopted ({name}): coverage is not kept; {shown}.", **figures)
    return Contrast(
        name,
        carrier,
        adopted=True,
        site_years=n,
        words=f"Adopted ({name}): {k:.2f} of the companion's change is taken off; {shown}.",
        pairs=kept,
        **figures,
    )


def contrasted(
    verdict: Contrast,
    *,
    avoided: float,
    adjusted_baseline: float,
    companion: float,
    uncertainty: SavingsUncertainty,
    unit: str,
    building: str = "",
) -> Interval | None:
    """A site's avoided energy with the companion's drift taken off, and its interval.

    `uncertainty` is the plain one, at the same confidence.  None where the contrast was not
    adopted or the site has no companion.  It is shown beside the plain result, which keeps the
    verdict.
    """
    own = verdict.own_drift(building) if verdict.adopted else None
    if own is None or not math.isfinite(companion) or not adjusted_baseline > 0:
        return None
    drift = own.factor * uncertainty.prior_drift_part
    half = own.quantile(uncertainty.confidence) * math.hypot(uncertainty.model_part, drift)
    others = [p.value for p in uncertainty.parts if p.name in ("non-routine", "sampling")]
    half = math.hypot(half, normal_quantile(uncertainty.confidence) * math.hypot(0.0, *others))
    return around(
        verdict.corrected(avoided / adjusted_baseline, companion) * adjusted_baseline,
        half,
        unit,
        confidence=uncertainty.confidence,
        kind="sum",
        method=f"{verdict.name}: {verdict.k:.2f} of its change taken off",
        base=adjusted_baseline,
        fraction_of="adjusted baseline",
    )


def untouched_hours(
    fit,
    baseline_hours: pd.DataFrame,
    reporting_hours: pd.DataFrame,
    hours: Sequence[int],
    carrier: str,
) -> float:
    """Fraction that a site seems to have saved in hours of the week that nothing touched.

    Parameters
    ----------
    fit : hourly baseline model.
    baseline_hours, reporting_hours : rows of hours with `hour_of_week`.
    hours : hours of the week (0 is Monday midnight) that the retrofit can't touch.
    carrier : says whether the level is corrected by the latest residuals, as the official one is.

    Returns
    -------
    1 − measured ÷ model over those hours; NaN where the model is not above zero there.
    """
    base, report = (
        rows[np.isin(rows["hour_of_week"].to_numpy(), np.asarray(hours, dtype=int))]
        for rows in (used(baseline_hours), used(reporting_hours))
    )
    if len(base) == 0 or len(report) == 0:
        return math.nan
    level = 0.0
    if carrier_kind(carrier) == "electricity":
        weight = recency_weights(base)
        residuals = base["energy"].to_numpy(dtype=float) - np.asarray(fit.predict(base))
        level = RECENCY_SHARE * float(weight @ residuals) / float(weight.sum())
    modelled = float(np.sum(fit.predict(report))) + level * len(report)
    if not modelled > 0:
        return math.nan
    return 1 - float(report["energy"].sum()) / modelled


def hour_pairs(
    trials: Sequence[Trial],
    hourly: pd.DataFrame,
    hours: Sequence[int],
    *,
    baseline_months: float = 12.0,
    reporting_months: float = 12.0,
) -> list[Pair]:
    """Give a site's trials what its untouched hours seem to have saved over the same cuts.

    `hourly`: rows of hours of the same history.  A cut that has no hourly model gets NaN.
    """
    pairs = []
    for trial in trials:
        cut = pd.Timestamp(trial.start, tz="UTC")
        first = cut - pd.Timedelta(days=baseline_months * DAYS_A_MONTH)
        last = cut + pd.Timedelta(days=reporting_months * DAYS_A_MONTH)
        base = hourly[(hourly.index >= first) & (hourly.index < cut)]
        report = hourly[(hourly.index >= cut) & (hourly.index < last)]
        try:
            companion = untouched_hours(fit_hourly(base), base, report, hours, trial.carrier)
        except ModelError:
            companion = math.nan
        pairs.append(Pair(trial, companion))
    return pairs


def group_companions(
    trials: Sequence[Trial], shapes: dict[str, np.ndarray], *, days_apart: int = 31
) -> list[Pair]:
    """Give each trial the median false saving of matched sites over the same time.

    `shapes`: by site, shares of the year's use by month (or any vector to match on).  Controls are
    of the same carrier and another building, start within `days_apart`, the nearest in shape.
    """
    starts = np.array([np.datetime64(t.start) for t in trials])
    pairs = []
    for i, trial in enumerate(trials):
        near = [
            j
            for j in np.flatnonzero(np.abs(starts - starts[i]).astype(int) <= days_apart)
            if trials[j].building != trial.building
            and trials[j].carrier == trial.carrier
            and trials[j].site in shapes
        ]
        controls = {trials[j].site: trials[j].false_saving for j in near}
        pairs.append(Pair(trial, group_companion(shapes.get(trial.site), controls, shapes)))
    return pairs


def controls_at(
    trials: Sequence[Trial], sites: Sequence[str], carrier: str, start: str, days_apart: int = 31
) -> dict[str, float]:
    """What comparison sites seem to have saved in a year that starts with a reporting period.

    `sites`: keys of the comparison sites; `start`: first day of the reporting period, ISO.
    """
    wanted, near = set(sites), {}
    for trial in trials:
        apart = abs(int((np.datetime64(trial.start) - np.datetime64(start)).astype(int)))
        if trial.site in wanted and trial.carrier == carrier and apart <= days_apart:
            near[trial.site] = trial.false_saving
    return near


def group_companion(
    shape: np.ndarray | None, controls: dict[str, float], shapes: dict[str, np.ndarray]
) -> float:
    """Median seeming saving of the controls nearest in shape; NaN where there are too few."""
    if shape is None or not controls:
        return math.nan
    sites = sorted(controls)
    order = by_nearness(shape, np.stack([shapes[site] for site in sites]))
    return median_of_nearest(np.array([controls[sites[i]] for i in order]))[0]


def by_nearness(shape: np.ndarray, shapes: np.ndarray) -> np.ndarray:
    """Places of `shapes` (sites, 12) from the nearest to `shape` (12,) on, (sites,)."""
    return np.argsort(np.square(shapes - shape).sum(axis=1), kind="stable")


def median_of_nearest(seeming: np.ndarray) -> tuple[float, int]:
    """Median of the first seeming savings that are known, and how many they are.

    `seeming`: from the nearest control on, NaN where it is not known; NaN where too few are known.
    """
    near = seeming[np.isfinite(seeming)][:CONTROLS_MOST]
    return (float(np.median(near)) if len(near) >= CONTROLS_LEAST else math.nan), len(near)


def year_shape(rows: pd.DataFrame) -> np.ndarray:
    """Share of use by calendar month, per day, (12,): what controls are matched on."""
    rows = used(rows)
    when = pd.DatetimeIndex(rows["start"] if "start" in rows.columns else rows.index)
    month = when.month.to_numpy() - 1
    count = np.maximum(np.bincount(month, minlength=12), 1)
    mean = np.bincount(month, rows["energy"].to_numpy(dtype=float), minlength=12) / count
    return mean / mean.sum() if mean.sum() > 0 else np.full(12, 1 / 12)


def _slopes_of_others(pairs: Sequence[Pair], buildings: Sequence[str]) -> dict[str, float]:
    """k by building, from pairs of other buildings: of all others, or of those in other folds."""
    fold = {b: i % FOLDS_MOST for i, b in enumerate(buildings)}
    figures = _figures(pairs)
    of_pair = np.array([fold[p.trial.building] for p in pairs])
    slopes = [_slope(figures[of_pair != i]) for i in range(min(FOLDS_MOST, len(buildings)))]
    return {b: slopes[i] for b, i in fold.items()}


def _figures(pairs: Sequence[Pair]) -> np.ndarray:
    """False saving, companion, model part, drift part and ν of each, (pairs, 5)."""
    trials = [(p.trial, p.companion) for p in pairs]
    return np.array([(t.false_saving, u, t.model, t.drift, t.nu) for t, u in trials])


def _slope(figures: np.ndarray) -> float:
    r, u, model, drift, nus = figures.T
    scale2, nu = model**2 + drift**2, float(nus.mean())
    k, weight = 0.0, 1 / scale2
    for _ in range(_ROUNDS):
        k = float((weight * u) @ r) / (float((weight * u) @ u) + 1 / K_SPREAD**2)
        rest = (r - k * u) ** 2
        size = float(np.median(rest / scale2)) or 1.0
        weight = (nu + 1) / (nu + rest / (size * scale2)) / (size * scale2)
    return k


def _contrasted(pairs: Sequence[Pair], k: float) -> Placebo:
    return placebo(
        replace(p.trial, false_saving=p.trial.false_saving - k * p.companion) for p in pairs
    )
