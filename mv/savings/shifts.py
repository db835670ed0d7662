"""Where does a series step away from its own level, and by how much?

A search for one shift at a time: the window that stands off most (`windows.py`) is noted, joins
what is fitted, and the scan starts again.  In the end the sizes of all are fitted together.

A *season* is no shift.  A yearly harmonic pair, common to all series given (use that follows the
length of the night comes back every year, a shift doesn't), competes with the windows: where it
explains more than the best of them it is fitted alongside from then on.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np

from mv.savings.window_search import best_window
from mv.savings.windows import (
    CLIP,
    DAYS,
    ROUNDS,
    Scan,
    Window,
    basis_of,
    combinations_of,
    day_to_day,
    filter_series,
    freed,
    noise_of,
)

SEASON_THRESHOLD = 6.0
"""Squared score that a season must have above the excess of the best window: 5 % of a chi-square
of two degrees of freedom."""
SEASON_LEFT = (1.0, 0.5)
"""Amplitudes in later series that are tried, as shares of that in the first: a retrofit of what
follows the night takes part of its season along (own choice)."""
SEASON_CHANGE = 0.5
"""Standard deviation by which a season's amplitude may differ from one series to another, as a
share of it (own choice)."""
MOST = 4
"""Shifts told of one series, the strongest first."""
PILOT = 1.5
"""Squared score that a window may be short of its threshold while it still inflates the noise; it
is judged again with the noise that is left once it is fitted."""


@dataclass(frozen=True)
class Series:
    """A series in order of time and what was fitted to it."""

    values: np.ndarray
    """(n,), finite; rows that are missing simply aren't there."""
    design: np.ndarray
    """(n, p) columns of the fit: a shift that season or operating days resemble shows less in its
    residuals, and is judged accordingly."""
    season: np.ndarray | None = None
    """(n, 2) yearly harmonic pair at the rows' dates, where a season may compete."""


@dataclass(frozen=True)
class Shift:
    """One window in which a series stands off its level."""

    first: int
    """First row."""
    last: int
    """Last row, inclusive."""
    open_end: bool
    """Whether it goes on to the end of the series."""
    size: float
    """Mean difference to the rest, unit of the series."""
    standard_error: float

    @property
    def score(self) -> float:
        """|size| ÷ standard error."""
        return abs(self.size) / self.standard_error


@dataclass(frozen=True)
class _Fit:
    """What least squares leaves of a series."""

    basis: np.ndarray
    """Orthonormal columns of the design, (n, p)."""
    rest: np.ndarray
    """Residuals, (n,)."""
    noise: tuple[float, float]
    """Their correlation and spread, as from `noise_of`."""

    @classmethod
    def of(cls, values: np.ndarray, design: np.ndarray) -> _Fit:
        basis = basis_of(design)
        rest = freed(values, basis)
        return cls(basis, rest, noise_of(rest, basis.shape[1]))


@dataclass
class _Search:
    """One series while shifts are taken from it."""

    values: np.ndarray
    design: np.ndarray
    season: np.ndarray | None
    least: float
    room: int
    """Shifts that may still be found."""
    found: list[Window] = field(default_factory=list)
    best: Window | None = None
    fresh: bool = True
    """Whether `best` is to be looked for anew."""
    elsewhere: tuple[np.ndarray, np.ndarray] | None = None
    """What the other series say of the season: rows of unit variance, (2, columns), (2,)."""
    fitted: _Fit | None = None
    """Of the design as it stands, once it was asked for."""

    def fit(self) -> _Fit:
        """The series fitted by its design."""
        if self.fitted is None:
            self.fitted = _Fit.of(self.values, self.design)
        return self.fitted

    def take(self, window: Window) -> None:
        """Fit a window alongside from now on; after one too small to tell, at most one more."""
        self.found.append(window)
        self.room = min(self.room - 1, 1) if abs(window.size) < self.least else self.room - 1
        self.design = np.column_stack([self.design, _indicator(window, len(self.values))])
        if self.elsewhere is not None:
            rows, said = self.elsewhere
            self.elsewhere = np.column_stack([rows, np.zeros(len(rows))]), said
        self.fresh, self.fitted = True, None


def find_shifts(
    values: np.ndarray,
    *,
    least: float,
    scan: Scan = DAYS,
    most: int = MOST,
    design: np.ndarray | None = None,
) -> list[Shift]:
    """Find shifts of one series, the strongest first.

    Parameters
    ----------
    values, design : as in `Series`; the level alone when no design is given.
    least : smallest |size| worth telling, unit of the series.
    scan : lengths, margins and threshold.

    Returns
    -------
    Shifts; empty where the series is too short or nothing stands out.
    """
    values = np.asarray(values, dtype=float)
    design = np.ones((len(values), 1)) if design is None else design
    return find_in_all([Series(values, design)], least=[least], scan=scan, most=most)[0]


def find_in_all(
    series: Sequence[Series], *, least: Sequence[float], scan: Scan = DAYS, most: int = MOST
) -> list[list[Shift]]:
    """Find shifts of several series of one site that may share a season.

    Parameters
    ----------
    least : smallest |size| worth telling in each series, its unit.
    scan, most : as in `find_shifts`; `most` for each series.

    Returns
    -------
    Shifts of each series, the strongest first.
    """
    every = [
        _Search(s.values, np.asarray(s.design, dtype=float), s.season, limit, room=most)
        for s, limit in zip(series, least, strict=True)
    ]
    searches = [s for s in every if len(s.values) >= scan.rows]
    may_be_season = all(s.season is not None for s in searches)
    while True:
        for search in searches:
            if search.fresh:
                search.best = _strongest(search, scan) if search.room else None
                search.fresh = False
        best = max(
            (s for s in searches if s.best is not None), key=lambda s: s.best.excess, default=None
        )
        if best is None:
            break
        if may_be_season and _season_taken(searches, best.best.excess):
            may_be_season = False
            continue
        best.take(best.best)
    return [sorted(_told(search), key=lambda t: -t.score) for search in every]


def _strongest(search: _Search, scan: Scan) -> Window | None:
    """The window that exceeds its threshold by most; None where none does."""
    fit = search.fit()
    basis, rest = fit.basis, fit.rest
    # A shift still inside inflates the one, chance the other.
    noise = min(fit.noise, day_to_day(rest))
    filtered = filter_series(search.values, search.design, noise, search.elsewhere)
    window = best_window(filtered, scan, floor=-PILOT)
    if window is None:
        return None
    # The same with correlation and scatter as they are once the window is fitted.
    own = _indicator(window, len(rest))
    own -= basis @ (basis.T @ own)
    rest = freed(rest, own[:, None] / math.sqrt(own @ own))
    noise = noise_of(rest, basis.shape[1] + 1)
    filtered = filter_series(search.values, search.design, noise, search.elsewhere)
    return best_window(filtered, scan, floor=0.0)


def _season_taken(searches: list[_Search], excess: float) -> bool:
    """Fit a season common to all series from now on, if it explains more than a window does.

    Each series then has its own season, about which the others speak as `SEASON_CHANGE` allows.
    """
    fits, parts = [], []
    for search in searches:
        fit = _Fit.of(search.values, np.hstack([search.season, search.design]))
        filtered = filter_series(search.values, search.design, fit.noise)
        if filtered is None:
            return False
        pair = search.season[1:] - filtered.rho * search.season[:-1]
        pair = (pair - filtered.basis @ (filtered.basis.T @ pair)) / filtered.scale
        fits.append(fit)
        parts.append(np.column_stack([pair.T @ pair, pair.T @ filtered.values]))
    shares = np.ones((len(SEASON_LEFT), len(searches)))
    shares[:, 1:] = np.array(SEASON_LEFT)[:, None]
    # Information of every series about the first one's season, and what it says, (shares, series,
    # 2, 3); then of all together.
    scaled = shares[:, :, None, None] * np.array(parts)
    scaled[..., :2] *= shares[:, :, None, None]
    together = scaled.sum(axis=1)
    inverse = np.linalg.pinv(together[..., :2], hermitian=True)
    seasons = (inverse @ together[..., 2:])[..., 0]
    gains = np.einsum("ij,ij->i", seasons, together[..., 2])
    best = int(gains.argmax())
    if gains[best] - SEASON_THRESHOLD <= excess:
        return False
    change = SEASON_CHANGE**2 * float(seasons[best] @ seasons[best]) / 2
    for i, search in enumerate(searches):
        others = together[best] - scaled[best, i]
        others = np.linalg.solve(np.eye(2) + change * others[:, :2], others)
        values, vectors = np.linalg.eigh(others[:, :2])
        root = np.sqrt(np.maximum(values, 0.0))
        said = vectors.T @ others[:, 2] / np.where(root > 1e-9 * root[-1], root, np.inf)
        fixed = np.zeros((2, search.design.shape[1]))
        search.elsewhere = np.hstack([root[:, None] * vectors.T, fixed]), said
        search.design = np.hstack([shares[best, i] * search.season, search.design])
        search.fresh, search.fitted = True, fits[i]
    return True


def _told(search: _Search) -> list[Shift]:
    """Sizes and standard errors of all windows of a series, fitted together (Huber's estimate)."""
    if not search.found:
        return []
    rho, spread = search.fit().noise
    if not spread > 0:  # without scatter there is no standard error
        return []
    x = search.design[1:] - rho * search.design[:-1]
    y = search.values[1:] - rho * search.values[:-1]
    if search.elsewhere is not None:
        x = np.vstack([x, spread * search.elsewhere[0]])
        y = np.append(y, spread * search.elsewhere[1])
    combinations = combinations_of(x)
    inverse = combinations @ (combinations.T @ x.T)
    coefficients = inverse @ y
    bound = CLIP * spread
    for _ in range(3 * ROUNDS):
        rest = y - x @ coefficients
        drawn = rest.clip(-bound, bound)
        inside = np.count_nonzero(drawn == rest) / len(rest)
        coefficients = coefficients + inverse @ drawn / inside
    variance = float(drawn @ drawn) / max(len(y) - x.shape[1], 1) / inside**2
    errors = np.sqrt(variance * np.einsum("ij,ij->i", inverse, inverse))
    shifts = [
        Shift(
            first=window.first,
            last=window.end - 1,
            open_end=window.end == len(search.values),
            size=float(size),
            standard_error=float(error),
        )
        for window, size, error in zip(
            search.found,
            coefficients[-len(search.found) :],
            errors[-len(search.found) :],
            strict=True,
        )
    ]
    return [shift for shift in shifts if abs(shift.size) >= search.least]


def _indicator(window: Window, n: int) -> np.ndarray:
    inside = np.zeros(n)
    inside[window.first : window.end] = 1.0
    return inside
