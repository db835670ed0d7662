"""What does a site use in each hour of the week, at which temperature?

    ŷ_t = α[hour of week of t] + Σ_k β_k T_k,t

T_k is the part of the temperature inside bin k: T₁ = min(T, B₁), T_k = min((T − B_{k−1})⁺,
B_k − B_{k−1}), the last bin open; Σ T_k = T.  The bins are of equal width over the temperatures
of the baseline.  An hour of the week counts as occupied when a model of temperature alone
(heating below 10 °C, cooling above 18.3 °C) reads low in at least 65 % of its cases, so that its
use stands above what the weather explains.  Source: Mathieu, Price, Kiliccote & Piette, IEEE
Trans. Smart Grid 2(3), 2011, 507–518 (from memory).

There, occupied hours answer to the components and unoccupied ones to one slope of T.  That fails
where a site is heated and cooled at night too, so three ways compete by BIC with the number of
independent hours: one set of β for all hours, the published way, and a set for each.

The 168 levels are not solved for: they are means by hour of week, taken off both sides before
the few temperature slopes are fitted (Frisch–Waugh), which is the same least squares.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

import numpy as np

from mv.baseline.columns import Rows
from mv.baseline.family import FAMILIES, Family
from mv.baseline.fit_statistics import FitStatistics, effective_n, fit_statistics
from mv.baseline.rows import consecutive_of, used
from mv.findings import ModelError

FORM = "time of week and temperature"
HOURS_OF_WEEK = 168
COMPONENTS = 6
"""Temperature bins (Mathieu et al. 2011, from memory)."""
BIN_HOURS_LEAST = 20
"""Hours under which an outer bin joins its neighbour (common practice, no source)."""
HEATING_BASE, COOLING_BASE = 10.0, 65 / 1.8 - 32 / 1.8
"""degC; 50 °F and 65 °F (Mathieu et al. 2011, from memory)."""
OCCUPIED_SHARE = 0.65
"""Share of cases in which temperature alone reads low (Mathieu et al. 2011, from memory)."""
Answer = Literal["alike", "one slope", "apart"]
"""How unoccupied hours answer to temperature: as occupied ones, by one slope, by their own."""
ROUNDING = 1e-13
"""Share of the sum of squares that differences of sums may err by."""
HOURS_LEAST = 4 * HOURS_OF_WEEK
"""Hours that a fit needs: four weeks (common practice, no source)."""


@dataclass(frozen=True)
class HourlyFit:
    """An hourly baseline; energies per hour in the unit of its rows."""

    levels: np.ndarray
    """α by hour of week, NaN where the baseline has no such hour, shape (168,)."""
    slopes: np.ndarray
    """The slopes that were fitted, shape (q,)."""
    slopes_covariance: np.ndarray
    """Their covariance, residuals taken as independent, shape (q, q)."""
    way: np.ndarray
    """From the fitted slopes to β per component of occupied, then of unoccupied hours,
    shape (2k, q)."""
    answer: Answer
    edges: tuple[float, ...]
    """Edges between the bins, degC."""
    occupied: np.ndarray
    """Whether each hour of the week counts as occupied, shape (168,)."""
    parameters: int
    """Rank of the model."""
    n: int
    statistics: FitStatistics
    residuals: np.ndarray
    """Measured − modelled, shape (n,)."""
    index: np.ndarray
    """Of the used rows."""
    temperature_low: float
    temperature_high: float
    unit: str = "kWh/h"
    family: str = "time_of_week"
    form: str = FORM

    @property
    def weights(self) -> np.ndarray:
        """Ones: every hour counts alike."""
        return np.ones(self.n)

    @property
    def coefficients(self) -> np.ndarray:
        """Levels of the hours of the week (those seen), then slopes."""
        return np.concatenate([self.levels[np.isfinite(self.levels)], self.slopes])

    def design(self, rows: Rows) -> np.ndarray:
        """Full design, shape (rows, levels seen + q): large."""
        hour = _hour_of_week(rows)
        seen = np.flatnonzero(np.isfinite(self.levels))
        levels = (hour[:, None] == seen[None, :]).astype(float)
        return np.hstack([levels, self._components(rows, hour).T @ self.way])

    def predict(self, rows: Rows) -> np.ndarray:
        """Modelled energy per hour, shape (rows,); NaN without temperature or for an hour of the
        week that the baseline never saw."""
        hour = _hour_of_week(rows)
        return self.levels[hour] + (self.way @ self.slopes) @ self._components(rows, hour)

    def formula(self) -> str:
        """The model in symbols."""
        unoccupied = {
            "alike": "in all hours",
            "one slope": "in occupied hours, one slope in unoccupied hours",
            "apart": "in occupied hours and others in unoccupied hours",
        }
        return (
            f"energy ({self.unit}) = α(hour of week) + Σ β(k)·T(k), {len(self.edges) + 1} "
            f"temperature components {unoccupied[self.answer]}"
        )

    def _components(self, rows: Rows, hour: np.ndarray) -> np.ndarray:
        parts = _parts(np.asarray(rows["temperature"], dtype=float), np.array(self.edges))
        return _apart(parts, self.occupied[hour])


def fit_hourly(
    rows: Rows,
    *,
    edges: tuple[float, ...] | None = None,
    occupied: np.ndarray | None = None,
    answer: Answer | None = None,
    unit: str = "kWh/h",
) -> HourlyFit:
    """Fit the hourly model to the used rows of a baseline period.

    Parameters
    ----------
    rows : hourly rows: energy, temperature, hour_of_week, status.
    edges : edges between the temperature bins, degC; six bins of equal width when None.
    occupied : occupied hours of the week, shape (168,), found from the data when None.
    answer : how unoccupied hours answer to temperature, the best by BIC when None.

    Raises ModelError for fewer than four weeks of hours, and for a used row that is not complete.
    """
    rows = used(rows)
    y = np.asarray(rows["energy"], dtype=float)
    t = np.asarray(rows["temperature"], dtype=float)
    n = len(y)
    if n < HOURS_LEAST:
        raise ModelError(f"an hourly model needs at least {HOURS_LEAST} hours, found {n}")
    if not (np.isfinite(y).all() and np.isfinite(t).all()):
        raise ModelError("a row with status used has no energy or no temperature")
    hour = _hour_of_week(rows)
    count = np.bincount(hour, minlength=HOURS_OF_WEEK).astype(float)
    cuts = _bins(t) if edges is None else np.array(edges, dtype=float)
    if occupied is None:
        occupied = _occupied(y, t, hour, count)
    follows = consecutive_of(rows)

    # Everything below follows from sums over rows less their means by hour of week.
    parts, means = _within(_parts(t, cuts), hour, count)
    (y_centred,), (y_means,) = _within(y[None, :], hour, count)
    x = _apart(parts, occupied[hour])
    gram, product, total = x @ x.T, x @ y_centred, float(y_centred @ y_centred)
    best = None
    for form, way in _ways(len(parts), occupied, answer):
        slopes, inverse, rank = _least_squares(gram, product, way)
        if best is None:
            rest = y_centred - (way @ slopes) @ x
            n_free = max(_independent(rest, follows), 2.0 * len(slopes))
        unexplained = total - float((way @ slopes) @ product)
        # What rounding alone may leave tells no way from another.
        criterion = n_free * math.log(max(unexplained, ROUNDING * total, 1e-300) / n)
        criterion += rank * math.log(n_free)
        if best is None or criterion < best[0]:
            best = criterion, form, way, slopes, inverse, rank
    _, answer, way, slopes, inverse, rank = best
    # one step of refinement: as good as QR
    rest = y_centred - (way @ slopes) @ x
    slopes = slopes + inverse @ (way.T @ (x @ rest))
    apart = way @ slopes
    rest = y_centred - apart @ x

    of_hour = np.where(occupied, *apart.reshape(2, -1, 1))
    levels = np.where(count > 0, y_means - (means * of_hour).sum(axis=0), np.nan)
    parameters = int((count > 0).sum()) + rank
    statistics = fit_statistics(y, y - rest, parameters=parameters, consecutive=follows)
    return HourlyFit(
        levels=levels,
        slopes=slopes,
        slopes_covariance=inverse * statistics.rmse**2,
        way=way,
        answer=answer,
        edges=tuple(float(c) for c in cuts),
        occupied=np.asarray(occupied, dtype=bool),
        parameters=parameters,
        n=n,
        statistics=statistics,
        residuals=rest,
        index=rows.index,
        temperature_low=float(t.min()),
        temperature_high=float(t.max()),
        unit=unit,
    )


FAMILIES.add(
    "time_of_week",
    Family(
        name="time_of_week",
        question="What is used in each hour of the week, at which temperature?",
        forms=(FORM,),
        granularities=("hourly",),
        fit=lambda rows, form=FORM, **settings: fit_hourly(rows, **settings),
    ),
)


def _ways(k: int, occupied: np.ndarray, answer: Answer | None) -> list[tuple[Answer, np.ndarray]]:
    """Each way's slopes as a map onto the 2k slopes of occupied and unoccupied hours, the freest
    first (its residuals tell how many hours are independent)."""
    one = np.eye(k)
    maps: dict[Answer, np.ndarray] = {
        "apart": np.eye(2 * k),
        "one slope": np.block([[one, np.zeros((k, 1))], [np.zeros((k, k)), np.ones((k, 1))]]),
        "alike": np.vstack([one, one]),
    }
    if answer is not None:
        return [(answer, maps[answer])]
    if occupied.all() or not occupied.any():
        return [("alike", maps["alike"])]
    return list(maps.items())


def _hour_of_week(rows: Rows) -> np.ndarray:
    return np.asarray(rows["hour_of_week"]).astype(np.intp, copy=False)


def _bins(t: np.ndarray) -> np.ndarray:
    """Edges between bins of equal width; an outer bin with few hours joins its neighbour."""
    edges = np.linspace(t.min(), t.max(), COMPONENTS + 1)[1:-1]
    while len(edges) and (t <= edges[0]).sum() < BIN_HOURS_LEAST:
        edges = edges[1:]
    while len(edges) and (t > edges[-1]).sum() < BIN_HOURS_LEAST:
        edges = edges[:-1]
    return edges


def _parts(t: np.ndarray, edges: np.ndarray) -> np.ndarray:
    """Parts of the temperature in each bin, shape (k, n)."""
    parts = np.minimum(t, np.append(edges, np.inf)[:, None])
    above = parts[1:]
    above -= edges[:, None]
    np.maximum(above, 0.0, out=above)
    return parts


def _apart(parts: np.ndarray, occupied: np.ndarray) -> np.ndarray:
    """The parts in occupied hours, then in unoccupied ones, zero elsewhere, shape (2k, n)."""
    apart = np.empty((2, *parts.shape))
    np.multiply(parts, occupied, out=apart[0])
    np.subtract(parts, apart[0], out=apart[1])
    return apart.reshape(-1, parts.shape[1])


def _occupied(y: np.ndarray, t: np.ndarray, hour: np.ndarray, count: np.ndarray) -> np.ndarray:
    """Hours of the week in which temperature alone reads low, shape (168,)."""
    x = np.empty((3, len(t)))
    x[0] = 1.0
    np.maximum(HEATING_BASE - t, 0.0, out=x[1])
    np.maximum(t - COOLING_BASE, 0.0, out=x[2])
    b, _, _ = _least_squares(x @ x.T, x @ y, np.eye(3))
    low = np.bincount(hour, y > b @ x, minlength=HOURS_OF_WEEK)
    return low >= OCCUPIED_SHARE * np.maximum(count, 1.0)


def _independent(e: np.ndarray, follows: np.ndarray) -> float:
    """Number of independent hours that tell as much as these residuals, n′."""
    before, after = e[:-1][follows], e[1:][follows]
    total = float(e @ e)
    return effective_n(len(e), float(before @ after) / total if total > 0 else 0.0)


def _within(
    values: np.ndarray, hour: np.ndarray, count: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    """Rows of values (k, n) less their means by hour of week, and those means, (k, 168)."""
    means = np.empty((len(values), HOURS_OF_WEEK))
    for mean, row in zip(means, values, strict=True):
        np.divide(np.bincount(hour, row, HOURS_OF_WEEK), np.maximum(count, 1.0), out=mean)
    return values - means.take(hour, axis=1), means


def _least_squares(
    gram: np.ndarray, product: np.ndarray, way: np.ndarray
) -> tuple[np.ndarray, np.ndarray, int]:
    """Coefficients of X·way, their inverse of normal equations and rank.  A column of zeros gets
    zero; columns that depend on one another share."""
    gram = way.T @ gram @ way
    size = np.sqrt(np.maximum(gram.diagonal(), 0.0))
    size[size <= 1e-9 * max(size.max(), 1e-300)] = np.inf
    scale = size[:, None] * size
    values, vectors = np.linalg.eigh(gram / scale)
    keep = values > 1e-11 * len(values)
    vectors = vectors[:, keep]
    inverse = (vectors / values[keep]) @ vectors.T / scale
    return inverse @ (way.T @ product), inverse, vectors.shape[1]
