"""What do sites without a retrofit seem to have saved over the same months?

A comparison group must be read over each verified site's own two periods, so each control is kept
as sums by calendar month, of which a plain regression over any span of months can be made without
its readings: use on a constant, heating and cooling degrees over fixed balance points and days
without operation, by least squares weighted with days.  The control's seeming saving is
1 − measured ÷ predicted over the later span.  That is coarser than the official model and needn't
be as good: what it misses is in the trials by which the group is judged (`contrast.py`).

Controls are matched on the shape of their year, and the median of the nearest is taken.

Own method; regression from sums of squares and products is textbook (Draper & Smith, *Applied
Regression Analysis*; from memory).
"""

from __future__ import annotations

import datetime as dt
import math
from dataclasses import dataclass
from functools import cached_property

import numpy as np

from mv.baseline.columns import Rows
from mv.baseline.rows import used
from mv.savings.avoided import row_days
from mv.savings.drift import DAYS_A_MONTH, RECENCY_HALF_LIFE, RECENCY_SHARE, carrier_kind
from mv.savings.placebo import VALID_SHARE

HEATING_BASE, COOLING_BASE = 15.0, 18.0
"""Balance points of the plain regression, degC (common practice, no source: near the usual ones of
buildings; a companion needs no better)."""
MONTHS_LEAST = 12
"""Months that both spans must have: the trials speak of whole years alone."""
HALF_A_MONTH = dt.timedelta(days=15)
CONTROLS_LEAST = 5
"""Comparison sites needed for a group (own convention)."""
CONTROLS_MOST = 29
"""Comparison sites taken, the nearest in shape (own convention: of so many, two or three lie
outside 90 %)."""
SPREAD_SHARE = 0.68
"""Share of the remainders that the spread holds (own convention: that of one standard deviation,
which few outliers move)."""
SIGN_CHANCE = 0.05
"""Chance at which sites that drift alone would pass for sites that moved together (convention)."""


@dataclass(frozen=True)
class Months:
    """Use and conditions of one site and carrier summed by calendar month."""

    site: str
    carrier: str
    first: int
    """Months since January 1970 of the first row."""
    products: np.ndarray
    """Σ w·x·xᵀ, (months, 4, 4)."""
    crossed: np.ndarray
    """Σ w·x·y, (months, 4); the first is energy, as x begins with 1."""
    shape: np.ndarray
    """Share of use by month of the year, (12,)."""


def months_of(rows: Rows, *, site: str, carrier: str) -> Months | None:
    """Sums by month of daily or bill rows; None where no row is used.

    A bill falls to the month of its middle.
    """
    rows = used(rows)
    if not len(rows):
        return None
    days = row_days(rows)
    if "end" in rows.columns:
        start, end = (np.asarray(rows[c]).astype("datetime64[D]") for c in ("start", "end"))
        middle = start + (end - start) // 2
    else:
        middle = np.asarray(rows.index).astype("datetime64[D]")
    month = middle.astype("datetime64[M]").astype(int)
    temperature = np.asarray(rows["temperature"], float)
    x = np.column_stack(
        [
            np.ones(len(rows)),
            np.maximum(HEATING_BASE - temperature, 0),
            np.maximum(temperature - COOLING_BASE, 0),
            1 - np.asarray(rows["operating"], float),
        ]
    )
    weighted = x * days[:, None]
    place, number = month - month[0], int(month[-1] - month[0]) + 1
    products, crossed = np.zeros((number, 4, 4)), np.zeros((number, 4))
    np.add.at(products, place, weighted[:, :, None] * x[:, None, :])
    np.add.at(crossed, place, weighted * np.asarray(rows["energy"], float)[:, None])
    return Months(site, carrier, int(month[0]), products, crossed, year_shape(rows))


def year_shape(rows: Rows) -> np.ndarray:
    """Share of use by calendar month, per day, (12,): what controls are matched on."""
    rows = used(rows)
    when = np.asarray(rows["start"] if "start" in rows.columns else rows.index)
    month = when.astype("datetime64[M]").astype(int) % 12
    count = np.maximum(np.bincount(month, minlength=12), 1)
    mean = np.bincount(month, np.asarray(rows["energy"], float), minlength=12) / count
    return mean / mean.sum() if mean.sum() > 0 else np.full(12, 1 / 12)


def span_of(first: dt.date, last: dt.date) -> tuple[int, int]:
    """Calendar months nearest to a period (both days inclusive), end exclusive."""
    return nearest_month(first), nearest_month(last + dt.timedelta(days=1))


def nearest_month(day: dt.date) -> int:
    """Months since January 1970 of the first of a month that lies nearest to a day."""
    near = day + HALF_A_MONTH
    return (near.year - 1970) * 12 + near.month - 1


@dataclass(frozen=True)
class Group:
    """What a site's comparison sites seem to have saved over two spans of months."""

    change: float
    """Median of them, a fraction."""
    remainders: np.ndarray
    """What is left of each when the median of the others is taken off, (sites,)."""
    saved: int
    """How many of them seem to have saved at all."""

    @property
    def moved(self) -> bool:
        """Whether more of them went to one side than chance lets them: a sign test, two-sided."""
        number = len(self.remainders)
        most = max(self.saved, number - self.saved)
        as_many = sum(math.comb(number, i) for i in range(most, number + 1))
        return 2 * as_many / 2**number <= SIGN_CHANCE

    @property
    def spread(self) -> float:
        """Size of the remainders that 68 % of them don't exceed."""
        return spread(self.remainders)


def spread(remainders: np.ndarray) -> float:
    """Size of remainders that 68 % of them don't exceed."""
    return float(np.quantile(np.abs(remainders), SPREAD_SHARE))


@dataclass(frozen=True)
class Controls:
    """The comparison sites of one carrier; of two that are as near in shape the first is taken."""

    months: tuple[Months, ...]

    def nearest(self, site: str, shape: np.ndarray) -> np.ndarray:
        """Places of the sites from the nearest in shape on, without the site itself."""
        order = np.argsort(np.square(self._shapes - shape).sum(axis=1), kind="stable")
        return order[self._sites[order] != site]

    def group(
        self, nearest: np.ndarray, before: tuple[int, int], after: tuple[int, int]
    ) -> Group | None:
        """What the first of `nearest` did that have readings of both spans; None where they are
        fewer than five."""
        if (before, after) not in self._read:
            self._read[before, after] = self.seeming_savings(before, after)
        seeming = self._read[before, after][nearest]
        known = np.sort(seeming[np.isfinite(seeming)][:CONTROLS_MOST])
        if len(known) < CONTROLS_LEAST:
            return None
        return Group(
            change=float(np.median(known)),
            remainders=known - _medians_of_others(known),
            saved=int((known > 0).sum()),
        )

    def seeming_savings(self, before: tuple[int, int], after: tuple[int, int]) -> np.ndarray:
        """1 − measured ÷ predicted over `after`, by each site's regression over `before` (months
        since 1970, ends exclusive); NaN where either is not covered well; (sites,)."""
        saved = np.full(len(self.months), math.nan)
        (products, crossed), (later, measured) = self._inside(*before), self._inside(*after)
        known = _covered(products, before) & _covered(later, after)
        if not known.any():
            return saved
        products, crossed = products[known], crossed[known]
        later, use = later[known].sum(axis=1)[:, 0], measured[known].sum(axis=1)[:, 0]
        inverse = np.linalg.pinv(products.sum(axis=1), hermitian=True)
        terms = (inverse @ crossed.sum(axis=1)[:, :, None])[:, :, 0]
        predicted = (later * terms).sum(axis=1)
        if carrier_kind(self.months[0].carrier) == "electricity":
            predicted += later[:, 0] * _latest_levels(products, crossed, terms)
        above = np.where(predicted > 0, predicted, math.nan)
        saved[known] = 1 - use / above
        return saved

    def _inside(self, start: int, end: int) -> tuple[np.ndarray, np.ndarray]:
        """Sums by site and month of a span."""
        first, products, crossed = self._stacked
        inside = slice(max(start - first, 0), max(end - first, 0))
        return products[:, inside], crossed[:, inside]

    @cached_property
    def _stacked(self) -> tuple[int, np.ndarray, np.ndarray]:
        """First month of all; products (sites, months, 4, 4) and crossed (sites, months, 4) from
        it on, zero where a site has none."""
        first = min(m.first for m in self.months)
        number = max(m.first + len(m.crossed) for m in self.months) - first
        products = np.zeros((len(self.months), number, 4, 4))
        crossed = np.zeros((len(self.months), number, 4))
        for i, own in enumerate(self.months):
            place = slice(own.first - first, own.first - first + len(own.crossed))
            products[i, place], crossed[i, place] = own.products, own.crossed
        return first, products, crossed

    @cached_property
    def _read(self) -> dict[tuple, np.ndarray]:
        return {}

    @cached_property
    def _sites(self) -> np.ndarray:
        return np.array([m.site for m in self.months])

    @cached_property
    def _shapes(self) -> np.ndarray:
        return np.array([m.shape for m in self.months])


def _covered(products: np.ndarray, span: tuple[int, int]) -> np.ndarray:
    """Whether the days of each site fill a span well, (sites,)."""
    start, end = span
    return products[:, :, 0, 0].sum(axis=1) >= VALID_SHARE * (end - start) * DAYS_A_MONTH


def _latest_levels(products: np.ndarray, crossed: np.ndarray, terms: np.ndarray) -> np.ndarray:
    """Correction of the level by the latest residuals, as `drift.recency_level` makes it, month by
    month, (sites,)."""
    days = products[:, :, 0, 0]
    residuals = crossed[:, :, 0] - (products[:, :, 0] @ terms[:, :, None])[:, :, 0]
    months = days.shape[1]
    weight = np.exp2(DAYS_A_MONTH * (np.arange(months) - months + 1) / RECENCY_HALF_LIFE)
    return RECENCY_SHARE * (residuals @ weight) / (days @ weight)


def _medians_of_others(ordered: np.ndarray) -> np.ndarray:
    """Median of all values but each one, (n,); `ordered`: from the smallest."""
    place, number = np.arange(len(ordered)), len(ordered) - 1
    low, high = (number - 1) // 2, number // 2  # the middle pair of those that are left
    return (ordered[low + (place <= low)] + ordered[high + (place <= high)]) / 2
