"""Retrofit isolation: hand-computed saving, coverage, and the judgement beside the meter."""

import math

import numpy as np
import pytest

from mv.findings import ModelError
from mv.portfolio.schema import Fixture, Source
from mv.quantity import around
from mv.sampling.estimate import sample_mean
from mv.sampling.isolation import as_fields, beside_whole_facility, isolation_saving
from mv.sampling.loggers import GroupHours


def line(space, before, after, hours, **rest):
    return Fixture(
        source=Source(file="fixtures.csv", line=2),
        retrofit="r",
        space=space,
        count_before=before[0],
        watts_before=before[1],
        count_after=after[0],
        watts_after=after[1],
        hours_before=hours,
        **rest,
    )


def hours(group, value, error, freedom=7.0):
    return GroupHours(group, value, error, freedom, error, None, 0.0, 0.9, 8, 80, "", "weeks")


def test_a_hall_by_hand():
    # 100 × 112 W → 100 × 40 W, logged 3000 ± 120 h (7 degrees of freedom):
    # (11.2 − 4.0) kW · 3000 h = 21 600 kWh; error 7.2 · 120 = 864; t₇ = 1.894579 → 1636.92.
    result = isolation_saving(
        [line("hall", (100, 112), (100, 40), 3500)], {"hall": hours("hall", 3000, 120)}
    )
    assert result.option == "B"
    assert result.saving.value == pytest.approx(21600.0, rel=1e-12)
    assert result.saving.half_width == pytest.approx(1636.916, rel=1e-6)
    assert result.agreed_share == 1.0  # watts are the schedule's


def test_measured_watts_add_their_error():
    watts = sample_mean([110.0, 114.0, 112.0, 112.0], 100)  # mean 112, se √(8/3)/2·√0.96 = 0.8
    assert watts.standard_error == pytest.approx(0.8, rel=1e-12)
    result = isolation_saving(
        [line("hall", (100, 105), (100, 40), 3500)],
        {"hall": hours("hall", 3000, 120)},
        watts_before={"hall": watts},
        watts_after={"hall": sample_mean([40.0, 40.0], 100)},
    )
    # parts: 0.08 kW · 3000 h = 240 kWh (3 degrees) and 864 kWh (7 degrees).
    variance = 240**2 + 864**2
    freedom = variance**2 / (240**4 / 3 + 864**4 / 7)
    from scipy.stats import t

    assert result.saving.value == pytest.approx(21600.0, rel=1e-12)
    assert result.saving.half_width == pytest.approx(
        t.ppf(0.95, freedom) * math.sqrt(variance), rel=1e-9
    )
    assert result.agreed_share == 0.0


def test_option_a_keeps_the_agreed_hours():
    result = isolation_saving(
        [line("hall", (100, 105), (100, 40), 3500)],
        {},
        watts_before={"hall": sample_mean([110.0, 114.0], 100)},
    )
    assert result.option == "A"
    assert result.saving.value == pytest.approx((11.2 - 4.0) * 3500, rel=1e-12)
    assert result.saving.half_width > 0


def test_changed_hours_use_each_period_of_its_own():
    result = isolation_saving(
        [line("hall", (10, 100), (10, 50), 4000, control_savings=0.3)],
        {"hall": hours("hall", 2500, 50)},
        hours_before={"hall": hours("hall", 4100, 80)},
    )
    assert result.saving.value == pytest.approx(1.0 * 4100 - 0.5 * 2500, rel=1e-12)


def test_agreed_controls_count_where_hours_were_not_measured():
    result = isolation_saving([line("hall", (10, 100), (10, 50), 4000, control_savings=0.3)], {})
    assert result.saving.value == pytest.approx(4000 - 0.5 * 4000 * 0.7, rel=1e-12)
    assert result.saving.low is None


def test_interaction_carries_lighting_to_the_meter():
    result = isolation_saving(
        [line("hall", (100, 112), (100, 40), 3500, interactive_factor=1.08)],
        {"hall": hours("hall", 3000, 120)},
    )
    assert result.at_the_meter.value == pytest.approx(21600 * 1.08, rel=1e-12)
    assert result.at_the_meter.half_width == pytest.approx(
        result.saving.half_width * 1.08, rel=1e-12
    )


def test_interval_covers_the_truth():
    rng = np.random.default_rng(5)
    rounds, hits = 1500, 0
    for _ in range(rounds):
        unit_hours = rng.normal(3000, 500, 60)
        unit_watts = rng.normal(112, 6, 60)
        truth = unit_watts.mean() / 1000 * 60 * unit_hours.mean() - 60 * 0.040 * unit_hours.mean()
        h = sample_mean(rng.choice(unit_hours, 14, replace=False), 60)
        w = sample_mean(rng.choice(unit_watts, 6, replace=False), 60)
        result = isolation_saving(
            [line("hall", (60, 100), (60, 40), 2000)],
            {"hall": hours("hall", h.mean, h.standard_error, 13.0)},
            watts_before={"hall": w},
        )
        hits += result.saving.low <= truth <= result.saving.high
    # Binomial standard error 0.8 points.
    assert hits / rounds == pytest.approx(0.90, abs=0.025)


def test_the_difference_is_judged_within_both_intervals():
    result = isolation_saving(
        [line("hall", (100, 112), (100, 40), 3500)], {"hall": hours("hall", 3000, 120)}
    )
    near = beside_whole_facility(result, around(17000.0, 6000.0, "kWh", confidence=0.9))
    assert near.agree
    assert near.difference.value == pytest.approx(-4600.0)
    assert near.difference.half_width == pytest.approx(math.hypot(1636.916, 6000.0), rel=1e-6)
    far = beside_whole_facility(result, around(10000.0, 6000.0, "kWh", confidence=0.9))
    assert not far.agree
    assert "less than the lighting alone saved" in far.words
    above = beside_whole_facility(result, around(40000.0, 6000.0, "kWh", confidence=0.9))
    assert "more than the lighting alone saved" in above.words
    assert as_fields(result, near)["difference"]["agree"] is True


def test_refusals():
    fixtures = [line("hall", (100, 112), (100, 40), 3500)]
    with pytest.raises(ModelError, match="the lighting schedule is empty"):
        isolation_saving([], {})
    with pytest.raises(ModelError, match="usage group 'roof', which no line of the schedule has"):
        isolation_saving(fixtures, {"roof": hours("roof", 1, 1)})
    result = isolation_saving(fixtures, {"hall": hours("hall", 3000, 120)})
    with pytest.raises(ModelError, match="units differ: kWh and m3"):
        beside_whole_facility(result, around(1.0, 1.0, "m3", confidence=0.9))
    with pytest.raises(ModelError, match=r"confidence differs: 0\.9 and 0\.8"):
        beside_whole_facility(result, around(1.0, 1.0, "kWh", confidence=0.8))
