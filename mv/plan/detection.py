"""Can the estimated saving be seen with this meter, and after how many months?

For each whole number of months M the reporting period is laid out (`expected.py`) and the
official calibrated interval is made for it: half-width H(M) from model part, drift and heavy
tails, exactly as a report will make it.  With S(M) the estimated saving over the same days:

- *detectable*: S > H, the interval expected at the estimate lies above zero;
- *chance* of "savings shown" if the estimate comes true: P = F_ν((S − H)·q/H), F_ν Student's
  distribution of the drift, q its quantile; one half where S = H;
- *minimum detectable saving*: H ÷ adjusted baseline, the fraction whose interval just touches
  zero; and the fraction seen with four chances in five;
- *programme limit*: the fraction whose half-width at 68 % confidence is half of it
  ("50 % at 68 %", Guideline 14's performance path, from memory).

Beside it stands the half-width of Guideline 14's formula, which knows the scatter of the fit but
not that buildings drift, and so promises more than it keeps.

An estimate is spread evenly over the days of a year, as for lighting; a saving that comes with
the seasons would be seen sooner or later than this.
"""

from __future__ import annotations

import datetime as dt
import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from mv.plan.expected import expected_rows, first_months, months_after
from mv.savings.avoided import row_days
from mv.savings.drift import Calm, Prior, judge_calm
from mv.savings.model_variance import mean_response_part, summed
from mv.savings.quantiles import student_quantile
from mv.savings.uncertainty import SavingsUncertainty, interval
from mv.verify.conditions import NormalYear

MONTHS_MOST = 24
"""Longest reporting period that is looked at.  Longer ones don't help: drift grows with the
horizon (`savings/drift.py`)."""

LIKELY = 0.8
"""Chance that counts as likely (four in five; the usual power of a trial, common practice)."""

PROGRAMME_CONFIDENCE, PROGRAMME_LIMIT = 0.68, 0.5
"""Guideline 14's performance path: half-width at 68 % no more than half of the saving."""

DAYS_A_YEAR = 365.0


@dataclass(frozen=True, slots=True)
class Prospect:
    """What a reporting period of so many months would show."""

    months: int
    end: str
    """Its last day, ISO."""
    adjusted_baseline: float
    """Expected, energy."""
    half_width: float
    """Official, energy, at the portfolio's confidence."""
    fraction: float
    """Half-width ÷ adjusted baseline: the minimum detectable saving."""
    estimated: float | None
    """Estimated saving over these days."""
    estimated_fraction: float | None
    detectable: bool | None
    """None where no estimate is given."""
    chance: float | None
    """Of `savings shown`, if the estimate comes true."""
    guideline_14: float | None
    """Half-width by Guideline 14's formula, fraction of the adjusted baseline."""


@dataclass(frozen=True, slots=True)
class Detection:
    """The curve and what follows from it."""

    curve: tuple[Prospect, ...]
    """One a month, from 1 to `MONTHS_MOST`."""
    planned: Prospect
    """At the planned length of the reporting period."""
    months_needed: int | None
    """Fewest whole months that make the estimate detectable; None for never (or no estimate)."""
    months_likely: int | None
    """Fewest whole months with four chances in five."""
    touching: float
    """Fraction whose interval touches zero at the planned length."""
    likely: float
    """Fraction seen with four chances in five at the planned length."""
    programme: float
    """Fraction that meets "50 % at 68 %" at the planned length."""
    second_year: float
    """Half-width at the planned length, fraction, if a second baseline year like the first were
    added."""
    conditions: str
    """What the months to come are taken to be."""
    uncertainty: SavingsUncertainty
    """How the planned interval is made."""


@dataclass(frozen=True, kw_only=True)
class Outlook:
    """What detection is worked out from."""

    fit: Any
    baseline: pd.DataFrame
    """Used rows."""
    all_rows: pd.DataFrame
    """Used and unused rows of the baseline period."""
    carrier: str
    granularity: str
    level: float
    """Level correction, energy a day."""
    normal: NormalYear | None
    start: dt.date
    """First day of the reporting period."""
    baseline_months: float
    gap_months: float
    confidence: float
    prior: Prior
    own: Any = None
    """The portfolio's own drift, where it has one."""


def detection(
    outlook: Outlook,
    estimated_annual: float | None,
    planned_months: int,
    most: int = MONTHS_MOST,
) -> Detection:
    """Work out the curve.

    `estimated_annual`: energy a year; `planned_months`: whole months of the planned period;
    `most`: longest period looked at (the planned one always is).
    Raises ModelError where rows and model don't fit together.
    """
    calm = judge_calm(outlook.fit, outlook.all_rows, outlook.carrier, outlook.granularity)
    longest = max(most, planned_months)
    coming, words = expected_rows(
        outlook.normal, outlook.baseline, outlook.granularity, outlook.start, longest
    )
    curve, made = [], {}
    for months in range(1, longest + 1):
        rows = first_months(coming, outlook.start, months)
        prospect, how = _prospect(outlook, calm, rows, estimated_annual, months)
        curve.append(prospect)
        made[months] = how
    planned, how = curve[planned_months - 1], made[planned_months]
    nu = _freedom(outlook, how, planned_months)
    return Detection(
        curve=tuple(curve),
        planned=planned,
        months_needed=_first(curve, lambda p: p.detectable),
        months_likely=_first(curve, lambda p: p.chance is not None and p.chance >= LIKELY),
        touching=planned.fraction,
        likely=planned.fraction * (1 + student_quantile(2 * LIKELY - 1, nu) / how.quantile),
        programme=planned.fraction
        * (_quantile(outlook, how, PROGRAMME_CONFIDENCE, planned_months) / how.quantile)
        / PROGRAMME_LIMIT,
        second_year=_second_year(
            outlook, how, planned, first_months(coming, outlook.start, planned_months)
        ),
        conditions=words,
        uncertainty=how,
    )


def chance_of_showing(
    saving: float, half_width: float, quantile: float, degrees_of_freedom: float
) -> float:
    """Probability that an interval of this half-width, centred anywhere the drift may put it
    around the true saving, lies above zero."""
    from scipy.special import stdtr

    if half_width <= 0:
        return 1.0 if saving > 0 else 0.0
    return float(stdtr(degrees_of_freedom, (saving - half_width) * quantile / half_width))


def _prospect(
    outlook: Outlook, calm: Calm, rows: pd.DataFrame, estimated_annual: float | None, months: int
) -> tuple[Prospect, SavingsUncertainty]:
    days = row_days(rows)
    modelled = np.asarray(outlook.fit.predict(rows), dtype=float) + outlook.level
    adjusted = float(modelled @ days)
    estimated = None
    if estimated_annual is not None:
        estimated = estimated_annual * float(days.sum()) / DAYS_A_YEAR
    how = interval(
        outlook.fit,
        outlook.all_rows,
        rows,
        carrier=outlook.carrier,
        granularity=outlook.granularity,
        confidence=outlook.confidence,
        prior=outlook.prior,
        adjusted_baseline=adjusted,
        avoided=estimated or 0.0,
        baseline_months=outlook.baseline_months,
        reporting_months=float(months),
        gap_months=outlook.gap_months,
        calm=calm,
        own=outlook.own,
    )
    fraction = how.half_width / adjusted if adjusted > 0 else math.inf
    chance = None
    if estimated is not None:
        nu = _freedom(outlook, how, months)
        chance = chance_of_showing(estimated, how.half_width, how.quantile, nu)
    prospect = Prospect(
        months=months,
        end=(pd.Timestamp(months_after(outlook.start, months)) - pd.Timedelta(days=1))
        .date()
        .isoformat(),
        adjusted_baseline=adjusted,
        half_width=how.half_width,
        fraction=fraction,
        estimated=estimated,
        estimated_fraction=estimated / adjusted if estimated is not None and adjusted > 0 else None,
        detectable=None if estimated is None else estimated > how.half_width,
        chance=chance,
        guideline_14=how.guideline_14 / adjusted if how.guideline_14 and adjusted > 0 else None,
    )
    return prospect, how


def _freedom(outlook: Outlook, how: SavingsUncertainty, months: int) -> float:
    """Degrees of freedom of the drift; those of the trial where its quantile was used."""
    own = outlook.own
    return how.degrees_of_freedom or (math.inf if own is None else own.over(months).nu)


def _first(curve: Sequence[Prospect], test) -> int | None:
    return next((p.months for p in curve if test(p)), None)


def _quantile(outlook: Outlook, how: SavingsUncertainty, confidence: float, months: int) -> float:
    """Quantile of the drift at another confidence."""
    if outlook.own is not None:
        return outlook.own.over(months).quantile(confidence)
    return student_quantile(confidence, _freedom(outlook, how, months))


def _second_year(
    outlook: Outlook, how: SavingsUncertainty, planned: Prospect, rows: pd.DataFrame
) -> float:
    """Half-width if the baseline had a second year like the first, fraction.

    Twice the rows halve the variance of the coefficients; the scatter of the months to come and
    the drift stay as they are.
    """
    own = mean_response_part(summed(outlook.fit, outlook.baseline, rows, outlook.granularity))
    model = math.sqrt(max(how.model_part**2 - own**2 / 2, 0.0))
    half = how.quantile * math.hypot(model, how.drift_part)
    return half / planned.adjusted_baseline if planned.adjusted_baseline > 0 else math.inf
