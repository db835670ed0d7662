"""One site from its files to its result: the truth is found and every figure can be followed."""

import dataclasses
import gc
import math

import numpy as np
import orjson
import pytest

from mv.portfolio.folder import open_portfolio
from mv.results import to_json
from mv.verify.site import failed, verify_site

SAVING = 0.2


def verified(folder, site="shop"):
    return verify_site(open_portfolio(folder), site)


@pytest.fixture(scope="module")
def shop(tmp_path_factory, tools):
    return verified(tools.write_folder(tmp_path_factory.mktemp("site") / "portfolio"))


def test_the_saving_put_in_is_found(shop):
    got = shop.avoided_energy
    truth = SAVING / (1 - SAVING) * shop.measured
    assert got.low < truth < got.high
    assert got.value == pytest.approx(truth, rel=0.06)
    assert got.value == shop.adjusted_baseline - shop.measured + shop.non_routine_adjustment
    assert got.fraction == got.value / shop.adjusted_baseline
    assert shop.verdict == "savings shown"
    assert shop.annual.verified_savings.value / 365 == pytest.approx(
        got.value / shop.periods.reporting_days_used, rel=0.1
    )
    rate = shop.annual.realisation_rate
    assert rate.value == pytest.approx(shop.annual.verified_savings.value / 40000)


def test_a_site_leaves_no_cycles_behind(tmp_path, tools):
    """Whole arrays would hang on them until the next search for garbage."""
    portfolio = open_portfolio(tools.write_folder(tmp_path / "portfolio"))
    verify_site(portfolio, "shop")  # with what is imported and remembered once
    gc.collect()
    gc.disable()
    try:
        verify_site(portfolio, "shop")
        assert gc.collect() == 0
    finally:
        gc.enable()


def test_the_interval_is_wider_than_the_textbooks(shop):
    how = shop.uncertainty
    assert how.half_width > 2 * how.guideline_14
    assert how.half_width > 2 * how.least_squares
    assert sum(p.share for p in how.parts) == pytest.approx(1.0)
    assert how.minimum_detectable_fraction == pytest.approx(how.half_width / shop.adjusted_baseline)


def test_money_is_energy_times_the_flat_price(shop):
    money = shop.money
    assert money.cost_savings.value == pytest.approx(0.2 * shop.avoided_energy.value)
    assert money.cost_savings.low == pytest.approx(0.2 * shop.avoided_energy.low)
    assert money.net_cost == 8000
    assert money.simple_payback_realised.months == pytest.approx(
        12 * 8000 / (0.2 * shop.annual.verified_savings.value)
    )
    assert money.simple_payback_estimated.months == pytest.approx(12 * 7500 / (0.2 * 40000))


def plain(value, path=""):
    """Every leaf of a result that is no plain number, text or date."""
    if value is None or type(value) in (str, int, float, bool):
        return
    if dataclasses.is_dataclass(value):
        for f in dataclasses.fields(value):
            yield from plain(getattr(value, f.name), f"{path}.{f.name}")
    elif isinstance(value, dict):
        for key, item in value.items():
            yield from plain(item, f"{path}.{key}")
    elif isinstance(value, list | tuple):
        for i, item in enumerate(value):
            yield from plain(item, f"{path}[{i}]")
    else:
        yield path, type(value)


def test_results_hold_plain_finite_numbers(shop):
    assert list(plain(shop)) == []
    assert b"NaN" not in to_json(shop)


def look_up(result: dict, path: str):
    value = result
    for name in path.split("."):
        if not isinstance(value, dict) or name not in value:
            return None
        value = value[name]
    return value


def test_every_figure_can_be_followed(shop):
    """A derivation's value is the result's own at that path; each step leads on or names where
    it ends; and what leads on leads somewhere."""
    result = orjson.loads(to_json(shop))
    keys = {d.figure for d in shop.derivations}
    assert {
        "avoided_energy.value",
        "avoided_energy.low",
        "avoided_energy.high",
        "adjusted_baseline",
        "measured",
        "uncertainty.half_width",
        "annual.verified_savings.value",
        "annual.realisation_rate.value",
        "money.cost_savings.value",
        "money.simple_payback_realised",
    } <= {k.removesuffix(".months") for k in keys}
    for derivation in shop.derivations:
        found = look_up(result, derivation.figure)
        if isinstance(found, dict):
            found = found.get("value", found.get("months"))
        if isinstance(derivation.value, float | int) and isinstance(found, float | int):
            assert derivation.value == pytest.approx(found, rel=1e-12), derivation.figure
        assert derivation.formula, derivation.figure
        assert derivation.source, derivation.figure
        for step in derivation.steps:
            assert step.source or step.ref, (derivation.figure, step.symbol)
            if step.ref:
                assert step.ref in keys, (derivation.figure, step.ref)


def test_the_sum_of_the_steps_is_the_figure(shop):
    by_key = {d.figure: d for d in shop.derivations}
    steps = {s.symbol: s.value for s in by_key["avoided_energy.value"].steps}
    assert steps["P"] - steps["M"] + steps["A"] == by_key["avoided_energy.value"].value
    half = {s.symbol: s.value for s in by_key["uncertainty.half_width"].steps}
    assert half["q"] * math.hypot(half["s"], half["τ·P"]) == pytest.approx(
        by_key["uncertainty.half_width"].value
    )


def test_series_add_up_to_the_result(shop):
    series = shop.series
    used = [
        i
        for i, (p, s) in enumerate(zip(series.daily["period"], series.daily["status"], strict=True))
        if p == "reporting" and s == "used"
    ]
    measured = sum(series.daily["measured"][i] for i in used)
    modelled = sum(series.daily["modelled"][i] for i in used)
    assert measured == pytest.approx(shop.measured, rel=1e-5)
    assert modelled == pytest.approx(shop.adjusted_baseline, rel=1e-5)
    assert sum(series.monthly["avoided"]) == pytest.approx(shop.avoided_energy.value, rel=1e-4)
    assert series.cumulative["avoided"][-1] == pytest.approx(shop.avoided_energy.value, rel=1e-4)
    assert series.cumulative["low"][-1] == pytest.approx(shop.avoided_energy.low, rel=1e-4)
    assert len(series.profiles["hour"]) == 24
    assert {len(week) for week in series.heat["load"]} == {24}


def test_profiles_are_mean_kw_by_local_hour(shop, tools):
    energy = tools.hourly_use(tools.daily_use())
    days = energy.index
    keep = (days >= "2022-07-01") & (days < "2023-07-01") & (days.day_of_week < 5)
    noon = energy[keep & (days.hour == 12)].mean()
    assert shop.series.profiles["baseline_operating"][12] == pytest.approx(noon, rel=1e-3)


def test_without_a_retrofit_a_site_is_for_comparison(write_portfolio):
    got = verified(
        write_portfolio(
            tables={"retrofits.csv": "retrofit,site,installation_start,installation_end\n"}
        )
    )
    assert got.role == "comparison"
    assert got.money is None
    assert got.series.daily["date"][0] == "2022-01-01"


def test_too_short_a_baseline_keeps_its_reason_and_estimate(write_portfolio, tools):
    daily = tools.daily_use().loc["2023-04-01":]
    got = verified(
        write_portfolio(files={"meters/m1.csv": tools.interval_csv(tools.hourly_use(daily))})
    )
    assert got.verdict == "not verifiable"
    assert got.reason == (
        "the baseline period holds 3.0 months of usable readings, at least 9 are needed"
    )
    assert got.remedy
    assert got.annual.estimated_savings == 40000
    assert got.avoided_energy is None


def test_a_site_without_a_meter(write_portfolio):
    got = verified(write_portfolio(tables={"meters.csv": "meter,site,carrier,data,file,unit\n"}))
    assert got.verdict == "not verifiable"
    assert "meter" in got.reason


def test_an_adjusted_event_moves_the_saving_by_its_energy(write_portfolio, tools, shop):
    got = verified(
        write_portfolio(
            tables={
                "events.csv": "site,start,end,what,treatment,change,unit,standard_error\n"
                "shop,2024-03-01,2024-05-31,tent,adjust,25,kWh,5\n"
            }
        )
    )
    assert got.non_routine_adjustment == pytest.approx(25 * 92)
    assert got.avoided_energy.value - shop.avoided_energy.value == pytest.approx(25 * 92)
    (entry,) = [e for e in got.events if e.kind == "declared"]
    assert entry.effect_on_savings == pytest.approx(25 * 92)
    parts = {p.name: p.value for p in got.uncertainty.parts}
    assert parts["non-routine"] == pytest.approx(5 * 92)


def test_an_event_in_the_baseline_is_taken_off_before_the_fit(write_portfolio, tools, shop):
    use = tools.daily_use()
    use.loc["2022-10-01":"2022-12-31"] += 200
    got = verified(
        write_portfolio(
            files={"meters/m1.csv": tools.interval_csv(tools.hourly_use(use))},
            tables={
                "events.csv": "site,start,end,what,treatment,change,unit\n"
                "shop,2022-10-01,2022-12-31,tent,adjust,200,kWh\n"
            },
        )
    )
    assert got.avoided_energy.value == pytest.approx(shop.avoided_energy.value, rel=1e-6)


def test_bills_give_a_saving_too(write_portfolio, tools):
    got = verified(
        write_portfolio(
            tables={
                "meters.csv": "meter,site,carrier,data,file,unit,rate\n"
                "m1,shop,electricity,bills,meters/m1.csv,kWh,flat\n"
            },
            files={"meters/m1.csv": tools.bills_csv(tools.daily_use(), cost=0.2)},
        )
    )
    truth = SAVING / (1 - SAVING) * got.measured
    assert got.model.granularity == "bills"
    assert got.avoided_energy.low < truth < got.avoided_energy.high
    assert got.series.bills["start"][0] == "2022-01-01"
    bills = got.money.billed_against_computed
    assert len(bills) == 36
    assert all(abs(r["difference"]) < 1e-5 for r in bills)  # the file's costs end at the cent
    assert not got.demand.claimed


def test_a_failed_site_says_why(write_portfolio):
    portfolio = open_portfolio(write_portfolio())
    got = failed(portfolio.describe("shop"), "it took longer than 1 seconds")
    assert (got.verdict, got.reason) == ("not verifiable", "it took longer than 1 seconds")
    assert got.retrofits[0]["retrofit"] == "led"
    assert np.isfinite(got.confidence)


def test_a_driver_explains_use_that_the_weather_does_not(write_portfolio, tools):
    use = tools.daily_use(saving=0.0)
    days = np.arange(len(use))
    made = np.round(100 + 60 * np.sin(days / 17.0) + 40 * (days > 700))  # busier after the works
    tables = {
        "drivers.csv": "site,start,driver,value,unit\n"
        + "\n".join(
            f"shop,{d:%Y-%m-%d},parts,{v},pieces" for d, v in zip(use.index, made, strict=True)
        )
    }
    files = {"meters/m1.csv": tools.interval_csv(tools.hourly_use(use + 1.5 * made))}
    with_driver = verified(write_portfolio(files=files, tables=tables))
    assert any("parts" in t.name for t in with_driver.model.terms)
    parts = next(t for t in with_driver.model.terms if "parts" in t.name)
    assert parts.value == pytest.approx(1.5, rel=0.1)
    assert abs(with_driver.avoided_energy.fraction) < 0.02
    assert with_driver.annual.verified_savings is not None
