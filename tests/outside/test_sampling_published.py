"""Sample sizes and sample results against figures that others published or computed by hand."""

import math

import pytest

from mv.sampling.estimate import sample_mean
from mv.sampling.site_sample import SitePlan, Stratum, estimate
from mv.sampling.sizes import size_for_mean, size_for_proportion, z_table


@pytest.mark.parametrize(
    ("confidence", "precision", "n0", "n"),
    [
        # The sizes that BPA, FEMP and UMP guides print for a CV of 0.5 and a large population
        # (from memory): 68 for 90/10, 11 for 80/20, 17 for 90/20.
        (0.90, 0.10, 67.650625, 68),
        (0.80, 0.20, 10.272025, 11),
        (0.90, 0.20, 16.91265625, 17),
        (0.80, 0.10, 41.0881, 42),
    ],
)
def test_sizes_of_the_guides(confidence, precision, n0, n):
    size = size_for_mean(confidence=confidence, precision=precision)
    assert size.uncorrected == pytest.approx(n0, rel=1e-12)  # z of three decimals, exact
    assert size.n == n


@pytest.mark.parametrize(
    ("population", "n"), [(20, 16), (40, 26), (100, 41), (250, 54), (1000, 64)]
)
def test_sizes_of_finite_populations(population, n):
    # Hand-computed: 67.65/(1 + 67.65/N), rounded up.
    assert size_for_mean(population).n == n


def test_size_of_a_hundred_before_rounding():
    assert size_for_mean(100).corrected == pytest.approx(40.3521, abs=5e-5)


def test_proportion_of_the_textbooks():
    # The usual survey figure: 95 %, ± 5 points, share one half → 384.16 → 385 (any text).
    size = size_for_proportion(share=0.5, margin=0.05, confidence=0.95)
    assert size.uncorrected == pytest.approx(384.16, rel=1e-12)
    assert size.n == 385


def test_z_is_that_of_the_tables():
    assert z_table(0.90) == 1.645
    assert z_table(0.80) == 1.282
    assert z_table(0.95) == 1.96


def test_hours_of_eight_loggers_among_a_hundred():
    # Hand-computed, twice, by independent routes.
    hours = [2100, 2650, 3020, 1980, 2490, 2875, 2230, 2760]
    mean = sample_mean(hours, 100)
    assert mean.mean == pytest.approx(2513.125, rel=1e-12)
    assert mean.standard_deviation == pytest.approx(378.559, abs=5e-4)
    assert mean.cv == pytest.approx(0.150633, abs=5e-7)
    assert mean.standard_error == pytest.approx(128.376, abs=5e-4)
    assert mean.half_width == pytest.approx(243.217, abs=5e-4)
    # Printed as 9.67790 % from a quantile of six digits.
    assert mean.precision == pytest.approx(0.0967790, abs=2e-7)


def test_ratio_estimate_of_49_cities():
    # Cochran, Sampling Techniques, section 6.2 (from memory): 49 of 196 cities, 1920 and 1930
    # sizes, Σy = 6262, Σx = 5054, X = 22 919 → 28 397.  The split into 49 equal parts leaves the
    # sums, hence the ratio estimate, as printed.
    sites = tuple(f"city{i:03d}" for i in range(196))
    stratum = Stratum("all", False, 196, 49, 22919.0, 1.0, 1000.0, sites[:49], sites[49:])
    plan = SitePlan((stratum,), 1, "proportional", 0.9, 0.1, 0.5, 196, 22919.0, (), "")
    x = {s: 5054 / 49 for s in sites[:49]}
    y = {s: 6262 / 49 for s in sites[:49]}
    result = estimate(plan, x, y, unit="thousands")
    assert math.floor(result.combined.value + 0.5) == 28397
    assert result.realisation_rate.value == pytest.approx(6262 / 5054, rel=1e-12)
