"""The best window against scoring every window on its own."""

import math

import numpy as np
import pytest

from mv.savings.window_search import GRID, SMALL, best_window
from mv.savings.windows import (
    DAYS,
    LASTING_BONUS,
    NIGHTS,
    THRESHOLD_SLOPE,
    TOLD_LEAST,
    WEEKS,
    basis_of,
    combinations_of,
    filter_series,
)


def series(seed, n, shift=0.0):
    rng = np.random.default_rng(seed)
    values = rng.standard_t(5, n)
    for t in range(1, n):
        values[t] += 0.4 * values[t - 1]
    first = int(rng.integers(10, n // 2))
    values[first : first + n // 4] += shift
    day = np.arange(n)
    columns = [np.ones(n), np.cos(2 * np.pi * day / n), day % 7 < 5, rng.normal(size=n)]
    return filter_series(values, np.column_stack(columns), (0.4, 1.0))


def every_window(n, scan):
    """Windows of a week to half the series, and "from here to the end"."""
    for first in range(scan.edge, n - scan.edge):
        for end in range(first + scan.shortest, min(first + n // 2, n - scan.edge) + 1):
            if end >= scan.edge + scan.shortest:
                yield first, end
        if scan.step <= first <= n - scan.step:
            yield first, n


def alone(filtered, scan, first, end):
    """Excess and size of one window, its indicator filtered and freed of the basis."""
    n = len(filtered.values) + 1
    indicator = np.zeros(n)
    indicator[first:end] = 1.0
    own = indicator[1:] - filtered.rho * indicator[:-1]
    square = own @ own
    left = max(square - np.sum((filtered.basis.T @ own) ** 2), TOLD_LEAST * square)
    gain = own @ filtered.values
    length = min(end - first, n - end + first)
    asked = scan.threshold + THRESHOLD_SLOPE * filtered.rho + 2 * math.log(scan.year / length)
    asked -= LASTING_BONUS * (end == n)
    return gain**2 / left - asked, gain / left * filtered.scale


@pytest.mark.parametrize("shift", [0.0, 1.5, 6.0])
@pytest.mark.parametrize(("n", "scan"), [(60, WEEKS), (SMALL, DAYS), (123, DAYS), (150, NIGHTS)])
def test_no_window_is_better(n, scan, shift):
    filtered = series(n + int(10 * shift), n, shift)
    got = best_window(filtered, scan)
    scores = {w: alone(filtered, scan, *w) for w in every_window(n, scan)}
    assert (got.first, got.end) == max(scores, key=lambda w: scores[w][0])
    assert (got.excess, got.size) == pytest.approx(scores[got.first, got.end], rel=1e-9)


def test_a_long_series_is_looked_at_coarsely_then_closely():
    filtered = series(1, 2 * GRID, 3.0)
    got = best_window(filtered, DAYS)
    assert (got.excess, got.size) == pytest.approx(
        alone(filtered, DAYS, got.first, got.end), rel=1e-9
    )
    for first in (got.first - 1, got.first, got.first + 1):
        for end in (got.end - 1, got.end, got.end + 1):
            assert alone(filtered, DAYS, first, end)[0] <= got.excess + 1e-9


@pytest.mark.parametrize("shift", [0.0, 1.5, 6.0])
@pytest.mark.parametrize("n", [SMALL, 365, GRID + 70])
def test_a_floor_takes_away_nothing_that_exceeds_it(n, shift):
    filtered = series(n, n, shift)
    best = best_window(filtered, DAYS)
    assert best_window(filtered, DAYS, best.excess - 1e-9) == best
    assert best_window(filtered, DAYS, best.excess - 20.0) == best
    assert best_window(filtered, DAYS, best.excess + 1e-9) is None


def test_columns_that_depend_on_others_add_nothing_to_a_basis():
    x = np.random.default_rng(4).normal(size=(90, 3)) * [1.0, 1e4, 1e-4]
    doubled = np.column_stack([x, 3 * x[:, 0] - x[:, 1], np.zeros(90)])
    basis = basis_of(doubled)
    assert basis.T @ basis == pytest.approx(np.eye(3), abs=1e-9)
    assert basis @ (basis.T @ x) == pytest.approx(x, rel=1e-6, abs=1e-9)
    half = combinations_of(x)
    assert half @ (half.T @ x.T) == pytest.approx(np.linalg.pinv(x), rel=1e-9, abs=1e-9)


def test_nothing_to_look_at():
    assert best_window(None, DAYS) is None
