"""Is what sites without a retrofit did over a claim's months worth taking off its saving?

What the comparison sites nearest to a site seem to have saved over its own two periods is drift
that they have in common (`controls.py`).  Taken off whole, it is gone from the saving whenever it
came: a difference in differences.  A share of it, learned from other dates, would leave the rest of
a jump on some calendar day in the saving.

Whether it is taken off is decided before any saving is looked at.  Each of the portfolio's placebo
trials (`placebo.py`), where no saving is true, is held against the comparison sites over its own
two years.  With enough of them, and if they are covered as claimed, the group's change is used

- at every claim of the carrier where it narrows the trials' interval by 5 % at least;
- else at a claim over whose months the comparison sites moved together, by a sign test at 5 %: what
  trials of other dates average out would be missed there.

How wide is what remains?  Drift is measured anew on the trials with the group's change taken off,
building-disjoint, as the plain one is.  A claim's months may be worse than others: the comparison
sites, each with the median of the others taken off, show what remains over exactly these months.
Where they lie wider apart than the trials do, the drift part is widened by that ratio, drawn
towards one as few sites tell little; it is never narrowed.

Own method; trials in space are those of synthetic controls (Abadie, Diamond & Hainmueller 2010,
from memory).
"""

from __future__ import annotations

import datetime as dt
import math
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from itertools import groupby

import numpy as np

from mv.savings.controls import CONTROLS_LEAST, MONTHS_LEAST, Controls, Group, nearest_month, spread
from mv.savings.own_drift import (
    BUILDINGS_LEAST,
    LOG_K_SPREAD,
    SITE_YEARS_LEAST,
    OwnDrift,
    Trial,
)
from mv.savings.placebo import Placebo, placebo
from mv.wording import percent

NAME = "comparison group"
NARROWING_LEAST = 0.05
"""Share by which the typical half-width must shrink for the group to be adopted (own convention:
less is not worth a second method)."""
COVERAGE_SLACK = 1.0
"""Standard errors by which achieved coverage at 90 % may fall short of the claim."""
SITES_OF_PRIOR = 1 / LOG_K_SPREAD**2
"""Sites that weigh as much as the prior that all months are alike: the logarithm of a spread among
n sites is known to about 1/√n, and the prior's standard deviation is that of ln k."""


@dataclass(frozen=True)
class Contrast:
    """What the trials say about the comparison group of one carrier."""

    carrier: str
    words: str
    site_years: int
    """Trials that have a group over their two years."""
    covers: bool = False
    """Whether the trials are covered as claimed, the group's change taken off."""
    narrows: bool = False
    """Whether the trials' interval is narrower by 5 % at least."""
    narrowing: float = 0.0
    """Share by which the typical half-width shrinks in the trials."""
    coverage: float | None = None
    """Coverage of the trials at a claimed 90 %, the group's change taken off."""
    trials: tuple[Trial, ...] = ()
    """With the group's change taken off their false savings."""

    def used(self, group: Group) -> bool:
        """Whether the change of `group` is taken off a saving."""
        return self.covers and (self.narrows or group.moved)

    def own_drift(
        self, group: Group, building: str = "", *, horizon: float = 1.0
    ) -> OwnDrift | None:
        """Drift that remains over the months of `group`, measured on other buildings; for
        `interval(own=...)`, which takes it times `horizon`."""
        own = self._remaining.own_drift(self.carrier, building)
        return own and replace(own, factor=own.factor * self.widening(group, horizon=horizon))

    def widening(self, group: Group, *, horizon: float = 1.0) -> float:
        """Factor on the drift for the months of `group`, one or more, beyond what their `horizon`
        (`drift.horizon_factor`) makes of it.  Drawn towards one as few sites tell little."""
        if not self._spread > 0:
            return 1.0
        number = len(group.remainders)
        ratio = group.spread / (self._spread * horizon)
        return max(1.0, ratio) ** (number / (number + SITES_OF_PRIOR))

    @cached_property
    def _remaining(self) -> Placebo:
        return placebo(self.trials)

    @cached_property
    def _spread(self) -> float:
        return spread(np.array([t.false_saving for t in self.trials]))


def comparison_group(
    carrier: str,
    trials: Sequence[Trial],
    controls: Controls,
    shapes: dict[str, np.ndarray],
) -> Contrast:
    """Judge by the portfolio's trials whether the group's change is to be taken off.

    `trials`: of this carrier, site by site; `shapes`: by site, what controls are matched on.
    """
    if len(controls.months) < CONTROLS_LEAST:
        return Contrast(
            carrier,
            f"Not adopted ({NAME}): {len(controls.months)} sites without a retrofit have "
            f"readings of {carrier.replace('_', ' ')}, {CONTROLS_LEAST} are needed.",
            site_years=0,
        )
    pairs = list(_with_groups(trials, controls, shapes)) if _enough(trials) else []
    kept = [trial for trial, _ in pairs]
    if not _enough(kept):
        return Contrast(
            carrier,
            f"Not adopted ({NAME}): {len(kept)} site-years of placebo trials with a group over "
            f"the same months; each building needs {SITE_YEARS_LEAST} of {BUILDINGS_LEAST} others "
            "to measure the drift that remains.",
            site_years=len(kept),
        )
    remaining = tuple(
        replace(trial, false_saving=trial.false_saving - group.change, parts=())
        for trial, group in pairs
    )
    verdict = Contrast(carrier, "", len(kept), trials=remaining)
    plain = _half_widths(carrier, kept, np.ones(len(kept)))
    widening = np.array([verdict.widening(group) for _, group in pairs])
    half = _half_widths(carrier, remaining, widening)
    narrowing = float(1 - np.median(half) / np.median(plain))
    coverage = float(np.mean([abs(t.false_saving) for t in remaining] <= half))
    shown = (
        f"{len(kept)} site-years: half-width {percent(-narrowing, sign=True)}, coverage "
        f"{percent(coverage)} of {percent(0.9)} claimed"
    )
    covers = coverage >= 0.90 - COVERAGE_SLACK * math.sqrt(0.9 * 0.1 / len(kept))
    narrows = narrowing >= NARROWING_LEAST
    if not covers:
        words = f"Not adopted ({NAME}): coverage is not kept; {shown}."
    elif not narrows:
        words = f"Not adopted ({NAME}): it doesn't narrow the interval; {shown}."
    else:
        words = (
            f"Adopted ({NAME}): what the comparison sites seem to have saved over the site's own "
            f"months is taken off; {shown}."
        )
    return replace(
        verdict,
        words=words,
        covers=covers,
        narrows=narrows,
        narrowing=narrowing,
        coverage=coverage,
    )


def _enough(trials: Sequence[Trial]) -> bool:
    """Whether there is a measured drift for each building without its own trials."""
    each = Counter(t.building for t in trials)
    most = max(each.values(), default=0)
    return len(trials) - most >= SITE_YEARS_LEAST and len(each) > BUILDINGS_LEAST


def _with_groups(trials: Sequence[Trial], controls: Controls, shapes: dict[str, np.ndarray]):
    """Each trial with its comparison sites over its own two years, where it has enough of them."""
    for site, own in groupby(trials, key=lambda trial: trial.site):
        nearest = controls.nearest(site, shapes[site])
        for trial in own:
            cut = nearest_month(dt.date.fromisoformat(trial.start))
            spans = (cut - MONTHS_LEAST, cut), (cut, cut + MONTHS_LEAST)
            group = controls.group(nearest, *spans)
            if group is not None:
                yield trial, group


def _half_widths(carrier: str, trials: Sequence[Trial], widening: np.ndarray) -> np.ndarray:
    """Half-width of each trial at 90 % by the trials of other buildings, (trials,)."""
    whole = placebo(trials)
    own = {b: whole.own_drift(carrier, b) for b in {t.building for t in trials}}
    half = []
    for trial, wider in zip(trials, widening, strict=True):
        drift = own[trial.building]
        size = math.hypot(trial.model, wider * drift.factor * trial.drift)
        half.append(drift.quantile(0.9) * size)
    return np.array(half)
