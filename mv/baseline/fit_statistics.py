"""How well does a fitted baseline describe its own period?

With e = y − ŷ (measured − modelled), n rows, p parameters (change points count), ȳ the mean:

    SSE                  Σe²
    R²                   1 − SSE / Σ(y − ȳ)²
    adjusted R²          1 − (1 − R²)(n − 1)/(n − p)
    RMSE                 √(SSE / (n − p)), the standard error of regression
    CV(RMSE)             RMSE / ȳ
    NMBE                 Σe / ((n − p) ȳ); above zero where the model reads low
    net determination    Σe / Σy
    ρ                    Pearson correlation of e_t with e_{t−1}, over pairs one step apart
    n′                   n (1 − ρ)/(1 + ρ); n where ρ < 0
    Durbin–Watson        Σ(e_t − e_{t−1})² / Σe², numerator over the same pairs

Source: ASHRAE Guideline 14-2014, ch. 5 and annex B (from memory), but for ρ: there it is the
root of R² of e_t on e_{t−1}, which loses the sign.  Bills are modelled per day; each counts with
its days, and n stays the number of bills: weights are scaled to a mean of one.

A good fit is no proof of a small uncertainty of savings; that is `savings/uncertainty.py`.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from mv.findings import ModelError

PAIRS_LEAST = 3
"""Pairs of neighbouring residuals under which no correlation is given (common practice)."""


@dataclass(frozen=True, slots=True)
class FitStatistics:
    """Fit statistics; fractions are fractions, energies in the unit of the rows."""

    n: int
    """Rows."""
    parameters: int
    """Coefficients and change points."""
    sse: float
    """Sum of squared residuals; weighted with weights of mean one."""
    r2: float | None
    """None where measured use does not vary at all."""
    adjusted_r2: float | None
    rmse: float
    """Standard error of regression, energy per row's unit of time."""
    cv_rmse: float | None
    """None where the mean is not above zero."""
    nmbe: float | None
    """Positive where the model reads low."""
    net_determination_bias: float | None
    autocorrelation: float | None
    """Lag-1; None with fewer than three pairs or residuals that do not vary."""
    effective_n: float
    durbin_watson: float | None
    mean: float
    """Weighted mean of the measured values."""

    @property
    def degrees_of_freedom(self) -> int:
        """Rows less parameters."""
        return self.n - self.parameters


def fit_statistics(
    measured: np.ndarray,
    modelled: np.ndarray,
    *,
    parameters: int,
    weights: np.ndarray | None = None,
    consecutive: np.ndarray | None = None,
) -> FitStatistics:
    """Compare measured with modelled use.

    Parameters
    ----------
    measured, modelled : energy per day (or hour), shape (n,), in order of time.
    parameters : how many were fitted, change points included.
    weights : days that each row stands for, shape (n,); all alike when None.
    consecutive : whether row t + 1 follows row t by exactly one step, shape (n − 1,); all do
        when None.

    Returns
    -------
    FitStatistics; relative measures are None where the mean is not above zero.

    Raises
    ------
    ModelError : lengths differ, a value is not finite, or no degree of freedom is left.

    Examples
    --------
    >>> s = fit_statistics([10, 12, 14, 20], [11, 12, 15, 18], parameters=2)
    >>> s.sse, round(s.rmse, 4), s.mean, round(s.cv_rmse, 4)
    (6.0, 1.7321, 14.0, 0.1237)
    """
    y, fitted = np.asarray(measured, dtype=float), np.asarray(modelled, dtype=float)
    if y.shape != fitted.shape or y.ndim != 1:
        raise ModelError(f"measured has shape {y.shape} and modelled {fitted.shape}")
    n = len(y)
    if n <= parameters:
        raise ModelError(
            f"{n} rows leave no degree of freedom for {parameters} parameters; give more rows"
        )
    e = y - fitted
    if not np.isfinite(e).all():
        bad = ~np.isfinite(e)
        raise ModelError(f"{bad.sum()} values are not finite, the first in row {bad.argmax()}")
    w = np.ones(n) if weights is None else np.asarray(weights, dtype=float)
    if w.shape != y.shape:
        raise ModelError(f"there are {n} rows and weights of shape {w.shape}")
    pairs = np.ones(n - 1, dtype=bool) if consecutive is None else np.asarray(consecutive, bool)
    if pairs.shape != (n - 1,):
        raise ModelError(f"{n} rows have {n - 1} pairs, not {pairs.shape}")
    w = w * (n / w.sum())
    return statistics_of(y, e[None], parameters=[parameters], weights=w, consecutive=pairs)[0]


def statistics_of(
    y: np.ndarray,
    residuals: np.ndarray,
    *,
    parameters: Sequence[int],
    weights: np.ndarray,
    consecutive: np.ndarray,
) -> list[FitStatistics]:
    """The statistics of several fits to the same measured use.

    Parameters
    ----------
    y : measured, shape (n,).
    residuals : measured − modelled of each fit, shape (fits, n), finite.
    parameters : of each fit, fewer than n.
    weights : of mean one, shape (n,).
    consecutive : as `fit_statistics` takes it, shape (n − 1,).
    """
    n = len(y)
    mean = float(weights @ y) / n
    deviation = y - mean
    sst = float(weights @ (deviation * deviation))
    varies = sst > (1e-12 * max(abs(mean), 1e-300)) ** 2 * n
    serial = _serial(residuals, consecutive)
    sums = ((residuals * residuals) @ weights).tolist(), (residuals @ weights).tolist()
    found = []
    for p, sse, bias, (rho, durbin_watson) in zip(parameters, *sums, serial, strict=True):
        degrees = n - p
        rmse = math.sqrt(sse / degrees)
        r2 = 1 - sse / sst if varies else None
        statistics = FitStatistics(
            n=n,
            parameters=p,
            sse=sse,
            r2=r2,
            adjusted_r2=None if r2 is None else 1 - (1 - r2) * (n - 1) / degrees,
            rmse=rmse,
            cv_rmse=rmse / mean if mean > 0 else None,
            nmbe=bias / (degrees * mean) if mean > 0 else None,
            net_determination_bias=bias / (n * mean) if mean > 0 else None,
            autocorrelation=rho,
            effective_n=effective_n(n, rho),
            durbin_watson=durbin_watson,
            mean=mean,
        )
        found.append(statistics)
    return found


def effective_n(n: int, rho: float | None) -> float:
    """n′ = n (1 − ρ)/(1 + ρ), the number of independent rows that tell as much; n where ρ ≤ 0."""
    if rho is None or rho <= 0:
        return float(n)
    return n * (1 - rho) / (1 + rho)


def _serial(e: np.ndarray, consecutive: np.ndarray) -> list[tuple[float | None, float | None]]:
    """Lag-1 Pearson correlation and Durbin–Watson of residuals, shape (fits, n), over consecutive
    pairs."""
    before, after = e[:, :-1], e[:, 1:]
    if not consecutive.all():
        before, after = before[:, consecutive], after[:, consecutive]
    if before.shape[1] < PAIRS_LEAST:
        return [(None, None)] * len(e)
    step = after - before
    count = before.shape[1]
    x, y = (part - part.sum(axis=1, keepdims=True) / count for part in (before, after))
    pairs = (e, e), (step, step), (x, x), (y, y), (x, y)
    found = []
    for total, steps, xx, yy, xy in zip(*(np.vecdot(*p).tolist() for p in pairs), strict=True):
        spread = math.sqrt(xx * yy)
        rho = xy / spread if spread > 0 else None
        found.append((rho, steps / total) if total > 0 else (None, None))
    return found
