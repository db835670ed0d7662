"""How uncertain is the sum that a baseline model gives, by the scatter of its own period?

Newey-West variances of a sum of predictions: dependence between residuals up to a month apart (a
quarter for bills) is counted.  What they can't know is how the site changes after the baseline;
that is the drift part (`drift.py`).

Rows y = Xb + e with weights w (days of a bill; 1 for days), g the sum of the reporting rows' x
times their days, a_t = w_t x_t'(X'WX)⁻¹g (Newey & West 1987 for the kernel).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from mv.baseline.columns import Rows
from mv.findings import ModelError
from mv.savings.avoided import row_days
from mv.savings.drift import Granularity, row_spans

SAME = 1e-15
"""Share of the largest eigenvalue up to which one is rounding: its columns depend on others."""
NEWEY_WEST_LAGS: dict[str, int] = {"daily": 30, "hourly": 720, "bills": 3}
"""Rows within which residuals are taken as dependent: a month; a quarter for bills."""


def newey_west(values: np.ndarray, position: np.ndarray, lags: int) -> float:
    """NW_L(u) = Σu² + 2 Σ_{k≤L} (1 − k/(L+1)) Σ_t u_t u_{t−k}; never negative.

    `position` is each value's place on the regular grid (whole numbers, rising), so that a missing
    row counts as a gap.  The triangular weights are a box folded with itself, hence NW is the sum
    of squared moving sums over L + 1 places, divided by L + 1.
    """
    place = np.asarray(position, dtype=np.int64)
    place = place - place[0]
    sums = np.zeros(int(place[-1]) + 2 + lags)
    sums[1 : int(place[-1]) + 2] = np.cumsum(np.bincount(place, values))
    sums[int(place[-1]) + 2 :] = sums[int(place[-1]) + 1]
    moving = sums[1:] - np.concatenate((np.zeros(lags), sums[: -lags - 1]))
    return float(moving @ moving) / (lags + 1)


@dataclass(frozen=True)
class Summed:
    """A model's sum over some rows, as its variances see it."""

    x: np.ndarray
    """Design of the used baseline rows, (n, p)."""
    residuals: np.ndarray
    weight: np.ndarray
    """Of the baseline rows, (n,)."""
    position: np.ndarray
    """Of the baseline rows on their regular grid, (n,)."""
    lags: int
    degrees: int
    """n − p, change points among the parameters."""
    g: np.ndarray
    """Σ days·x over the rows of the sum, (p,)."""
    days: float
    """That those rows cover."""
    solved: np.ndarray
    """(X'WX)⁻¹g, (p,)."""


def summed(
    fit,
    baseline_rows: Rows,
    rows: Rows,
    granularity: Granularity,
    design: np.ndarray | None = None,
) -> Summed:
    """Prepare the variances of a model's sum over `rows`; all rows are used rows.

    `design`: of the rows, where it is at hand.  ModelError where model and baseline don't match.
    """
    x, residuals, weight = fit_rows(fit, baseline_rows)
    g, days = sum_row(fit, rows, design)
    return Summed(
        x=x,
        residuals=residuals,
        weight=weight,
        position=_grid_position(baseline_rows, granularity),
        lags=NEWEY_WEST_LAGS[granularity],
        degrees=residual_degrees(fit, len(residuals)),
        g=g,
        days=float(days.sum()),
        solved=solve(x, weight, g),
    )


def model_part(of: Summed) -> float:
    """Standard deviation s of the modelled sum less the measured one, energy."""
    fresh = newey_west(of.weight * of.residuals, of.position, of.lags) / of.degrees
    return math.sqrt(_response_variance(of) + of.days / of.weight.mean() * fresh)


def mean_response_part(of: Summed) -> float:
    """Standard deviation of the modelled sum alone, without new residuals (normal conditions)."""
    return math.sqrt(_response_variance(of))


def _response_variance(of: Summed) -> float:
    a_e = (of.x @ of.solved) * of.weight * of.residuals
    return newey_west(a_e, of.position, of.lags) * len(of.residuals) / of.degrees


def fit_rows(fit, rows: Rows) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Design, residuals and weights of the used baseline rows; ModelError if they don't match.

    A model that has kept the design of its rows is asked for that.
    """
    residuals = np.asarray(fit.residuals, dtype=float)
    if len(rows) != len(residuals):
        raise ModelError(
            f"the model was fitted on {len(residuals)} rows, the baseline has {len(rows)} used"
        )
    x = getattr(fit, "x", None)
    x = np.asarray(fit.design(rows) if x is None else x, dtype=float)
    return x, residuals, row_days(rows)


def sum_row(fit, rows: Rows, design: np.ndarray | None = None) -> tuple[np.ndarray, np.ndarray]:
    """g = Σ days·x over rows, and the rows' days; `design`: of the rows, where it is at hand."""
    days = row_days(rows)
    x = fit.design(rows) if design is None else design
    return days @ np.asarray(x, dtype=float), days


def solve(x: np.ndarray, weight: np.ndarray, g: np.ndarray) -> np.ndarray:
    """(X'WX)⁻¹g; least norm where columns depend on one another."""
    gram = x.T @ (weight[:, None] * x)
    scale = np.sqrt(gram.diagonal())
    scale[scale == 0] = 1.0
    values, vectors = np.linalg.eigh(gram / scale / scale[:, None])
    known = values > SAME * values[-1]
    vectors = vectors[:, known]
    return vectors @ ((g / scale) @ vectors / values[known]) / scale


def residual_degrees(fit, n: int) -> int:
    """n − p; ModelError where none is left."""
    degrees = n - int(fit.parameters)
    if degrees < 1:
        raise ModelError(f"{n} rows leave no degree of freedom for {fit.parameters} parameters")
    return degrees


def _grid_position(rows: Rows, granularity: Granularity) -> np.ndarray:
    if granularity == "bills":
        return np.arange(len(rows))
    per_day = 24 if granularity == "hourly" else 1
    return np.rint(row_spans(rows)[0] * per_day).astype(np.int64)
