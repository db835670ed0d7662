"""Large invented portfolios for benchmarks: hourly sites or bill sites, written fast.

Every site gets a use of its own (level, heating and cooling slopes, working days, noise) from one
seed, so that two runs write the same bytes.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np

FIRST, LAST = np.datetime64("2022-01-01T00"), np.datetime64("2025-01-01T00")
WORKS = ("2023-07-01", "2023-07-31")
STATIONS = 4


def hours() -> np.ndarray:
    """Starts of all hours, datetime64[h], UTC."""
    return np.arange(FIRST, LAST)


def temperatures(station: int) -> np.ndarray:
    """Hourly temperature of one station, degC."""
    t = hours()
    random = np.random.default_rng(1000 + station)
    day = (t - t.astype("datetime64[Y]")).astype(float) / 24
    hour = t.astype(np.int64) % 24
    weather = np.repeat(random.normal(0, 2.5, len(t) // 24 + 1), 24)[: len(t)]
    return (
        11
        - 9 * np.cos(2 * np.pi * (day - 20) / 365.25)
        + 3 * np.sin(2 * np.pi * (hour - 9) / 24)
        + weather
    )


def hourly_use(site: int, temperature: np.ndarray) -> np.ndarray:
    """Hourly energy of one site, kWh; a saving of 5 to 30 % after the works."""
    random = np.random.default_rng(site)
    t = hours()
    hour, weekday = t.astype(np.int64) % 24, ((t.astype("datetime64[D]").astype(np.int64)) + 3) % 7
    open_ = (hour >= 7) & (hour < 19) & (weekday < 5)
    use = random.uniform(8, 20) + random.uniform(10, 40) * open_
    use = use + random.uniform(0.2, 1.0) * np.maximum(14 - temperature, 0)
    use = use + random.uniform(0.2, 1.0) * np.maximum(temperature - 18, 0)
    use = use * np.repeat(random.lognormal(0, 0.05, len(t) // 24 + 1), 24)[: len(t)]
    use *= random.lognormal(0, 0.04, len(t))
    use[t >= np.datetime64(WORKS[1])] *= 1 - random.uniform(0.05, 0.30)
    return np.round(use, 3)


def _tables(folder: Path, sites: int, kind: str, unit_of_file: str) -> None:
    (folder / "meters").mkdir(parents=True)
    (folder / "weather").mkdir()
    (folder / "portfolio.toml").write_text('name = "Many sites"\ncurrency = "EUR"\n')
    (folder / "rates.toml").write_text("[flat]\nprice = 0.2\n")
    rows = {
        "sites.csv": ["site,name,time_zone,country,weather,operating_week"],
        "meters.csv": ["meter,site,carrier,data,file,unit,stamp,time_zone,rate"],
        "weather.csv": ["station,file,temperature_unit"],
        "retrofits.csv": [
            "retrofit,site,title,installation_start,installation_end,estimated_savings,"
            "estimated_cost,estimated_incentive,actual_cost,incentive_paid"
        ],
    }
    for s in range(STATIONS):
        rows["weather.csv"].append(f"w{s},weather/w{s}.csv,degC")
    for i in range(sites):
        key = f"s{i:05d}"
        rows["sites.csv"].append(f"{key},Site {i},Europe/Lisbon,PT,w{i % STATIONS},Mon-Fri")
        zone = "UTC" if kind == "interval" else ""
        stamp = "start" if kind == "interval" else ""
        rows["meters.csv"].append(
            f"m{i:05d},{key},electricity,{kind},meters/m{i:05d}.csv,{unit_of_file},{stamp},{zone},flat"
        )
        rows["retrofits.csv"].append(
            f"r{i:05d},{key},Lamps,{WORKS[0]},{WORKS[1]},30000,20000,3000,21000,3000"
        )
    for name, lines in rows.items():
        (folder / name).write_text("\n".join(lines) + "\n")
    stamps = np.datetime_as_string(hours(), unit="s")
    for s in range(STATIONS):
        values = np.char.mod("%.2f", temperatures(s))
        text = "\n".join(f"{t}Z,{v}" for t, v in zip(stamps, values, strict=True))
        (folder / "weather" / f"w{s}.csv").write_text(f"time,degC\n{text}\n")


def write_hourly(folder: Path, sites: int) -> Path:
    """A portfolio of `sites` sites with three years of hourly readings, one CSV a meter."""
    import pyarrow as pa
    import pyarrow.csv as pc

    _tables(folder, sites, "interval", "kWh")
    stamps = pa.array([f"{t}Z" for t in np.datetime_as_string(hours(), unit="s")])
    weather = [temperatures(s) for s in range(STATIONS)]
    for i in range(sites):
        energy = pa.array(hourly_use(i, weather[i % STATIONS]))
        table = pa.table({"time": stamps, "kWh": energy})
        options = pc.WriteOptions(quoting_style="none")
        pc.write_csv(table, folder / "meters" / f"m{i:05d}.csv", options)
    return folder


def write_bills(folder: Path, sites: int) -> Path:
    """A portfolio of `sites` sites with three years of monthly bills."""
    _tables(folder, sites, "bills", "kWh")
    t = hours()
    month = t.astype("datetime64[M]")
    months, place = np.unique(month, return_inverse=True)
    weather = [temperatures(s) for s in range(STATIONS)]
    starts = months.astype("datetime64[D]")
    ends = (months + 1).astype("datetime64[D]")
    for i in range(sites):
        total = np.bincount(place, hourly_use(i, weather[i % STATIONS]))
        lines = [f"{a},{b},{v:.1f}" for a, b, v in zip(starts, ends, total, strict=True)]
        text = "\n".join(["start,end,kWh", *lines])
        (folder / "meters" / f"m{i:05d}.csv").write_text(text + "\n")
    return folder
