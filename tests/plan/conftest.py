"""A small portfolio folder that tests write, plan, change and report."""

from __future__ import annotations

import datetime as dt
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

FIRST = dt.date(2022, 1, 1)
LONGEST = dt.date(2024, 6, 1)
WORKS = (dt.date(2023, 3, 1), dt.date(2023, 3, 31))


def write_folder(root: Path, *, last: dt.date, saving: float = 0.15) -> Path:
    """Two sites with hourly electricity: `mill` (estimate near the truth) and `shed` (an estimate
    too small for its meter)."""
    rng = np.random.default_rng(5)
    (root / "meters").mkdir(parents=True)
    (root / "weather").mkdir()
    # Always the same years, cut where the folder ends: what comes later can't change a baseline.
    hours = pd.date_range(FIRST, LONGEST, freq="h", inclusive="left")
    kept = hours < pd.Timestamp(last + dt.timedelta(days=1))
    day = hours.day_of_year.to_numpy()
    hour = hours.hour.to_numpy()
    swing = rng.normal(0, 2.5, len(hours) // 24 + 1)[np.arange(len(hours)) // 24]
    temperature = 12 - 8 * np.cos(2 * np.pi * (day - 20) / 365.25) + swing
    temperature = temperature - 3 * np.cos(2 * np.pi * (hour - 3) / 24)
    table = pd.DataFrame({"time": hours.strftime("%Y-%m-%dT%H:%M"), "temp": temperature.round(2)})
    table[kept].to_csv(root / "weather" / "w.csv", index=False)
    for name, base in (("mill", 40.0), ("shed", 15.0)):
        open_ = (hours.day_of_week.to_numpy() < 5) & (hour >= 7) & (hour < 19)
        noise = rng.normal(0, 0.04, len(hours) // 24 + 1)[np.arange(len(hours)) // 24]
        load = base * (0.5 + 0.8 * open_ + 0.01 * np.clip(temperature - 15, 0, None)) * (1 + noise)
        after = hours >= pd.Timestamp(WORKS[1]) + pd.Timedelta(days=1)
        load = np.where(after, load * (1 - saving), load)
        load = load * (1 + rng.normal(0, 0.01, len(hours)))
        readings = pd.DataFrame({"time": table["time"], "kWh": load.round(3)})
        readings[kept].to_csv(root / "meters" / f"{name}.csv", index=False)
    for name, text in TABLES.items():
        (root / name).write_text(text, encoding="utf-8")
    return root


TABLES = {
    "portfolio.toml": 'name = "Weir Street"\ncurrency = "EUR"\nclient = "Weir Street Mills"\n',
    "sites.csv": (
        "site,name,time_zone,country,weather,operating_week,group\n"
        "mill,Old mill,Etc/UTC,,w,Mon-Fri,east\n"
        "shed,Boat shed,Etc/UTC,,w,,east\n"
    ),
    "meters.csv": (
        "meter,site,carrier,data,file,unit,stamp,time_zone,rate\n"
        "M1,mill,electricity,interval,meters/mill.csv,kWh,start,UTC,flat\n"
        "M2,shed,electricity,interval,meters/shed.csv,kWh,start,UTC,flat\n"
    ),
    "weather.csv": "station,file,temperature_unit,time_zone\nw,weather/w.csv,degC,UTC\n",
    "retrofits.csv": (
        "retrofit,site,title,installation_start,installation_end,estimated_savings,"
        "estimated_savings_unit,estimated_cost,measure_life,responsible\n"
        "mill_led,mill,LED in the mill,2023-03-01,2023-03-31,42000,kWh,30000,15,contractor\n"
        "shed_led,shed,LED in the shed,2023-03-01,2023-03-31,3000,kWh,9000,15,contractor\n"
    ),
    "fixtures.csv": (
        "retrofit,space,count_before,watts_before,count_after,watts_after,hours_before\n"
        "mill_led,hall,100,112,100,40,3500\n"
        "mill_led,office,40,60,40,25,2600\n"
    ),
    "rates.toml": '[flat]\nname = "one price"\nsource = "contract page 2"\nprice = 0.21\n',
    "static_factors.csv": (
        "site,factor,baseline_value,reporting_value,unit,changed_on,note\n"
        "mill,floor area in use,5200,,m2,,\n"
        "mill,occupancy,,,people,,\n"
    ),
}


@pytest.fixture(scope="session")
def baseline_folder(tmp_path_factory) -> Path:
    """Readings that end with the baseline."""
    return write_folder(tmp_path_factory.mktemp("before") / "weir", last=dt.date(2023, 2, 28))


@pytest.fixture(scope="session")
def year_folder(tmp_path_factory) -> Path:
    """The same, with a whole year after the works."""
    return write_folder(tmp_path_factory.mktemp("after") / "weir", last=dt.date(2024, 3, 31))
