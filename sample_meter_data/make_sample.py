"""Writes this folder: an invented harbour authority whose true savings are known.

    python sample_meter_data/make_sample.py [FOLDER]

Each site is a small simulation, run twice with the same weather, the same days of work and the
same disturbances: once as if nothing had been replaced, once with the retrofit.  The difference
is the truth, written day by day to `truth/by_day.csv`; the meter files hold the second run, some of
them with the dirt that meters really have.  Nothing in the package reads that file; tests
compare with it.

The load of a site, in kW at hour t:

    drift(month) × (night base + work load + heating + cooling) × noise(t) + lighting

Lighting burns at lighting hours.  In cooled rooms a part of it must be pumped out again
(`cooling_bonus`), in heated rooms a part of it spares gas (`heat_penalty`).  `drift` wanders by
a per cent or two, as buildings do without any retrofit.

Random numbers come from numpy's `RandomState`, whose stream is frozen for good, so the same
bytes are written everywhere.  Places and people are invented; holidays, clocks and units are
Portugal's.
"""

from __future__ import annotations

import datetime as dt
import sys
from dataclasses import dataclass, field
from itertools import pairwise
from pathlib import Path
from zoneinfo import ZoneInfo

import numpy as np

SEED = 20220101
FIRST, LAST = dt.date(2022, 1, 1), dt.date(2025, 3, 31)
HOURS_BEFORE = 48  # hours of margin before FIRST in UTC, for clocks east and west

# Public holidays of Portugal 2022-2025: fixed dates, then Good Friday, Easter Sunday and Corpus
# Christi.  Written out, so that the files don't change when a library's list does.
FIXED = ["01-01", "04-25", "05-01", "06-10", "08-15", "10-05", "11-01", "12-01", "12-08", "12-25"]
MOVABLE = [
    *("2022-04-15", "2022-04-17", "2022-06-16", "2023-04-07", "2023-04-09", "2023-06-08"),
    *("2024-03-29", "2024-03-31", "2024-05-30", "2025-04-18", "2025-04-20", "2025-06-19"),
]
HOLIDAYS = {dt.date.fromisoformat(f"{y}-{d}") for y in range(2022, 2026) for d in FIXED} | {
    dt.date.fromisoformat(d) for d in MOVABLE
}


@dataclass(frozen=True)
class Lights:
    """One line of lighting: what burns, when, before and after."""

    kw_before: float
    kw_after: float
    first_hour: float
    last_hour: float
    days: str = "operating"
    """operating, all, rest (non-operating), or dark (sunset to sunrise, every day)."""
    cooling_bonus: float = 0.0


@dataclass(frozen=True)
class Place:
    """One simulated site."""

    site: str
    zone: str
    week: str
    """Seven marks, Monday first: x is an operating day."""
    keeps_holidays: bool
    works: tuple[str, str] | None
    lights: tuple[Lights, ...]
    base: float
    """kW at all hours."""
    work: float
    """kW more at work."""
    hours: tuple[float, float]
    """Working hours, local."""
    rest_share: float = 0.0
    """Share of the work load that runs on other days, too."""
    heating: tuple[float, float] = (0.0, 15.0)
    """kW per degC below, at work."""
    cooling: tuple[float, float] = (0.0, 20.0)
    """kW per degC above, at work."""
    cooling_always: tuple[float, float] = (0.0, 20.0)
    """kW per degC above, at all hours."""
    drift: float = 0.012
    closures: tuple[tuple[str, str], ...] = ()
    extra: tuple[tuple[str, str, float], ...] = ()
    """First day, last day, kW more at all hours, with or without the retrofit."""
    gas: dict[str, float] = field(default_factory=dict)


PLACES = (
    Place(
        site="ferry_hall",
        zone="Europe/Lisbon",
        week="xxxxxx.",
        keeps_holidays=True,
        works=("2024-01-15", "2024-03-10"),
        # 96 high bays of 458 W, 140 twin 58 W tubes of 140 W; LED of 160 W and 52 W.
        lights=(
            Lights(96 * 0.458, 96 * 0.160, 5, 22),
            Lights(96 * 0.458, 96 * 0.160, 6, 21, days="rest"),
            Lights(140 * 0.140, 140 * 0.052, 7, 19),
        ),
        base=21,
        work=42,
        hours=(5, 22),
        rest_share=0.55,
        cooling=(4.5, 19),
        extra=(("2024-09-09", "2024-09-15", 31.0),),
        gas={"base": 95.0, "slope": 92.0, "balance": 16.5, "penalty": 0.22},
    ),
    Place(
        site="net_loft",
        zone="Europe/Lisbon",
        week="xxxxx..",
        keeps_holidays=True,
        works=("2024-02-05", "2024-02-23"),
        # 130 twin 58 W tubes on the schedule; 15 of them had long been dark.
        lights=(Lights(115 * 0.140, 130 * 0.050, 7, 17),),
        base=3.2,
        work=9.5,
        hours=(7, 17),
        heating=(0.55, 15),
        closures=(("2023-08-07", "2023-08-18"), ("2024-08-05", "2024-08-16")),
    ),
    Place(
        site="fish_market",
        zone="Europe/Lisbon",
        week=".xxxxx.",
        keeps_holidays=False,
        works=("2024-02-12", "2024-03-22"),
        # 84 metal-halide 250 W (295 W with ballast) to 100 W; 40 twin tubes in the cold rooms.
        lights=(
            Lights(84 * 0.295, 84 * 0.100, 0, 13),
            Lights(40 * 0.140, 40 * 0.056, 0, 13, cooling_bonus=0.30),
        ),
        base=13.5,
        work=20,
        hours=(1.5, 11),
        cooling_always=(0.75, 8),
        closures=(("2023-12-24", "2024-01-02"), ("2024-12-24", "2025-01-02")),
    ),
    Place(
        site="ice_store",
        zone="Europe/Lisbon",
        week="xxxxxx.",
        keeps_holidays=False,
        works=("2024-01-22", "2024-02-02"),
        lights=(Lights(60 * 0.140, 60 * 0.045, 6, 16, cooling_bonus=0.30),),
        base=31,
        work=12,
        hours=(5, 15),
        cooling_always=(2.1, 6),
        drift=0.010,
        extra=(("2024-10-01", "2025-12-31", 3.5),),
    ),
    Place(
        site="harbour_office",
        zone="Europe/Lisbon",
        week="xxxxx..",
        keeps_holidays=True,
        works=("2024-01-10", "2024-02-10"),
        # 260 troffers of 4 x 18 W, 90 W with ballast; panels of 30 W.
        lights=(Lights(260 * 0.090, 260 * 0.030, 7.5, 19),),
        base=6.5,
        work=8.0,
        hours=(8, 18),
        heating=(2.7, 16),
        cooling=(0.6, 22),
        closures=(("2022-12-26", "2022-12-30"), ("2023-12-26", "2023-12-29")),
    ),
    Place(
        site="island_pier",
        zone="Atlantic/Azores",
        week="xxxxxxx",
        keeps_holidays=False,
        works=("2023-10-02", "2023-10-29"),
        # 24 sodium floodlights of 460 W to 165 W; 60 twin tubes in the waiting rooms.
        lights=(
            Lights(24 * 0.460, 24 * 0.165, 0, 24, days="dark"),
            Lights(60 * 0.140, 60 * 0.050, 6, 21, days="all"),
        ),
        base=7.5,
        work=9.0,
        hours=(6, 21),
        cooling=(0.8, 20),
    ),
    Place(
        site="chandlery",
        zone="Europe/Lisbon",
        week="xxxxxx.",
        keeps_holidays=True,
        works=("2023-11-13", "2023-11-24"),
        lights=(Lights(88 * 0.115, 88 * 0.045, 8.5, 19),),
        base=2.4,
        work=3.0,
        hours=(9, 19),
        heating=(0.5, 14),
        cooling=(0.5, 22),
    ),
    Place(
        site="lifeboat_house",
        zone="Europe/Lisbon",
        week="xxxxxxx",
        keeps_holidays=False,
        works=None,
        lights=(Lights(3.2, 3.2, 7, 22),),
        base=4.1,
        work=2.2,
        hours=(8, 20),
        heating=(0.45, 16),
        drift=0.015,
    ),
)

GAS_READS = ["2022-01-12", "2023-01-15", "2024-01-15", "2024-03-11", "2025-03-11"]

STATIONS = {  # mean, yearly swing, daily swing, spell of weather (all degC), noon of the sun in UTC
    "quay": (15.2, 6.6, 3.2, 2.7, 12.6),
    "island": (17.4, 4.3, 1.9, 1.8, 13.7),
}


# -- weather ---------------------------------------------------------------------------------
def hours_utc() -> np.ndarray:
    """All hour starts of the simulation, datetime64[h], UTC."""
    start = np.datetime64(FIRST.isoformat(), "h") - HOURS_BEFORE
    return np.arange(start, np.datetime64(LAST.isoformat(), "h") + 24 + HOURS_BEFORE)


def autoregressive(rng: np.random.RandomState, n: int, memory: float) -> np.ndarray:
    """A standard-normal series that forgets over `memory` steps."""
    keep = np.exp(-1 / memory)
    shocks = rng.standard_normal(n) * np.sqrt(1 - keep**2)
    out = np.empty(n)
    level = rng.standard_normal()
    for i, shock in enumerate(shocks.tolist()):
        level = keep * level + shock
        out[i] = level
    return out


def temperatures(rng: np.random.RandomState, station: str) -> np.ndarray:
    """Hourly temperature, degC, one decimal."""
    mean, yearly, daily, spell, noon = STATIONS[station]
    t = hours_utc()
    day = (t - np.datetime64("2022-01-01T00", "h")).astype(float) / 24
    season = -np.cos(2 * np.pi * (day - 22) / 365.25)
    hour = day % 1 * 24
    sun = np.cos(2 * np.pi * (hour - noon - 2.5) / 24) * (0.8 + 0.2 * season)
    weather = spell * autoregressive(rng, len(t), 70)
    return np.round(mean + yearly * season + daily * sun + weather, 1)


# -- load ------------------------------------------------------------------------------------
@dataclass(frozen=True)
class Clock:
    """Local time of every hour of the simulation."""

    stamps: list[dt.datetime]
    date: np.ndarray
    hour: np.ndarray
    weekday: np.ndarray

    @classmethod
    def of(cls, zone: str) -> Clock:
        """Convert all hours into `zone`."""
        tz = ZoneInfo(zone)
        first = hours_utc()[0].astype("datetime64[s]").item().replace(tzinfo=dt.UTC)
        stamps = [(first + dt.timedelta(hours=i)).astimezone(tz) for i in range(len(hours_utc()))]
        return cls(
            stamps,
            np.array([s.date() for s in stamps], dtype="datetime64[D]"),
            np.array([s.hour for s in stamps], dtype=float),
            np.array([s.weekday() for s in stamps]),
        )


def between(dates: np.ndarray, first: str, last: str) -> np.ndarray:
    """Days from `first` to `last`, both inclusive."""
    return (dates >= np.datetime64(first)) & (dates <= np.datetime64(last))


def operating(place: Place, clock: Clock) -> np.ndarray:
    """Whether each hour belongs to an operating day."""
    marks = np.array([m == "x" for m in place.week])[clock.weekday]
    if place.keeps_holidays:
        marks &= ~np.isin(clock.date, np.array(sorted(HOLIDAYS), dtype="datetime64[D]"))
    for first, last in place.closures:
        marks &= ~between(clock.date, first, last)
    return marks


def share_of_hour(hour: np.ndarray, first: float, last: float) -> np.ndarray:
    """Part of each clock hour that lies between `first` and `last`."""
    return np.clip(np.minimum(hour + 1, last) - np.maximum(hour, first), 0, 1)


def darkness(clock: Clock) -> np.ndarray:
    """Part of each hour between sunset and sunrise, at about 38 degrees north."""
    day = (clock.date - np.datetime64("2022-01-01")).astype(float)
    half_day = 6.05 - 1.25 * np.cos(2 * np.pi * (day + 10) / 365.25)
    summer = np.array([bool(s.dst()) for s in clock.stamps])
    noon = 12.7 + summer
    return 1 - share_of_hour(clock.hour, noon - half_day, noon + half_day)


def progress(place: Place, clock: Clock) -> np.ndarray:
    """Share of the retrofit that is in place: 0 before the works, 1 after."""
    if place.works is None:
        return np.zeros(len(clock.date))
    first, last = (np.datetime64(d) for d in place.works)
    return np.clip((clock.date - first).astype(float) / (last - first).astype(float), 0, 1)


@dataclass(frozen=True)
class Load:
    """Hourly energy without and with the retrofit, kWh, and the days it falls on."""

    clock: Clock
    without: np.ndarray
    with_: np.ndarray
    lights_saved: np.ndarray


def simulate(place: Place, rng: np.random.RandomState, temperature: np.ndarray) -> Load:
    """Run one site twice."""
    clock = Clock.of(place.zone)
    n = len(clock.date)
    works = operating(place, clock)
    share = np.where(works, 1.0, place.rest_share)
    busy = share_of_hour(clock.hour, *place.hours) * share
    load = place.base + busy * (
        place.work
        + place.heating[0] * np.maximum(place.heating[1] - temperature, 0)
        + place.cooling[0] * np.maximum(temperature - place.cooling[1], 0)
    )
    load += place.cooling_always[0] * np.maximum(temperature - place.cooling_always[1], 0)
    drift = 1 + place.drift * autoregressive(rng, n, 24 * 240)
    daily = np.repeat(autoregressive(rng, n // 24 + 1, 3), 24)[:n]
    noise = 1 + 0.030 * daily + 0.035 * autoregressive(rng, n, 3)
    load *= drift * noise
    for first, last, kw in place.extra:
        load += kw * between(clock.date, first, last)

    done = progress(place, clock)
    without, with_ = load.copy(), load.copy()
    for lights in place.lights:
        on = share_of_hour(clock.hour, lights.first_hour, lights.last_hour)
        on = {
            "operating": on * works,
            "rest": on * ~works,
            "all": on,
            "dark": darkness(clock),
        }[lights.days] * (1 + 0.02 * rng.standard_normal(n))
        factor = 1 + lights.cooling_bonus
        without += on * lights.kw_before * factor
        with_ += on * factor * (lights.kw_before + done * (lights.kw_after - lights.kw_before))
    return Load(clock, without, with_, without - with_)


def by_day(clock: Clock, values: np.ndarray) -> dict[dt.date, float]:
    """Sums by local day, kWh."""
    days, index = np.unique(clock.date, return_inverse=True)
    return dict(zip(days.tolist(), np.bincount(index, values).tolist(), strict=True))


def gas_by_day(
    place: Place, load: Load, temperature: np.ndarray, rng: np.random.RandomState
) -> tuple[dict[dt.date, float], dict[dt.date, float]]:
    """Gas without and with the retrofit, kWh a day: the heat that lamps no longer give."""
    days = by_day(load.clock, temperature)
    hours = by_day(load.clock, np.ones(len(temperature)))
    saved = by_day(load.clock, load.lights_saved)
    noise = 1 + 0.06 * autoregressive(rng, len(days), 5)
    without, with_ = {}, {}
    for day, wobble in zip(days, noise.tolist(), strict=True):
        cold = max(place.gas["balance"] - days[day] / hours[day], 0.0)
        without[day] = place.gas["base"] * wobble + place.gas["slope"] * cold * wobble
        with_[day] = without[day] + place.gas["penalty"] * saved[day] * (cold > 0)
    return without, with_


# -- files -----------------------------------------------------------------------------------
def write(path: Path, header: str, lines: list[str]) -> None:
    """One CSV file, line feeds on every system."""
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_text("\n".join([header, *lines, ""]), encoding="utf-8", newline="\n")


def days_from(first: dt.date, last: dt.date = LAST) -> list[dt.date]:
    """All days from `first` to `last`."""
    return [first + dt.timedelta(days=i) for i in range((last - first).days + 1)]


def hourly_lines(load: Load, first: dt.date, utc: bool = False) -> list[str]:
    """`time,kWh`, stamps at the start of the hour, local or UTC."""
    lines = []
    for stamp, value in zip(load.clock.stamps, load.with_.tolist(), strict=True):
        if first <= stamp.date() <= LAST:
            text = (
                f"{stamp.astimezone(dt.UTC):%Y-%m-%dT%H:%MZ}" if utc else f"{stamp:%Y-%m-%d %H:%M}"
            )
            lines.append(f"{text},{value:.2f}")
    return lines


def daily_lines(load: Load, first: dt.date) -> list[str]:
    """`date,kWh`, a row a day."""
    total = by_day(load.clock, load.with_)
    return [f"{day},{total[day]:.1f}" for day in days_from(first)]


def read_dates(first: dt.date, rng: np.random.RandomState) -> list[dt.date]:
    """Days on which a meter reader came, about a month apart."""
    dates = [first]
    while dates[-1] < LAST:
        dates.append(dates[-1] + dt.timedelta(days=int(rng.choice([28, 29, 30, 31, 32, 33]))))
    return dates[:-1]


def reads_between(stops: list[str], rng: np.random.RandomState) -> list[dt.date]:
    """Read dates about a month apart, with a read on each of the days in `stops`."""
    days = [dt.date.fromisoformat(day) for day in stops]
    dates = [days[0]]
    for a, b in pairwise(days):
        n = round((b - a).days / 30.4)
        for k in range(1, n):
            shift = round((b - a).days * k / n) + int(rng.randint(-2, 3))
            dates.append(a + dt.timedelta(days=shift))
        dates.append(b)
    return dates


def bills(
    daily: dict[dt.date, float], dates: list[dt.date]
) -> list[tuple[dt.date, dt.date, float]]:
    """Start, end (the day of the read), energy."""
    return [
        (a, b, sum(daily[d] for d in days_from(a, b - dt.timedelta(days=1))))
        for a, b in pairwise(dates)
    ]


def dirty_half_hours(load: Load, first: dt.date, rng: np.random.RandomState) -> list[str]:
    """`time,kW`, stamps at the end of the half hour, with what a tired logger does to a file."""
    rows: list[list] = []
    for stamp, value in zip(load.clock.stamps, load.with_.tolist(), strict=True):
        if first <= stamp.date() <= LAST:
            wobble = 0.03 * rng.standard_normal()
            for part, kw in ((30, value * (1 + wobble)), (60, value * (1 - wobble))):
                # Local clock time at the end, by way of UTC so that both autumn hours are right.
                end = (stamp.astimezone(dt.UTC) + dt.timedelta(minutes=part)).astimezone(
                    stamp.tzinfo
                )
                rows.append([end, kw])

    def spot(text: str, nth: int = 0) -> int:
        when = dt.datetime.fromisoformat(text)
        return [i for i, r in enumerate(rows) if r[0].replace(tzinfo=None) == when][nth]

    out = [[f"{end:%Y-%m-%d %H:%M}", f"{kw:.2f}"] for end, kw in rows]
    out[spot("2023-06-14 10:30")][1] = "6553.50"  # a spike: the register's largest number
    stuck = spot("2023-09-05 04:00")
    for i in range(stuck, stuck + 2 * 31):  # the same value for 31 hours
        out[i][1] = "41.70"
    dead = spot("2024-07-09 02:30")
    for i in range(dead, dead + 2 * 11):  # eleven hours of zeros: a logger without supply
        out[i][1] = "0.00"
    out[spot("2023-04-18 16:00")][1] = ""
    drop = set(range(spot("2023-11-16 09:00"), spot("2023-11-20 15:30")))  # four days lost
    drop |= set(range(spot("2024-11-05 12:00"), spot("2024-11-05 14:00")))  # two hours lost
    # The second of the two autumn hours overwrote the first, once.
    drop |= {spot("2024-10-27 01:00", 0), spot("2024-10-27 01:30", 0)}
    twice = [spot(f"2023-03-0{d} 08:00") for d in (7, 8, 9)]
    contradicted = spot("2024-05-21 06:30")
    lines = []
    for i, row in enumerate(out):
        if i in drop:
            continue
        lines.append(",".join(row))
        if i in twice:
            lines.append(",".join(row))
        if i == contradicted:
            lines.append(f"{row[0]},{float(row[1]) + 7:.2f}")
    # One upload arrived late and was appended after the next day's.
    late = next(i for i, line in enumerate(lines) if line.startswith("2024-06-12 00:30"))
    lines[late : late + 96] = lines[late + 48 : late + 96] + lines[late : late + 48]
    return lines


def office_bills(load: Load, rng: np.random.RandomState) -> list[str]:
    """Bills with cost and flag; two were estimated and set right by the next read."""
    rows = bills(by_day(load.clock, load.with_), read_dates(FIRST, rng))
    energies = [e for *_, e in rows]
    flags = ["actual"] * len(rows)
    for i, guess in ((7, 0.90), (32, 1.12)):
        shift = energies[i] * (guess - 1)
        energies[i] += shift
        energies[i + 1] -= shift
        flags[i] = "estimated"
    return [
        f"{a},{b},{e:.0f},{round(e) * 0.198 + 1.38 * (b - a).days:.2f},{f}"
        for (a, b, _), e, f in zip(rows, energies, flags, strict=True)
    ]


def make(folder: Path) -> None:
    """Write every generated file: weather, meters and the truth."""
    utc = hours_utc()
    temperature = {
        s: temperatures(np.random.RandomState(SEED + i), s) for i, s in enumerate(STATIONS)
    }
    for station, values in temperature.items():
        first = np.datetime64("2022-01-01T00" if station == "quay" else "2022-09-18T00", "h")
        keep = np.flatnonzero((utc >= first) & (utc < np.datetime64("2025-04-01T01", "h")))
        if station == "quay":  # three hours lost, and once a working day
            lost = [("2023-02-11T04", 3), ("2024-10-19T07", 10)]
            gone = {
                int((np.datetime64(t, "h") - utc[0]).astype(int)) + k
                for t, n in lost
                for k in range(n)
            }
            keep = [i for i in keep if i not in gone]
        write(
            folder / "weather" / f"{station}.csv",
            "time,temperature",
            [f"{utc[i]}:00Z,{values[i]:.1f}" for i in keep],
        )

    loads, truth = {}, []
    for i, place in enumerate(PLACES):
        rng = np.random.RandomState(SEED + 100 + i)
        station = "island" if place.zone == "Atlantic/Azores" else "quay"
        load = loads[place.site] = simulate(place, rng, temperature[station])
        sides = {"electricity": (by_day(load.clock, load.without), by_day(load.clock, load.with_))}
        if place.gas:
            sides["natural_gas"] = gas_by_day(place, load, temperature[station], rng)
        if place.works:
            after = dt.date.fromisoformat(place.works[1]) + dt.timedelta(days=1)
            truth += [
                f"{place.site},{carrier},{day},{without[day]:.1f},{with_[day]:.1f}"
                for carrier, (without, with_) in sides.items()
                for day in days_from(after)
            ]
        if place.gas:
            # The gas supplier read on the days before and after the works.
            dates = reads_between(GAS_READS, rng)
            write(
                folder / "meters" / "ferry_hall_gas.csv",
                "from,to,m3",
                [
                    f"{a},{b},{e / (38.3 / 3.6):.0f}"
                    for a, b, e in bills(sides["natural_gas"][1], dates)
                ],
            )
    write(
        folder / "truth" / "by_day.csv", "site,carrier,date,without_retrofit,with_retrofit", truth
    )

    meters = folder / "meters"
    write(meters / "ferry_hall.csv", "time,kWh", hourly_lines(loads["ferry_hall"], FIRST))
    write(
        meters / "net_loft.csv", "time,kWh", hourly_lines(loads["net_loft"], dt.date(2022, 10, 1))
    )
    write(
        meters / "island_pier.csv",
        "time_utc,kWh",
        hourly_lines(loads["island_pier"], dt.date(2022, 9, 20), utc=True),
    )
    rng = np.random.RandomState(SEED + 200)
    write(
        meters / "fish_market.csv",
        "period_end,kW",
        dirty_half_hours(loads["fish_market"], dt.date(2023, 1, 1), rng),
    )
    for site in ("ice_store", "lifeboat_house"):
        write(meters / f"{site}.csv", "date,kWh", daily_lines(loads[site], FIRST))
    write(
        meters / "harbour_office.csv",
        "from,to,kWh,cost,read",
        office_bills(loads["harbour_office"], rng),
    )
    taken_over = read_dates(dt.date(2023, 5, 17), rng)
    daily = by_day(loads["chandlery"].clock, loads["chandlery"].with_)
    write(
        meters / "chandlery.csv",
        "from,to,kWh",
        [f"{a},{b},{e:.0f}" for a, b, e in bills(daily, taken_over)],
    )


if __name__ == "__main__":
    make(Path(sys.argv[1]) if len(sys.argv) > 1 else Path(__file__).parent)
