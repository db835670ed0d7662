"""How does use answer to degree days, and to which base?

    HDD    ŷ = b₀ + b_h·HDD(c)                    HDD(c) = Σ_days (c − T)⁺ / days
    CDD    ŷ = b₀ + b_c·CDD(c)                    CDD(c) = Σ_days (T − c)⁺ / days
    HDDCDD ŷ = b₀ + b_h·HDD(c_h) + b_c·CDD(c_c),  c_h ≤ c_c

per day of a bill, weighted by its days.  A bill's mean temperature hides its cold and its warm
days, which biases a change point; degree days from the daily means do not (ASHRAE Guideline 14
annex D and RP-1050, variable-base degree days; both from memory).  For daily rows these are the
change-point forms themselves.

Between two neighbouring daily temperatures the degree days of every bill are linear in c, so that
the best base of each gap follows exactly, as for a change point (`search.py`), and all gaps are
tried at once: one base is a global optimum.  Two bases are tried on a grid; from the best few each
is then moved to its global optimum beside the other until neither moves.
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
PAIR_STEP = 0.5
"""Kelvin between the pairs of bases that are tried first."""
PAIR_STARTS = 3
"""Best pairs of the grid from which both bases are moved."""
_TURNS_MOST = 25
_RANK = 1e-10
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
    search = _BaseSearch(sample, z, flat, first, count)
    sides = _SIDES[form]
    found = search.one(sides[0], signs) if len(sides) == 1 else search.two(signs)
    if found is None:
        raise ModelError(
            f"form {form} has no base within the temperatures of these rows"
            + (" with slopes of the right sign" if signs else "")
        )
    return found


class _BaseSearch:
    """Degree days of every bill at every daily temperature, and what they explain."""

    def __init__(
        self,
        sample: Sample,
        z: np.ndarray,
        flat: np.ndarray,
        first: np.ndarray,
        count: np.ndarray,
    ) -> None:
        self.root = np.sqrt(sample.unit_weights)
        self.z = self.root[:, None] * z
        self.target = self.root * sample.y
        low, high = np.quantile(flat, [DAYS_BEYOND, 1 - DAYS_BEYOND])
        u, rank = np.unique(flat, return_inverse=True)
        n, m = len(count), len(u)
        place = np.repeat(np.arange(n), count) * m + rank
        days = np.cumsum(np.bincount(place, minlength=n * m).reshape(n, m), axis=1)
        sums = np.cumsum(np.bincount(place, flat, minlength=n * m).reshape(n, m), axis=1)
        keep = (u >= low) & (u <= high)
        self.u = u[keep]
        self.gap = np.append(np.diff(self.u), 0.0)
        weight = (self.root / count)[:, None]
        below, above = days[:, keep], count[:, None] - days[:, keep]
        cold, warm = sums[:, keep], sums[:, -1:] - sums[:, keep]
        # Degree days per day at base u, and their derivative by the base in the gap above it.
        self.at = {
            "heating": (weight * (self.u * below - cold), weight * below),
            "cooling": (weight * (warm - self.u * above), -weight * above),
        }

    def one(self, side: str, signs: bool, beside: np.ndarray | None = None) -> tuple[float] | None:
        """Best base of one side; `beside` is the other side's column, shape (n,)."""
        z = self.z if beside is None else np.column_stack([self.z, beside])
        q, _ = np.linalg.qr(z)
        y = self.target - q @ (q.T @ self.target)
        degree, turn = self.at[side]
        degree, turn = degree - q @ (q.T @ degree), turn - q @ (q.T @ turn)
        h11 = np.einsum("ij,ij->j", degree, degree)
        h12 = np.einsum("ij,ij->j", degree, turn)
        h22 = np.einsum("ij,ij->j", turn, turn)
        g1, g2 = degree.T @ y, turn.T @ y
        det = h11 * h22 - h12 * h12
        with np.errstate(divide="ignore", invalid="ignore"):
            slope, level = (h22 * g1 - h12 * g2) / det, (h11 * g2 - h12 * g1) / det
            step = level / slope
            inside = (det > _RANK * h11 * h22) & (step >= 0) & (step <= self.gap)
            inside &= (slope > 0) | (not signs)
            free = np.where(inside, g1 * slope + g2 * level, -np.inf)
            whole = (h11 > _RANK * max(float(h11.max()), 1e-300)) & ((g1 > 0) | (not signs))
            end = np.where(whole, g1 * g1 / h11, -np.inf)
        a, b = int(np.argmax(end)), int(np.argmax(free))
        if not np.isfinite(max(end[a], free[b])):
            return None
        return (float(self.u[a] if end[a] >= free[b] else self.u[b] + step[b]),)

    def two(self, signs: bool) -> tuple[float, float] | None:
        """Best pair of bases, heating not above cooling."""
        q, _ = np.linalg.qr(self.z)
        y = self.target - q @ (q.T @ self.target)
        marks = np.arange(self.u[0], self.u[-1] + PAIR_STEP, PAIR_STEP)
        grid = np.unique(np.searchsorted(self.u, marks).clip(0, len(self.u) - 1))
        heat, cool = (
            d - q @ (q.T @ d) for d in (self.at[s][0][:, grid] for s in ("heating", "cooling"))
        )
        gain = _pair_gain(heat, cool, y, signs)
        gain[np.tril_indices(len(grid), -1)] = -np.inf
        best: tuple[float, tuple[float, float]] | None = None
        for start in np.argsort(gain, axis=None)[::-1][:PAIR_STARTS]:
            i, j = np.unravel_index(start, gain.shape)
            if np.isfinite(gain[i, j]):
                pair = self._move(float(self.u[grid[i]]), float(self.u[grid[j]]), signs)
                explained = self._explained(pair)
                if best is None or explained > best[0]:
                    best = explained, pair
        return None if best is None else best[1]

    def _move(self, c1: float, c2: float, signs: bool) -> tuple[float, float]:
        """Move both bases together within their gaps as long as that helps, then each to its
        global optimum beside the other; until nothing moves."""
        pair = (c1, c2)
        explained = self._explained(pair)
        for _ in range(_TURNS_MOST):
            before = explained
            options = [self._together(pair, signs)]
            options += [self._beside(pair, side, signs) for side in ("heating", "cooling")]
            for option in options:
                if option is not None and self._explained(option) > explained:
                    pair, explained = option, self._explained(option)
            if explained <= before * (1 + 1e-14):
                break
        return pair

    def _together(self, pair: tuple[float, float], signs: bool) -> tuple[float, float] | None:
        """Both bases at the optimum of the columns of their gaps, if that lies in order."""
        places = [self._place(c) for c in pair]
        columns = [d[:, a] for a, s in zip(places, self.at, strict=True) for d in self.at[s]]
        b = np.linalg.lstsq(np.column_stack([self.z, *columns]), self.target, rcond=None)[0][-4:]
        if b[0] == 0 or b[2] == 0 or (signs and min(b[0], b[2]) < 0):
            return None
        c1, c2 = self.u[places[0]] + b[1] / b[0], self.u[places[1]] + b[3] / b[2]
        c1, c2 = (float(np.clip(c, self.u[0], self.u[-1])) for c in (c1, c2))
        return (c1, c2) if c1 <= c2 else None

    def _beside(
        self, pair: tuple[float, float], side: str, signs: bool
    ) -> tuple[float, float] | None:
        """One base at its global optimum beside the other."""
        heating = side == "heating"
        other = self.column("cooling", pair[1]) if heating else self.column("heating", pair[0])
        found = self.one(side, signs, other)
        if found is None:
            return None
        c1, c2 = (found[0], pair[1]) if heating else (pair[0], found[0])
        return (c1, c2) if c1 <= c2 else None

    def _place(self, base: float) -> int:
        """Gap that a base lies in."""
        return min(max(int(np.searchsorted(self.u, base, side="right")) - 1, 0), len(self.u) - 1)

    def column(self, side: str, base: float) -> np.ndarray:
        """Weighted degree days per day at any base of the range, shape (n,)."""
        at = self._place(base)
        degree, turn = self.at[side]
        return degree[:, at] + (base - self.u[at]) * turn[:, at]

    def _explained(self, pair: tuple[float, float]) -> float:
        """Sum of squares that level terms and both columns explain."""
        x = [self.column("heating", pair[0]), self.column("cooling", pair[1])]
        q, _ = np.linalg.qr(np.column_stack([self.z, *x]))
        return float(np.sum((q.T @ self.target) ** 2))


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
