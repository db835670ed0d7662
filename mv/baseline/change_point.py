"""Does use answer to temperature, and beyond which temperature?

Functional forms (Kissock, Haberl & Claridge, ASHRAE RP-1050, 2003; ASHRAE Guideline 14 annex D;
BPA Regression for M&V §4; all from memory), (·)⁺ = max(·, 0):

    1P    b₀
    2P    b₀ + b₁T
    3PH   b₀ + b₁(c − T)⁺
    3PC   b₀ + b₁(T − c)⁺
    4P    b₀ + b₁(c − T)⁺ + b₂(T − c)⁺
    5P    b₀ + b₁(c₁ − T)⁺ + b₂(T − c₂)⁺,  c₁ ≤ c₂

each with the linear terms of `terms.py` beside b₀.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from mv.baseline.columns import Rows
from mv.baseline.family import FAMILIES, Contest, Family, refused, tried
from mv.baseline.fit import DEGREES_LEAST, Fit, Sample, solve
from mv.baseline.search import ChangePointSearch
from mv.baseline.terms import LinearTerms
from mv.findings import ModelError

FORMS = ("1P", "2P", "3PH", "3PC", "4P", "5P")
_WITHOUT = ("1P", "2P")
"""Forms without a change point."""

_SIDES = {
    "1P": (),
    "2P": ("slope",),
    "3PH": ("heating",),
    "3PC": ("cooling",),
    "4P": ("heating", "cooling"),
    "5P": ("heating", "cooling"),
}
_MEANINGS = {
    "slope": "use per degree",
    "heating": "use per degree below the heating change point",
    "cooling": "use per degree above the cooling change point",
}


@dataclass(frozen=True)
class Hinges:
    """The temperature columns of one form at its change points (degC)."""

    form: str
    change_points: tuple[float, ...] = ()

    @property
    def names(self) -> tuple[str, ...]:
        """Names of the slopes."""
        return _SIDES[self.form]

    @property
    def meanings(self) -> tuple[str, ...]:
        """One line each."""
        return tuple(_MEANINGS[side] for side in self.names)

    def columns(self, rows: Rows) -> np.ndarray:
        """Columns of rows by their mean temperature, shape (rows, k)."""
        return self.at(np.asarray(rows["temperature"], dtype=float))

    def at(self, temperature: np.ndarray, operating: float = 1.0) -> np.ndarray:
        """Columns at these temperatures, shape (len, k)."""
        columns = []
        for side in self.names:
            if side == "slope":
                columns.append(temperature)
            elif side == "heating":
                columns.append(np.maximum(self.change_points[0] - temperature, 0.0))
            else:
                columns.append(np.maximum(temperature - self.change_points[-1], 0.0))
        return np.array(columns).T if columns else np.empty((len(temperature), 0))

    def words(self) -> tuple[str, ...]:
        """Columns in symbols."""
        symbols = {"slope": "T"}
        if self.change_points:
            symbols["heating"] = f"({self.change_points[0]:.1f} − T)⁺"
            symbols["cooling"] = f"(T − {self.change_points[-1]:.1f})⁺"
        return tuple(symbols[side] for side in self.names)


def fit_change_point(
    rows: Rows | Sample,
    form: str,
    terms: LinearTerms | None = None,
    *,
    change_points: tuple[float, ...] | None = None,
    signs: bool = False,
    least: int = 2,
    unit: str = "kWh/day",
    official: bool = False,
) -> Fit:
    """Fit one form, its change points at the global optimum unless they are given.

    Parameters
    ----------
    rows : daily or bill rows; those with status "used" count.
    form : one of FORMS.
    terms : linear terms; a level alone when None.
    change_points : degC, to fix them.
    signs : accept only slopes not below zero on either side (3PH, 3PC, 4P, 5P).
    least : rows that must lie at or beyond a change point.
    official : solve with statsmodels.

    Raises ModelError for an unknown form, for too few rows, and where no change point is possible.
    """
    if form not in FORMS:
        raise ModelError(f"no form is called {form!r}; there are: {', '.join(FORMS)}")
    sample = rows if isinstance(rows, Sample) else Sample.of(rows)
    terms = terms or LinearTerms()
    if change_points is not None or form in _WITHOUT:
        response = Hinges(form, change_points or ())
    else:
        search = search_of(sample, terms, least=least, signs=signs)
        response = _at_optimum(form, search, signs=signs)
    return solve(sample, "change_point", terms, response, unit=unit, official=official)


def _at_optimum(form: str, search: ChangePointSearch, *, signs: bool) -> Hinges:
    """A form at its best change points.  ModelError where it has none."""
    if form in _WITHOUT:
        return Hinges(form)
    ask = {
        "3PH": search.heating,
        "3PC": search.cooling,
        "4P": search.both_sides,
        "5P": search.apart,
    }
    found = ask[form]()
    if found is None:
        raise ModelError(
            f"form {form} has no change point within the temperatures of these rows"
            + (" with slopes of the right sign" if signs else "")
        )
    return Hinges(form, found.change_points)


def joint_standard_errors(fit: Fit) -> tuple[np.ndarray, np.ndarray]:
    """Standard errors of coefficients and of change points, both unknown together.

    The model is taken as linear around its optimum: a change point is a further coefficient with
    the column Σ b·d(hinge)/dc, where d(c − T)⁺/dc is 1 below c and d(T − c)⁺/dc is −1 above it
    (Muggeo, Statistics in Medicine 22, 2003, 3055–3071).  Coarse where a change point has few
    rows on one side.

    Parameters
    ----------
    fit : of this family, without slopes by kind of day.

    Returns
    -------
    Errors of the coefficients, in their order, and of the change points (K).
    """
    first = fit.x.shape[1] - len(fit.response.names)
    turns = np.zeros((fit.n, len(fit.change_points)))
    for place, side in enumerate(fit.response.names, first):
        if side in ("heating", "cooling"):
            beyond = (fit.x[:, place] > 0) * (1.0 if side == "heating" else -1.0)
            turns[:, 0 if side == "heating" else -1] += fit.coefficients[place] * beyond
    root = np.sqrt(fit.weights * (fit.n / fit.weights.sum()))[:, None]
    x = root * np.hstack([fit.x, turns])
    size = np.sqrt(np.einsum("ij,ij->j", x, x))
    size[size == 0] = 1.0
    inverse = np.linalg.pinv((x / size).T @ (x / size), hermitian=True)
    errors = np.sqrt(np.diag(inverse)) / size * fit.statistics.rmse
    return errors[: fit.x.shape[1]], errors[fit.x.shape[1] :]


def search_of(
    sample: Sample, terms: LinearTerms, *, least: int = 2, signs: bool = False
) -> ChangePointSearch:
    """Sort and sum a sample once for all forms.  ModelError for fewer rows than parameters."""
    z = terms.columns(sample.rows)
    if len(sample) < z.shape[1] + DEGREES_LEAST:
        raise ModelError(
            f"a baseline with {z.shape[1]} terms besides temperature needs at least "
            f"{z.shape[1] + DEGREES_LEAST} rows, found {len(sample)}"
        )
    return ChangePointSearch(
        sample.temperature, sample.y, z, sample.unit_weights, least=least, signs=signs
    )


def contest(sample: Sample, terms: LinearTerms, least: int, unit: str) -> Contest:
    """The forms with these terms, as `family.Family.contest` says."""
    try:
        search = search_of(sample, terms, least=least, signs=True)
    except ModelError as error:
        return refused(str(error))

    def respond(form: str) -> Hinges:
        return _at_optimum(form, search, signs=True)

    return lambda forms: tried(sample, "change_point", terms, forms, respond, unit, search.z)


FAMILIES.add(
    "change_point",
    Family(
        name="change_point",
        question="Does use answer to mean temperature, and beyond which temperature?",
        forms=FORMS,
        granularities=("daily", "bills"),
        fit=fit_change_point,
        contest=contest,
        costly=("5P",),
    ),
)
