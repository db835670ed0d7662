"""A portfolio of daily meters whose sites' years have a part in common."""

from pathlib import Path

import numpy as np
import pandas as pd

from mv.portfolio.folder import open_portfolio
from mv.portfolio.schema import Portfolio

FIRST, LAST = "2019-01-01", "2025-01-31"
SAVING = 0.12
YEARS = (0.0, 0.05, -0.03, 0.06, -0.04, 0.03, 0.03)
"""What every site's use does in common: its level in the middle of each year."""
MIDDLES = np.arange(len(YEARS)) + 0.5
STEP = 0.0012
"""Standard deviation of what a site's own level moves by in a day."""
JUMP_DAY = "2023-05-15"
WORKS = "2024-01-01"
EARLIEST_WORKS = "2022-03-01"


def folder(
    where: Path,
    *,
    common: float,
    quiet: int,
    verified: int,
    seed: int = 4,
    jump: float = 0.0,
    apart: bool = False,
) -> Portfolio:
    """A portfolio of daily meters: quiet sites, and sites with works in January 2024.

    `jump`: of every site's level on one day; `apart`: works begin at dates between March 2022 and
    January 2024, at each site on its own.
    """
    days = pd.date_range(FIRST, LAST, freq="D")
    random = np.random.default_rng(seed)
    weather = pd.date_range("2018-12-30", "2025-02-02 23:00", freq="h", tz="UTC")
    season = 11 - 9 * np.cos(2 * np.pi * (weather.day_of_year.to_numpy() - 20) / 365.25)
    swing = np.repeat(random.normal(0, 2.5, len(weather) // 24), 24)
    temperature = pd.Series(np.round(season + swing, 2), index=weather)
    daily = temperature.resample("D").mean().loc[FIRST:LAST].to_numpy()
    (where / "meters").mkdir(parents=True)
    (where / "weather").mkdir()
    keys = [f"q{i:02d}" for i in range(quiet)] + [f"v{i}" for i in range(verified)]
    dates = pd.date_range(EARLIEST_WORKS, WORKS, periods=verified).floor("D")
    works = {f"v{i}": date if apart else pd.Timestamp(WORKS) for i, date in enumerate(dates)}
    month = pd.Timedelta(days=30)
    for key in keys:
        own = np.cumsum(random.normal(0, STEP, len(days)))
        drift = common * np.interp(np.arange(len(days)) / 365.25, MIDDLES, YEARS) + own
        drift = drift + jump * (days >= JUMP_DAY)
        use = 300 + 6 * np.maximum(14 - daily, 0) + 90 * (days.day_of_week < 5)
        use = use * (1 + drift) + random.normal(0, 9, len(days))
        if key[0] == "v":
            use = np.where(days > works[key] + month, use * (1 - SAVING), use)
        lines = "\n".join(f"{d:%Y-%m-%d},{v:.2f}" for d, v in zip(days, use, strict=True))
        (where / "meters" / f"{key}.csv").write_text(f"date,kWh\n{lines}\n")
    hours = "\n".join(
        f"{t:%Y-%m-%dT%H:%M:%SZ},{v}" for t, v in zip(weather, temperature, strict=True)
    )
    (where / "weather" / "hill.csv").write_text(f"time,degC\n{hours}\n")
    tables = {
        "portfolio.toml": 'name = "Many"\ncurrency = "EUR"\n',
        "weather.csv": "station,file,temperature_unit\nhill,weather/hill.csv,degC\n",
        "sites.csv": "site,time_zone,weather,operating_week\n"
        + "".join(f"{k},UTC,hill,Mon-Fri\n" for k in keys),
        "meters.csv": "meter,site,carrier,data,file,unit\n"
        + "".join(f"m{k},{k},electricity,interval,meters/{k}.csv,kWh\n" for k in keys),
        "retrofits.csv": "retrofit,site,installation_start,installation_end\n"
        + "".join(f"led-{k},{k},{d:%Y-%m-%d},{d + month:%Y-%m-%d}\n" for k, d in works.items()),
    }
    for name, text in tables.items():
        (where / name).write_text(text)
    return open_portfolio(where)
