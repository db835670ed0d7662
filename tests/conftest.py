"""A portfolio folder written from a few arrays, for tests that run the rooms together."""

from __future__ import annotations

import os
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

os.environ.setdefault("MVREPORT_CACHE", str(Path(__file__).parent / ".mv_cache"))

FIRST, LAST = "2022-01-01", "2024-12-31"
WORKS = ("2023-07-01", "2023-07-31")


def temperatures(first: str = "2021-06-01", last: str = "2025-06-30") -> pd.Series:
    """A year-round hourly temperature with a seed of its own, degC, UTC."""
    hours = pd.date_range(first, f"{last} 23:00", freq="h", tz="UTC")
    random = np.random.default_rng(11)
    day = hours.day_of_year.to_numpy()
    season = 11 - 9 * np.cos(2 * np.pi * (day - 20) / 365.25)
    swing = 3 * np.sin(2 * np.pi * (hours.hour.to_numpy() - 9) / 24)
    weather = np.repeat(random.normal(0, 2.5, len(hours) // 24 + 1), 24)[: len(hours)]
    return pd.Series(np.round(season + swing + weather, 2), index=hours)


def daily_use(saving: float = 0.2, seed: int = 5, base: float = 400.0) -> pd.Series:
    """Daily energy of an invented shop: level, heating slope, working days, noise; `saving` of it
    gone after the works."""
    temperature = temperatures().resample("D").mean().loc[FIRST:LAST]
    days = temperature.index.tz_localize(None)
    random = np.random.default_rng(seed)
    noise = np.zeros(len(days))
    for i, e in enumerate(random.normal(0, 12, len(days))):
        noise[i] = e + 0.3 * (noise[i - 1] if i else 0.0)
    work = days.day_of_week.to_numpy() < 5
    use = base + 9 * np.maximum(14 - temperature.to_numpy(), 0) + 120 * work + noise
    use[days > pd.Timestamp(WORKS[1])] *= 1 - saving
    return pd.Series(use, index=days)


def hourly_use(daily: pd.Series) -> pd.Series:
    """The same energies spread over the hours of each UTC day."""
    shape = np.array([2.0] * 7 + [5.0] * 11 + [3.0] * 6)
    shape /= shape.sum()
    energy = (daily.to_numpy()[:, None] * shape[None, :]).ravel()
    return pd.Series(
        energy, index=pd.date_range(daily.index[0], periods=len(energy), freq="h", tz="UTC")
    )


def interval_csv(energy: pd.Series) -> str:
    """Long CSV of an hourly UTC series."""
    stamps = energy.index.strftime("%Y-%m-%dT%H:%M:%SZ")
    rows = [f"{t},{v:.4f}" for t, v in zip(stamps, energy.to_numpy(), strict=True)]
    return "\n".join(["time,kWh", *rows]) + "\n"


def bills_csv(daily: pd.Series, cost: float | None = None) -> str:
    """Monthly bills of a daily series; read dates are firsts of months."""
    monthly = daily.resample("MS").sum()
    lines = ["start,end,kWh" + (",cost" if cost else "")]
    for start, value in monthly.items():
        end = start + pd.offsets.MonthBegin(1)
        tail = f",{value * cost:.2f}" if cost else ""
        lines.append(f"{start:%Y-%m-%d},{end:%Y-%m-%d},{value:.3f}{tail}")
    return "\n".join(lines) + "\n"


@pytest.fixture(scope="session")
def tools():
    """The functions of this file."""
    from types import SimpleNamespace

    return SimpleNamespace(
        bills_csv=bills_csv,
        daily_use=daily_use,
        hourly_use=hourly_use,
        interval_csv=interval_csv,
        temperatures=temperatures,
        write_folder=write_folder,
    )


Write = Callable[..., Path]


@pytest.fixture
def write_portfolio(tmp_path: Path) -> Write:
    """`write_portfolio(files={...}, tables={...}, settings="...")` writes a folder that is whole
    and lets a test replace any part of it."""
    return lambda **parts: write_folder(tmp_path / "portfolio", **parts)


def write_folder(
    folder: Path,
    *,
    settings: str = "",
    tables: dict[str, str] | None = None,
    files: dict[str, str] | None = None,
) -> Path:
    """Write a portfolio with one shop metered by the hour; tables and files are replaced by
    name, and left out where None."""
    (folder / "meters").mkdir(parents=True)
    (folder / "weather").mkdir()
    weather = temperatures()
    stamps = weather.index.strftime("%Y-%m-%dT%H:%M:%SZ")
    whole = {
        "portfolio.toml": f'name = "Two shops"\ncurrency = "EUR"\n{settings}',
        "sites.csv": "site,name,time_zone,weather,operating_week\nshop,The shop,UTC,hill,Mon-Fri\n",
        "meters.csv": (
            "meter,site,carrier,data,file,unit,stamp,rate\n"
            "m1,shop,electricity,interval,meters/m1.csv,kWh,start,flat\n"
        ),
        "weather.csv": "station,file,temperature_unit\nhill,weather/hill.csv,degC\n",
        "retrofits.csv": (
            "retrofit,site,title,installation_start,installation_end,estimated_savings,"
            "estimated_cost,estimated_incentive,actual_cost,incentive_paid\n"
            f"led,shop,New lamps,{WORKS[0]},{WORKS[1]},40000,9000,1500,9500,1500\n"
        ),
        "rates.toml": "[flat]\nprice = 0.2\n",
    } | (tables or {})
    readings = {
        "meters/m1.csv": interval_csv(hourly_use(daily_use())),
        "weather/hill.csv": "time,degC\n"
        + "\n".join(f"{t},{v}" for t, v in zip(stamps, weather.to_numpy(), strict=True))
        + "\n",
    } | (files or {})
    for name, text in (whole | readings).items():
        if text is not None:
            (folder / name).write_text(text, encoding="utf-8")
    return folder
