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
    days = moments_of(rows).astype("datetime64[D]").astype(np.int64)
    operating = np.asarray(rows["operating"], dtype=float) > 0.5
    return (days + 3) % 7 + np.where(operating, 0, 7)


def find_day_types(cells: np.ndarray, use: np.ndarray) -> list[DayTypes]:
    """The best split into two, three and four types, where there are cells enough.

    Parameters
    ----------
    cells : cell of each day, shape (n,).
    use : energy of each day less what temperature and drivers explain, shape (n,).
    """
    pool = _pool(cells)
    place = pool[cells]
    count = np.bincount(place)
    groups = np.flatnonzero(count)
    level = np.bincount(place, use)[groups] / count[groups]
    order = np.argsort(level, kind="stable")
    groups, level, size = groups[order], level[order], count[groups][order].astype(float)
    found = []
    for types in range(2, min(TYPES_MOST, len(groups)) + 1):
        cuts = _best_cuts(level, size, types)
        if cuts is not None:
            found.append(_named(groups, size, cuts, pool, cells))
    return found


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
    usual = fit.design(after.assign(operating=share), days=mix) @ fit.coefficients
    return float(days @ (fit.predict(after) - usual))


def _pool(cells: np.ndarray) -> np.ndarray:
    """Group of each cell: itself, or one of two pools for cells with few days, (CELLS,)."""
    count = np.bincount(cells, minlength=CELLS)
    pool = np.arange(CELLS)
    for pooled, those in ((CELLS, range(7)), (CELLS + 1, range(7, CELLS))):
        few = [c for c in those if count[c] < DAYS_EACH_TYPE]
        pool[few] = pooled
    return pool


def _best_cuts(level: np.ndarray, size: np.ndarray, types: int) -> list[int] | None:
    """Ends of the runs of sorted levels that leave the smallest sum of squares, each run with
    days enough; None where there is no such split."""
    m = len(level)
    s0 = np.concatenate([[0.0], np.cumsum(size)])
    s1 = np.concatenate([[0.0], np.cumsum(size * level)])
    s2 = np.concatenate([[0.0], np.cumsum(size * level * level)])

    def cost(a: int, b: int) -> float:
        days = s0[b] - s0[a]
        if days < DAYS_EACH_TYPE:
            return np.inf
        return s2[b] - s2[a] - (s1[b] - s1[a]) ** 2 / days

    best = {(0, 0): (0.0, [])}
    for k in range(1, types + 1):
        for b in range(k, m + 1):
            options = [
                (best[k - 1, a][0] + cost(a, b), [*best[k - 1, a][1], b])
                for a in range(k - 1, b)
                if (k - 1, a) in best
            ]
            if options:
                best[k, b] = min(options, key=lambda o: o[0])
    total, cuts = best.get((types, m), (np.inf, None))
    return cuts if np.isfinite(total) else None


def _named(
    groups: np.ndarray, size: np.ndarray, cuts: list[int], pool: np.ndarray, cells: np.ndarray
) -> DayTypes:
    code = np.full(CELLS, -1)
    start = 0
    for kind, end in enumerate(cuts):
        code[np.isin(pool, groups[start:end])] = kind
        start = end
    # Cells that the baseline never saw go where most days of their sort went.
    count = np.bincount(cells, minlength=CELLS).astype(float)
    types = len(cuts)
    for those in (slice(0, 7), slice(7, CELLS)):
        seen = code[those] >= 0
        days = np.bincount(code[those][seen], count[those][seen], minlength=types)
        usual = int(days.argmax()) if days.sum() else (types - 1 if those.start == 0 else 0)
        code[those] = np.where(seen, code[those], usual)
    work = np.arange(CELLS) < 7
    shares, labels = [], []
    for kind in range(types):
        mine = (code == kind) & (count > 0)
        shares.append(float(count[mine & work].sum() / max(count[mine].sum(), 1.0)))
        labels.append(_label(mine))
    return DayTypes(tuple(labels), tuple(int(c) for c in code), tuple(shares))


def _label(mine: np.ndarray) -> str:
    """Such as `operating Mon–Thu`, `non-operating Wed, Sun`."""
    parts = []
    for word, base in (("operating", 0), ("non-operating", 7)):
        days = [d for d in range(7) if mine[base + d]]
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
