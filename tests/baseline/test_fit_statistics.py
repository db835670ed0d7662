"""Fit statistics: a worked example, an independent route, invariants, every error."""

import numpy as np
import pytest

from mv.baseline.fit_statistics import effective_n, fit_statistics
from mv.findings import ModelError

# Monthly mean temperatures (°F) and use of a two-parameter worked example.  The expected numbers
# were computed twice, with numpy by hand and with a closed form.
T = np.array([31, 35, 43, 53, 63, 72, 77, 75, 68, 57, 46, 36.0])
Y = np.array([410, 418, 432, 455, 486, 512, 530, 521, 500, 466, 438, 421.0])


def line():
    x = np.column_stack([np.ones(12), T])
    return x @ np.linalg.lstsq(x, Y, rcond=None)[0]


def test_worked_example():
    s = fit_statistics(Y, line(), parameters=2)
    expected = {
        "sse": 220.595,
        "r2": 0.989143,
        "adjusted_r2": 0.988057,
        "rmse": 4.69676,
        "cv_rmse": 0.0100843,
        "autocorrelation": 0.358028,
        "effective_n": 5.67268,
        "durbin_watson": 1.13580,
    }
    # six printed digits
    for name, value in expected.items():
        assert getattr(s, name) == pytest.approx(value, rel=5e-6), name
    assert abs(s.net_determination_bias) < 1e-15
    assert abs(s.nmbe) < 1e-15
    assert s.degrees_of_freedom == 10


def test_same_as_statsmodels_weighted():
    import statsmodels.api as sm
    from statsmodels.stats.stattools import durbin_watson

    rng = np.random.default_rng(1)
    x = np.column_stack([np.ones(40), rng.normal(size=(40, 2))])
    y = 50 + x[:, 1] * 3 + rng.normal(size=40)
    w = rng.integers(20, 40, 40).astype(float)
    theirs = sm.WLS(y, x, weights=w * 40 / w.sum()).fit()
    ours = fit_statistics(y, theirs.fittedvalues, parameters=3, weights=w)
    assert ours.sse == pytest.approx(theirs.ssr, rel=1e-12)
    assert ours.r2 == pytest.approx(theirs.rsquared, rel=1e-12)
    assert ours.adjusted_r2 == pytest.approx(theirs.rsquared_adj, rel=1e-12)
    assert ours.rmse == pytest.approx(np.sqrt(theirs.scale), rel=1e-12)
    assert ours.durbin_watson == pytest.approx(durbin_watson(theirs.resid), rel=1e-12)


def test_unit_leaves_fractions_alone():
    a = fit_statistics(Y, line() + 1, parameters=2)
    b = fit_statistics(Y * 3.6, (line() + 1) * 3.6, parameters=2)
    for name in ("r2", "cv_rmse", "nmbe", "net_determination_bias", "autocorrelation"):
        assert getattr(a, name) == pytest.approx(getattr(b, name), rel=1e-12)
    assert a.nmbe < 0  # the model reads high


def test_equal_weights_are_no_weights():
    a = fit_statistics(Y, line(), parameters=2, weights=np.full(12, 30.4))
    b = fit_statistics(Y, line(), parameters=2)
    for name in a.__slots__:
        assert getattr(a, name) == pytest.approx(getattr(b, name), rel=1e-12, abs=1e-15), name


def test_perfect_fit():
    s = fit_statistics(Y, Y, parameters=1)
    assert (s.sse, s.rmse, s.cv_rmse, s.r2) == (0, 0, 0, 1)
    assert s.autocorrelation is None
    assert s.durbin_watson is None


def test_constant_use_has_no_r2():
    s = fit_statistics(np.full(12, 7.0), np.full(12, 7.0), parameters=1)
    assert s.r2 is None
    assert s.adjusted_r2 is None
    assert s.cv_rmse == 0


def test_mean_of_zero_leaves_relative_fields_empty():
    y = np.array([1, -1, 1, -1, 1, -1.0])
    s = fit_statistics(y, np.zeros(6), parameters=1)
    assert (s.cv_rmse, s.nmbe, s.net_determination_bias) == (None, None, None)


def test_gaps_break_pairs():
    e = np.array([1, 2, -3, 4, -1, 2, 0.5, 1])
    y = e + 10
    modelled = np.full(8, 10.0)
    follows = np.array([True, True, False, True, True, True, True])
    s = fit_statistics(y, modelled, parameters=1, consecutive=follows)
    pairs = np.array([(1, 2), (2, -3), (4, -1), (-1, 2), (2, 0.5), (0.5, 1)], dtype=float)
    assert s.autocorrelation == pytest.approx(np.corrcoef(pairs.T)[0, 1], rel=1e-12)


def test_effective_n():
    # 365 days at ρ = 0.5 and 8760 hours at 0.9, computed by hand
    assert effective_n(365, 0.5) == pytest.approx(121.667, abs=5e-4)
    assert effective_n(8760, 0.9) == pytest.approx(461.053, abs=5e-4)
    assert effective_n(365, -0.3) == 365
    assert effective_n(12, None) == 12


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (lambda: fit_statistics([1, 2], [1, 2, 3], parameters=1), r"measured has shape \(2,\)"),
        (lambda: fit_statistics([1, 2], [1, 2], parameters=2), "2 rows leave no degree of free"),
        (
            lambda: fit_statistics([1, np.nan, 3], [1, 2, 3], parameters=1),
            "1 values are not finite, the first in row 1",
        ),
        (
            lambda: fit_statistics([1, 2, 3], [1, 2, 3], parameters=1, weights=[1, 1]),
            r"there are 3 rows and weights of shape \(2,\)",
        ),
        (
            lambda: fit_statistics([1, 2, 3], [1, 2, 3], parameters=1, consecutive=[True]),
            r"3 rows have 2 pairs, not \(1,\)",
        ),
    ],
)
def test_errors(call, message):
    with pytest.raises(ModelError, match=message):
        call()
