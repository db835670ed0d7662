"""A plan made, something changed, a report made: the change stands in the departures."""

import datetime as dt

import pytest

from mv.plan.attach import with_plan
from mv.plan.departures import departures, portfolio_departures
from mv.plan.frozen import freeze, thaw
from mv.plan.portfolio import plan_portfolio
from mv.portfolio.folder import open_portfolio
from mv.portfolio.schema import Event, OperatingException, Source
from mv.savings.drift import load_prior
from mv.verify.site import Context, conclude, measure, verify_site

WHERE = Source(file="events.csv", line=2)


@pytest.fixture(scope="module")
def plan(baseline_folder):
    return thaw(freeze(plan_portfolio(open_portfolio(baseline_folder)).as_fields()))[0]


@pytest.fixture(scope="module")
def report(year_folder):
    """The folder as it is a year after the works, and the mill's result."""
    portfolio = open_portfolio(year_folder)
    return portfolio, verify_site(portfolio, "mill")


def changed(plan, report, **parts):
    portfolio, result = report
    description = portfolio.describe("mill").model_copy(update=parts)
    return [(d["kind"], d["what"], d["planned"], d["now"])
            for d in departures(plan, result, description)]  # fmt: skip


def test_nothing_changed_nothing_departs(plan, report):
    assert changed(plan, report) == []


def test_a_changed_setting(plan, report):
    portfolio, _ = report
    settings = portfolio.settings.model_copy(update={"confidence": 0.8})
    assert changed(plan, report, settings=settings) == [
        ("settings", "setting confidence", 0.9, 0.8)
    ]


def test_a_changed_setting_through_the_whole_run(plan, year_folder, tmp_path):
    import shutil

    folder = shutil.copytree(year_folder, tmp_path / "weir")
    toml = folder / "portfolio.toml"
    toml.write_text(toml.read_text() + "\n[limits]\ncoverage = 0.95\n")
    portfolio = open_portfolio(folder)
    result = with_plan(verify_site(portfolio, "mill"), portfolio.describe("mill"), plan)
    assert result.departures == [
        {"kind": "settings", "what": "setting limits.coverage", "planned": 0.9, "now": 0.95}
    ]
    assert [f.message for f in result.findings if f.rule == "plan_departed"] == [
        "the report departs from the frozen plan in 1 point; each is listed under departures."
    ]


def test_a_changed_rate(plan, report):
    portfolio, _ = report
    block = portfolio.rates["flat"]
    dearer = block.model_copy(update={"values": block.values | {"price": 0.25}})
    assert changed(plan, report, rates=(dearer,)) == [("rate", "rate flat, price", 0.21, 0.25)]


def test_a_new_and_a_changed_event(plan, report):
    event = Event(source=WHERE, site="mill", start=dt.date(2023, 8, 1), end=dt.date(2023, 8, 9),
                  what="flood", treatment="exclude")  # fmt: skip
    assert changed(plan, report, events=(event,)) == [
        ("event", "event: flood, from 2023-08-01", "none", "treatment exclude")
    ]
    frozen = {**plan, "sites": [dict(s) for s in plan["sites"]]}
    frozen["sites"][0]["events"] = [event.model_dump(mode="json")]
    noted = event.model_copy(update={"treatment": "note"})
    assert changed(frozen, report, events=(noted,)) == [
        ("event", "event: flood, from 2023-08-01, treatment", "exclude", "note")
    ]


def test_a_meter_with_another_multiplier(plan, report):
    portfolio, _ = report
    meter = portfolio.describe("mill").meters[0].model_copy(update={"multiplier": 10.0})
    assert changed(plan, report, meters=(meter,)) == [("meter", "meter M1, multiplier", 1, 10)]


def test_changed_days_schedule_estimate_and_factor(plan, report):
    portfolio, _ = report
    description = portfolio.describe("mill")
    closed = OperatingException(source=WHERE, site="mill", start=dt.date(2023, 12, 25),
                                end=dt.date(2023, 12, 31), day="non_operating")  # fmt: skip
    assert changed(plan, report, operating_days=(closed,)) == [
        ("calendar", "days 2023-12-25 to 2023-12-31", "none", "non_operating")
    ]
    hall, office = description.fixtures
    fewer = hall.model_copy(update={"count_after": 96})
    assert changed(plan, report, fixtures=(fewer, office)) == [
        ("schedule", "schedule line hall, count_after", 100, 96)
    ]
    assert changed(plan, report, fixtures=(hall,)) == [
        ("schedule", "schedule line office", "entered", "none")
    ]
    more = description.retrofits[0].model_copy(update={"estimated_savings": 50000.0})
    assert changed(plan, report, retrofits=(more,)) == [
        ("estimate", "retrofit mill_led, estimated_savings", 42000, 50000)
    ]
    area, occupancy = description.static_factors
    other = area.model_copy(update={"baseline_value": "5300"})
    assert changed(plan, report, static_factors=(other, occupancy)) == [
        ("static factor", "factor floor area in use, baseline_value", "5200", "5300")
    ]


def test_other_periods_model_and_exclusions(plan, report):
    frozen = {**plan, "sites": [dict(s) for s in plan["sites"]]}
    own = frozen["sites"][0]
    own["periods"] = own["periods"] | {
        "baseline_start": "2022-02-01",
        "reporting_end": "2024-05-01",
    }
    own["model"] = own["model"] | {"form": "5P"}
    own["excluded"] = {"coverage_low": 3}
    assert changed(frozen, report) == [
        ("period", "start of the baseline period", "2022-02-01", "2022-03-01"),
        ("period", "end of the reporting period", "2024-05-01", "2024-03-31"),
        ("model", "form of the model", "5P", report[1].model.form),
        ("exclusion", "baseline days left out: coverage_low", 3, 0),
    ]


def test_other_coefficients_are_told_as_formulas(plan, report):
    frozen = {**plan, "sites": [dict(s) for s in plan["sites"]]}
    own = frozen["sites"][0]
    terms = [dict(t) for t in own["model"]["terms"]]
    terms[0]["value"] *= 1.001
    own["model"] = own["model"] | {"terms": terms, "formula": "as planned"}
    own["baseline"] = own["baseline"] | {"energy": 1.0}
    kinds = changed(frozen, report)
    assert kinds[0][:3] == ("model", "coefficients", "as planned")
    assert kinds[1][:3] == ("model", "baseline use, kWh", 1)


def test_a_site_that_the_plan_does_not_hold(plan, report):
    portfolio, result = report
    bare = {**plan, "sites": plan["sites"][1:]}
    found = departures(bare, result, portfolio.describe("mill"))
    assert found == [
        {"kind": "plan", "what": "the site", "planned": "not in the plan", "now": "in the report"}
    ]


def test_sites_gained_and_lost(plan, report):
    from types import SimpleNamespace

    _, result = report
    now = SimpleNamespace(
        sites=[
            result,
            SimpleNamespace(site="barn", role="retrofit"),
            SimpleNamespace(site="hall", role="comparison"),
        ],
        currency="EUR",
        method_version=plan["method_version"],
    )
    assert [(d["what"], d["planned"], d["now"]) for d in portfolio_departures(plan, now)] == [
        ("site shed", "planned", "none"),
        ("site barn", "none", "reported"),
    ]


def test_further_readings_alone_are_no_departure(plan, year_folder):
    """Half of the reporting period: interim, and nothing departs."""
    portfolio = open_portfolio(year_folder)
    description = portfolio.describe("mill")
    half = description.retrofits[0].model_copy(update={"reporting_end": dt.date(2023, 9, 30)})
    cut = description.model_copy(update={"retrofits": (half,)})
    result = conclude(measure(cut), Context(prior=load_prior()))
    assert result.interim
    assert departures(plan, result, description) == []


def test_comparison_sites_and_sites_that_stay_impossible_do_not_depart(plan, report):
    from dataclasses import replace

    portfolio, result = report
    description = portfolio.describe("mill")
    bare = {**plan, "sites": []}
    assert departures(bare, replace(result, role="comparison"), description) == []
    refused = plan["sites"][0] | {"status": "not plannable", "reason": "no readings"}
    frozen = {**plan, "sites": [refused]}
    assert departures(frozen, replace(result, verdict="not verifiable"), description) == []
    assert [d["planned"] for d in departures(frozen, result, description)] == [
        "not plannable: no readings"
    ]
