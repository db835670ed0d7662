"""A reviewer's recomputation: the sample portfolio from its raw files, by another route.

Every site that could be verified is worked out again with pandas, numpy, scipy, statsmodels and
`holidays`, and nothing of this package: its own reading of the files, its own days, periods and
operating days, change points by a grid and scipy's bounded search, residual sums by statsmodels'
Bartlett kernel.  results.json of the main job is held against it.

Taken from results.json is only which *form* was chosen (how it is chosen is tested elsewhere), and
the annual saving in the payback (both models in a normal year are tested elsewhere).  The drift
figures are those of the placebo study that the package ships, written out here again.

Tolerances: 1e-9 where both sides are plain sums; 1e-5 of the adjusted baseline where a change point
was searched, because two searches end within 1e-3 degC of one another; 1e-3 of the model part of
the uncertainty for the same reason.
"""

from __future__ import annotations

import datetime as dt
import json
import math
import os
import subprocess
import sys
from dataclasses import dataclass
from pathlib import Path

import holidays
import numpy as np
import pandas as pd
import pytest
import statsmodels.api as sm
from scipy import optimize, stats
from statsmodels.stats.sandwich_covariance import S_hac_simple

ROOT = Path(__file__).parents[2]
SAMPLE = ROOT / "sample_meter_data"
CONFIDENCE = 0.90
MONTH = 365.25 / 12
DAY = dt.timedelta(days=1)

DRIFT = {  # tau, nu of the placebo study: carrier and granularity, calm sites or all
    ("electricity", "daily", True): (0.037, 2.3),
    ("electricity", "bills", False): (0.039, 2.2),
    ("natural_gas", "bills", False): (0.043, 1.9),
}


@dataclass(frozen=True)
class Place:
    """What the tables of the sample say about one meter, read by eye."""

    file: str
    columns: tuple[str, ...]
    zone: str = "Europe/Lisbon"
    station: str = "quay"
    clock: str | None = None
    """Clock of the file where it isn't the site's."""
    minutes: int = 60
    stamp_minutes: int = 0
    """What to take off a stamp to reach the start of its interval."""
    factor: float = 1.0
    """From the file's value to kWh."""
    carrier: str = "electricity"
    bills: bool = False
    country: str | None = "PT"
    region: str | None = None
    week: str = "1111100"
    closed: tuple[tuple[str, str], ...] = ()
    works: tuple[str, str] = ("", "")
    baseline: str | None = None
    last: str = ""
    left_out: tuple[str, str] | None = None
    added: tuple[str, float, float] | None = None
    """Event: first day, kWh a day, its standard error."""
    price: float | None = None


PLACES = {
    "ferry_hall": Place(
        "ferry_hall.csv", ("time", "kWh"), week="1111110", works=("2024-01-15", "2024-03-10"),
        last="2025-03-10", left_out=("2024-09-09", "2024-09-15"),
    ),
    "net_loft": Place(
        "net_loft.csv", ("time", "kWh"), works=("2024-02-05", "2024-02-23"), last="2025-02-23",
        closed=(("2023-08-07", "2023-08-18"), ("2024-08-05", "2024-08-16")), price=0.214,
    ),
    "fish_market": Place(
        "fish_market.csv", ("period_end", "kW"), minutes=30, stamp_minutes=30, factor=0.5,
        country=None, week="", works=("2024-02-12", "2024-03-22"), last="2025-03-22",
        closed=(("2023-12-24", "2024-01-02"), ("2024-12-24", "2025-01-02")), price=0.186,
    ),
    "ice_store": Place(
        "ice_store.csv", ("date", "kWh"), minutes=1440, country=None, week="1111110",
        works=("2024-01-22", "2024-02-02"), last="2025-02-02", added=("2024-10-01", 84.0, 6.0),
        price=0.186,
    ),
    "island_pier": Place(
        "island_pier.csv", ("time_utc", "kWh"), zone="Atlantic/Azores", station="island",
        clock="UTC", region="20", week="1111111", works=("2023-10-02", "2023-10-29"),
        last="2024-10-28", price=0.205,
    ),
    "harbour_office": Place(
        "harbour_office.csv", ("from", "to", "kWh", "read"), bills=True,
        works=("2024-01-10", "2024-02-10"), baseline="2023-01-03", last="2025-02-11",
        closed=(("2022-12-26", "2022-12-30"), ("2023-12-26", "2023-12-29")), price=0.198,
    ),
    "ferry_hall, gas": Place(
        "ferry_hall_gas.csv", ("from", "to", "m3"), bills=True, carrier="natural_gas",
        factor=38.3 / 3.6, week="1111110", works=("2024-01-15", "2024-03-10"), last="2025-03-10",
    ),
}  # fmt: skip


# -- reading --------------------------------------------------------------------------------
def temperature(place: Place) -> pd.Series:
    """Mean of each local day, degC: gaps of up to six hours by a straight line, days with less
    than nine tenths of their hours left out."""
    table = pd.read_csv(SAMPLE / "weather" / f"{place.station}.csv")
    hours = pd.Series(table["temperature"].to_numpy(), pd.to_datetime(table["time"], utc=True))
    hours = hours.resample("h").mean()
    gap = hours.isna()
    length = gap.groupby((gap != gap.shift()).cumsum()).transform("sum")
    hours = hours.where(~(gap & (length <= 6)), hours.interpolate(limit_area="inside"))
    local = hours.index.tz_convert(place.zone)
    day = pd.DatetimeIndex(local.tz_localize(None).normalize())
    mean, count = hours.groupby(day).mean(), hours.groupby(day).count()
    return mean.where(count >= 0.9 * hours_of(mean.index, place.zone))


def hours_of(days: pd.DatetimeIndex, zone: str) -> np.ndarray:
    """Hours of each local day: 23, 24 or 25."""
    start = days.tz_localize(zone, nonexistent="shift_forward", ambiguous=True)
    end = (days + pd.Timedelta(days=1)).tz_localize(
        zone, nonexistent="shift_forward", ambiguous=True
    )
    return ((end - start) / pd.Timedelta(hours=1)).to_numpy(float)


def daily_energy(place: Place) -> pd.Series:
    """kWh of each local day; a day with nine tenths of its readings or more counts, scaled."""
    table = pd.read_csv(SAMPLE / "meters" / place.file)
    stamp = pd.to_datetime(table[place.columns[0]])
    if place.clock is not None:
        stamp = stamp.dt.tz_convert(place.zone).dt.tz_localize(None)
    start = stamp - pd.Timedelta(minutes=place.stamp_minutes)
    table = pd.DataFrame({"start": start, "value": table[place.columns[1]] * place.factor})
    # A time that stands twice counts once, and not at all where its values contradict each other;
    # the hour that autumn has twice counts twice.
    if place.clock is None and place.minutes < 1440:
        table = table.sort_values("start", kind="stable")
        day = pd.DatetimeIndex(table["start"].dt.normalize())
        twice = table.duplicated("start", keep=False) & (hours_of(day, place.zone) != 25)
        once = ~table.duplicated(["start", "value"]) & ~table.drop_duplicates()["start"].duplicated(
            keep=False
        ).reindex(table.index, fill_value=False)
        table = table[~twice | once]
    value = table["value"]
    # These meters run all night: a zero is a reading that failed, and so is one value for a day.
    value = value.where((value > 0) & (value <= 5 * value.quantile(0.995)))
    same = value.groupby((value != value.shift()).cumsum()).transform("size")
    value = value.where(same * place.minutes < max(1440, 2 * place.minutes))
    day = table["start"].dt.normalize()
    total, count = value.groupby(day).sum(), value.groupby(day).count()
    total = total.asfreq("D")
    share = count.reindex(total.index).fillna(0) / (
        np.ones(len(total))
        if place.minutes == 1440
        else hours_of(total.index, place.zone) * 60 / place.minutes
    )
    return (total / share).where(share >= 0.9)


def bills(place: Place) -> pd.DataFrame:
    """start, end (exclusive) and kWh; an estimated bill is joined with the next one."""
    table = pd.read_csv(SAMPLE / "meters" / place.file)
    rows, open_ = [], None
    for _, row in table.iterrows():
        start, end, energy = row[place.columns[0]], row[place.columns[1]], row[place.columns[2]]
        if open_ is not None:
            start, energy = open_[0], energy + open_[1]
        open_ = (start, energy) if row.get("read") == "estimated" else None
        if open_ is None:
            rows.append((pd.Timestamp(start), pd.Timestamp(end), energy * place.factor))
    return pd.DataFrame(rows, columns=["start", "end", "energy"])


def operating(place: Place, days: pd.DatetimeIndex, energy: pd.Series | None) -> np.ndarray:
    """1 on operating days: the week, less public holidays and closures.  An undeclared week is
    told from the baseline: weekdays nearer to the busiest than to the quietest operate."""
    week = np.array([c == "1" for c in place.week])
    if not place.week:
        mean = energy.groupby(energy.index.day_of_week).mean().to_numpy()
        week = mean > (mean.max() + mean.min()) / 2
    flag = week[days.day_of_week].copy()
    if place.country:
        years = range(days[0].year, days[-1].year + 1)
        known = holidays.country_holidays(place.country, subdiv=place.region, years=years)
        flag &= ~np.array([d.date() in known for d in days])
    for first, last in place.closed:
        flag &= ~((days >= first) & (days <= last))
    return flag.astype(float)


# -- rows of both periods -------------------------------------------------------------------
def rows_of(place: Place) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Baseline and reporting rows: start, end, days, energy a day, T, operating, daily (list)."""
    degrees = temperature(place)
    first_works, last_works = (pd.Timestamp(d) for d in place.works)
    begin = pd.Timestamp(place.baseline or first_works - pd.DateOffset(years=1))
    finish = pd.Timestamp(place.last)
    if place.bills:
        rows = bills(place)
        days = pd.date_range(rows["start"].min(), rows["end"].max(), freq="D")
        works_days = pd.Series(operating(place, days, None), days)
        span = [pd.date_range(a, b - DAY) for a, b in zip(rows["start"], rows["end"], strict=True)]
        rows["days"] = [float(len(s)) for s in span]
        rows["energy"] /= rows["days"]
        rows["daily"] = [degrees.reindex(s).dropna().to_numpy() for s in span]
        rows["T"] = [d.mean() for d in rows["daily"]]
        rows["operating"] = [works_days[s].mean() for s in span]
        middle = rows["start"] + (rows["end"] - rows["start"]) / 2
        before = (middle >= begin) & (rows["end"] <= first_works)
        after = (rows["start"] > last_works) & (middle <= finish)
        return rows[before], rows[after]
    energy = daily_energy(place)
    days = energy.index
    known = energy[(days >= begin) & (days < first_works)]
    rows = pd.DataFrame(
        {
            "start": days,
            "end": days + DAY,
            "days": 1.0,
            "energy": energy.to_numpy(),
            "T": degrees.reindex(days).to_numpy(),
            "operating": operating(place, days, known),
        }
    )
    good = rows["energy"].notna() & rows["T"].notna()
    if place.left_out:
        good &= ~rows["start"].between(*place.left_out)
    before = (rows["start"] >= begin) & (rows["start"] < first_works)
    after = (rows["start"] > last_works) & (rows["start"] <= finish)
    return rows[before & good], rows[after & good]


# -- the model ------------------------------------------------------------------------------
class Model:
    """Least squares of one named form, its change point searched by grid and scipy."""

    def __init__(self, form: str, terms: set[str], rows: pd.DataFrame) -> None:
        self.form, self.terms = form, terms
        mean = rows["T"]
        grid = np.linspace(mean.min() + 0.5, mean.max() - 0.5, 400)
        sse = [self._sse(rows, c) for c in grid]
        best = int(np.argmin(sse))
        # Slopes that differ by kind of day stand at the change point of the form without them.
        around = grid[max(best - 1, 0)], grid[min(best + 1, len(grid) - 1)]
        found = optimize.minimize_scalar(
            lambda c: self._sse(rows, c), bounds=around, method="bounded", options={"xatol": 1e-9}
        )  # fmt: skip
        self.change_point = float(found.x)
        self.fit = self._fit(rows, self.change_point)
        self.parameters = self.design(rows, self.change_point).shape[1] + 1
        self.residuals = rows["energy"].to_numpy() - self.predict(rows)

    def design(self, rows: pd.DataFrame, c: float, *, by_day: bool = True) -> np.ndarray:
        columns = [np.ones(len(rows))]
        op, t = rows["operating"].to_numpy(), rows["T"].to_numpy()
        if "operating" in self.terms:
            columns.append(op)
        if self.form == "HDD":
            columns.append(np.array([np.maximum(c - d, 0).mean() for d in rows["daily"]]))
        if self.form in ("3PH", "4P") and ("heating" in self.terms or not by_day):
            columns.append(np.maximum(c - t, 0))
        if self.form in ("3PC", "4P") and ("cooling" in self.terms or not by_day):
            columns.append(np.maximum(t - c, 0))
        if by_day and "heating on operating days" in self.terms:
            columns.append(op * np.maximum(c - t, 0))
        if by_day and "cooling on operating days" in self.terms:
            columns.append(op * np.maximum(t - c, 0))
        return np.column_stack(columns)

    def _sse(self, rows: pd.DataFrame, c: float) -> float:
        root = np.sqrt(rows["days"].to_numpy())
        x, y = root[:, None] * self.design(rows, c, by_day=False), root * rows["energy"].to_numpy()
        return float(((y - x @ np.linalg.lstsq(x, y, rcond=None)[0]) ** 2).sum())

    def _fit(self, rows: pd.DataFrame, c: float):
        return sm.WLS(rows["energy"].to_numpy(), self.design(rows, c), rows["days"]).fit()

    def predict(self, rows: pd.DataFrame) -> np.ndarray:
        return self.design(rows, self.change_point) @ self.fit.params


def days_since(stamps: pd.Series) -> np.ndarray:
    return ((stamps - pd.Timestamp("1970-01-01")) / pd.Timedelta(days=1)).to_numpy(float)


def level(model: Model, rows: pd.DataFrame) -> float:
    """Seven tenths of the mean residual, weighted by halves every 45 days before the end."""
    start, end = days_since(rows["start"]), days_since(rows["end"])
    weight = 2 ** ((end - end.max()) / 45) - 2 ** ((start - end.max()) / 45)
    return 0.7 * float(np.average(model.residuals, weights=weight))


def kernel(values: np.ndarray, place: np.ndarray, lags: int) -> float:
    """Bartlett-weighted sum of squares and cross products, missing places as zeros."""
    whole = np.zeros(int(place[-1] - place[0]) + 1)
    whole[(place - place[0]).astype(int)] = values
    return float(np.squeeze(S_hac_simple(whole[:, None], nlags=lags)))


def model_part(model: Model, before: pd.DataFrame, after: pd.DataFrame, of_bills: bool) -> float:
    """Standard deviation of the modelled sum less the measured one, Student widening included."""
    x, weight = model.design(before, model.change_point), before["days"].to_numpy()
    g = after["days"].to_numpy() @ model.design(after, model.change_point)
    gain = x @ np.linalg.solve(x.T @ (weight[:, None] * x), g)
    total = weight * model.residuals
    n, free = len(before), len(before) - model.parameters
    place = np.arange(n) if of_bills else days_since(before["start"])
    lags = 3 if of_bills else 30
    rows = after["days"].sum() / weight.mean()
    noise = rows * kernel(total, place, lags) / free
    variance = kernel(gain * total, place, lags) * n / free + noise
    upper = (1 + CONFIDENCE) / 2
    return math.sqrt(variance) * stats.t.ppf(upper, free) / stats.norm.ppf(upper)


def calm(model: Model, before: pd.DataFrame, span: int) -> bool:
    """No level shift above a tenth, scatter below 30 %, 95 % of the days there."""
    e, mean = model.residuals, before["energy"].mean()
    shift = max(abs(e[k:].mean() - e[:k].mean()) for k in range(30, len(e) - 29)) / mean
    scatter = math.sqrt(float(e @ e) / (len(e) - model.parameters)) / mean
    return shift <= 0.10 and scatter <= 0.30 and len(e) / span >= 0.95


def horizon(place: Place) -> float:
    """Growth of the drift with the length of the periods: a level that walks at random."""
    first, last = (pd.Timestamp(d) for d in place.works)
    begin = pd.Timestamp(place.baseline or first - pd.DateOffset(years=1))
    lengths = (first - begin, last - first + DAY, pd.Timestamp(place.last) - last)

    def variance(b: float, g: float, m: float) -> float:
        part = b / 3
        if place.carrier == "electricity":  # seven tenths of the level is that of the last weeks
            age = 45 / math.log(2) / MONTH
            part = 0.3**2 * b / 3 + 0.7**2 * age / 2 + 2 * 0.7 * 0.3 * (age - age**2 / b)
        return part + g + m / 3

    here = variance(*(length.days / MONTH for length in lengths))
    return max(1.0, math.sqrt(here / variance(12, 0, 12)))


# -- the main job, and each site against it -------------------------------------------------
@pytest.fixture(scope="module")
def whole(tmp_path_factory) -> dict:
    """results.json of the main job on the sample."""
    out = tmp_path_factory.mktemp("independent") / "report"
    subprocess.run(
        [sys.executable, "-m", "mv", "report", SAMPLE, "--out", out, "--no-cache"],
        cwd=out.parent,
        env=os.environ | {"PYTHONPATH": str(ROOT)},
        check=True,
        capture_output=True,
    )
    return json.loads((out / "results.json").read_text(encoding="utf-8"))


@pytest.fixture(scope="module")
def totals(whole) -> dict:
    """The total of electricity."""
    (total,) = whole["totals"]
    return total


@pytest.fixture(scope="module")
def results(whole) -> dict[str, dict]:
    """Each site's results; the ferry hall's gas on its own."""
    found = {s["site"]: s for s in whole["sites"]}
    found["ferry_hall, gas"] = found["ferry_hall"]["others"][0]
    return found


@dataclass(frozen=True)
class Recomputed:
    """One site by the other route."""

    place: Place
    before: pd.DataFrame
    after: pd.DataFrame
    model: Model
    level: float
    adjusted: float
    measured: float
    adjustment: float
    adjustment_se: float

    @property
    def avoided(self) -> float:
        return self.adjusted - self.measured + self.adjustment


def recompute(name: str, result: dict) -> Recomputed:
    place = PLACES[name]
    before, after = rows_of(place)
    model = Model(result["model"]["form"], set(result["model"]["coefficients"]), before)
    correction = level(model, before) if place.carrier == "electricity" else 0.0
    days = after["days"].to_numpy()
    adjustment = error = 0.0
    if place.added:
        first, change, standard_error = place.added
        touched = float((after["start"] >= first).sum())
        adjustment, error = change * touched, standard_error * touched
    return Recomputed(
        place=place,
        before=before,
        after=after,
        model=model,
        level=correction,
        adjusted=float(days @ (model.predict(after) + correction)),
        measured=float(days @ after["energy"].to_numpy()),
        adjustment=adjustment,
        adjustment_se=error,
    )


@pytest.fixture(scope="module")
def routes(results) -> dict[str, Recomputed]:
    return {name: recompute(name, results[name]) for name in PLACES}


def test_every_site_that_was_verified_is_recomputed(results):
    verified = {
        s for s, r in results.items() if r.get("role") == "retrofit" and r["avoided_energy"]
    }
    assert verified == set(PLACES) - {"ferry_hall, gas"}


@pytest.mark.parametrize("name", PLACES)
def test_days_of_both_periods(name, results, routes):
    periods, mine = results[name]["periods"], routes[name]
    assert periods["baseline_days_used"] == mine.before["days"].sum()
    assert periods["reporting_days_used"] == mine.after["days"].sum()
    assert results[name]["measured"] == pytest.approx(mine.measured, rel=1e-9)
    use = float(mine.before["days"] @ mine.before["energy"])
    assert results[name]["baseline_energy"] == pytest.approx(use, rel=1e-9)


@pytest.mark.parametrize("name", PLACES)
def test_the_baseline_model(name, results, routes):
    told, mine = results[name]["model"], routes[name]
    assert told["change_points"] == [pytest.approx(mine.model.change_point, abs=1e-3)]
    scale = float(mine.before["energy"].mean())
    found = list(told["coefficients"].values())
    assert found == pytest.approx(list(mine.model.fit.params), abs=1e-5 * scale, rel=1e-3)
    assert told["level_correction"] == pytest.approx(mine.level, abs=1e-5 * scale)
    assert told["r2"] == pytest.approx(mine.model.fit.rsquared, abs=1e-6)


@pytest.mark.parametrize("name", PLACES)
def test_adjusted_baseline_and_avoided_energy(name, results, routes):
    told, mine = results[name], routes[name]
    close = 1e-5 * mine.adjusted
    assert told["adjusted_baseline"] == pytest.approx(mine.adjusted, abs=close)
    assert told["non_routine_adjustment"] == pytest.approx(mine.adjustment, rel=1e-9, abs=1e-9)
    assert told["avoided_energy"]["value"] == pytest.approx(mine.avoided, abs=close)


@pytest.mark.parametrize("name", PLACES)
def test_the_interval_and_the_verdict(name, results, routes):
    told, mine = results[name], routes[name]
    place = mine.place
    part = model_part(mine.model, mine.before, mine.after, place.bills)
    assert told["uncertainty"]["model_part"] == pytest.approx(part, rel=1e-3)

    span = (pd.Timestamp(place.works[0]) - mine.before["start"].min()).days
    is_calm = not place.bills and calm(mine.model, mine.before, span)
    tau, nu = DRIFT[place.carrier, "bills" if place.bills else "daily", is_calm]
    tau *= horizon(place)
    last = mine.before["end"].max() - DAY
    tau *= 1.125 if last.month in (9, 10, 11) else 1.0
    assert told["uncertainty"]["drift_tau"] == pytest.approx(tau, rel=1e-9)

    upper = (1 + CONFIDENCE) / 2
    core = stats.t.ppf(upper, nu) * math.hypot(part, tau * mine.adjusted)
    half = math.hypot(core, stats.norm.ppf(upper) * mine.adjustment_se)
    assert told["uncertainty"]["half_width"] == pytest.approx(half, rel=1e-4)
    low, high = mine.avoided - half, mine.avoided + half
    assert told["avoided_energy"]["low"] == pytest.approx(low, abs=1e-4 * half)
    assert told["avoided_energy"]["high"] == pytest.approx(high, abs=1e-4 * half)
    shown = "savings shown" if low > 0 else "use increased" if high < 0 else "not distinguishable"
    assert told["verdict"] == shown


@pytest.mark.parametrize("name", [n for n, p in PLACES.items() if p.price])
def test_money_of_sites_with_one_price(name, results, routes):
    told, mine = results[name]["money"], routes[name]
    worth = mine.avoided * mine.place.price
    close = 1e-5 * mine.adjusted * mine.place.price
    assert told["cost_savings"]["value"] == pytest.approx(worth, abs=close)
    table = pd.read_csv(SAMPLE / "retrofits.csv").set_index("site").loc[name]
    net = table["actual_cost"] - table["incentive_paid"]
    assert told["net_cost"] == net
    annual = results[name]["annual"]["verified_savings"]["value"] * mine.place.price
    assert told["simple_payback_realised"]["months"] == pytest.approx(12 * net / annual, rel=1e-6)


def test_money_of_the_ferry_hall_by_time_of_use(results, routes):
    """Peak is 9 to 12 and 18 to 21 on Mondays to Fridays that are no public holiday."""
    mine = routes["ferry_hall"]
    table = pd.read_csv(SAMPLE / "meters" / "ferry_hall.csv", parse_dates=["time"])
    table = table[table["time"].dt.normalize().isin(mine.after["start"])]
    hour, weekday = table["time"].dt.hour, table["time"].dt.day_of_week
    kept = holidays.country_holidays("PT", years=(2024, 2025))
    free = table["time"].dt.date.isin(list(kept))
    peak = (weekday < 5) & ~free & (hour.between(9, 11) | hour.between(18, 20))
    lines = {line["name"]: line for line in results["ferry_hall"]["money"]["cost_lines"]}
    for name, which, price in (("peak", peak, 0.221), ("off_peak", ~peak, 0.153)):
        cost = float(table.loc[which, "kWh"].sum()) * price
        assert lines[f"energy, {name}"]["measured_cost"] == pytest.approx(cost, rel=1e-9)
    energy = lines["energy, peak"]["baseline_cost"] / 0.221
    energy += lines["energy, off_peak"]["baseline_cost"] / 0.153
    assert energy == pytest.approx(mine.adjusted, rel=1e-5)


def test_the_total(totals, results, routes):
    """Half-widths in quadrature with 0.8 % of the adjusted baselines that all sites share."""
    names = [n for n in PLACES if n != "ferry_hall, gas"]
    adjusted = sum(routes[n].adjusted for n in names)
    halves = [results[n]["uncertainty"]["half_width"] for n in names]
    common = stats.norm.ppf((1 + CONFIDENCE) / 2) * 0.008 * adjusted
    told = totals["avoided_energy"]
    assert told["value"] == pytest.approx(sum(routes[n].avoided for n in names), rel=1e-5)
    half = math.hypot(*halves, common)
    assert told["high"] - told["value"] == pytest.approx(half, rel=1e-9)
    straight = totals["conservative"]["high"] - totals["conservative"]["value"]
    assert straight == pytest.approx(sum(halves) + common, rel=1e-9)
