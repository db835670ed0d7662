"""A site's series as arrays, made once for all charts of its page."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import cached_property
from itertools import groupby

import numpy as np

from mv.report.charts.base import dates, floats, numbers
from mv.report.charts.bins import months
from mv.results import CarrierResult, SiteResult

PERIODS = ("baseline", "installation", "reporting")
PLACES = {name: i for i, name in enumerate(PERIODS)}


@dataclass(frozen=True)
class Rows:
    """Rows of a series: days, or bills (then `days` is their length and energies are per day)."""

    date: np.ndarray
    """Days since 1970: the day, or the first day of the bill."""
    days: np.ndarray
    measured: np.ndarray
    modelled: np.ndarray
    temperature: np.ndarray
    period: np.ndarray
    """Index into PERIODS, -1 for none of them."""
    used: np.ndarray

    @cached_property
    def month(self) -> np.ndarray:
        """Months since January 1970 of the dates."""
        return months(self.date)

    def of(self, period: str) -> np.ndarray:
        """Mask of a period's rows that were used."""
        return self.used & (self.period == PERIODS.index(period))


def _by_runs(names: list[str], of: Callable[[str], int]) -> np.ndarray:
    """What stands for each name; rows of one name follow one another, and are counted as runs."""
    runs = [(of(name), len(list(same))) for name, same in groupby(names)]
    return np.repeat(*zip(*runs, strict=True))


def chosen(carrier: CarrierResult) -> list[bool]:
    """Of each candidate, whether it is the model that was fitted."""
    said = [c.why.startswith("chosen") for c in carrier.candidates]
    if any(said) or carrier.model is None:
        return said
    return [c.form == carrier.model.form for c in carrier.candidates]


@dataclass(frozen=True)
class SiteView:
    """A carrier's result of a site with its rows as arrays."""

    site: SiteResult
    carrier: CarrierResult

    @cached_property
    def is_bills(self) -> bool:
        """Whether rows are bills."""
        series = self.carrier.series
        return (
            series is not None and bool(series.bills.get("start")) and not series.daily.get("date")
        )

    @cached_property
    def rows(self) -> Rows | None:
        """Days or bills; None where there is no series."""
        series = self.carrier.series
        if series is None:
            return None
        table = series.bills if self.is_bills else series.daily
        start = table.get("start" if self.is_bills else "date") or []
        n = len(start)
        if n == 0:
            return None

        def column(name: str) -> np.ndarray:
            values = table.get(name)
            return floats(values) if values is not None else np.full(n, np.nan)

        days = column("days") if self.is_bills else np.ones(n)
        return Rows(
            dates(start),
            days,
            column("measured") / days,
            column("modelled") / days,
            column("temperature"),
            _by_runs(table.get("period") or [""] * n, lambda name: PLACES.get(name, -1)),
            _by_runs(table.get("status") or ["used"] * n, "used".__eq__),
        )

    @cached_property
    def measured(self) -> np.ndarray:
        """Measured energy a day of the rows, as drawn."""
        return numbers(self.rows.measured, 4)

    @cached_property
    def modelled(self) -> np.ndarray:
        """Modelled energy a day of the rows, as drawn."""
        return numbers(self.rows.modelled, 4)

    @cached_property
    def residuals(self) -> tuple[np.ndarray, np.ndarray] | None:
        """Mask of the baseline rows that have a residual, and their residuals a day (measured
        less modelled) as drawn; None where there are too few to look at."""
        rows = self.rows
        if rows is None:
            return None
        missed = rows.measured - rows.modelled
        mask = rows.of("baseline") & np.isfinite(missed)
        residuals = missed[mask]
        return (mask, numbers(residuals, 3)) if len(residuals) > 2 else None

    @property
    def per_day(self) -> str:
        """Unit of energy a day."""
        return f"{self.carrier.unit.replace('m3', 'm³')} a day"

    @property
    def unit(self) -> str:
        """Unit of energy as printed."""
        return self.carrier.unit.replace("m3", "m³")

    @property
    def measure(self) -> str:
        """The word for what the meter counts."""
        return "use"
