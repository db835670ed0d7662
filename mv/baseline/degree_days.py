"""How does use answer to degree days, and to which base?

    HDD    ŷ = b₀ + b_h·HDD(c)                    HDD(c) = Σ_days (c − T)⁺ / days
    CDD    ŷ = b₀ + b_c·CDD(c)                    CDD(c) = Σ_days (T − c)⁺ / days
    HDDCDD ŷ = b₀ + b_h·HDD(c_h) + b_c·CDD(c_c),  c_h ≤ c_c

per day of a bill, weighted by its days.  A bill's mean temperature hides its cold and its warm
days, which biases a change point; degree days from the daily means do not (ASHRAE Guideline 14
annex D and RP-1050, variable-base degree days; both from memory).  For daily rows these are the
change-point forms themselves.

HDD(c) of a bill is the integral of its share of days below c, so that it is smooth in c but for
small kinks at each day's temperature.  Bases are tried on a grid, and the best is refined to the
optimum by Gauss–Newton steps along that derivative.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from mv.baseline.family import FAMILIES, Family, Tried
from mv.baseline.fit import Fit, Sample, solve
from mv.baseline.terms import LinearTerms
from mv.findings import ModelError

FORMS = ("HDD", "CDD", "HDDCDD")
BASE_STEP = 0.25
"""Kelvin between the bases that are tried before the refinement."""
_STEPS_MOST = 30
DAYS_BEYOND = 0.05
"""Share of all days that must lie beyond a base on either side (common practice, no source)."""

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

    def columns(self, rows: pd.DataFrame) -> np.ndarray:
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


def temperatures_of(rows: pd.DataFrame) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Daily means of all rows one after another, the place of each row's first, and their number.

    Bills carry them in `daily_temperatures`, or as the series `temperature_daily` among the
    table's attributes; a day is its own mean.
    """
    if "daily_temperatures" in rows.columns:
        pieces = rows["daily_temperatures"].to_list()
        count = np.array([len(piece) for piece in pieces])
        flat = np.concatenate(pieces) if pieces else np.empty(0)
        return flat, np.cumsum(count) - count, count
    if "temperature_daily" in rows.attrs:
        daily = rows.attrs["temperature_daily"]
        starts = rows["start"].to_numpy().astype("datetime64[D]")
        ends = rows["end"].to_numpy().astype("datetime64[D]")
        days = daily.index.to_numpy().astype("datetime64[D]")
        values = daily.to_numpy(dtype=float)
        low, high = np.searchsorted(days, starts), np.searchsorted(days, ends)
        pieces = [values[a:b][np.isfinite(values[a:b])] for a, b in zip(low, high, strict=True)]
        count = np.array([len(piece) for piece in pieces])
        flat = np.concatenate(pieces) if pieces else np.empty(0)
        return flat, np.cumsum(count) - count, count
    if "end" in rows.columns:
        raise ModelError("degree days of bills need the temperature of each of their days")
    t = rows["temperature"].to_numpy(dtype=float)
    return t, np.arange(len(t)), np.ones(len(t), dtype=int)


def fit_degree_days(
    rows: pd.DataFrame | Sample,
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
        bases = _search(sample, terms, form, signs)
    return solve(
        sample, "degree_days", terms, DegreeDays(form, bases), unit=unit, official=official
    )


def candidates(sample: Sample, terms: LinearTerms, least: int, unit: str) -> list[Tried]:
    """Every form with these terms, as `family.Family.candidates` says (`least` is judged on the
    bills that have degree days, in the choice)."""
    out = []
    for form in FORMS:
        try:
            out.append(Tried(form, fit_degree_days(sample, form, terms, signs=True, unit=unit)))
        except ModelError as error:
            out.append(Tried(form, None, str(error)))
    return out


FAMILIES.add(
    "degree_days",
    Family(
        name="degree_days",
        question="Does use answer to degree days, and to which base?",
        forms=FORMS,
        granularities=("bills",),
        fit=fit_degree_days,
        candidates=candidates,
    ),
)


def _degree_days(
    flat: np.ndarray, first: np.ndarray, count: np.ndarray, base: float, side: str
) -> np.ndarray:
    beyond = np.maximum(base - flat if side == "heating" else flat - base, 0.0)
    sums = np.concatenate([[0.0], np.cumsum(beyond)])
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.where(count > 0, (sums[first + count] - sums[first]) / count, np.nan)


def _search(sample: Sample, terms: LinearTerms, form: str, signs: bool) -> tuple[float, ...]:
    flat, first, count = temperatures_of(sample.rows)
    z = terms.columns(sample.rows)
    if len(sample) < z.shape[1] + len(_SIDES[form]) + 3:
        raise ModelError(
            f"form {form} needs at least {z.shape[1] + len(_SIDES[form]) + 3} rows, found "
            f"{len(sample)}"
        )
    low, high = np.quantile(flat, [DAYS_BEYOND, 1 - DAYS_BEYOND])
    bases = np.unique(np.round(np.append(np.arange(low, high, BASE_STEP), high), 10))
    profile = _Profile(sample, z, flat, first, count)
    sides = _SIDES[form]
    found = profile.one(bases, sides[0], signs) if len(sides) == 1 else profile.two(bases, signs)
    if found is None:
        raise ModelError(
            f"form {form} has no base within the temperatures of these rows"
            + (" with slopes of the right sign" if signs else "")
        )
    return profile.refine(found, sides, (float(low), float(high)))


class _Profile:
    """What degree days at each base explain, once the linear columns are projected out."""

    def __init__(self, sample, z, flat, first, count) -> None:
        self.root = np.sqrt(sample.unit_weights)
        self.q, _ = np.linalg.qr(self.root[:, None] * z)
        y = self.root * sample.y
        self.y = y - self.q @ (self.q.T @ y)
        self.first, self.count = first, count
        self.flat = flat
        self.row = np.repeat(np.arange(len(count)), count)

    def columns(self, bases: np.ndarray, side: str) -> np.ndarray:
        """Degree days per day at every base, projected and weighted, shape (n, bases)."""
        sign = 1.0 if side == "heating" else -1.0
        beyond = np.maximum(sign * (bases[None, :] - self.flat[:, None]), 0.0)
        d = np.add.reduceat(beyond, self.first, axis=0) / self.count[:, None]
        d *= self.root[:, None]
        return d - self.q @ (self.q.T @ d)

    def one(self, bases: np.ndarray, side: str, signs: bool) -> tuple[float] | None:
        """Best single base of those tried."""
        d = self.columns(bases, side)
        product = d.T @ self.y
        length = np.einsum("ij,ij->j", d, d)
        ok = length > 1e-12 * max(float(length.max()), 1e-300)
        ok &= (product > 0) | (not signs)
        with np.errstate(divide="ignore", invalid="ignore"):
            gain = np.where(ok, product * product / length, -np.inf)
        at = int(np.argmax(gain))
        return (float(bases[at]),) if np.isfinite(gain[at]) else None

    def two(self, bases: np.ndarray, signs: bool) -> tuple[float, float] | None:
        """Best pair of bases of those tried, heating not above cooling."""
        gain = _pair_gain(
            self.columns(bases, "heating"), self.columns(bases, "cooling"), self.y, signs
        )
        gain[np.tril_indices(len(bases), -1)] = -np.inf
        i, j = np.unravel_index(int(np.argmax(gain)), gain.shape)
        return (float(bases[i]), float(bases[j])) if np.isfinite(gain[i, j]) else None

    def refine(
        self, bases: tuple[float, ...], sides: tuple[str, ...], limits: tuple[float, float]
    ) -> tuple[float, ...]:
        """Gauss–Newton from the best of the grid; a step that does not help is halved."""
        at = np.array(bases)
        sse, slopes, rest = self._solve(at, sides)
        for _ in range(_STEPS_MOST):
            # d(b·degree days)/d(base): the share of days beyond it.
            shares = np.column_stack([self._share(c, s) for c, s in zip(at, sides, strict=True)])
            degrees = np.column_stack(
                [self.columns(np.array([c]), s) for c, s in zip(at, sides, strict=True)]
            )
            turned = np.hstack([degrees, shares * slopes])
            step = np.linalg.lstsq(turned, rest, rcond=None)[0][len(sides) :]
            for _ in range(12):
                new = np.clip(at + step, *limits)
                if len(new) == 1 or new[0] <= new[1]:
                    new_sse, new_slopes, new_rest = self._solve(new, sides)
                    if new_sse < sse and (new_slopes * slopes > 0).all():
                        break
                step = step / 2
            else:
                break
            moved = float(np.abs(new - at).max())
            at, sse, slopes, rest = new, new_sse, new_slopes, new_rest
            if moved < 1e-10:
                break
        return tuple(float(c) for c in at)

    def _solve(self, at: np.ndarray, sides: tuple[str, ...]):
        """Sum of squares, slopes and residual at given bases."""
        d = np.column_stack(
            [self.columns(np.array([c]), s) for c, s in zip(at, sides, strict=True)]
        )
        slopes = np.linalg.lstsq(d, self.y, rcond=None)[0]
        rest = self.y - d @ slopes
        return float(rest @ rest), slopes, rest

    def _share(self, base: float, side: str) -> np.ndarray:
        """Derivative of a bill's degree days per day by the base, projected and weighted."""
        beyond = self.flat < base if side == "heating" else self.flat > base
        sign = 1.0 if side == "heating" else -1.0
        share = sign * np.add.reduceat(beyond.astype(float), self.first) / self.count * self.root
        return share - self.q @ (self.q.T @ share)


def _pair_gain(heat: np.ndarray, cool: np.ndarray, y: np.ndarray, signs: bool) -> np.ndarray:
    """Sum of squares explained by each pair of columns, shape (heat, cool)."""
    hh, cc = np.einsum("ij,ij->j", heat, heat)[:, None], np.einsum("ij,ij->j", cool, cool)[None, :]
    hc = heat.T @ cool
    hy, cy = (heat.T @ y)[:, None], (cool.T @ y)[None, :]
    det = hh * cc - hc * hc
    b1, b2 = cc * hy - hc * cy, hh * cy - hc * hy
    ok = det > 1e-9 * hh * cc
    if signs:
        ok &= (b1 > 0) & (b2 > 0)
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.where(ok, (hy * b1 + cy * b2) / det, -np.inf)
