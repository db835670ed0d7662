"""Which kinds of day does a site have, and what is it worth to know them?

A day's cell is its weekday and whether the site operates.  Operating and non-operating days are
two kinds; where the readings ask for more (a half-used Saturday, holidays unlike Sundays), the
cells are merged into at most four types: for each number of types the split of the cells' levels
with the smallest sum of squares, which for levels on a line is one of neighbours (Fisher, J. Am.
Stat. Assoc. 53, 1958, 789–798).  How many types can be defended is judged by `select.py`.

Cells with few days are pooled by whether they operate: a single holiday proves no kind of day.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from mv.baseline.columns import Rows
from mv.baseline.rows import moments_of, used

TYPES_MOST = 4
DAYS_EACH_TYPE = 10
"""Days that a cell needs to stand for itself, and a type to exist (common practice, no source)."""

SECONDS_A_DAY = 86400
CELLS = 14
"""Weekday (Monday 0) of an operating day, 7 + weekday of a non-operating one."""
_NAMES = ("Mon", "Tue", "Wed", "Thu", "Fri", "Sat", "Sun")


@dataclass(frozen=True)
class DayTypes:
    """Cells of days merged into types; type 0, which the level stands for, uses least."""

    labels: tuple[str, ...]
    code: tuple[int, ...]
    """Type of each cell, shape (CELLS,)."""
    operating: tuple[float, ...]
    """Share of operating days in each type."""

    def of(self, rows: Rows) -> np.ndarray:
        """Type of each day, shape (rows,)."""
        return np.asarray(self.code)[cells_of(rows)]


def cells_of(rows: Rows) -> np.ndarray:
    """Cell of each day: weekday, plus 7 where it is no operating day; shape (rows,)."""
    days = moments_of(rows).astype(np.int64) // SECONDS_A_DAY
    operating = np.asarray(rows["operating"], dtype=float) > 0.5
    return (days + 3) % 7 + np.where(operating, 0, 7)


def find_day_types(cells: np.ndarray, use: np.ndarray) -> list[DayTypes]:
    """The best split into two, three and four types, where there are cells enough.

    Parameters
    ----------
    cells : cell of each day, shape (n,).
    use : energy of each day less what temperature and drivers explain, shape (n,).
    """
    return [named(code, cells) for code in best_splits(cells, use)]


def best_splits(cells: np.ndarray, use: np.ndarray) -> list[list[int]]:
    """The type of each cell in each of these splits, as `find_day_types` takes its arguments."""
    pool = _pool(cells)
    place = pool[cells]
    count = np.bincount(place)
    groups = np.flatnonzero(count)
    level = np.bincount(place, use)[groups] / count[groups]
    order = np.argsort(level, kind="stable")
    groups, level, size = groups[order], level[order], count[groups][order].astype(float)
    return [_coded(groups, cuts, pool, cells) for cuts in _best_cuts(level, size)]


def named(code: list[int], cells: np.ndarray) -> DayTypes:
    """The types of a split, called by the cells that the days have, shape (n,)."""
    count = np.bincount(cells, minlength=CELLS).tolist()
    kinds = range(max(code) + 1)
    mine = [[c for c in range(CELLS) if code[c] == kind and count[c]] for kind in kinds]
    shares = [sum(count[c] for c in m if c < 7) / max(sum(count[c] for c in m), 1) for m in mine]
    return DayTypes(tuple(_label(m) for m in mine), tuple(code), tuple(shares))


def operating_day_effect(fit, baseline: Rows, reporting: Rows) -> float | None:
    """What the adjustment for operating days is worth in the adjusted baseline.

    The model at reporting conditions, less the same model at the same temperatures with the
    baseline period's mix of days.  Energy in the fit's unit; None where the model knows no kinds
    of day.

    Parameters
    ----------
    fit : baseline model.
    baseline, reporting : rows of either period; those with status "used" count.
    """
    if fit.terms.days == "none":
        return None
    before, after = used(baseline), used(reporting)
    weight = np.asarray(before["weight"], dtype=float)
    mix = weight @ fit.terms.day_columns(before) / weight.sum()
    share = float(weight @ np.asarray(before["operating"], dtype=float) / weight.sum())
    days = np.asarray(after["weight"], dtype=float)
    kinds = days @ fit.terms.day_columns(after) - days.sum() * mix
    own, usual = (
        days @ fit.response.columns(rows) for rows in (after, after.assign(operating=share))
    )
    linear = len(fit.coefficients) - len(own)
    of_kinds, of_response = fit.coefficients[1 : 1 + len(mix)], fit.coefficients[linear:]
    return float(kinds @ of_kinds + (own - usual) @ of_response)


def _pool(cells: np.ndarray) -> np.ndarray:
    """Group of each cell: itself, or one of two pools for cells with few days, (CELLS,)."""
    count = np.bincount(cells, minlength=CELLS)
    pool = np.arange(CELLS)
    for pooled, those in ((CELLS, range(7)), (CELLS + 1, range(7, CELLS))):
        few = [c for c in those if count[c] < DAYS_EACH_TYPE]
        pool[few] = pooled
    return pool


def _best_cuts(level: np.ndarray, size: np.ndarray) -> list[list[int]]:
    """For two types and more the ends of the runs of sorted levels that leave the smallest sum of
    squares, each run with days enough; left out where there is no such split."""
    m = len(level)
    days, total, squares = (
        np.concatenate([[0.0], np.cumsum(size * level**power)]) for power in (0, 1, 2)
    )
    count, rise = days - days[:, None], total - total[:, None]
    # What one type of the groups from the first place to before the second leaves.
    left = squares - squares[:, None] - rise**2 / np.where(count > 0, count, np.inf)
    left = np.where(count >= DAYS_EACH_TYPE, left, np.inf)
    best, turns, found = left[0], [], []
    for _ in range(2, min(TYPES_MOST, m) + 1):
        tried = best[:, None] + left
        turns.append(tried.argmin(axis=0))
        best = tried.min(axis=0)
        if np.isfinite(best[m]):
            cuts = [m]
            for turn in turns[::-1]:
                cuts.append(int(turn[cuts[-1]]))
            found.append(cuts[::-1])
    return found


def _coded(groups: np.ndarray, cuts: list[int], pool: np.ndarray, cells: np.ndarray) -> list[int]:
    kinds = np.full(len(pool) + 2, -1)
    kinds[groups] = np.repeat(np.arange(len(cuts)), np.diff([0, *cuts]))
    code = kinds[pool].tolist()
    # Cells that the baseline never saw go where most days of their sort went.
    count = np.bincount(cells, minlength=CELLS).tolist()
    types = range(len(cuts))
    for those, without in ((range(7), len(cuts) - 1), (range(7, CELLS), 0)):
        days = [sum(count[c] for c in those if code[c] == kind) for kind in types]
        usual = days.index(max(days)) if any(days) else without
        for c in those:
            code[c] = usual if code[c] < 0 else code[c]
    return code


def _label(mine: list[int]) -> str:
    """Such as `operating Mon–Thu`, `non-operating Wed, Sun`."""
    parts = []
    for word, base in (("operating", 0), ("non-operating", 7)):
        days = [c - base for c in mine if base <= c < base + 7]
        if days:
            parts.append(f"{word} {_days(days)}")
    return " or ".join(parts)


def _days(days: list[int]) -> str:
    """Such as `Mon–Thu, Sat`."""
    runs: list[list[int]] = []
    for day in days:
        if runs and day == runs[-1][-1] + 1:
            runs[-1].append(day)
        else:
            runs.append([day])
    return ", ".join(
        _NAMES[r[0]] if len(r) == 1 else f"{_NAMES[r[0]]}–{_NAMES[r[-1]]}" for r in runs
    )
