"""Which kinds of day does a site have?

A day's kind is found from its weekday, whether it is an operating day, and why it is not.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from mv.baseline.rows import moments_of, used

CELLS = 14
"""Weekday (Monday 0) of an operating day, 7 + weekday of a non-operating one."""


def cells_of(rows: pd.DataFrame) -> np.ndarray:
    """Cell of each day: weekday, plus 7 where it is no operating day; shape (rows,)."""
    days = moments_of(rows).astype("datetime64[D]").astype(np.int64)
    operating = rows["operating"].to_numpy(dtype=float) > 0.5
    return (days + 3) % 7 + np.where(operating, 0, 7)


@dataclass(frozen=True)
class DayTypes:
    """Cells of days merged into a few types; type 0 is the one that the level stands for."""

    labels: tuple[str, ...]
    code: tuple[int, ...]
    """Type of each cell, shape (CELLS,)."""

    def of(self, rows: pd.DataFrame) -> np.ndarray:
        """Type of each day, shape (rows,)."""
        return np.asarray(self.code)[cells_of(rows)]


def operating_day_effect(fit, baseline: pd.DataFrame, reporting: pd.DataFrame) -> float | None:
    """What the adjustment for operating days is worth in the adjusted baseline.

    The model at reporting conditions, less the same model at the same temperatures with the
    baseline period's mix of days.  Energy in the fit's unit; None where the model knows no kinds
    of day.

    Parameters
    ----------
    fit : baseline model.
    baseline, reporting : rows of either period; those with status "used" count.
    """
    if fit.terms.days == "none":
        return None
    before, after = used(baseline), used(reporting)
    weight = before["weight"].to_numpy(dtype=float)
    mix = weight @ fit.terms.day_columns(before) / weight.sum()
    days = after["weight"].to_numpy(dtype=float)
    usual = fit.design(after, days=mix) @ fit.coefficients
    return float(days @ (fit.predict(after) - usual))
