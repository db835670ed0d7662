"""Designs solved together against each of them solved alone by numpy's least squares."""

import numpy as np
import pytest

from mv.baseline.least_squares import least_squares

N = 60


def designs(seed):
    """Designs of one to five columns in very different units."""
    rng = np.random.default_rng(seed)
    return [
        np.column_stack([np.ones(N), rng.normal(size=(N, p)) * 10.0 ** rng.integers(-4, 5, p)])
        for p in range(5)
    ]


def together(single, y, w):
    widths = [x.shape[1] for x in single]
    x = np.zeros((len(single), max(widths), N))
    for i, design in enumerate(single):
        x[i, : widths[i]] = design.T
    return least_squares(x, widths, y, w)


@pytest.mark.parametrize("seed", range(4))
def test_same_as_each_alone(seed):
    rng = np.random.default_rng(100 + seed)
    y, w = rng.normal(50, 9, N), rng.uniform(0.5, 2, N)
    single = designs(seed)
    coefficients, inverse, problems = together(single, y, w)
    assert problems == [""] * len(single)
    root = np.sqrt(w)[:, None]
    for x, b, of_gram in zip(single, coefficients, inverse, strict=True):
        p = x.shape[1]
        theirs = np.linalg.lstsq(root * x, root[:, 0] * y, rcond=None)[0]
        assert b[:p] == pytest.approx(theirs, rel=1e-9)
        assert (b[p:] == 0).all()
        scale = np.abs(x).max(axis=0)
        gram = (x / scale).T @ (w[:, None] * (x / scale))
        assert of_gram[:p, :p] * np.outer(scale, scale) == pytest.approx(
            np.linalg.inv(gram), rel=1e-9, abs=1e-12
        )


def test_columns_all_but_dependent_are_solved_by_qr():
    rng = np.random.default_rng(5)
    t = rng.normal(size=N)
    near = np.column_stack([np.ones(N), t, t + 1e-4 * rng.normal(size=N)])
    far = np.column_stack([np.ones(N), t])
    y = near @ [3.0, 1.0, 2.0] + rng.normal(size=N)
    coefficients, _, problems = together([near, far], y, np.ones(N))
    assert problems == ["", ""]
    for x, b in zip((near, far), coefficients, strict=True):
        theirs = np.linalg.lstsq(x, y, rcond=None)[0]
        assert b[: x.shape[1]] == pytest.approx(theirs, rel=1e-7)


def test_one_that_cannot_be_solved_leaves_the_others_alone():
    rng = np.random.default_rng(6)
    t = rng.normal(size=N)
    whole = np.column_stack([np.ones(N), t])
    same = np.column_stack([np.ones(N), t, 2 * t + 1])
    empty = np.column_stack([np.ones(N), np.zeros(N)])
    coefficients, _, problems = together([same, whole, empty], t + 1, np.ones(N))
    assert "depend on one another" in problems[0]
    assert problems[1] == ""
    assert problems[2] == "column 1 of the model is zero on all rows"
    assert coefficients[1, :2] == pytest.approx([1.0, 1.0], rel=1e-12)
