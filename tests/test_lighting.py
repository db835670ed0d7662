"""The lighting estimate's findings: what looks wrong is named with its limit and source."""

from __future__ import annotations

import pytest

from mv.lighting import SiteFacts, derivation, estimate
from mv.portfolio.schema import Fixture, Source

GOOD = {
    "retrofit": "led",
    "space": "hall",
    "description": "2 x 58 W T8, magnetic ballast, to LED tubes",
    "count_before": 100,
    "watts_before": 140,
    "count_after": 100,
    "watts_after": 50,
    "hours_before": 4000,
}


def line(**values) -> Fixture:
    return Fixture(source=Source(file="fixtures.csv", line=2), **{**GOOD, **values})


def said(facts=None, **values) -> list[str]:
    made = estimate([line(**values)], facts=facts)
    return [str(f).partition("column ")[2] or f.message for f in made.findings]


def test_a_usual_line_is_left_alone():
    facts = SiteFacts(
        floor_area=2000,
        operating_days=300,
        estimated_savings=36_000,
        baseline_use=200_000,
    )
    assert said(facts, area=1900) == []


@pytest.mark.parametrize(
    ("rule", "values", "facts", "message"),
    [
        (
            "lighting_hours_impossible",
            {"hours_before": 9000},
            None,
            "hours_before: hall: 9\u202f000 hours of use a year, but a year has at most "
            "8\u202f784. Correct hours_before.",
        ),
        (
            "lighting_hours_unlike_week",
            {"hours_after": 8760},
            SiteFacts(operating_days=250),
            "hours_after: hall: 8\u202f760 hours of use a year are more than 24 on each of the "
            "site's 250 operating days. Lights that burn on other days too are possible; check "
            "hours and operating week.",
        ),
        (
            "lighting_control_hours",
            {"hours_after": 3000, "control_savings": 0.25},
            None,
            "control_savings: hall: both fewer hours (3\u202f000) and a control share (25\u202f%) "
            "are given. If they are the same saving, leave one out.",
        ),
        (
            "lighting_watts_lamp_only",
            {"watts_before": 116},
            None,
            "watts_before: hall: 116 W is 2 × 58 W of lamps without their ballast. Enter the input "
            "watts of the fixture.",
        ),
        (
            "lighting_watts_unusual",
            {"watts_before": 170},
            None,
            "watts_before: hall: 170 W a fixture is outside 118 to 151 W for what is described "
            "(common practice, no source). A measured input beats a table: say where the watts "
            "come from.",
        ),
        (
            "lighting_watts_unusual",
            {"watts_before": 130, "description": "4 x 32 W T8, electronic ballast → LED panel"},
            None,
            "watts_before: hall: 130 W a fixture is outside 98 to 118 W for what is described (113 "
            "W at normal ballast factor: Colorado State University Extension; range from memory). "
            "A measured input beats a table: say where the watts come from.",
        ),
        (
            "lighting_watts_lamp_only",
            {"watts_before": 400, "description": "metal-halide 400 W high bay to LED high bay"},
            None,
            "watts_before: hall: 400 W is 1 × 400 W of lamps without their ballast. Enter the "
            "input watts of the fixture.",
        ),
        (
            "lighting_lamps_missing",
            {"count_before": 0},
            None,
            "count_before: hall: nothing burnt here before, by the schedule, and something does "
            "after. If these fixtures are new this is an added load; if not, lamps were left out.",
        ),
        (
            "lighting_added",
            {"count_after": 300},
            None,
            "watts_after: hall: 15 kW after the retrofit, 14 kW before. Check counts and watts.",
        ),
        (
            "lighting_interactive_unusual",
            {"interactive_factor": 0.12},
            None,
            "interactive_factor: hall: 0.12 is outside the published range of 0.29 to 1.3 (BPA "
            "interactive table, 2012). It is a multiplier: 1 is no effect.",
        ),
        (
            "lighting_power_density",
            {"area": 200},
            None,
            "area: hall: 70.0 W/m2 before and 25.0 after; plausible are up to 40 and 1 to 15 "
            "(common practice, no source). Check area, counts and watts, and the light levels on "
            "site.",
        ),
        (
            "lighting_lamps_missing",
            {"area": 900},
            SiteFacts(floor_area=2000),
            "area: The schedule's areas sum to 900 m2, 45\u202f% of the floor: lamps may be left "
            "out, and their watts would be saved or added unseen. Add the missing spaces.",
        ),
        (
            "lighting_estimate_differs",
            {},
            SiteFacts(estimated_savings=50_000),
            "The retrofit's estimate is 50\u202f000 kWh a year and its schedule sums "
            "to 36\u202f000 kWh (\u221228\u202f%). Say which one was promised.",
        ),
    ],
)
def test_what_looks_wrong(rule, values, facts, message):
    assert said(facts, **values) == [message]
    assert [f.rule for f in estimate([line(**values)], facts=facts).findings] == [rule]


def test_an_estimate_near_the_whole_use():
    made = estimate([line()], facts=SiteFacts(baseline_use=40_000))
    assert [f.rule for f in made.findings] == ["lighting_exceeds_use"]
    assert [f.message for f in made.findings] == [
        "The schedule would save 36\u202f000 kWh a year, 90\u202f% of all the site's use in the "
        "baseline year (40\u202f000 kWh). Check counts, watts and hours."
    ]


def test_square_feet():
    """100 × 50 W over 10,764 square feet are 5 W/m2; over 2,153 they are 25."""
    assert said(SiteFacts(area_unit="ft2"), area=10_764) == []
    assert "25.0 after" in said(SiteFacts(area_unit="ft2"), area=2_153)[0]


def test_descriptions_that_say_nothing_are_no_reason_for_a_finding():
    for words in ("", "old lights", "LED panel to LED panel", "3 x 3 m grid", "58 W tubes"):
        assert said(description=words, watts_before=300) == []


def test_removed_fixtures_have_no_power_density_after():
    assert said(area=1000, count_after=0, watts_after=0) == []


def test_totals_add_up_and_can_be_followed():
    made = estimate([line(), line(count_before=10, coincidence_factor=0.8)], price=0.2)
    assert made.peak is None  # one line has no coincidence factor
    assert made.energy == pytest.approx(sum(x.energy for x in made.lines))
    assert made.cost == pytest.approx(made.energy * 0.2)
    trail = derivation(made)
    assert sum(s.value for s in trail.steps) == pytest.approx(trail.value)
    assert trail.steps[0].source == "fixtures.csv, line 2"
    fields = made.as_fields()
    assert fields["lines"][0]["savings"] == 36_000.0
    assert fields["words"] == [str(f) for f in made.findings]


def test_hours_before_stand_for_hours_after():
    assert estimate([line()]).energy == estimate([line(hours_after=4000)]).energy == 36_000.0
    assert estimate([]).energy == 0
