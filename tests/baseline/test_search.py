"""Change points against brute force: every gap and pair of gaps solved one by one with lstsq."""

import itertools

import numpy as np
import pytest

from mv.baseline import pair_search
from mv.baseline.search import ChangePointSearch

SETS = 200


def sse_of(columns, y, w):
    root = np.sqrt(w)
    x = root[:, None] * columns
    b = np.linalg.lstsq(x, root * y, rcond=None)[0]
    e = root * y - x @ b
    return float(e @ e), b


def heating(t, c):
    return np.maximum(c - t, 0.0)


def cooling(t, c):
    return np.maximum(t - c, 0.0)


def range_of(t, least):
    u = np.unique(t)
    low = next(v for v in u if (t <= v).sum() >= least)
    high = next(v for v in u[::-1] if (t >= v).sum() >= least)
    return u[(u >= low) & (u <= high)]


def free(t, piece, side):
    """Columns of a hinge whose change point is free within its gap."""
    beyond = t <= piece[0] if side == "left" else t >= piece[1]
    return np.column_stack([beyond * t, beyond.astype(float)])


def free_point(b):
    return -b[1] / b[0] if b[0] != 0 else np.nan


def brute_one(t, y, z, w, least, side, line=False):
    u = range_of(t, least)
    hinge = heating if side == "left" else cooling
    base = np.column_stack([z, t]) if line else z
    best = min((sse_of(np.column_stack([base, hinge(t, c)]), y, w)[0], c) for c in u)
    for piece in itertools.pairwise(u):
        sse, b = sse_of(np.column_stack([base, free(t, piece, side)]), y, w)
        c = free_point(b[-2:])
        if piece[0] <= c <= piece[1] and sse < best[0]:
            best = (sse, c)
    return best


def brute_two(t, y, z, w, least):
    u = range_of(t, least)
    gaps = list(itertools.pairwise(u))
    best = (np.inf, None)
    for i, c1 in enumerate(u):
        for c2 in u[i:]:
            x = np.column_stack([z, heating(t, c1), cooling(t, c2)])
            if np.linalg.matrix_rank(x) < x.shape[1]:
                continue
            best = min(best, (sse_of(x, y, w)[0], (c1, c2)))
    for i, c1 in enumerate(u):
        for piece in gaps[i:]:
            sse, b = sse_of(np.column_stack([z, heating(t, c1), free(t, piece, "right")]), y, w)
            c2 = free_point(b[-2:])
            if piece[0] <= c2 <= piece[1]:
                best = min(best, (sse, (c1, c2)))
    for j, c2 in enumerate(u):
        for piece in gaps[:j]:
            sse, b = sse_of(np.column_stack([z, cooling(t, c2), free(t, piece, "left")]), y, w)
            c1 = free_point(b[-2:])
            if piece[0] <= c1 <= piece[1]:
                best = min(best, (sse, (c1, c2)))
    for i, left in enumerate(gaps):
        for right in gaps[i + 1 :]:
            x = np.column_stack([z, free(t, left, "left"), free(t, right, "right")])
            sse, b = sse_of(x, y, w)
            c1, c2 = free_point(b[-4:-2]), free_point(b[-2:])
            if left[0] <= c1 <= left[1] and right[0] <= c2 <= right[1]:
                best = min(best, (sse, (c1, c2)))
    return best


def data_set(seed):
    rng = np.random.default_rng(seed)
    n = int(rng.integers(11, 22))
    t = rng.uniform(-5, 32, n)
    if seed % 3 == 0:
        t = np.round(t / 2) * 2  # ties
    w = rng.integers(25, 36, n).astype(float) if seed % 2 else np.ones(n)
    columns = [np.ones(n)]
    if seed % 4 > 1:
        columns.append(rng.uniform(0.5, 0.9, n))
    z = np.column_stack(columns)
    y = 50 + 3 * heating(t, 12) * (seed % 5 > 0) + 4 * cooling(t, 19) * (seed % 7 > 0)
    return t, y + rng.normal(0, rng.choice([0.5, 5, 30]), n), z, w, 2 + seed % 2


@pytest.mark.parametrize("block", range(4))
def test_brute_force(block):
    for seed in range(block, SETS, 4):
        t, y, z, w, least = data_set(seed)
        search = ChangePointSearch(t, y, z, w, least=least)
        cases = {
            "3PH": (search.heating(), brute_one(t, y, z, w, least, "left")),
            "3PC": (search.cooling(), brute_one(t, y, z, w, least, "right")),
            "4P": (search.both_sides(), brute_one(t, y, z, w, least, "right", line=True)),
            "5P": (search.apart(), brute_two(t, y, z, w, least)),
        }
        for form, (found, (sse, points)) in cases.items():
            where = f"{form} of set {seed}"
            assert found.sse == pytest.approx(sse, rel=1e-8, abs=1e-9), where
            # The change points that it gives leave the sum of squares that it states.
            sides = {
                "3PH": [heating],
                "3PC": [cooling],
                "4P": [heating, cooling],
                "5P": [heating, cooling],
            }[form]
            c = found.change_points
            hinges = [side(t, c[0] if side is heating else c[-1]) for side in sides]
            assert sse_of(np.column_stack([z, *hinges]), y, w)[0] == pytest.approx(
                sse, rel=1e-8, abs=1e-9
            ), where
            assert np.allclose(c, points, rtol=1e-6, atol=1e-6), where


def test_signs_are_kept():
    """With signs asked for, no slope is below zero, and no point of a fine grid does better, save
    where a slope all but vanishes: there the form with one slope less does as well."""
    for seed in range(15):
        t, y, z, w, least = data_set(seed)
        search = ChangePointSearch(t, y, z, w, least=least, signs=True)
        u = range_of(t, least)
        grid = np.unique(np.concatenate([np.linspace(u[0], u[-1], 40), u]))
        simpler = np.inf
        for form in ("heating", "cooling", "both_sides", "apart"):
            found = getattr(search, form)()

            def fit(c1, c2, form=form, t=t, y=y, z=z, w=w):
                hinges = {
                    "heating": [heating(t, c1)],
                    "cooling": [cooling(t, c2)],
                }.get(form, [heating(t, c1), cooling(t, c2)])
                sse, b = sse_of(np.column_stack([z, *hinges]), y, w)
                return sse if (b[z.shape[1] :] > 0).all() else np.inf

            pairs = itertools.combinations(grid, 2) if form == "apart" else [(c, c) for c in grid]
            between = [
                fit(a, b) for a, b in pairs if form != "apart" or ((u >= a) & (u <= b)).any()
            ]
            if found is None:
                assert min(simpler, sse_of(z, y, w)[0]) <= min(between) * (1 + 1e-9)
                continue
            ours = fit(found.change_points[0], found.change_points[-1])
            assert ours == pytest.approx(found.sse, rel=1e-8, abs=1e-9)
            assert min(ours, simpler) <= min(between) * (1 + 1e-9)
            if form in ("heating", "cooling"):
                simpler = min(simpler, ours)


def test_row_order_does_not_matter():
    t, y, z, w, least = data_set(5)
    order = np.random.default_rng(0).permutation(len(t))
    for form in ("heating", "cooling", "both_sides", "apart"):
        a = getattr(ChangePointSearch(t, y, z, w, least=least), form)()
        b = getattr(ChangePointSearch(t[order], y[order], z[order], w[order], least=least), form)()
        assert a.change_points == pytest.approx(b.change_points, rel=1e-9)
        assert a.sse == pytest.approx(b.sse, rel=1e-9)


def test_no_change_point_without_two_temperatures():
    t = np.array([5.0, 5, 5, 5, 9])
    search = ChangePointSearch(t, np.arange(5.0), np.ones((5, 1)), least=2)
    assert search.apart() is None


def test_a_year_of_days_has_no_better_pair_nearby():
    """365 days: the pair found beats every pair of a fine grid around it."""
    rng = np.random.default_rng(7)
    t = 11 - 10 * np.cos(np.arange(365) / 58) + rng.normal(0, 3, 365)
    y = 300 + 6 * heating(t, 9) + 8 * cooling(t, 17) + rng.normal(0, 15, 365)
    z = np.column_stack([np.ones(365), np.arange(365) % 7 < 5])
    found = ChangePointSearch(t, y, z, least=10).apart()
    c1, c2 = found.change_points
    ones = np.ones(365)
    for a in c1 + np.linspace(-1.5, 1.5, 31):
        for b in c2 + np.linspace(-1.5, 1.5, 31):
            sse = sse_of(np.column_stack([z, heating(t, a), cooling(t, b)]), y, ones)[0]
            assert sse >= found.sse * (1 - 1e-10)


def test_no_change_point_where_all_rows_share_their_ends():
    """Fewer rows than both sides need: no form has a change point."""
    t = np.array([1.0, 2, 3, 4])
    search = ChangePointSearch(t, t**2, np.ones((4, 1)), least=3)
    found = (search.heating(), search.cooling(), search.both_sides(), search.apart())
    assert found == (None, None, None, None)


@pytest.mark.parametrize("signs", [False, True])
@pytest.mark.parametrize("seed", range(6))
def test_pairs_ruled_out_by_their_bound_are_not_the_best(monkeypatch, seed, signs):
    """A year of days, with kinds of day and now and then few distinct temperatures: the same pair
    is found with every pair worked out."""
    rng = np.random.default_rng(seed)
    n = 365
    t = 12 - 11 * np.cos(2 * np.pi * np.arange(n) / n) + rng.normal(0, 3, n)
    if seed % 3 == 1:
        t = np.round(t)
    kinds = rng.integers(0, 1 + seed % 4, n)
    z = np.column_stack([np.ones(n), *(kinds == k for k in range(1, 1 + seed % 4))]).astype(float)
    y = 90 + 20 * kinds + 3 * heating(t, 11) + (seed % 2) * 2 * cooling(t, 18)
    y = y + rng.normal(0, rng.choice([3.0, 40.0]), n)

    def found():
        return ChangePointSearch(t, y, z, least=10, signs=signs).apart()

    ours = found()
    monkeypatch.setattr(
        pair_search, "_may_beat", lambda left, right, known: np.triu_indices(len(left.u))
    )
    assert ours == found()


def test_no_pair_of_gaps_gains_more_than_is_allowed_for():
    """The bound of `pair_search.py` at all angles: ψ between the hinges, α and α' their turns."""
    share = np.linspace(0.0, 1.0, 101)[:, None]
    allowed = np.linspace(0.0, 1.0, 400)[1:-1]
    for psi in np.linspace(0.001, np.pi / 2, 60):
        turns = allowed * np.sin(psi) ** 2 / 2
        alpha, other = (np.arctan(np.sqrt(turns * part)) for part in (share, 1 - share))
        room, other_room = psi - alpha / 2 - other, psi - other / 2
        assert (room > 0).all()
        phi, other_phi = alpha / 2 / np.sin(room), other / 2 / np.sin(other_room)
        assert (phi < np.pi / 2).all()
        assert ((1 - allowed) / (np.cos(phi) * np.cos(other_phi)) ** 2 < 1).all()
