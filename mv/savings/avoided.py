"""How much energy was avoided, and what may be said about it?

Avoided energy = adjusted baseline − measured use + non-routine adjustment, over the rows of the
reporting period that can be used on both sides (IPMVP Core Concepts, ch. 5; ASHRAE Guideline 14,
ch. 5).  The adjusted baseline is the baseline model at reporting-period conditions, its level
corrected where `recency_level` says so.  Savings are signed: negative is a result, not an error.

A row is a day or a bill.  Models speak of energy a day, so a bill's row counts with its days.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
from typing import Literal

import numpy as np
import pandas as pd

from mv.baseline.columns import Rows
from mv.baseline.fit import Fit
from mv.baseline.rows import used
from mv.findings import ModelError

SavingsVerdict = Literal["savings shown", "not distinguishable", "use increased"]


@dataclass(frozen=True)
class Avoided:
    """Avoided energy of one carrier of one site; energies in the carrier's canonical unit."""

    adjusted_baseline: float
    """Baseline model at reporting conditions, level correction included, over the used rows."""
    measured: float
    """Measured over the same rows."""
    adjustment: float
    """Declared non-routine adjustment; positive adds to the saving."""
    adjustment_se: float
    avoided: float
    """adjusted baseline − measured + adjustment."""
    level_correction: float
    """Energy a day added to the model's level."""
    level_energy: float
    """What the level correction is worth in the adjusted baseline."""
    rows: int
    """Used rows."""
    days: float
    """Days that the used rows cover."""
    index: pd.Index | np.ndarray
    modelled_rows: np.ndarray
    """Adjusted baseline per used row, energy (rows,)."""
    measured_rows: np.ndarray
    """Measured per used row, energy (rows,)."""

    @property
    def fraction(self) -> float | None:
        """Avoided energy ÷ adjusted baseline; None where that is not above zero."""
        return self.avoided / self.adjusted_baseline if self.adjusted_baseline > 0 else None


def avoided_energy(
    fit,
    baseline_rows: Rows,
    reporting_rows: Rows,
    *,
    adjustment: float = 0.0,
    adjustment_se: float = 0.0,
    level_correction: float = 0.0,
    modelled: np.ndarray | None = None,
) -> Avoided:
    """Sum adjusted baseline and measured use over the used rows of the reporting period.

    Parameters
    ----------
    fit : baseline model with `predict(rows) -> (m,)`, energy a day (an hourly model: energy an
        hour, and rows of hours).
    baseline_rows : rows the model was fitted on; only their columns are compared.
    reporting_rows : rows of the reporting period, all of them; those with status "used" count.
    adjustment, adjustment_se : non-routine adjustment and its standard error, energy.
    level_correction : energy a day added to the model.
    modelled : what the model says of the used rows, where it is at hand, (m,).

    Raises ModelError where no row can be used or both tables are not of one kind.
    """
    rows, days = _used_as_in(baseline_rows, reporting_rows)
    modelled = np.asarray(fit.predict(rows) if modelled is None else modelled, dtype=float)
    modelled_rows = (modelled + level_correction) * days
    measured_rows = np.asarray(rows["energy"], dtype=float) * days
    adjusted, measured = float(modelled_rows.sum()), float(measured_rows.sum())
    return Avoided(
        adjusted_baseline=adjusted,
        measured=measured,
        adjustment=adjustment,
        adjustment_se=adjustment_se,
        avoided=_avoided(adjusted, measured, adjustment),
        level_correction=level_correction,
        level_energy=float(level_correction * days.sum()),
        rows=len(rows),
        days=float(days.sum()),
        index=rows.index,
        modelled_rows=modelled_rows,
        measured_rows=measured_rows,
    )


def avoided_under(
    fits: Sequence[Fit],
    baseline_rows: Rows,
    reporting_rows: Rows,
    *,
    adjustment: float = 0.0,
    level_corrections: Sequence[float],
) -> list[float]:
    """Avoided energy under each of several models of one baseline, as `avoided_energy` says it of
    one: sums alone, and what the models share summed once."""
    rows, days = _used_as_in(baseline_rows, reporting_rows)
    measured, covered = float(days @ np.asarray(rows["energy"], dtype=float)), float(days.sum())
    linear: dict[int, np.ndarray] = {}
    found = []
    for fit, level in zip(fits, level_corrections, strict=True):
        shared = id(fit.terms)
        if shared not in linear:
            linear[shared] = days @ fit.terms.columns(rows)
        design = np.concatenate([linear[shared], days @ fit.response.columns(rows)])
        adjusted = float(design @ fit.coefficients) + level * covered
        found.append(_avoided(adjusted, measured, adjustment))
    return found


def _used_as_in(baseline_rows: Rows, reporting_rows: Rows) -> tuple[Rows, np.ndarray]:
    """The reporting period's used rows and the days of each; ModelError where there are none or
    they are not of the baseline's kind."""
    if ("days" in baseline_rows.columns) != ("days" in reporting_rows.columns):
        raise ModelError("baseline and reporting rows must both be bills or both be days")
    rows = used(reporting_rows)
    if len(rows) == 0:
        raise ModelError("no row of the reporting period can be used")
    return rows, row_days(rows)


def _avoided(adjusted: float, measured: float, adjustment: float) -> float:
    if not math.isfinite(adjusted) or not math.isfinite(measured):
        raise ModelError("a used row of the reporting period has no energy or no temperature")
    return adjusted - measured + adjustment


def row_days(rows: Rows) -> np.ndarray:
    """Days (or hours, for rows of hours) that a row's `energy` is to be multiplied with, (m,)."""
    if "days" in rows.columns:
        return np.asarray(rows["days"], dtype=float)
    return _ones(len(rows))


@lru_cache(maxsize=256)
def _ones(n: int) -> np.ndarray:
    ones = np.ones(n)
    ones.flags.writeable = False  # every caller gets the same ones
    return ones


def verdict(low: float, high: float) -> SavingsVerdict:
    """Say what an interval shows: above zero, holding zero, or below zero.

    Raises ModelError for ends in the wrong order.
    """
    if not low <= high:
        raise ModelError(f"an interval's low end {low} must not lie above its high end {high}")
    if low > 0:
        return "savings shown"
    if high < 0:
        return "use increased"
    return "not distinguishable"
