"""The running verdict and the checklist of static factors."""

import datetime as dt

import pytest

from mv.plan.attach import with_plan
from mv.plan.early import drifting_sites, early_signal
from mv.plan.static_factors import checklist
from mv.portfolio.folder import open_portfolio
from mv.portfolio.schema import Event, Source
from mv.savings.drift import load_prior
from mv.verify.site import Context, conclude, measure

WHERE = Source(file="static_factors.csv", line=2)


def until(portfolio, last, **parts):
    """The mill's result with its reporting period cut at `last`."""
    description = portfolio.describe("mill")
    cut = description.retrofits[0].model_copy(update={"reporting_end": last} | parts)
    return conclude(
        measure(description.model_copy(update={"retrofits": (cut,)})), Context(prior=load_prior())
    )


@pytest.fixture(scope="module")
def year(year_folder):
    return open_portfolio(year_folder)


@pytest.fixture(scope="module")
def half(year):
    return until(year, dt.date(2023, 9, 30))


def test_each_whole_month_is_one_look(half):
    early = early_signal(half, 12)
    assert early["interim"] is True
    assert early["months_measured"] == 6
    assert early["months_remaining"] == 6
    assert early["final_on"] == "2024-03-31"
    assert [(x["month"], x["end"]) for x in early["looks"]] == [
        (1, "2023-04-30"), (2, "2023-05-31"), (3, "2023-06-30"),
        (4, "2023-07-31"), (5, "2023-08-31"), (6, "2023-09-30"),
    ]  # fmt: skip
    assert early["words"].startswith(
        "6 of 12 months are measured; 6 remain before this can be final, on 2024-03-31. "
    )


def test_the_last_look_is_the_reports_own_figure_widened(half):
    last = early_signal(half, 12)["looks"][-1]
    saving = half.avoided_energy
    assert last["value"] == pytest.approx(saving.value, rel=1e-4)  # drawn with six digits
    assert last["single_low"] == pytest.approx(saving.low, rel=1e-3)
    assert last["factor"] > 1
    assert last["low"] == pytest.approx(saving.value - last["factor"] * saving.half_width, rel=1e-3)


def test_a_month_that_is_not_over_is_no_look(year):
    result = until(year, dt.date(2023, 6, 28))
    assert early_signal(result, 12)["months_measured"] == 2


def test_estimate_far_off_is_drifting_and_ranked_by_money(year, half):
    promised = until(year, dt.date(2023, 9, 30), estimated_savings=400_000.0)
    on_course = with_plan(half, year.describe("mill"), None)
    off = with_plan(promised, year.describe("mill"), None)
    assert off.early["drifting"] is True
    assert on_course.early["drifting"] is False
    assert off.early["shortfall_money"] == pytest.approx(off.early["shortfall"] * 0.21)
    lines = drifting_sites([on_course, off])
    assert [line["outside"] for line in lines] == [True, False]


def test_no_saving_no_look(year, half):
    from dataclasses import replace

    assert early_signal(replace(half, series=None), 12) == {}
    assert drifting_sites([replace(half, early={})]) == []


# -- static factors ------------------------------------------------------------------------
def factors(year, *rows, events=()):
    from mv.portfolio.schema import StaticFactor

    made = tuple(
        StaticFactor(source=WHERE, site="mill", factor=f, baseline_value=b, reporting_value=r,
                     unit=u, changed_on=on)
        for f, b, r, u, on in rows
    )  # fmt: skip
    return year.describe("mill").model_copy(update={"static_factors": made, "events": events})


def test_a_change_without_an_event_asks_for_one(year):
    lines, findings = checklist(
        factors(year, ("floor area in use", "5200", "4800", "m2", dt.date(2023, 9, 4)))
    )
    assert lines[0]["changed"] == "yes"
    assert [f.rule for f in findings] == ["static_factor_changed"]
    assert findings[0].message == (
        "the static factor 'floor area in use' changed from 5200 to 4800 m2 on 2023-09-04, and no "
        "event of events.csv accounts for it. Enter the event with its start and evidence: "
        "treatment adjust or exclude where it moved the use, note where it did not."
    )


def test_an_event_near_the_date_or_naming_the_factor_accounts_for_it(year):
    row = ("occupancy", "80", "60", "people", dt.date(2023, 9, 4))
    near = Event(source=WHERE, site="mill", start=dt.date(2023, 9, 20), what="tenant left",
                 treatment="adjust", change=-30.0)  # fmt: skip
    far = near.model_copy(update={"start": dt.date(2024, 1, 9)})
    named = far.model_copy(update={"what": "lower Occupancy since September"})
    assert checklist(factors(year, row, events=(near,)))[1] == ()
    assert len(checklist(factors(year, row, events=(far,)))[1]) == 1
    lines, findings = checklist(factors(year, row, events=(named,)))
    assert findings == ()
    assert lines[0]["event"] == "lower Occupancy since September (adjust)"


@pytest.mark.parametrize(
    ("before", "now", "changed"),
    [
        ("5200", "5 200 m2", "no"),
        ("5200", "5200.0", "no"),
        ("two shifts", "Two shifts", "no"),
        ("two shifts", "three shifts", "yes"),
        ("80 %", "60 %", "yes"),
        ("5200", "", "not told"),
        ("", "5200", "not told"),
    ],
)
def test_what_counts_as_a_change(year, before, now, changed):
    lines, _ = checklist(factors(year, ("x", before, now, "", None)))
    assert lines[0]["changed"] == changed


def test_the_plans_value_stands_for_plan_time(year):
    planned = {"static_factors": [{"factor": "x", "baseline_value": "7"}]}
    lines, findings = checklist(factors(year, ("x", "9", "9", "", None)), planned)
    assert (lines[0]["planned"], lines[0]["changed"]) == ("7", "yes")
    assert len(findings) == 1
