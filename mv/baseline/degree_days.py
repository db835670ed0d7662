"""How does use answer to degree days, and to which base?

    HDD    ŷ = b₀ + b_h·HDD(c)                    HDD(c) = Σ_days (c − T)⁺ / days
    CDD    ŷ = b₀ + b_c·CDD(c)                    CDD(c) = Σ_days (T − c)⁺ / days
    HDDCDD ŷ = b₀ + b_h·HDD(c_h) + b_c·CDD(c_c),  c_h ≤ c_c

per day of a bill, weighted by its days.  A bill's mean temperature hides its cold and its warm
days, which biases a change point; degree days from the daily means do not (ASHRAE Guideline 14
annex D and RP-1050, variable-base degree days; both from memory).  For daily rows these are the
change-point forms themselves.

Where the bases lie is found in `degree_day_search.py`.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from mv.baseline.columns import Rows
from mv.baseline.degree_day_search import DegreeDaySearch
from mv.baseline.family import FAMILIES, Contest, Family, refused, tried
from mv.baseline.fit import DEGREES_LEAST, Fit, Sample, solve
from mv.baseline.terms import LinearTerms
from mv.findings import ModelError

FORMS = ("HDD", "CDD", "HDDCDD")
_SIDES = {"HDD": ("heating",), "CDD": ("cooling",), "HDDCDD": ("heating", "cooling")}


@dataclass(frozen=True)
class DegreeDays:
    """Degree days per day at given bases (degC)."""

    form: str
    change_points: tuple[float, ...]

    @property
    def names(self) -> tuple[str, ...]:
        """Names of the slopes."""
        return _SIDES[self.form]

    @property
    def meanings(self) -> tuple[str, ...]:
        """One line each."""
        return tuple(
            f"use per {side} degree day (base {self._base(side):.1f} °C)" for side in self.names
        )

    def columns(self, rows: Rows) -> np.ndarray:
        """Degree days per day of rows, shape (rows, k); from daily means where rows are bills."""
        flat, first, count = temperatures_of(rows)
        degrees = [_degree_days(flat, first, count, self._base(s), s) for s in self.names]
        return np.column_stack(degrees)

    def at(self, temperature: np.ndarray, operating: float = 1.0) -> np.ndarray:
        """Degree days of single days at these temperatures, shape (len, k)."""
        return np.column_stack(
            [
                np.maximum(self._base(s) - temperature, 0.0)
                if s == "heating"
                else np.maximum(temperature - self._base(s), 0.0)
                for s in self.names
            ]
        )

    def words(self) -> tuple[str, ...]:
        """Columns in symbols."""
        short = {"heating": "HDD", "cooling": "CDD"}
        return tuple(f"{short[s]}({self._base(s):.1f})" for s in self.names)

    def _base(self, side: str) -> float:
        return self.change_points[0] if side == "heating" else self.change_points[-1]


def temperatures_of(rows: Rows) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Daily means of all rows one after another, the place of each row's first, and their number.

    Bills carry them in `daily_temperatures`; a day is its own mean.  ModelError for bills that
    don't.
    """
    if "daily_temperatures" in rows.columns:
        pieces = list(rows["daily_temperatures"])
        count = np.array([len(piece) for piece in pieces])
        flat = np.concatenate(pieces) if pieces else np.empty(0)
        return flat, np.cumsum(count) - count, count
    if "end" in rows.columns:
        raise ModelError("degree days of bills need the temperature of each of their days")
    t = np.asarray(rows["temperature"], dtype=float)
    return t, np.arange(len(t)), np.ones(len(t), dtype=int)


def fit_degree_days(
    rows: Rows | Sample,
    form: str,
    terms: LinearTerms | None = None,
    *,
    bases: tuple[float, ...] | None = None,
    signs: bool = False,
    unit: str = "kWh/day",
    official: bool = False,
) -> Fit:
    """Fit one degree-day form, its bases at the optimum unless they are given.

    Parameters
    ----------
    rows : bill rows with their daily temperatures (or daily rows).
    form : one of FORMS.
    terms : linear terms; a level alone when None.
    bases : degC, to fix them.
    signs : accept only slopes above zero.
    official : solve with statsmodels.

    Raises ModelError for an unknown form, too few rows, missing daily temperatures, and where no
    base fits.
    """
    if form not in FORMS:
        raise ModelError(f"no form is called {form!r}; there are: {', '.join(FORMS)}")
    sample = rows if isinstance(rows, Sample) else Sample.of(rows)
    terms = terms or LinearTerms()
    if bases is None:
        response = _at_optimum(form, search_of(sample, terms), signs=signs)
    else:
        response = DegreeDays(form, bases)
    return solve(sample, "degree_days", terms, response, unit=unit, official=official)


def _at_optimum(form: str, search: DegreeDaySearch, *, signs: bool) -> DegreeDays:
    """A form at its best bases.  ModelError where it has none."""
    sides = _SIDES[form]
    bases = search.one(sides[0], signs) if len(sides) == 1 else search.two(signs)
    if bases is None:
        raise ModelError(
            f"form {form} has no base within the temperatures of these rows"
            + (" with slopes of the right sign" if signs else "")
        )
    return DegreeDays(form, bases)


def search_of(sample: Sample, terms: LinearTerms) -> DegreeDaySearch:
    """Sum a sample's degree days once for all forms.  ModelError for fewer rows than parameters
    and for bills without the temperatures of their days."""
    z = terms.columns(sample.rows)
    least = z.shape[1] + 1 + DEGREES_LEAST
    if len(sample) < least:
        raise ModelError(f"degree days need at least {least} rows, found {len(sample)}")
    flat, _, count = temperatures_of(sample.rows)
    return DegreeDaySearch(sample.y, z, sample.unit_weights, flat, count)


def contest(sample: Sample, terms: LinearTerms, least: int, unit: str) -> Contest:
    """The forms with these terms, as `family.Family.contest` says (`least` is judged on the bills
    that have degree days, in the choice)."""
    try:
        search = search_of(sample, terms)
    except ModelError as error:
        return refused(str(error))

    def respond(form: str) -> DegreeDays:
        return _at_optimum(form, search, signs=True)

    return lambda forms: tried(sample, "degree_days", terms, forms, respond, unit, search.z)


FAMILIES.add(
    "degree_days",
    Family(
        name="degree_days",
        question="Does use answer to degree days, and to which base?",
        forms=FORMS,
        granularities=("bills",),
        fit=fit_degree_days,
        contest=contest,
        costly=("HDDCDD",),
    ),
)


def _degree_days(
    flat: np.ndarray, first: np.ndarray, count: np.ndarray, base: float, side: str
) -> np.ndarray:
    beyond = np.maximum(base - flat if side == "heating" else flat - base, 0.0)
    sums = np.concatenate([[0.0], np.cumsum(beyond)])
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.where(count > 0, (sums[first + count] - sums[first]) / count, np.nan)
