"""Readings bound to periods: which rows count where, and why a site can't be verified."""

import datetime as dt

import numpy as np
import pandas as pd
import pytest

from mv.portfolio.folder import open_portfolio
from mv.portfolio.schema import Retrofit
from mv.prepare import BASELINE, INSTALLATION, OUTSIDE, REPORTING, prepare_site, window_of


def retrofit(**fields):
    row = {"source": {"file": "retrofits.csv", "line": 2}, "retrofit": "r", "site": "s"}
    return Retrofit(**row, **fields)


def prepared(folder, site="shop"):
    return prepare_site(open_portfolio(folder).describe(site))


def test_periods_by_default_are_the_year_before_and_all_after():
    window = window_of(
        [retrofit(installation_start="2023-03-06", installation_end="2023-04-02")],
        dt.date(2021, 1, 1),
        dt.date(2024, 6, 30),
    )
    assert window.baseline_start == dt.date(2022, 3, 6)
    assert window.baseline_end == dt.date(2023, 3, 5)
    assert window.reporting_start == dt.date(2023, 4, 3)
    assert window.reporting_end == dt.date(2024, 6, 30)


def test_a_leap_days_year_before_is_the_28th():
    window = window_of(
        [retrofit(installation_start="2024-02-29", installation_end="2024-03-01")],
        dt.date(2020, 1, 1),
        dt.date(2025, 1, 1),
    )
    assert window.baseline_start == dt.date(2023, 2, 28)


def test_overlapping_retrofits_are_verified_together():
    window = window_of(
        [
            retrofit(installation_start="2023-03-01", installation_end="2023-03-20"),
            retrofit(installation_start="2023-03-10", installation_end="2023-05-01"),
        ],
        dt.date(2021, 1, 1),
        dt.date(2024, 6, 30),
    )
    assert (window.installation_start, window.installation_end) == (
        dt.date(2023, 3, 1),
        dt.date(2023, 5, 1),
    )


def test_declared_ends_win_over_the_data():
    window = window_of(
        [
            retrofit(
                installation_start="2023-03-01",
                installation_end="2023-03-20",
                baseline_start="2021-06-01",
                reporting_end="2024-02-29",
            )
        ],
        dt.date(2021, 1, 1),
        dt.date(2024, 6, 30),
    )
    assert window.baseline_start == dt.date(2021, 6, 1)
    assert window.reporting_end == dt.date(2024, 2, 29)


def test_every_day_has_one_period_and_installation_days_belong_to_neither_side(write_portfolio):
    site = prepared(write_portfolio())
    (carrier,) = site.carriers
    rows = carrier.rows.frame()
    assert set(rows["period"]) == {BASELINE, INSTALLATION, REPORTING, OUTSIDE}
    by_period = {name: rows.index[rows["period"] == name] for name in set(rows["period"])}
    assert sum(map(len, by_period.values())) == len(rows)
    assert str(by_period[BASELINE][0].date()) == "2022-07-01"
    assert str(by_period[BASELINE][-1].date()) == "2023-06-30"
    assert str(by_period[INSTALLATION][0].date()) == "2023-07-01"
    assert str(by_period[INSTALLATION][-1].date()) == "2023-07-31"
    assert str(by_period[REPORTING][0].date()) == "2023-08-01"
    assert str(by_period[REPORTING][-1].date()) == "2024-12-31"
    assert carrier.reason == ""
    assert carrier.claimed


def test_bills_lie_wholly_on_one_side(write_portfolio, tools):
    daily = tools.daily_use()
    bills = tools.bills_csv(daily).splitlines()
    # one bill that straddles the first day of the works
    bills = [b for b in bills if not b.startswith(("2023-06-01", "2023-07-01"))]
    bills.append("2023-06-01,2023-07-10,20000")
    bills.append("2023-07-10,2023-08-01,9000")
    site = prepared(
        write_portfolio(
            tables={
                "meters.csv": "meter,site,carrier,data,file,unit,rate\n"
                "m1,shop,electricity,bills,meters/m1.csv,kWh,flat\n"
            },
            files={"meters/m1.csv": "\n".join(bills) + "\n"},
        )
    )
    rows = site.carriers[0].rows.frame().set_index("start")
    assert rows.loc["2023-05-01", "period"] == BASELINE
    assert rows.loc["2023-06-01", "period"] == INSTALLATION
    assert rows.loc["2023-07-10", "period"] == INSTALLATION
    assert rows.loc["2023-08-01", "period"] == REPORTING


def test_two_meters_of_a_carrier_are_added_up(write_portfolio, tools):
    energy = tools.hourly_use(tools.daily_use())
    half = tools.interval_csv(energy * 0.5)
    text = half.splitlines()
    del text[1000]
    site = prepared(
        write_portfolio(
            tables={
                "meters.csv": "meter,site,carrier,data,file,unit,stamp\n"
                "a,shop,electricity,interval,meters/a.csv,kWh,start\n"
                "b,shop,electricity,interval,meters/b.csv,kWh,start\n"
            },
            files={"meters/a.csv": half, "meters/b.csv": "\n".join(text), "meters/m1.csv": None},
        )
    )
    (carrier,) = site.carriers
    total = carrier.interval.frame()["energy"]
    assert np.isnan(total.iloc[999])
    keep = np.arange(len(total)) != 999
    assert total.to_numpy()[keep] == pytest.approx(energy.to_numpy()[keep], abs=2e-4)


def test_export_without_generation_is_refused(write_portfolio, tools):
    text = tools.interval_csv(tools.hourly_use(tools.daily_use()))
    site = prepared(
        write_portfolio(
            tables={
                "meters.csv": "meter,site,carrier,data,file,unit,stamp,flow\n"
                "a,shop,electricity,interval,meters/m1.csv,kWh,start,import\n"
                "b,shop,electricity,interval,meters/b.csv,kWh,start,export\n"
            },
            files={"meters/b.csv": text},
        )
    )
    assert site.carriers[0].reason.startswith("energy is exported and the site's own generation")
    assert "flow = generation" in site.carriers[0].remedy


def test_import_plus_generation_less_export_is_use(write_portfolio, tools):
    energy = tools.hourly_use(tools.daily_use())
    sun = pd.Series(np.where(energy.index.hour == 12, 9.0, 0.0), index=energy.index)
    files = {
        "meters/m1.csv": tools.interval_csv(energy - sun + 2.0),
        "meters/g.csv": tools.interval_csv(sun),
        "meters/e.csv": tools.interval_csv(sun * 0 + 2.0),
    }
    site = prepared(
        write_portfolio(
            tables={
                "meters.csv": "meter,site,carrier,data,file,unit,stamp,flow\n"
                "a,shop,electricity,interval,meters/m1.csv,kWh,start,import\n"
                "g,shop,electricity,interval,meters/g.csv,kWh,start,generation\n"
                "e,shop,electricity,interval,meters/e.csv,kWh,start,export\n"
            },
            files=files,
        )
    )
    use = site.carriers[0].interval.frame()["energy"].dropna()
    assert len(use) > 20_000
    assert use.to_numpy() == pytest.approx(energy.loc[use.index].to_numpy(), abs=3e-4)


def test_not_yet_due(write_portfolio):
    site = prepared(
        write_portfolio(
            tables={
                "retrofits.csv": "retrofit,site,installation_start,installation_end\n"
                "led,shop,2024-12-01,2025-02-01\n"
            }
        )
    )
    (carrier,) = site.carriers
    assert not carrier.due
    assert carrier.reason == ("not yet due: readings end on 2024-12-31, the works on 2025-02-01")


def test_events_exclude_days_and_adjust_energy(write_portfolio):
    site = prepared(
        write_portfolio(
            tables={
                "events.csv": "site,start,end,what,treatment,change,unit\n"
                "shop,2024-02-05,2024-02-11,flood,exclude,,\n"
                "shop,2024-03-01,,new freezer,adjust,0.05,MWh\n"
            }
        )
    )
    (carrier,) = site.carriers
    rows = carrier.rows.frame()
    assert (rows.loc["2024-02-05":"2024-02-11", "status"] == "event_excluded").all()
    assert (rows.loc["2024-02-12":"2024-02-29", "status"] == "used").all()
    assert (rows.loc["2024-03-01":, "adjustment"] == 50.0).all()
    assert (rows.loc[:"2024-02-29", "adjustment"] == 0.0).all()
    reporting = carrier.period(REPORTING).frame()
    assert reporting["energy"].loc["2024-03-01"] == rows["energy"].loc["2024-03-01"] - 50.0


def test_unreadable_readings_become_the_reason(write_portfolio):
    site = prepared(write_portfolio(files={"meters/m1.csv": "nothing of use\n"}))
    (carrier,) = site.carriers
    assert carrier.reason.startswith("the readings of m1 can't be used: meters/m1.csv")
    assert any(f.action == "refuse" and f.meter == "m1" for f in site.findings)


def test_temperatures_that_cannot_be_read_become_the_reason(write_portfolio):
    site = prepared(write_portfolio(files={"weather/hill.csv": "nothing of use\n"}))
    assert site.carriers[0].reason.startswith("there are no temperatures: weather/hill.csv")


def test_daily_readings_keep_their_energy_over_the_clock_changes(write_portfolio, tools):
    use = tools.daily_use()
    rows = "\n".join(f"{d:%Y-%m-%d},{v:.2f}" for d, v in use.items())
    site = prepared(
        write_portfolio(
            tables={
                "sites.csv": "site,time_zone,weather,operating_week\n"
                "shop,Europe/Lisbon,hill,Mon-Fri\n",
            },
            files={"meters/m1.csv": f"date,kWh\n{rows}\n"},
        )
    )
    rows = site.carriers[0].rows
    assert len(rows) == len(use)
    assert rows["energy"] == pytest.approx(use.to_numpy().round(2), abs=1e-9)


def test_a_meter_that_shows_nothing_can_not_be_verified(write_portfolio, tools):
    dead = tools.interval_csv(tools.hourly_use(tools.daily_use()) * 0)
    (carrier,) = prepared(write_portfolio(files={"meters/m1.csv": dead})).carriers
    assert carrier.reason == "the meter shows no use at all in the baseline period"


def test_one_file_for_two_meters_is_not_added_up(write_portfolio):
    meters = "meter,site,carrier,data,file,unit,stamp\n" + "".join(
        f"{key},shop,electricity,interval,meters/m1.csv,kWh,start\n" for key in ("m1", "m2")
    )
    (carrier,) = prepared(write_portfolio(tables={"meters.csv": meters})).carriers
    assert carrier.reason.startswith("meters m1 and m2 have the same readings to the last digit")
