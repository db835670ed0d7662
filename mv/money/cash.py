"""How much has come back by when?  Cumulative cash from acceptance to the end of the life.

Month by month, not discounted unless said: minus the net cost, plus what was saved.  Within the
reporting period the realised line adds what each billing period saved; after it the line is a
projection at the verified annual saving, with escalation and degradation as declared from the
second year on.  The lines `low` and `high` are the two ends of the saving's interval kept all
along: a year that is better or worse than verified is taken to stay so.

A line is paid back in the first month at whose end it is not below zero.
"""

from __future__ import annotations

import calendar
import datetime as dt
from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
from typing import Any

import numpy as np

from mv.money.payback import MONTHS_A_YEAR
from mv.money.worth import months_of_life
from mv.quantity import Interval

CENT = 0.005
"""Below this an amount of money is nothing."""
YEARS_SHOWN = 15.0
"""Years drawn where no measure life is given; common practice, no source."""


@dataclass(frozen=True, kw_only=True)
class Measured:
    """Cost saved by billing period within the reporting period, currency."""

    last_days: np.ndarray
    """Last day of each billing period, datetime64[D], shape (k,)."""
    value: np.ndarray
    low: np.ndarray | None
    high: np.ndarray | None

    def of(self, end: str) -> np.ndarray:
        """Cost saved at an end of the interval: value, low or high; the value where it has none."""
        values = getattr(self, end)
        return self.value if values is None else values

    def place(self, months: np.ndarray) -> np.ndarray:
        """Place of each billing period among months, (k,): of its last day, but the first."""
        place = (self.last_days.astype("datetime64[M]") - months[0]).astype(int)
        return np.clip(place, 1, len(months) - 1)


def cash_lines(
    *,
    start: dt.date,
    reporting_end: dt.date | None,
    net_cost_estimated: float | None,
    annual_estimated: float | None,
    net_cost: float | None,
    annual: Interval | None,
    measured: Measured | None,
    life: float | None,
    discount_rate: float | None = None,
    escalation: float = 0.0,
    degradation: float = 0.0,
) -> tuple[dict[str, list], dict[str, str | None]]:
    """Cumulative cash at month ends, and the months in which it crosses zero.

    The first month is the one before `start`: at its end the net cost stands alone.

    Parameters
    ----------
    start : acceptance, or the first day after the works.
    reporting_end : last measured day; None when nothing is measured.
    life : years; `YEARS_SHOWN` are drawn where it is None.

    Returns lists `month` (YYYY-MM), `estimated`, `realised`, `low`, `high`, `measured` and, with a
    discount rate, `discounted` (the realised line); and the crossing month of each, None where a
    line stays below zero.  Empty where neither line can be drawn.
    """
    share = 1.0 - (start.day - 1) / calendar.monthrange(start.year, start.month)[1]
    lasting = months_of_life(life or YEARS_SHOWN)
    before = np.datetime64(start, "M") - 1
    months = before + np.arange(lasting + 1 + (share < 1.0))
    since = np.arange(len(months), dtype=float)
    # months of saving in each month: none in the one before, part of the first and of the last
    elapsed = np.clip(since - 1.0 + share, 0.0, lasting)
    growth = ((1.0 + escalation) * (1.0 - degradation)) ** np.floor(
        np.maximum(since - 1.0, 0.0) / MONTHS_A_YEAR
    )
    monthly = np.diff(elapsed, prepend=0.0) * growth / MONTHS_A_YEAR
    seen = np.zeros(len(months), bool)
    rest = np.zeros(len(months))  # part of the last measured month that is still a projection
    if reporting_end is not None:
        seen = months <= np.datetime64(reporting_end, "M")
        length = calendar.monthrange(reporting_end.year, reporting_end.month)[1]
        last = months == np.datetime64(reporting_end, "M")
        rest[last] = 1.0 - reporting_end.day / length
    lines: dict[str, np.ndarray] = {}
    if net_cost_estimated is not None and annual_estimated is not None:
        lines["estimated"] = np.cumsum(monthly * annual_estimated) - net_cost_estimated
    if net_cost is not None and annual is not None:
        place = None if measured is None else measured.place(months)
        for name, end in (("realised", "value"), ("low", "low"), ("high", "high")):
            saving = getattr(annual, end)
            if saving is None:
                continue
            flow = monthly * saving
            if measured is not None:
                found = np.bincount(place, measured.of(end), len(months)) + rest * flow
                flow = np.where(seen, found, flow)
            lines[name] = np.cumsum(flow) - net_cost
            if name == "realised" and discount_rate is not None:
                factor = (1.0 + discount_rate) ** (-elapsed / MONTHS_A_YEAR)
                lines["discounted"] = np.cumsum(flow * factor) - net_cost
    if not lines:
        return {}, {}
    names = _names(months[0], len(months))
    cash: dict[str, Any] = {"month": list(names)}
    cash |= {name: values.tolist() for name, values in lines.items()}
    cash["measured"] = seen.tolist()
    return cash, {name: _crossing(names, values) for name, values in lines.items()}


@lru_cache(maxsize=256)
def _names(first: np.datetime64, count: int) -> tuple[str, ...]:
    """So many months from the first on, YYYY-MM."""
    return tuple(np.datetime_as_string(first + np.arange(count)).tolist())


def _crossing(months: Sequence[str], values: np.ndarray) -> str | None:
    above = np.flatnonzero(values >= -CENT)
    return months[above[0]] if len(above) else None
