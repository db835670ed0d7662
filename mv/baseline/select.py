"""Which model is the official baseline?

All forms compete, with and without operating days, on the baseline period alone; what they would
say about savings is not looked at.

1. *Plausible* is a form whose slopes have the sign that physics gives them, whose slopes and
   operating term differ from zero by more than twice their standard error, and whose change
   points have enough rows on either side.
2. Among the plausible the smallest BIC = n′ ln(SSE/n) + p ln n′ wins (Schwarz 1978), p counting
   change points.  Days in a row repeat one another, so n′ is the number of independent days that
   tell as much (Guideline 14's n′, from memory), the same for all candidates: that of the
   candidate with the smallest SSE.  Bills are too few to estimate it; there n′ = n.

The share of operating days in a bill is tried only where it varies enough to be told apart from
the level.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

import numpy as np
import pandas as pd

from mv.baseline.change_point import FORMS, fit_change_point, search_of
from mv.baseline.fit import Fit, Sample, officially
from mv.baseline.fit_statistics import effective_n
from mv.baseline.rows import DRIVER
from mv.baseline.terms import LinearTerms
from mv.findings import ModelError

Granularity = Literal["daily", "bills"]

T_LEAST = 2.0
"""|t| of a slope or an operating term (IPMVP, from memory: t above 2)."""
ROWS_EACH_SIDE = {"daily": 10, "bills": 3}
"""Rows at or beyond a change point on either side (common practice, no source)."""
SHARE_SD_LEAST = 0.02
"""Standard deviation of the bills' share of operating days from which it is tried (common
practice, no source): half a day in a month."""
DAYS_EACH_KIND = 10
"""Days of either kind from which operating days are tried (common practice, no source)."""
DRIVER_VIF_MOST = 10.0
"""Variance inflation above which a driver can't be told from the other terms (common practice)."""
CLOSE_CALL = 2.0
"""Difference in BIC not worth more than a bare mention (Kass & Raftery 1995)."""


@dataclass(frozen=True)
class CandidateFit:
    """One form that competed."""

    form: str
    """Form and operating term, such as `3PC with operating days`."""
    fit: Fit | None
    """None where the form could not be fitted."""
    criterion: float | None
    """BIC; the smaller the better."""
    plausible: bool
    why: str
    """Why it was not chosen, or that it was."""


@dataclass(frozen=True)
class Selection:
    """The official baseline and what stood beside it."""

    fit: Fit
    runner_up: Fit | None
    candidates: tuple[CandidateFit, ...]
    rule: str
    """The rule in words."""
    effective_n: float
    """n′ of the criterion."""
    notes: tuple[str, ...] = ()


RULE = (
    "Smallest BIC (with the number of independent rows) among the forms whose slopes have the "
    "right sign, whose slopes and operating term exceed twice their standard error, and whose "
    "change points have at least {rows} rows on either side; on baseline data only."
)


def select(
    rows: pd.DataFrame,
    granularity: Granularity,
    carrier: str,
    *,
    unit: str = "kWh",
) -> Selection:
    """Fit all forms and choose the official baseline.

    Parameters
    ----------
    rows : daily or bill rows of the baseline period; those with status "used" count.
    granularity : what a row is.
    carrier : of the meter; named in the rule's words only.
    unit : of the energy.

    Raises ModelError where not even a mean can be fitted.
    """
    sample = Sample.of(rows)
    rate = f"{unit}/day"
    drivers, notes = _drivers(sample)
    tried: list[tuple[str, Fit | None, str]] = []
    for days in _day_terms(sample, granularity):
        terms = LinearTerms(days, drivers, driver_means=_means(sample, drivers))
        tried += _forms(sample, terms, ROWS_EACH_SIDE[granularity], rate)
    fits = [fit for _, fit, _ in tried if fit is not None]
    if not fits:
        raise ModelError(f"no form can be fitted to {len(sample)} rows; give more rows")
    best = min(fits, key=lambda fit: fit.statistics.sse)
    n = float(len(sample))
    if granularity == "daily":
        n = max(effective_n(len(sample), best.statistics.autocorrelation), best.parameters + 2.0)
    candidates = []
    for form, fit, problem in tried:
        reason = problem or implausible(fit, granularity)
        criterion = None if fit is None else bic(fit, n)
        candidates.append(CandidateFit(form, fit, criterion, not reason, reason))
    ranked = sorted((c for c in candidates if c.plausible), key=lambda c: c.criterion)
    chosen = ranked[0]
    final = officially(chosen.fit, sample)
    runner_up = ranked[1].fit if len(ranked) > 1 else None
    told = tuple(
        CandidateFit(
            c.form,
            final if c is chosen else c.fit,
            c.criterion,
            c.plausible,
            c.why or _standing(c, chosen),
        )
        for c in candidates
    )
    rule = RULE.format(rows=ROWS_EACH_SIDE[granularity])
    return Selection(final, runner_up, told, rule, n, notes)


def bic(fit: Fit, n: float) -> float:
    """n′ ln(SSE/n) + p ln n′ (Schwarz 1978), SSE per row and n′ = `n`."""
    y = fit.residuals + fit.x @ fit.coefficients
    # A perfect fit has no finite BIC; nothing is measured to a billionth.
    floor = fit.n * (1e-9 * max(float(np.abs(y).max()), 1e-300)) ** 2
    return n * math.log(max(fit.statistics.sse, floor) / fit.n) + fit.parameters * math.log(n)


def implausible(fit: Fit, granularity: Granularity) -> str:
    """Why a fit is not plausible; empty when it is."""
    for name, t in zip(fit.term_names, fit.t_values, strict=True):
        if name == "level" or name.startswith(DRIVER):
            continue
        if not abs(t) >= T_LEAST:
            return f"{name} does not differ from zero (t = {t:.1f})"
    slopes = dict(zip(fit.term_names, fit.coefficients, strict=True))
    for side in ("heating", "cooling"):
        if slopes.get(side, 1.0) <= 0:
            return f"use would fall beyond the {side} change point"
    if granularity == "bills" and slopes.get("operating", 0.0) + slopes["level"] < 0:
        return "an operating day would use less than nothing"
    if granularity == "bills" and "operating" in slopes and slopes["level"] < 0:
        return "a non-operating day would use less than nothing"
    return ""


def _forms(
    sample: Sample, terms: LinearTerms, least: int, unit: str
) -> list[tuple[str, Fit | None, str]]:
    """Every form with these terms: its name, the fit, or why there is none."""
    out: list[tuple[str, Fit | None, str]] = []
    search = None
    for form in FORMS:
        name = form if terms.days == "none" else f"{form} with operating days"
        try:
            if search is None and form not in {"1P", "2P"}:
                search = search_of(sample, terms, least=least, signs=True)
            fit = fit_change_point(
                sample, form, terms, signs=True, least=least, unit=unit, search=search
            )
        except ModelError as error:
            out.append((name, None, str(error)))
        else:
            out.append((name, fit, ""))
    return out


def _day_terms(sample: Sample, granularity: Granularity) -> tuple[str, ...]:
    operating = sample.rows["operating"].to_numpy(dtype=float)
    if granularity == "bills":
        varies = float(np.std(operating)) >= SHARE_SD_LEAST
    else:
        varies = min((operating > 0.5).sum(), (operating <= 0.5).sum()) >= DAYS_EACH_KIND
    return ("none", "operating") if varies else ("none",)


def _drivers(sample: Sample) -> tuple[tuple[str, ...], tuple[str, ...]]:
    """Drivers that can be told apart from level, temperature and operating days."""
    names = [c.removeprefix(DRIVER) for c in sample.rows.columns if str(c).startswith(DRIVER)]
    taken, notes = [], []
    columns = [np.ones(len(sample)), sample.temperature]
    operating = sample.rows["operating"].to_numpy(dtype=float)
    if operating.std() > 0:
        columns.append(operating)
    for name in sorted(names):
        values = sample.rows[DRIVER + name].to_numpy(dtype=float)
        spread = float(((values - values.mean()) ** 2).sum())
        x = np.column_stack(columns)
        rest = values - x @ np.linalg.lstsq(x, values, rcond=None)[0]
        if spread <= 1e-18 * float(values @ values) or spread == 0:
            notes.append(f"the driver {name} does not vary in the baseline and is left out")
        elif float(rest @ rest) * DRIVER_VIF_MOST < spread:
            notes.append(f"the driver {name} can't be told from the other terms and is left out")
        elif len(sample) < 3 * (len(columns) + 2):
            notes.append(f"there are too few rows for the driver {name}; it is left out")
        else:
            taken.append(name)
            columns.append(values)
    return tuple(taken), tuple(notes)


def _means(sample: Sample, drivers: tuple[str, ...]) -> dict[str, float]:
    return {name: float(sample.rows[DRIVER + name].mean()) for name in drivers}


def _standing(candidate: CandidateFit, chosen: CandidateFit) -> str:
    if candidate is chosen:
        return "chosen"
    return f"BIC larger by {candidate.criterion - chosen.criterion:.1f}"
