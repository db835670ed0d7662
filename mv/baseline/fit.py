"""What is a fitted baseline, whatever its family?

y = Xb + e by weighted least squares: X holds the linear terms and the response to temperature at
its change points; a row is a day (weight 1) or a bill (energy per day, weight = days).  Standard
errors come from s²(X'WX)⁻¹ with s² = Σwe²/(n − p), w of mean one, and p counting the change
points too; they take the change points as given (a change point's own error is not in them).
Source: any regression text; ASHRAE Guideline 14 annex B (from memory).

The official fit is solved by statsmodels, the many fits of a search together by
`least_squares.py`; both solve the same equations, and a test holds them together.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from typing import Protocol

import numpy as np

from mv.baseline.columns import Columns, Rows
from mv.baseline.fit_statistics import FitStatistics, statistics_of
from mv.baseline.least_squares import least_squares
from mv.baseline.rows import consecutive_of, used
from mv.baseline.terms import LinearTerms
from mv.findings import ModelError

DEGREES_LEAST = 3
"""Degrees of freedom that a fit must leave (common practice, no source)."""
_WORDS = ("status", "reason", "flag", "period")
"""Columns of rows that no model reads."""


class Response(Protocol):
    """How use answers to temperature: the columns of one form at its change points."""

    form: str
    change_points: tuple[float, ...]
    names: tuple[str, ...]
    meanings: tuple[str, ...]

    def columns(self, rows: Rows) -> np.ndarray:
        """Columns of rows, shape (rows, k)."""

    def at(self, temperature: np.ndarray, operating: float = 1.0) -> np.ndarray:
        """Columns of (operating) days at these temperatures, shape (days, k)."""

    def words(self) -> tuple[str, ...]:
        """Each column in symbols, such as `(T − 15.2)⁺`."""


@dataclass(frozen=True)
class Sample:
    """The used rows of a baseline period in order of time, as arrays."""

    rows: Columns
    y: np.ndarray
    """Energy per day (or hour), shape (n,)."""
    temperature: np.ndarray
    """degC, shape (n,)."""
    weights: np.ndarray
    """Days each row stands for, shape (n,)."""
    consecutive: np.ndarray
    """Whether the next row follows at once, shape (n − 1,)."""

    @classmethod
    def of(cls, rows: Rows) -> Sample:
        """Take the used rows.  ModelError where there are none, or one is not complete."""
        rows = used(rows)
        if not len(rows):
            raise ModelError("no row can be used")
        if not isinstance(rows, Columns):
            rows = Columns.of(rows, _WORDS)
        y, t = (np.asarray(rows[name], dtype=float) for name in ("energy", "temperature"))
        bad = ~(np.isfinite(y) & np.isfinite(t))
        if bad.any():
            raise ModelError(
                f"{bad.sum()} rows with status used have no energy or no temperature, the first "
                f"is {rows.index[bad][0]}"
            )
        weights = np.ones(len(y))
        if "weight" in rows:
            weights = np.asarray(rows["weight"], dtype=float)
        if not (weights > 0).all():
            raise ModelError(f"{(~(weights > 0)).sum()} rows have no weight above zero")
        return cls(rows, y, t, weights, consecutive_of(rows))

    def __len__(self) -> int:
        return len(self.y)

    @cached_property
    def unit_weights(self) -> np.ndarray:
        """Weights scaled to a mean of one, shape (n,)."""
        return self.weights * (len(self) / self.weights.sum())

    @cached_property
    def temperature_range(self) -> tuple[float, float]:
        """Lowest and highest temperature of the rows, degC."""
        return float(self.temperature.min()), float(self.temperature.max())


@dataclass(frozen=True)
class Fit:
    """A fitted baseline.  Energies per day, in the unit of its rows."""

    family: str
    terms: LinearTerms
    response: Response
    coefficients: np.ndarray
    """Linear coefficients, in the order of term_names, shape (p_lin,)."""
    covariance: np.ndarray
    """Their covariance, change points taken as given, shape (p_lin, p_lin)."""
    statistics: FitStatistics
    residuals: np.ndarray
    """Measured − modelled, energy per day, in order of time, shape (n,)."""
    weights: np.ndarray
    """Days that each row stands for, shape (n,)."""
    x: np.ndarray
    """Design of the used rows, shape (n, p_lin)."""
    temperature_low: float
    temperature_high: float
    """Range of the rows' temperatures, degC."""
    unit: str = "kWh/day"
    solver: str = "numpy"
    hold_out_cv_rmse: float | None = None
    hold_out_nmbe: float | None = None

    @property
    def form(self) -> str:
        """Name of the response to temperature."""
        return self.response.form

    @property
    def change_points(self) -> tuple[float, ...]:
        """degC."""
        return self.response.change_points

    @property
    def n(self) -> int:
        """Rows fitted."""
        return self.statistics.n

    @property
    def parameters(self) -> int:
        """Coefficients and change points."""
        return self.statistics.parameters

    @property
    def term_names(self) -> tuple[str, ...]:
        """Short names, in the order of the coefficients."""
        return self.terms.names + self.response.names

    @property
    def term_meanings(self) -> tuple[str, ...]:
        """One sentence each."""
        return self.terms.meanings + self.response.meanings

    @property
    def term_units(self) -> tuple[str, ...]:
        """Units of the coefficients."""
        return self.terms.units(self.unit) + (f"{self.unit}/K",) * len(self.response.names)

    def design(self, rows: Rows) -> np.ndarray:
        """Design matrix of any rows, shape (rows, p_lin)."""
        return np.concatenate([self.terms.columns(rows).T, self.response.columns(rows).T]).T

    def predict(self, rows: Rows) -> np.ndarray:
        """Modelled energy per day, shape (rows,); NaN where a row has no temperature."""
        return self.design(rows) @ self.coefficients

    @property
    def standard_errors(self) -> np.ndarray:
        """Standard errors of the linear coefficients, shape (p_lin,)."""
        return np.sqrt(self.covariance.diagonal())

    @property
    def t_values(self) -> np.ndarray:
        """Coefficient over standard error, shape (p_lin,); infinite for a perfect fit."""
        pairs = zip(self.coefficients.tolist(), self.standard_errors.tolist(), strict=True)
        return np.array([b / error if error > 0 else np.inf for b, error in pairs])

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
) -> Fit:
    """Fit the linear coefficients of a form at its change points.

    Parameters
    ----------
    sample : rows of the baseline period.
    family, terms, response : what is fitted.
    unit : of the modelled quantity.
    official : solve with statsmodels instead of numpy.

    Raises ModelError for too few rows, and for columns that depend on one another.
    """
    (fit,) = solve_all(sample, family, terms, [response], unit=unit)
    if isinstance(fit, ModelError):
        raise fit
    return officially(fit, sample) if official else fit


def solve_all(
    sample: Sample,
    family: str,
    terms: LinearTerms,
    responses: Sequence[Response],
    *,
    unit: str = "kWh/day",
    z: np.ndarray | None = None,
) -> list[Fit | ModelError]:
    """Fit several forms with the same linear terms, as `solve` does each of them: its fit, or why
    there is none.  `z`: the sample's linear columns, shape (n, k), where they are at hand."""
    z = terms.columns(sample.rows) if z is None else z
    n, linear = z.shape
    counts = [linear + len(one.names) + len(one.change_points) for one in responses]
    found: list[Fit | ModelError | None] = [None] * len(responses)
    for i, (response, parameters) in enumerate(zip(responses, counts, strict=True)):
        if n - parameters < DEGREES_LEAST:
            found[i] = ModelError(
                f"form {response.form} has {parameters} parameters and needs at least "
                f"{parameters + DEGREES_LEAST} rows, found {n}"
            )
    places = [i for i, short in enumerate(found) if short is None]
    if places:
        chosen = [responses[i] for i in places]
        fits = _together(sample, family, terms, chosen, [counts[i] for i in places], unit, z)
        for i, fit in zip(places, fits, strict=True):
            found[i] = fit
    return found


def _together(
    sample: Sample,
    family: str,
    terms: LinearTerms,
    responses: Sequence[Response],
    parameters: Sequence[int],
    unit: str,
    z: np.ndarray,
) -> list[Fit | ModelError]:
    """Solve forms for which there are rows enough."""
    own = [response.columns(sample.rows) for response in responses]
    linear = z.shape[1]
    width = [linear + columns.shape[1] for columns in own]
    x = np.zeros((len(own), max(width), len(sample)))
    x[:, :linear] = z.T
    for i, columns in enumerate(own):
        x[i, linear : width[i]] = columns.T
    coefficients, unscaled, problems = least_squares(x, width, sample.y, sample.unit_weights)
    residuals = sample.y - np.vecmat(coefficients, x)
    statistics = statistics_of(
        sample.y,
        residuals,
        parameters=parameters,
        weights=sample.unit_weights,
        consecutive=sample.consecutive,
    )
    low, high = sample.temperature_range
    scatter = np.array([one.rmse**2 for one in statistics])
    covariance = unscaled * scatter[:, None, None]
    return [
        ModelError(problems[i])
        if problems[i]
        else Fit(
            family=family,
            terms=terms,
            response=responses[i],
            coefficients=coefficients[i, :p],
            covariance=covariance[i, :p, :p],
            statistics=statistics[i],
            residuals=residuals[i],
            weights=sample.weights,
            x=x[i, :p].T,
            temperature_low=low,
            temperature_high=high,
            unit=unit,
        )
        for i, p in enumerate(width)
    ]


def officially(fit: Fit, sample: Sample) -> Fit:
    """The same fit with coefficients and covariance solved by statsmodels."""
    coefficients, unscaled = _with_statsmodels(fit.x, sample.y, sample.unit_weights)
    residuals = sample.y - fit.x @ coefficients
    (statistics,) = statistics_of(
        sample.y,
        residuals[None],
        parameters=[fit.parameters],
        weights=sample.unit_weights,
        consecutive=sample.consecutive,
    )
    return replace(
        fit,
        coefficients=coefficients,
        covariance=unscaled * statistics.rmse**2,
        statistics=statistics,
        residuals=residuals,
        solver="statsmodels",
    )


def _with_statsmodels(x: np.ndarray, y: np.ndarray, w: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Coefficients and (X'WX)⁻¹ by statsmodels, which takes two seconds to import and so is
    imported here."""
    from statsmodels.regression.linear_model import WLS

    result = WLS(y, x, weights=w).fit()
    return np.asarray(result.params), np.asarray(result.normalized_cov_params)
