"""What a site's report says of its running verdict and of its loggers."""

import datetime as dt
from dataclasses import replace

import pytest

from mv.plan.early import early_signal
from mv.portfolio.folder import open_portfolio
from mv.quantity import around
from mv.report.charts.base import CHARTS, NotDrawn
from mv.report.charts.view import SiteView
from mv.report.drawn import ready
from mv.report.format import Say
from mv.report.plan_sections import drifting_rows, early_section, isolation_section
from mv.report.render import environment
from mv.sampling.isolation import as_fields, beside_whole_facility, isolation_saving
from mv.sampling.loggers import GroupHours
from mv.savings.drift import load_prior
from mv.verify.site import Context, conclude, measure

SAY = Say("EUR")


@pytest.fixture(scope="module")
def site(year_folder):
    """Half a year after the works, with a running verdict and two groups of loggers."""
    description = open_portfolio(year_folder).describe("mill")
    half = description.retrofits[0].model_copy(update={"reporting_end": dt.date(2023, 9, 30)})
    result = conclude(
        measure(description.model_copy(update={"retrofits": (half,)})), Context(prior=load_prior())
    )
    group = GroupHours(
        "hall", 3000.0, 120.0, 7.0, 120.0, None, 227.3, 0.9, 8, 80, "weeks", "Logged 28 days."
    )
    made = isolation_saving(description.fixtures, {"hall": group})
    fields = as_fields(made, beside_whole_facility(made, around(30000.0, 9000.0, "kWh",
                                                                confidence=0.9)))  # fmt: skip
    fields["hours"] = [
        {"period": "after", "usage_group": "hall", "hours": 3000.0, "low": 2773.0, "high": 3227.0,
         "loggers": 8, "population": 80, "loggers_for_ten_percent": 9, "caveat": "Logged 28 days."}
    ]  # fmt: skip
    fields["loggers"] = [
        {"logger": "L<1>", "usage_group": "hall", "first": "2023-05-01", "last": "2023-05-29",
         "on_hours": 230.0, "logged_hours": 672.0, "share": 0.342, "source": "loggers/l1.csv"}
    ]  # fmt: skip
    return replace(result, early=early_signal(result, 12), isolation=fields)


def filled(macro, **given):
    template = environment().from_string(
        '{% import "plan_sections.html" as s with context %}{{ s.' + macro + " }}"
    )
    return template.render(**given)


def test_the_running_verdict_is_drawn_and_told(site):
    made = CHARTS["looks"].build(SiteView(site, site), SAY)
    assert made.table.columns[0][-1] == "30 September 2023"
    assert "At the latest look" in made.title or "Savings shown" in made.title
    shown = ready({"looks": made}, SAY)["looks"]
    page = filled("early(e, chart)", e=early_section(site, SAY), chart=shown)
    assert "6 of 12 months are measured" in page
    assert page.count("<tr>") >= 6
    assert "the estimate lies inside the range for repeated looks" in page


def test_without_looks_nothing_is_drawn(site):
    bare = replace(site, early={})
    made = CHARTS["looks"].build(SiteView(bare, bare), SAY)
    assert isinstance(made, NotDrawn)
    assert made.reason == "no whole month of reporting is measured"
    assert early_section(bare, SAY) is None


def test_the_loggers_result_stands_beside_the_meters(site):
    page = filled("isolation(i)", i=isolation_section(site, SAY))
    assert "The two results agree" in page
    assert "Lighting alone beside the whole facility" in page
    assert "L&lt;1&gt;" in page
    assert "Logged 28 days." in page
    assert isolation_section(replace(site, isolation={}), SAY) is None


def test_sites_off_course_as_rows():
    line = {"site": "mill", "name": "Old mill", "months": 6, "measured": 10.0, "estimated": 30.0,
            "unit": "kWh", "shortfall": 20.0, "shortfall_money": 4.2, "outside": True,
            "interim": True}  # fmt: skip
    row = drifting_rows([line], SAY)[0]
    assert str(row.label) == "Old mill"
    assert row.cells[-1] == "outside its range"
    assert row.note == "interim"
