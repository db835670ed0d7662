"""What is a fitted baseline, whatever its family?

y = Xb + e by weighted least squares: X holds the linear terms and the response to temperature at
its change points; a row is a day (weight 1) or a bill (energy per day, weight = days).  Standard
errors come from s²(X'WX)⁻¹ with s² = Σwe²/(n − p), w of mean one, and p counting the change
points too; they take the change points as given (a change point's own error is not in them).
Source: any regression text; ASHRAE Guideline 14 annex B (from memory).

The official fit is solved by statsmodels, the many fits of a search by numpy; both solve the
same equations, and a test holds them together.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Protocol

import numpy as np
import pandas as pd

from mv.baseline.fit_statistics import FitStatistics, fit_statistics
from mv.baseline.rows import consecutive_of, used
from mv.baseline.terms import LinearTerms
from mv.findings import ModelError

WELL_APART = 1e-5
"""Smallest eigenvalue of the scaled normal equations from which they may be solved directly."""
DEGREES_LEAST = 3
"""Degrees of freedom that a fit must leave (common practice, no source)."""


class Response(Protocol):
    """How use answers to temperature: the columns of one form at its change points."""

    form: str
    change_points: tuple[float, ...]
    names: tuple[str, ...]
    meanings: tuple[str, ...]

    def columns(self, rows: pd.DataFrame) -> np.ndarray:
        """Columns of rows, shape (rows, k)."""

    def at(self, temperature: np.ndarray, operating: float = 1.0) -> np.ndarray:
        """Columns of (operating) days at these temperatures, shape (days, k)."""

    def words(self) -> tuple[str, ...]:
        """Each column in symbols, such as `(T − 15.2)⁺`."""


@dataclass(frozen=True)
class Sample:
    """The used rows of a baseline period in order of time, as arrays."""

    rows: pd.DataFrame
    y: np.ndarray
    """Energy per day (or hour), shape (n,)."""
    temperature: np.ndarray
    """degC, shape (n,)."""
    weights: np.ndarray
    """Days each row stands for, shape (n,)."""
    consecutive: np.ndarray
    """Whether the next row follows at once, shape (n − 1,)."""

    @classmethod
    def of(cls, rows: pd.DataFrame) -> Sample:
        """Take the used rows.  ModelError where there are none, or one is not complete."""
        rows = used(rows)
        if not len(rows):
            raise ModelError("no row can be used")
        y = rows["energy"].to_numpy(dtype=float)
        t = rows["temperature"].to_numpy(dtype=float)
        bad = ~(np.isfinite(y) & np.isfinite(t))
        if bad.any():
            raise ModelError(
                f"{bad.sum()} rows with status used have no energy or no temperature, the first "
                f"is {rows.index[bad][0]}"
            )
        weights = rows["weight"].to_numpy(dtype=float) if "weight" in rows else np.ones(len(y))
        if not (weights > 0).all():
            raise ModelError(f"{(~(weights > 0)).sum()} rows have no weight above zero")
        return cls(rows, y, t, weights, consecutive_of(rows))

    def __len__(self) -> int:
        return len(self.y)

    @property
    def unit_weights(self) -> np.ndarray:
        """Weights scaled to a mean of one."""
        return self.weights * (len(self) / self.weights.sum())


@dataclass(frozen=True)
class Fit:
    """A fitted baseline.  Energies per day, in the unit of its rows."""

    family: str
    form: str
    terms: LinearTerms
    response: Response
    term_names: tuple[str, ...]
    term_meanings: tuple[str, ...]
    term_units: tuple[str, ...]
    coefficients: np.ndarray
    """Linear coefficients, in the order of term_names, shape (p_lin,)."""
    covariance: np.ndarray
    """Their covariance, change points taken as given, shape (p_lin, p_lin)."""
    change_points: tuple[float, ...]
    """degC."""
    parameters: int
    """Coefficients and change points."""
    n: int
    statistics: FitStatistics
    residuals: np.ndarray
    """Measured − modelled, energy per day, in order of time, shape (n,)."""
    index: pd.Index
    """Index of the used rows in order of time."""
    weights: np.ndarray
    """Days that each row stands for, shape (n,)."""
    x: np.ndarray
    """Design of the used rows, shape (n, p_lin)."""
    consecutive: np.ndarray
    """Whether the next row follows at once, shape (n − 1,)."""
    temperature_low: float
    temperature_high: float
    """Range of the rows' temperatures, degC."""
    unit: str = "kWh/day"
    solver: str = "numpy"
    hold_out_cv_rmse: float | None = None
    hold_out_nmbe: float | None = None

    def design(self, rows: pd.DataFrame, days: np.ndarray | None = None) -> np.ndarray:
        """Design matrix of any rows, shape (rows, p_lin); `days` as in `LinearTerms.columns`."""
        return np.hstack([self.terms.columns(rows, days), self.response.columns(rows)])

    def predict(self, rows: pd.DataFrame) -> np.ndarray:
        """Modelled energy per day, shape (rows,); NaN where a row has no temperature."""
        return self.design(rows) @ self.coefficients

    @property
    def standard_errors(self) -> np.ndarray:
        """Standard errors of the linear coefficients, shape (p_lin,)."""
        return np.sqrt(np.diag(self.covariance))

    @property
    def t_values(self) -> np.ndarray:
        """Coefficient over standard error, shape (p_lin,); infinite for a perfect fit."""
        errors = self.standard_errors
        with np.errstate(divide="ignore", invalid="ignore"):
            return np.where(errors > 0, self.coefficients / errors, np.inf)

    def formula(self) -> str:
        """The model in symbols: `173.6 + 35.8·operating + 4.12·(23.2 − T)⁺`, in its unit."""
        symbols = ("", *self.terms.names[1:], *self.response.words())
        parts = []
        for b, symbol in zip(self.coefficients, symbols, strict=True):
            size = f"{abs(b):.4g}" + (f"·{symbol}" if symbol else "")
            sign = "−" if b < 0 else "+"
            parts.append(f" {sign} {size}" if parts else (f"−{size}" if b < 0 else size))
        return f"energy ({self.unit}) = " + "".join(parts)

    def curve(self, temperatures: np.ndarray) -> dict[str, list[float]]:
        """Sampled points: `temperature` and one list per kind of day, energy per day."""
        t = np.asarray(temperatures, dtype=float)
        k = len(self.terms.names)
        curves = {"temperature": t.tolist()}
        for label, (row, operating) in self.terms.kinds().items():
            weather = self.response.at(t, operating) @ self.coefficients[k:]
            curves[label] = (float(row @ self.coefficients[:k]) + weather).tolist()
        return curves


def solve(
    sample: Sample,
    family: str,
    terms: LinearTerms,
    response: Response,
    *,
    unit: str = "kWh/day",
    official: bool = False,
    x: np.ndarray | None = None,
) -> Fit:
    """Fit the linear coefficients of a form at its change points.

    Parameters
    ----------
    sample : rows of the baseline period.
    family, terms, response : what is fitted.
    unit : of the modelled quantity.
    official : solve with statsmodels instead of numpy.
    x : design of the sample, where it is at hand.

    Raises ModelError for too few rows, and for columns that depend on one another.
    """
    if x is None:
        x = np.hstack([terms.columns(sample.rows), response.columns(sample.rows)])
    n, linear = x.shape
    parameters = linear + len(response.change_points)
    if n - parameters < DEGREES_LEAST:
        raise ModelError(
            f"form {response.form} has {parameters} parameters and needs at least "
            f"{parameters + DEGREES_LEAST} rows, found {n}"
        )
    w = sample.unit_weights
    solver = _with_statsmodels if official else _with_numpy
    coefficients, unscaled = solver(x, sample.y, w)
    fitted = x @ coefficients
    residuals = sample.y - fitted
    statistics = fit_statistics(
        sample.y,
        fitted,
        parameters=parameters,
        weights=sample.weights,
        consecutive=sample.consecutive,
    )
    rate, degree = unit, f"{unit}/K"
    return Fit(
        family=family,
        form=response.form,
        terms=terms,
        response=response,
        term_names=terms.names + response.names,
        term_meanings=terms.meanings + response.meanings,
        term_units=terms.units(rate) + (degree,) * len(response.names),
        coefficients=coefficients,
        covariance=unscaled * statistics.rmse**2,
        change_points=response.change_points,
        parameters=parameters,
        n=n,
        statistics=statistics,
        residuals=residuals,
        index=sample.rows.index,
        weights=sample.weights,
        x=x,
        consecutive=sample.consecutive,
        temperature_low=float(sample.temperature.min()),
        temperature_high=float(sample.temperature.max()),
        unit=unit,
        solver="statsmodels" if official else "numpy",
    )


def officially(fit: Fit, sample: Sample) -> Fit:
    """The same fit with coefficients and covariance solved by statsmodels."""
    again = solve(
        sample, fit.family, fit.terms, fit.response, unit=fit.unit, official=True, x=fit.x
    )
    return replace(again, hold_out_cv_rmse=fit.hold_out_cv_rmse, hold_out_nmbe=fit.hold_out_nmbe)


def _with_numpy(x: np.ndarray, y: np.ndarray, w: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Coefficients and (X'WX)⁻¹ of scaled columns: by normal equations and one step of refinement
    where the columns are well apart, by QR otherwise; ModelError where the rank is short."""
    root = np.sqrt(w)
    xw = root[:, None] * x
    size = np.sqrt(np.einsum("ij,ij->j", xw, xw))
    if not (size > 0).all():
        raise ModelError(f"column {int(np.argmin(size))} of the model is zero on all rows")
    xw /= size
    target = root * y
    gram = xw.T @ xw
    if np.linalg.eigvalsh(gram)[0] > WELL_APART:
        inverse = np.linalg.inv(gram)
        b = inverse @ (xw.T @ target)
        b += inverse @ (xw.T @ (target - xw @ b))
        return b / size, inverse / np.outer(size, size)
    q, r = np.linalg.qr(xw)
    if np.abs(np.diag(r)).min() < 1e-10:
        raise ModelError("columns of the model depend on one another: a term can't be told apart")
    inverse = np.linalg.inv(r)
    return inverse @ (q.T @ target) / size, inverse @ inverse.T / np.outer(size, size)


def _with_statsmodels(x: np.ndarray, y: np.ndarray, w: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """The same through statsmodels, which takes two seconds to import and so is imported here."""
    from statsmodels.regression.linear_model import WLS

    result = WLS(y, x, weights=w).fit()
    return np.asarray(result.params), np.asarray(result.normalized_cov_params)
