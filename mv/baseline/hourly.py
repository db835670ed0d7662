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
from mv.baseline.fit_statistics import FitStatistics, effective_n, statistics_of
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
        parts, occupied = self._parts(rows), self.occupied[hour]
        return np.hstack([levels, np.vstack([parts * occupied, parts * ~occupied]).T @ self.way])

    def predict(self, rows: Rows) -> np.ndarray:
        """Modelled energy per hour, shape (rows,); NaN without temperature or for an hour of the
        week that the baseline never saw."""
        hour = _hour_of_week(rows)
        parts = self._parts(rows)
        answers = (slopes @ parts for slopes in (self.way @ self.slopes).reshape(2, -1))
        return self.levels[hour] + np.where(self.occupied[hour], *answers)

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

    def _parts(self, rows: Rows) -> np.ndarray:
        return _parts(np.asarray(rows["temperature"], dtype=float), np.array(self.edges))


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
    count = np.bincount(hour, minlength=HOURS_OF_WEEK)
    cuts = _bins(t) if edges is None else np.array(edges, dtype=float)
    if occupied is None:
        occupied = _occupied(y, t, hour, count)
    occupied = np.asarray(occupied, dtype=bool)
    follows = consecutive_of(rows)

    # Sorted by hour of week, the occupied ones first, sums by hour or by kind are of stretches.
    seen = np.flatnonzero(count)
    seen = seen[np.argsort(~occupied[seen], kind="stable")]
    rank = np.zeros(HOURS_OF_WEEK, dtype=np.int16)
    rank[seen] = np.arange(len(seen))
    order = rank[hour].argsort(kind="stable")
    parts, means = _within(_parts(t[order], cuts), count[seen])
    (y_centred,), (y_means,) = _within(y[order][None, :], count[seen])
    k, split = len(parts), int(count[occupied].sum())
    hours = _Centred(y_centred, parts[:, :split], parts[:, split:])
    gram, product, total = hours.gram(), hours.products(y_centred), float(y_centred @ y_centred)

    residuals = np.empty(n)
    best = None
    for form, way in _ways(k, occupied, answer):
        slopes, inverse, free = _least_squares(gram, product, way)
        if best is None:
            residuals[order] = hours.rest(way @ slopes)
            n_free = max(_independent(residuals, follows), 2.0 * len(slopes))
        unexplained = total - float((way @ slopes) @ product)
        # What rounding alone may leave tells no way from another.
        criterion = n_free * math.log(max(unexplained, ROUNDING * total, 1e-300) / n)
        criterion += free * math.log(n_free)
        if best is None or criterion < best[0]:
            best = criterion, form, way, slopes, inverse, free
    _, answer, way, slopes, inverse, free = best
    # one step of refinement: as good as QR
    slopes = slopes + inverse @ (way.T @ hours.products(hours.rest(way @ slopes)))
    apart = way @ slopes
    residuals[order] = hours.rest(apart)

    levels = np.full(HOURS_OF_WEEK, np.nan)
    of_occupied, of_unoccupied = apart.reshape(2, k) @ means
    levels[seen] = y_means - np.where(occupied[seen], of_occupied, of_unoccupied)
    parameters = len(seen) + free
    (statistics,) = statistics_of(
        y, residuals[None], parameters=[parameters], weights=np.ones(n), consecutive=follows
    )
    return HourlyFit(
        levels=levels,
        slopes=slopes,
        slopes_covariance=inverse * statistics.rmse**2,
        way=way,
        answer=answer,
        edges=tuple(float(c) for c in cuts),
        occupied=occupied,
        parameters=parameters,
        n=n,
        statistics=statistics,
        residuals=residuals,
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


@dataclass(frozen=True)
class _Centred:
    """Hours less the means of their hours of the week, occupied ones before the others: all that
    the slopes follow from."""

    energy: np.ndarray
    """(n,)"""
    occupied: np.ndarray
    """Parts of the temperature in each bin in occupied hours, (k, hours)."""
    unoccupied: np.ndarray
    """The same in unoccupied hours, (k, n − hours)."""

    def gram(self) -> np.ndarray:
        """Products of the parts, of occupied hours and then of unoccupied ones, (2k, 2k)."""
        k = len(self.occupied)
        gram = np.zeros((2 * k, 2 * k))
        gram[:k, :k] = self.occupied @ self.occupied.T
        gram[k:, k:] = self.unoccupied @ self.unoccupied.T
        return gram

    def products(self, values: np.ndarray) -> np.ndarray:
        """Products of the parts with values, (n,); (2k,)."""
        split = self.occupied.shape[1]
        return np.concatenate([self.occupied @ values[:split], self.unoccupied @ values[split:]])

    def rest(self, slopes: np.ndarray) -> np.ndarray:
        """What slopes, (2k,), leave of the energy, (n,)."""
        k = len(self.occupied)
        return self.energy - np.concatenate(
            [slopes[:k] @ self.occupied, slopes[k:] @ self.unoccupied]
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
    parts = np.empty((len(edges) + 1, len(t)))
    parts[:] = np.append(edges, np.inf)[:, None]
    np.minimum(parts, t, out=parts)
    for below, part in zip(parts[-2::-1], parts[:0:-1], strict=True):  # from the last one down
        np.subtract(part, below, out=part)
    return parts


def _occupied(y: np.ndarray, t: np.ndarray, hour: np.ndarray, count: np.ndarray) -> np.ndarray:
    """Hours of the week in which temperature alone reads low, shape (168,)."""
    x = np.empty((3, len(t)))
    x[0] = 1.0
    np.maximum(HEATING_BASE - t, 0.0, out=x[1])
    np.maximum(t - COOLING_BASE, 0.0, out=x[2])
    b, _, _ = _least_squares(x @ x.T, x @ y, np.eye(3))
    low = np.bincount(hour[y > b @ x], minlength=HOURS_OF_WEEK)
    return low >= OCCUPIED_SHARE * np.maximum(count, 1)


def _independent(e: np.ndarray, follows: np.ndarray) -> float:
    """Number of independent hours that tell as much as these residuals, n′."""
    before, after = e[:-1][follows], e[1:][follows]
    total = float(e @ e)
    return effective_n(len(e), float(before @ after) / total if total > 0 else 0.0)


def _within(values: np.ndarray, count: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Rows of values (k, n), sorted by hour of week, less their means by hour, and those means,
    (k, hours); `count` : values of each hour, above 0."""
    means = np.add.reduceat(values, np.cumsum(count) - count, axis=1)
    means /= count
    return values - means.repeat(count, axis=1), means


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
