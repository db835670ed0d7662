"""How uncertain is the sum that a baseline model gives, by the scatter of its own period?

Newey-West variances of a sum of predictions: dependence between residuals up to a month apart (a
quarter for bills) is counted.  What they can't know is how the site changes after the baseline;
that is the drift part (`drift.py`).

Rows y = Xb + e with weights w (days of a bill; 1 for days), g the sum of the reporting rows' x
times their days, a_t = w_t x_t'(X'WX)⁻¹g (Newey & West 1987 for the kernel).
"""

from __future__ import annotations

import math

import numpy as np
import pandas as pd

from mv.findings import ModelError
from mv.savings.avoided import row_days
from mv.savings.drift import Granularity, row_spans

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


def model_part(
    fit, baseline_rows: pd.DataFrame, reporting_rows: pd.DataFrame, granularity: Granularity
) -> tuple[float, float]:
    """Standard deviation s of the modelled sum less the measured one, and n − p.

    Rows are used rows.  Returns energy and residual degrees of freedom.
    """
    x, residuals, weight = fit_rows(fit, baseline_rows)
    n, degrees = len(residuals), residual_degrees(fit, len(residuals))
    g, days = sum_row(fit, reporting_rows)
    total = weight * residuals
    a_e = (x @ solve(x, weight, g)) * total
    place = _grid_position(baseline_rows, granularity)
    lags = NEWEY_WEST_LAGS[granularity]
    rows = days.sum() / weight.mean()
    variance = (
        newey_west(a_e, place, lags) * n / degrees + rows * newey_west(total, place, lags) / degrees
    )
    return math.sqrt(variance), float(degrees)


def mean_response_part(
    fit, baseline_rows: pd.DataFrame, rows: pd.DataFrame, granularity: Granularity
) -> float:
    """Standard deviation of the modelled sum alone, without new residuals (normal conditions)."""
    x, residuals, weight = fit_rows(fit, baseline_rows)
    n, degrees = len(residuals), residual_degrees(fit, len(residuals))
    a_e = (x @ solve(x, weight, sum_row(fit, rows)[0])) * weight * residuals
    place = _grid_position(baseline_rows, granularity)
    return math.sqrt(newey_west(a_e, place, NEWEY_WEST_LAGS[granularity]) * n / degrees)


def fit_rows(fit, rows: pd.DataFrame) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Design, residuals and weights of the used baseline rows; ModelError if they don't match."""
    residuals = np.asarray(fit.residuals, dtype=float)
    if len(rows) != len(residuals):
        raise ModelError(
            f"the model was fitted on {len(residuals)} rows, the baseline has {len(rows)} used"
        )
    return np.asarray(fit.design(rows), dtype=float), residuals, row_days(rows)


def sum_row(fit, rows: pd.DataFrame) -> tuple[np.ndarray, np.ndarray]:
    """g = Σ days·x over rows, and the rows' days."""
    days = row_days(rows)
    return days @ np.asarray(fit.design(rows), dtype=float), days


def solve(x: np.ndarray, weight: np.ndarray, g: np.ndarray) -> np.ndarray:
    """(X'WX)⁻¹g; least norm where columns depend on one another."""
    root = np.sqrt(weight)[:, None] * x
    scale = np.sqrt(np.einsum("ij,ij->j", root, root))
    scale[scale == 0] = 1.0
    root = root / scale
    return np.linalg.pinv(root.T @ root, hermitian=True) @ (g / scale) / scale


def residual_degrees(fit, n: int) -> int:
    """n − p; ModelError where none is left."""
    degrees = n - int(fit.parameters)
    if degrees < 1:
        raise ModelError(f"{n} rows leave no degree of freedom for {fit.parameters} parameters")
    return degrees


def _grid_position(rows: pd.DataFrame, granularity: Granularity) -> np.ndarray:
    if granularity == "bills":
        return np.arange(len(rows))
    per_day = 24 if granularity == "hourly" else 1
    return np.rint(row_spans(rows)[0] * per_day).astype(np.int64)
