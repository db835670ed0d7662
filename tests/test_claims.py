"""Retrofits that can't be told apart are one claim; those that can are claims of their own."""

import datetime as dt

import numpy as np
import pandas as pd
import pytest

from mv.portfolio.folder import open_portfolio
from mv.prepare import prepare_site

HEAD = "retrofit,site,carrier,installation_start,installation_end,meters,baseline_start\n"
TWO_LEVELS = (
    "meter,site,carrier,data,file,unit,stamp,boundary\n"
    "m1,shop,electricity,interval,meters/m1.csv,kWh,start,whole_facility\n"
    "hall,shop,electricity,interval,meters/hall.csv,kWh,start,retrofit_isolation\n"
    "yard,shop,electricity,interval,meters/yard.csv,kWh,start,retrofit_isolation\n"
)


def prepared(folder, rows, meters=None):
    return prepare_site(open_portfolio(folder(rows, meters)).describe("shop"))


@pytest.fixture
def folder(write_portfolio, tools):
    def write(rows, meters=None):
        tables = {"retrofits.csv": HEAD + "".join(f"{r}\n" for r in rows)}
        files = {}
        if meters is not None:
            tables["meters.csv"] = meters
            energy = tools.hourly_use(tools.daily_use())
            files["meters/hall.csv"] = tools.interval_csv(energy * 0.4)
            files["meters/yard.csv"] = tools.interval_csv(energy * 0.1)
        return write_portfolio(tables=tables, files=files)

    return write


def rules(site):
    return [f.rule for f in site.findings if f.rule.startswith("retrofits_")]


def claims(site):
    return [
        (c.carrier, c.meters, tuple(r.retrofit for r in c.retrofits))
        for c in site.carriers
        if c.claimed
    ]


def test_works_close_in_time_are_one_claim(folder):
    site = prepared(
        folder,
        [
            "lamps,shop,electricity,2023-02-01,2023-02-28,,",
            "fans,shop,electricity,2023-07-01,2023-07-31,,",
        ],
    )
    assert claims(site) == [("electricity", ("m1",), ("lamps", "fans"))]
    window = site.carriers[0].window
    assert (window.installation_start, window.installation_end) == (
        dt.date(2023, 2, 1),
        dt.date(2023, 7, 31),
    )
    assert rules(site) == ["retrofits_verified_together"]


def test_works_a_year_apart_leave_nothing_between_them_out(folder):
    site = prepared(
        folder,
        [
            "fans,shop,electricity,2024-02-15,2024-02-29,,2022-03-01",
            "lamps,shop,electricity,2023-01-15,2023-01-31,,2022-01-01",
        ],
    )
    first, second = site.carriers
    assert claims(site) == [
        ("electricity", ("m1",), ("lamps",)),
        ("electricity", ("m1",), ("fans",)),
    ]
    assert first.window.reporting_start == dt.date(2023, 2, 1)
    assert first.window.reporting_end == dt.date(2024, 2, 14)
    # its own baseline_start lies before the earlier works and gives way to them
    assert second.window.baseline_start == dt.date(2023, 2, 1)
    assert second.window.baseline_end == dt.date(2024, 2, 14)
    assert second.window.reporting_end == dt.date(2024, 12, 31)
    assert (first.first_works, second.first_works) == (True, False)
    assert first.reason == second.reason == ""
    assert rules(site) == ["retrofits_verified_apart"]


@pytest.mark.parametrize(("start", "number"), [("2024-01-31", 1), ("2024-02-01", 2)])
def test_a_complete_reporting_year_parts_them(folder, start, number):
    site = prepared(
        folder,
        [
            "lamps,shop,electricity,2023-01-15,2023-01-31,,2022-01-01",
            f"fans,shop,electricity,{start},2024-02-10,,",
        ],
    )
    assert len(claims(site)) == number


def test_sub_meters_of_different_retrofits_are_claims_of_their_own(folder):
    site = prepared(
        folder,
        [
            "lamps,shop,electricity,2023-07-01,2023-07-31,hall,",
            "poles,shop,electricity,2023-07-01,2023-07-31,yard,",
        ],
        TWO_LEVELS,
    )
    assert claims(site) == [
        ("electricity", ("hall",), ("lamps",)),
        ("electricity", ("yard",), ("poles",)),
    ]
    beside = [c for c in site.carriers if not c.claimed]
    assert [(c.boundary, c.meters) for c in beside] == [("whole_facility", ("m1",))]
    assert beside[0].window == site.carriers[0].window


def test_a_sub_meter_inside_a_claimed_whole_is_not_added_to_it(folder):
    site = prepared(
        folder,
        [
            "lamps,shop,electricity,2023-07-01,2023-07-31,hall,",
            "fans,shop,electricity,2023-06-01,2023-06-30,,",
        ],
        TWO_LEVELS,
    )
    assert claims(site) == [("electricity", ("m1",), ("fans", "lamps"))]
    assert site.carriers[0].boundary == "whole_facility"
    (beside,) = [c for c in site.carriers if not c.claimed]
    assert (beside.boundary, beside.meters) == ("retrofit_isolation", ("hall", "yard"))


def test_a_meter_named_with_its_own_sub_meter_counts_once(folder):
    site = prepared(folder, ["lamps,shop,electricity,2023-07-01,2023-07-31,m1;hall,"], TWO_LEVELS)
    assert claims(site) == [("electricity", ("m1",), ("lamps",))]


def test_carriers_are_claims_of_their_own(write_portfolio, tools):
    site = prepare_site(
        open_portfolio(
            write_portfolio(
                tables={
                    "meters.csv": "meter,site,carrier,data,file,unit,stamp\n"
                    "m1,shop,electricity,interval,meters/m1.csv,kWh,start\n"
                    "gas,shop,natural_gas,bills,meters/gas.csv,kWh,\n",
                    "retrofits.csv": HEAD
                    + "lamps,shop,electricity,2023-07-01,2023-07-31,,\n"
                    + "boiler,shop,natural_gas,2023-09-01,2023-09-30,,\n",
                },
                files={"meters/gas.csv": tools.bills_csv(tools.daily_use())},
            )
        ).describe("shop")
    )
    assert claims(site) == [
        ("electricity", ("m1",), ("lamps",)),
        ("natural_gas", ("gas",), ("boiler",)),
    ]
    assert site.carriers[0].window.installation_start == dt.date(2023, 7, 1)
    assert site.carriers[1].window.installation_start == dt.date(2023, 9, 1)
    assert rules(site) == []


SOLAR = (
    "meter,site,carrier,data,file,unit,stamp,flow,in_service\n"
    "a,shop,electricity,interval,meters/m1.csv,kWh,start,import,\n"
    "g,shop,electricity,interval,meters/g.csv,kWh,start,generation,{}\n"
)


def solar(write_portfolio, tools, in_service):
    """Panels from 10 August 2023, after the works."""
    energy = tools.hourly_use(tools.daily_use())
    sun = pd.Series(np.where(energy.index.hour == 12, 9.0, 0.0), index=energy.index)
    sun = sun.loc["2023-08-10":]
    files = {
        "meters/m1.csv": tools.interval_csv(energy.sub(sun, fill_value=0.0)),
        "meters/g.csv": tools.interval_csv(sun),
    }
    tables = {"meters.csv": SOLAR.format(in_service)}
    folder = write_portfolio(tables=tables, files=files)
    return energy, prepare_site(open_portfolio(folder).describe("shop"))


def test_generation_that_begins_late_is_not_taken_for_zero_unasked(write_portfolio, tools):
    _, site = solar(write_portfolio, tools, "")
    (carrier,) = site.carriers
    assert carrier.reason.endswith("meter g begins later than the others")
    assert "meters.csv, line 3, column in_service" in carrier.remedy
    (finding,) = [f for f in site.findings if f.rule == "meter_starts_late"]
    assert "fill in_service = 2023-08-10" in finding.message
    assert finding.count == 586


def test_generation_declared_as_new_is_added_back(write_portfolio, tools):
    energy, site = solar(write_portfolio, tools, "2023-08-10")
    (carrier,) = site.carriers
    assert carrier.reason == ""
    use = carrier.interval.frame()["energy"].dropna()
    assert use.index[0] == energy.index[0]
    assert len(use) == len(energy)
    assert use.to_numpy() == pytest.approx(energy.to_numpy(), abs=3e-4)


def test_generation_alone_is_no_use(write_portfolio, tools):
    text = tools.interval_csv(tools.hourly_use(tools.daily_use()))
    meters = SOLAR.format("").replace("m1.csv,kWh,start,import", "m1.csv,kWh,start,generation")
    folder = write_portfolio(tables={"meters.csv": meters}, files={"meters/g.csv": text})
    (carrier,) = prepare_site(open_portfolio(folder).describe("shop")).carriers
    assert carrier.reason == "the site's own generation is metered and its use is not"
