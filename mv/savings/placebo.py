"""Would this method have reported a saving where nobody saved anything?

The placebo trial: each site's history before its retrofit, and every comparison site's, is cut into
a year to fit and the next year to predict.  What comes out are false savings, as a fraction of the
adjusted baseline.  They show whether the interval covers what it claims, and they measure this
portfolio's own drift, which then takes the place of the shipped prior (`own_drift.py`).
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from functools import cached_property

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
    judge_calm,
    recency_level,
    row_spans,
)
from mv.savings.own_drift import (
    BUILDINGS_LEAST,
    SITE_YEARS_LEAST,
    Evidence,
    FirstMonths,
    OwnDrift,
    Trial,
    many,
)
from mv.savings.totals import widening
from mv.savings.uncertainty import interval
from mv.wording import percent

COVERAGE_LEVELS = (0.68, 0.80, 0.90, 0.95)
VALID_SHARE = 0.75
"""Share of a trial's days that must be usable (Guideline 14: at most 25 % removed, from memory)."""
FIRST_MONTHS = (3, 6, 9)
"""Months at the start of each year predicted that are judged by themselves, too."""


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

    def of_kind(self, kind: Kind) -> Evidence:
        """Trials of one kind of carrier."""
        return self._evidence[kind]

    @cached_property
    def _evidence(self) -> dict[Kind, Evidence]:
        kinds: tuple[Kind, ...] = ("electricity", "heat")
        return {k: Evidence([t for t in self.trials if t.kind == k]) for k in kinds}

    @cached_property
    def _evidence_of_first_months(self) -> dict[tuple[Kind, int], Evidence]:
        found: dict[tuple[Kind, int], list[Trial]] = {}
        for trial in self.trials:
            for part in trial.parts:
                found.setdefault((trial.kind, part.months), []).append(trial.over(part))
        return {key: Evidence(trials) for key, trials in found.items()}

    def own_drift(
        self, carrier: str, building: str = "", *, first_months: bool = False
    ) -> OwnDrift | None:
        """Drift measured on other buildings; None where there are none.

        `first_months`: also over parts of a year, for a site that reports on less.
        """
        kind = carrier_kind(carrier)
        own = self.of_kind(kind).without(building)
        if own is None or not first_months:
            return own
        parts = {
            months: evidence.without(building)
            for (of, months), evidence in self._evidence_of_first_months.items()
            if of == kind
        }
        return replace(
            own,
            parts={
                months: replace(part, months=months)
                for months, part in sorted(parts.items())
                if part is not None and part.decides
            },
        )

    def widening(self, carrier: str, sites: int, confidence: float) -> float:
        """Factor on the quadrature of the half-widths of `sites` sites, at least 1."""
        return widening(self.of_kind(carrier_kind(carrier)), sites, confidence)

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
    first_months: Sequence[int] = (),
) -> list[Trial]:
    """Cut a site's history without retrofit into placebo trials, the latest first.

    Parameters
    ----------
    rows : daily or bill rows before the works (a comparison site: all rows).
    fit : rows of a baseline -> fitted model; by default the official choice of model.
    baseline_months, reporting_months : lengths of each trial's periods; successive trials start
        a reporting period earlier, so that no reporting day serves twice.
    first_months : lengths from the start of each reporting period that are judged, too, by the same
        model (`FIRST_MONTHS` serve sites that report on less than a year).

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
            calm = judge_calm(model, baseline, carrier, granularity)
        except ModelError:
            continue

        def judged(rows, months, model=model, baseline=baseline, level=level, calm=calm):
            saving = avoided_energy(model, baseline, rows, level_correction=level)
            base = saving.adjusted_baseline
            if not base > 0:
                return None
            made = interval(
                model,
                baseline,
                rows,
                carrier=carrier,
                granularity=granularity,
                confidence=0.9,
                prior=prior,
                adjusted_baseline=base,
                avoided=saving.avoided,
                baseline_months=baseline_months,
                reporting_months=months,
                calm=calm,
            )
            figures = saving.avoided / base, made.model_part / base, made.drift_part / base
            return figures, float(made.degrees_of_freedom or math.inf)

        try:
            whole = judged(reporting, reporting_months)
            if whole is None:
                continue
            parts = [(m, judged(rows, m)) for m, rows in _first(reporting, first_months)]
        except ModelError:
            continue
        start = pd.Timestamp(row_spans(reporting)[0][0] * 86400, unit="s")
        (false_saving, model_part, drift), nu = whole
        trials.append(
            Trial(
                site=site,
                building=building or site,
                carrier=carrier,
                granularity=granularity,
                start=start.date().isoformat(),
                false_saving=false_saving,
                model=model_part,
                drift=drift,
                nu=nu,
                parts=tuple(FirstMonths(m, *part[0]) for m, part in parts if part is not None),
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


def _first(
    reporting: pd.DataFrame, first_months: Sequence[int]
) -> Iterator[tuple[int, pd.DataFrame]]:
    """Rows of the first months that are covered well enough, by number of months."""
    start, end = row_spans(reporting)
    days = row_days(reporting)
    for months in first_months:
        length = months * DAYS_A_MONTH
        inside = (start + end) / 2 < start[0] + length
        if days[inside].sum() >= VALID_SHARE * length:
            yield months, reporting[inside]


def _words(evidence: Evidence, own: OwnDrift) -> str:
    n, buildings = len(evidence.trials), len(evidence.names)
    if not own.decides:
        return (
            f"{many(n, 'site-year')} of {many(buildings, 'building')}. The trial decides from "
            f"{SITE_YEARS_LEAST} site-years of {BUILDINGS_LEAST} buildings on; until then the "
            "shipped prior does, and the trial of the other buildings can only widen it."
        )
    kind = "the" if own.conformal else "a predictive"
    how = f"{kind} quantile of {own.quantile(0.9):.2f} at {percent(0.9)}"
    return (
        f"{n} site-years of {buildings} buildings; weighed with the shipped prior they multiply "
        f"its drift by {own.factor:.2f}, with {how}."
    )
