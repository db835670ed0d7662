"""What do sites without a retrofit seem to have saved over the same months?

A comparison group must be read over each verified site's own two periods, so each control is kept
as sums by calendar month, of which a plain regression over any span of months can be made without
its readings: use on a constant, heating and cooling degrees over fixed balance points and days
without operation, by least squares weighted with days.  The control's seeming saving is
1 − measured ÷ predicted over the later span.  That is coarser than the official model and needn't
be as good: how much of it is taken off is learned from trials that have the same companion
(`contrast.py`).

Own method; regression from sums of squares and products is textbook (Draper & Smith, *Applied
Regression Analysis*; from memory).
"""

from __future__ import annotations

import datetime as dt
import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
import pandas as pd

from mv.baseline.rows import used
from mv.savings.avoided import row_days
from mv.savings.contrast import (
    CONTROLS_LEAST,
    CONTROLS_MOST,
    Contrast,
    Pair,
    contrast,
    group_companion,
    year_shape,
)
from mv.savings.drift import DAYS_A_MONTH, RECENCY_HALF_LIFE, RECENCY_SHARE, carrier_kind
from mv.savings.placebo import BUILDINGS_LEAST, SITE_YEARS_LEAST, VALID_SHARE, Trial

HEATING_BASE, COOLING_BASE = 15.0, 18.0
"""Balance points of the plain regression, degC (common practice, no source: near the usual ones of
buildings; a companion needs no better)."""
MONTHS_LEAST = 12
"""Months that both spans must have: the trials speak of whole years alone."""
HALF_A_MONTH = dt.timedelta(days=15)
NAME = "comparison group"


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

    def seeming_saving(self, before: tuple[int, int], after: tuple[int, int]) -> float:
        """1 − measured ÷ predicted over `after`, by the regression over `before` (months since
        1970, ends exclusive); NaN where either is not covered well."""
        spans = [self._sums(*before), self._sums(*after)]
        for (products, _), (start, end) in zip(spans, (before, after), strict=True):
            if not products[0, 0] >= VALID_SHARE * (end - start) * DAYS_A_MONTH:
                return math.nan
        (products, crossed), (later, measured) = spans
        terms = np.linalg.pinv(products, hermitian=True) @ crossed
        predicted = float(later[0] @ terms) + float(later[0, 0]) * self._latest(terms, *before)
        return 1 - float(measured[0]) / predicted if predicted > 0 else math.nan

    def _latest(self, terms: np.ndarray, start: int, end: int) -> float:
        """Correction of the level by the latest residuals, as `drift.recency_level` makes it, month
        by month; zero where the official one is."""
        if carrier_kind(self.carrier) != "electricity":
            return 0.0
        inside = slice(max(start - self.first, 0), max(end - self.first, 0))
        days = self.products[inside, 0, 0]
        residuals = self.crossed[inside, 0] - self.products[inside, 0] @ terms
        halvings = DAYS_A_MONTH * (np.arange(len(days)) - len(days) + 1) / RECENCY_HALF_LIFE
        weight = np.exp2(halvings)
        return float(RECENCY_SHARE * (weight @ residuals) / (weight @ days))

    def _sums(self, start: int, end: int) -> tuple[np.ndarray, np.ndarray]:
        inside = slice(max(start - self.first, 0), max(end - self.first, 0))
        return self.products[inside].sum(axis=0), self.crossed[inside].sum(axis=0)


def months_of(rows: pd.DataFrame, *, site: str, carrier: str) -> Months | None:
    """Sums by month of daily or bill rows; None where no row is used.

    A bill falls to the month of its middle.
    """
    rows = used(rows)
    if not len(rows):
        return None
    days = row_days(rows)
    if "end" in rows.columns:
        start, end = (rows[c].to_numpy().astype("datetime64[D]") for c in ("start", "end"))
        middle = start + (end - start) // 2
    else:
        middle = rows.index.to_numpy().astype("datetime64[D]")
    month = middle.astype("datetime64[M]").astype(int)
    temperature = rows["temperature"].to_numpy(float)
    x = np.column_stack(
        [
            np.ones(len(rows)),
            np.maximum(HEATING_BASE - temperature, 0),
            np.maximum(temperature - COOLING_BASE, 0),
            1 - rows["operating"].to_numpy(float),
        ]
    )
    weighted = x * days[:, None]
    place, number = month - month[0], int(month[-1] - month[0]) + 1
    products, crossed = np.zeros((number, 4, 4)), np.zeros((number, 4))
    np.add.at(products, place, weighted[:, :, None] * x[:, None, :])
    np.add.at(crossed, place, weighted * rows["energy"].to_numpy(float)[:, None])
    return Months(site, carrier, int(month[0]), products, crossed, year_shape(rows))


def span_of(first: dt.date, last: dt.date) -> tuple[int, int]:
    """Calendar months nearest to a period (both days inclusive), end exclusive."""
    return _nearest(first), _nearest(last + dt.timedelta(days=1))


def _nearest(day: dt.date) -> int:
    near = day + HALF_A_MONTH
    return (near.year - 1970) * 12 + near.month - 1


@dataclass(frozen=True)
class Controls:
    """The comparison sites of one carrier."""

    months: tuple[Months, ...]

    @cached_property
    def _read(self) -> dict[tuple, dict[str, float]]:
        return {}

    def companion(
        self, site: str, shape: np.ndarray, before: tuple[int, int], after: tuple[int, int]
    ) -> tuple[float, int]:
        """Median seeming saving of the controls nearest in shape, and how many they are.

        NaN where fewer than three have readings of both spans.  A site is no control of itself.
        """
        read = self._read.get((before, after))
        if read is None:
            read = {m.site: m.seeming_saving(before, after) for m in self.months}
            read = {key: value for key, value in read.items() if math.isfinite(value)}
            self._read[before, after] = read
        others = {key: value for key, value in read.items() if key != site}
        number = min(len(others), CONTROLS_MOST)
        return group_companion(shape, others, self._shapes), number

    @cached_property
    def _shapes(self) -> dict[str, np.ndarray]:
        return {m.site: m.shape for m in self.months}


def comparison_group(
    carrier: str,
    trials: Sequence[Trial],
    controls: Controls,
    shapes: dict[str, np.ndarray],
) -> Contrast:
    """Judge by the portfolio's trials whether the group's change is worth taking off.

    `trials`: of this carrier; `shapes`: by site, what controls are matched on.
    """
    enough = (
        len(trials) > SITE_YEARS_LEAST
        and len({t.building for t in trials}) > BUILDINGS_LEAST
        and len(controls.months) >= CONTROLS_LEAST
    )
    pairs = []
    for trial in trials if enough else ():
        cut = _nearest(dt.date.fromisoformat(trial.start))
        companion, _ = controls.companion(
            trial.site,
            shapes[trial.site],
            (cut - MONTHS_LEAST, cut),
            (cut, cut + MONTHS_LEAST),
        )
        pairs.append(Pair(trial, companion))
    if len(controls.months) < CONTROLS_LEAST:
        return Contrast(
            NAME,
            carrier,
            k=0.0,
            adopted=False,
            narrowing=0.0,
            coverage=None,
            site_years=len(trials),
            words=f"Not adopted ({NAME}): {len(controls.months)} sites without a retrofit have "
            f"readings of {carrier.replace('_', ' ')}, {CONTROLS_LEAST} are needed.",
            pairs=(),
        )
    return contrast(NAME, carrier, pairs)
