"""A site's plan from its baseline alone."""

import datetime as dt

import numpy as np
import pytest

from mv.plan.portfolio import plan_portfolio
from mv.plan.site import basis, plan_site
from mv.portfolio.folder import open_portfolio
from mv.savings.drift import load_prior


@pytest.fixture(scope="module")
def plan(baseline_folder):
    return plan_portfolio(open_portfolio(baseline_folder))


@pytest.fixture(scope="module")
def mill(plan):
    return plan.sites[0]


def test_periods_are_laid_down(mill):
    periods = mill.periods
    assert periods["baseline_start"] == "2022-03-01"
    assert periods["baseline_end"] == "2023-02-28"
    assert periods["baseline_days_used"] == 365
    assert periods["reporting_start"] == "2023-04-01"
    assert periods["reporting_end"] == "2024-03-31"
    assert periods["reporting_months"] == 12
    assert periods["late"] is False


def test_the_estimate_is_set_against_what_the_meter_can_show(mill, plan):
    seen = mill.detection
    planned = seen["planned"]
    assert mill.estimate["annual"] == 42000.0
    assert planned["estimated"] == pytest.approx(42000.0 * 366 / 365)  # a leap year of reporting
    assert planned["detectable"] is True
    assert planned["fraction"] < planned["estimated_fraction"]
    assert 0.5 < planned["chance"] < 1
    shed = plan.sites[1].detection
    assert shed["planned"]["detectable"] is False
    assert shed["months_needed"] is None
    assert shed["planned"]["chance"] < 0.5


def test_the_curve_holds_every_month_and_the_simple_formula_beside(mill):
    curve = mill.detection["curve"]
    assert [p["months"] for p in curve] == list(range(1, 25))
    assert curve[11] == mill.detection["planned"]
    assert all(p["guideline_14"] < p["fraction"] for p in curve)
    needed = mill.detection["months_needed"]
    assert all(not p["detectable"] for p in curve[: needed - 1])
    assert curve[needed - 1]["detectable"]


def test_a_second_year_never_widens_and_says_what_it_gives(mill):
    assert mill.detection["second_year"] <= mill.detection["touching"]
    first = mill.alternatives[0]
    assert first["name"] == "a second baseline year"
    assert first["half_width"] == mill.detection["second_year"]


def test_loggers_are_sized_by_usage_group(mill):
    loggers = next(a for a in mill.alternatives if a.get("sizes"))
    # 67.65/(1 + 67.65/100) = 40.35 → 41, and 15 % more; 67.65/(1 + 67.65/40) = 25.14 → 26.
    assert [(s["usage_group"], s["loggers"], s["install"]) for s in loggers["sizes"]] == [
        ("hall", 41, 48),
        ("office", 26, 30),
    ]


def test_the_history_is_cut_where_it_can_be(mill):
    cut = mill.placebo["cuts"][0]
    assert (cut["baseline_months"], cut["reporting_months"]) == (9.0, 4.0)
    assert cut["whole_years"] is False
    assert cut["low"] < cut["false_saving"] < cut["high"]
    assert abs(cut["false_saving"]) < 0.02  # nothing was done


def test_what_is_still_open_is_asked(plan):
    mill, shed = plan.sites
    assert any("'occupancy'" in q for q in mill.questions)
    assert not any("operating week" in q for q in mill.questions)
    assert any(q.startswith("Is Mon-Fri the site's operating week?") for q in shed.questions)
    assert any("static factors" in q for q in shed.questions)


def test_boundary_prices_and_duties(mill):
    assert mill.option == "C"
    assert mill.prices["rate"] == "flat"
    assert mill.prices["price"] == 0.21
    assert mill.responsibilities[0]["who"] == "contractor"
    assert {line["treatment"] for line in mill.lost_data}
    assert mill.meters[0]["file"] == "meters/mill.csv"


def test_readings_after_the_works_are_never_used(mill, year_folder):
    later = plan_portfolio(open_portfolio(year_folder)).sites[0]
    assert later.periods["late"] is True
    assert later.model["terms"] == mill.model["terms"]
    assert later.baseline["energy"] == mill.baseline["energy"]


def test_totals_are_known_better_than_sites(plan):
    total = plan.totals[0]
    assert total["sites"] == 2
    assert total["fraction"] < min(s.detection["planned"]["fraction"] for s in plan.sites)
    assert total["expected_shown"] == pytest.approx(
        sum(s.detection["planned"]["chance"] for s in plan.sites)
    )


def test_a_short_baseline_is_refused_with_its_remedy(baseline_folder):
    portfolio = open_portfolio(baseline_folder)
    description = portfolio.describe("mill")
    early = description.retrofits[0].model_copy(
        update={"installation_start": dt.date(2022, 5, 1), "installation_end": dt.date(2022, 5, 9)}
    )
    short = description.model_copy(update={"retrofits": (early,)})
    plan = plan_site(basis(short), load_prior())
    assert plan.status == "not plannable"
    assert plan.reason == (
        "the baseline period holds 3.9 months of usable readings, at least 9 are needed"
    )
    assert plan.remedy.startswith("Give 5.1 more months of readings from before the works")
    assert plan.estimate["annual"] == 42000.0


def test_without_an_estimate_only_the_smallest_saving_is_told(baseline_folder):
    portfolio = open_portfolio(baseline_folder)
    description = portfolio.describe("shed")
    bare = description.retrofits[0].model_copy(update={"estimated_savings": None})
    plan = plan_site(basis(description.model_copy(update={"retrofits": (bare,)})), load_prior())
    assert plan.detection["planned"]["detectable"] is None
    assert plan.detection["planned"]["chance"] is None
    assert np.isfinite(plan.detection["touching"])
    assert any(q.startswith("How much is the retrofit to save?") for q in plan.questions)
