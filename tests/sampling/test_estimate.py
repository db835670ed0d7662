"""Means of samples: independent route, coverage, refusals."""

import numpy as np
import pytest
from scipy import stats

from mv.findings import ModelError
from mv.sampling.estimate import effective_freedom, sample_mean, student


def test_large_population_agrees_with_scipy():
    values = np.array([3.1, 4.7, 5.9, 2.2, 6.4])
    low, high = stats.t.interval(0.9, 4, loc=values.mean(), scale=stats.sem(values))
    mean = sample_mean(values)
    assert (mean.low, mean.high) == pytest.approx((low, high), rel=1e-12)


def test_census_has_no_sampling_error():
    assert sample_mean([1.0, 5.0, 9.0], 3).half_width == 0.0
    assert sample_mean([4.0], 1).half_width == 0.0


def test_interval_covers_a_finite_population_as_often_as_it_says():
    rng = np.random.default_rng(7)
    population = rng.gamma(4.0, 600.0, 60)
    hits = 0
    for _ in range(4000):
        mean = sample_mean(rng.choice(population, 24, replace=False), 60)
        hits += mean.low <= population.mean() <= mean.high
    # Binomial standard error of the count is 0.5 points; skewness may cost another point.
    assert hits / 4000 == pytest.approx(0.90, abs=0.02)


def test_satterthwaite():
    # Two equal parts of 4 degrees of freedom have 8; one part alone keeps its own.
    assert effective_freedom([1.0, 1.0], [4, 4]) == pytest.approx(8.0, rel=1e-12)
    assert effective_freedom([1.0, 0.0], [4, 9]) == pytest.approx(4.0, rel=1e-12)
    assert effective_freedom([0.0], [4]) == float("inf")
    assert student(0.9, float("inf")) == pytest.approx(stats.norm.ppf(0.95), rel=1e-12)


@pytest.mark.parametrize(
    ("values", "population", "message"),
    [
        ([], None, "the sample is empty"),
        ([1.0, float("nan")], None, "1 of 2 values are not finite numbers"),
        ([1.0, 2.0, 3.0], 2, "3 units measured of a population of 2"),
        ([1.0], 9, "1 unit measured; at least 2 are needed to see how they differ"),
    ],
)
def test_refusals(values, population, message):
    with pytest.raises(ModelError) as refused:
        sample_mean(values, population)
    assert str(refused.value) == message
