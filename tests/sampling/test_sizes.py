"""Sample sizes: what must hold whatever the numbers, and what is refused."""

import math

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from mv.findings import ModelError
from mv.sampling.sizes import (
    achieved_precision,
    size_for_mean,
    size_for_proportion,
    size_with_student,
)


def test_exact_whole_numbers_are_not_rounded_up():
    # z = 1.96, CV 0.5, precision 0.049: n0 = 20² = 400 but for rounding noise.
    assert size_for_mean(cv=0.5, precision=0.049, confidence=0.95).n == 400


@given(population=st.integers(1, 5000), cv=st.floats(0.05, 2.0), precision=st.floats(0.02, 0.5))
@settings(max_examples=60, deadline=None)
def test_a_sample_never_exceeds_its_population_and_meets_the_formula(population, cv, precision):
    size = size_for_mean(population, cv=cv, precision=precision, loss=0.15)
    assert 1 <= size.n <= size.install <= population

    # n, put back into z·CV/√n·√(1 − n/N), reaches the precision asked for; with one unit fewer
    # it would not.
    def reached(n):
        if n <= 0:
            return math.inf
        return size.z * cv * math.sqrt(max(0.0, 1 / n - 1 / population))

    assert reached(size.n) <= precision * (1 + 1e-6)
    assert reached(size.n - 1) > precision * (1 - 1e-6) or size.n == 1


def test_loss_is_added_after_rounding():
    assert size_for_mean(loss=0.15).install == 79  # 68 · 1.15 = 78.2


def test_student_size_keeps_the_promise_that_z_breaks():
    kept = size_with_student(confidence=0.8, precision=0.2)
    assert kept == 12
    assert achieved_precision(kept, cv=0.5, confidence=0.8) <= 0.2
    assert achieved_precision(kept - 1, cv=0.5, confidence=0.8) > 0.2
    assert achieved_precision(11, cv=0.5, confidence=0.8) > 0.2


def test_a_census_is_exact():
    assert achieved_precision(8, 8, cv=0.5) == 0.0
    assert size_with_student(4) == 4


def test_a_census_of_two_when_the_population_is_two():
    assert size_for_mean(2).n == 2


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (lambda: size_for_mean(cv=0), "coefficient of variation is 0; it must be above 0"),
        (lambda: size_for_mean(precision=-0.1), "precision is -0.1; it must be above 0"),
        (lambda: size_for_mean(confidence=1), "confidence is 1; it must lie between 0 and 1"),
        (lambda: size_for_mean(0), "population is 0; it must be at least 1"),
        (lambda: size_for_mean(loss=1.0), "loss is 1.0; it must lie between 0 and 1"),
        (lambda: size_for_proportion(share=1.0), "share is 1.0; it must lie between 0 and 1"),
        (lambda: size_for_proportion(margin=0.0), "margin is 0.0; it must be above 0"),
        (
            lambda: achieved_precision(1, cv=0.5),
            "1 unit measured; at least 2 are needed to see how they differ",
        ),
    ],
)
def test_values_out_of_range(call, message):
    with pytest.raises(ModelError) as refused:
        call()
    assert str(refused.value) == message
