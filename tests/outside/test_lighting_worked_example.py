"""A fixture schedule in the form of the Uniform Methods Project, chapter 2, worked by hand.

Three lines (4-lamp T8 to LED; 2-lamp 8-ft T12 to LED; fixtures removed), each with its own hours,
interactive and coincidence factors.  The form is from memory of the protocol; the numbers were
worked out line by line and once more in one sum.  Input watts and the interactive table: Colorado
State University Extension; Bonneville Power Administration, May 2012.
"""

from __future__ import annotations

import pytest

from mv.lighting import estimate
from mv.portfolio.schema import Fixture, Source
from mv.units import factor

THERM = factor("therm", "kWh")


def line(number: int, **values) -> Fixture:
    return Fixture(
        source=Source(file="fixtures.csv", line=number),
        retrofit="led",
        count_after=values.pop("count_after", values["count_before"]),
        **values,
    )


SCHEDULE = [
    line(
        2,
        count_before=120,
        watts_before=112,
        watts_after=48,
        hours_before=3200,
        interactive_factor=1.12,
        coincidence_factor=0.78,
        heating_penalty=0.012 * THERM,
        description="4 x 32 W T8, electronic ballast, to LED",
    ),
    line(
        3,
        count_before=36,
        watts_before=158,
        watts_after=72,
        hours_before=4100,
        coincidence_factor=0.85,
        description="2 x 75 W T12, magnetic ballast, to LED",
    ),
    line(
        4,
        count_before=10,
        watts_before=123,
        count_after=0,
        watts_after=0,
        hours_before=2600,
        interactive_factor=1.09,
        coincidence_factor=0.70,
        heating_penalty=0.012 * THERM,
        description="2 x 60 W T12, magnetic ballast, removed",
    ),
]


def test_line_by_line():
    made = estimate(SCHEDULE)
    found = [(ln.demand, ln.lighting_energy, ln.energy, ln.peak) for ln in made.lines]
    assert found == [
        pytest.approx((7.680, 24_576.0, 27_525.12, 5.9904), rel=1e-12),
        pytest.approx((3.096, 12_693.6, 12_693.60, 2.6316), rel=1e-12),
        pytest.approx((1.230, 3_198.0, 3_485.82, 0.8610), rel=1e-12),
    ]


def test_totals():
    made = estimate(SCHEDULE, price=0.12)
    assert made.demand == pytest.approx(12.006, rel=1e-12)
    assert made.lighting_energy == pytest.approx(40_467.6, rel=1e-12)
    assert made.energy == pytest.approx(43_704.54, rel=1e-12)
    assert made.peak == pytest.approx(9.4830, rel=1e-12)
    assert made.heating_penalty / THERM == pytest.approx(333.288, rel=1e-12)
    assert made.cost == pytest.approx(43_704.54 * 0.12, rel=1e-12)


def test_published_input_watts_are_not_called_unusual():
    assert estimate(SCHEDULE).findings == ()


def test_controls_save_of_the_new_watts_only():
    made = estimate(
        [line(2, count_before=10, watts_before=100, watts_after=40, hours_before=3000,
              control_savings=0.25)]
    )  # fmt: skip
    # 10 × 100 × 3000 − 10 × 40 × 3000 × 0.75 = 3,000,000 − 900,000 Wh
    assert made.energy == pytest.approx(2_100.0, rel=1e-12)
