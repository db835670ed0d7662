"""What would this method have reported where nothing was done?

The site's own history before the works is cut in two, a retrofit pretended between, and the false
saving reported with its interval: twelve months against twelve where the history is long enough,
otherwise two thirds against one third of what there is.  A short cut stretches the model beyond
the seasons it saw, and says so.
"""

from __future__ import annotations

import datetime as dt
import math
from dataclasses import dataclass
from typing import Any

import numpy as np

from mv.baseline.columns import Columns
from mv.baseline.rows import used
from mv.prepare import PreparedCarrier, spans_of, with_adjustment
from mv.savings.drift import DAYS_A_MONTH, Prior, row_spans
from mv.savings.placebo import trials_of_site
from mv.savings.quantiles import student_quantile

SHORT_MONTHS_LEAST = 6.0
"""Months of history under which it is not cut (common practice, no source)."""


@dataclass(frozen=True, slots=True)
class Cut:
    """One pretended retrofit."""

    start: str
    """First day of the pretended reporting period, ISO."""
    baseline_months: float
    reporting_months: float
    false_saving: float
    """Fraction of the adjusted baseline."""
    low: float
    high: float
    whole_years: bool
    """False where the cut had to be shorter than twelve months against twelve."""


def history(carrier: PreparedCarrier, works: dt.date | None) -> Columns:
    """All rows that end before the works (every row where there are none), adjustments taken
    off."""
    rows = carrier.rows
    if works is None:
        return with_adjustment(rows)
    return with_adjustment(rows[spans_of(rows)[1] <= np.datetime64(works)])


def placebo_cuts(
    carrier: PreparedCarrier,
    granularity: str,
    prior: Prior,
    works: dt.date,
    own: Any = None,
    confidence: float = 0.9,
) -> list[Cut]:
    """Cut a carrier's history; empty where it is too short."""
    rows = history(carrier, works)
    if len(used(rows)) == 0:
        return []
    start, end = row_spans(used(rows))
    months = (end[-1] - start[0]) / DAYS_A_MONTH
    lengths = (12.0, 12.0)
    trials = trials_of_site(
        rows, site="", carrier=carrier.carrier, granularity=granularity, prior=prior
    )
    if not trials and months >= SHORT_MONTHS_LEAST:
        base = math.floor(months * 2 / 3)
        lengths = (float(base), float(math.floor(months) - base))
        trials = trials_of_site(
            rows,
            site="",
            carrier=carrier.carrier,
            granularity=granularity,
            prior=prior,
            baseline_months=lengths[0],
            reporting_months=lengths[1],
        )[:1]
    cuts = []
    for trial in trials:
        factor = own.factor if own is not None else 1.0
        q = (
            own.quantile(confidence, trial.nu)
            if own is not None
            else student_quantile(confidence, trial.nu)
        )
        half = q * math.hypot(trial.model, factor * trial.drift)
        cuts.append(
            Cut(
                trial.start,
                *lengths,
                trial.false_saving,
                trial.false_saving - half,
                trial.false_saving + half,
                lengths == (12.0, 12.0),
            )
        )
    return cuts
