"""Two plain scripts that do a small part of the job, to hold the package's speed against.

Both read one site's hourly file and its weather, fit the five change-point forms with operating
days to a year of daily sums by trying change points on a grid, fit an hour-of-week model, sum the
avoided energy of the days after the works, and write a page with three figures.  They know no
bad input, no uncertainty but the fit's own, no events, no demand, no money.

`naive` is written the way one would first: pandas, a formula a model, a figure of hourly points.
`careful` is by someone who has looked at a profile: statsmodels fits on bare arrays over the grid
(of both periods), figures from daily series without a time zone.  Both do a part of the job;
`rival_whole.py` is the careful one grown to the whole of a page.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path

import numpy as np
import pandas as pd

BASELINE = ("2022-07-01", "2023-06-30")
REPORTING = ("2023-08-01", "2024-12-31")
ZONE = "Europe/Lisbon"


@dataclass(frozen=True)
class Answer:
    """What a rival says of one site."""

    avoided: float
    page: str
    table: bytes = b""
    """Days as CSV, where the script writes them."""


def naive(meter: Path, weather: Path) -> Answer:
    """Pandas, statsmodels formulas and plotly figures, step by step."""
    import plotly.graph_objects as go
    import statsmodels.formula.api as smf

    frames = []
    for path, name in ((meter, "kWh"), (weather, "degC")):
        frame = pd.read_csv(path)
        frame["time"] = pd.to_datetime(frame["time"], utc=True).dt.tz_convert(ZONE)
        frames.append(frame.set_index("time")[name])
    hourly = pd.concat(frames, axis=1)
    hourly["hour"] = hourly.index.hour
    hourly["weekday"] = hourly.index.weekday
    daily = hourly.groupby(hourly.index.date).agg({"kWh": "sum", "degC": "mean"})
    daily.index = pd.DatetimeIndex(daily.index)
    daily["works"] = (daily.index.weekday < 5).astype(float)
    base, after = daily.loc[slice(*BASELINE)].copy(), daily.loc[slice(*REPORTING)].copy()

    def with_hinges(frame: pd.DataFrame, c1: float, c2: float) -> pd.DataFrame:
        return frame.assign(
            cold=(c1 - frame["degC"]).clip(lower=0), warm=(frame["degC"] - c2).clip(lower=0)
        )

    grid = np.arange(8.0, 24.0, 1.0)
    best = None
    for c1 in grid:
        for c2 in grid[grid >= c1]:
            for formula in (
                "kWh ~ works + cold",
                "kWh ~ works + warm",
                "kWh ~ works + cold + warm",
            ):
                model = smf.ols(formula, with_hinges(base, c1, c2)).fit()
                if best is None or model.bic < best[0].bic:
                    best = model, c1, c2
    model, c1, c2 = best
    expected = model.predict(with_hinges(after, c1, c2))
    hours = hourly.loc[slice(*BASELINE)].copy()
    hours["week_hour"] = (hours["weekday"] * 24 + hours["hour"]).astype("category")
    by_hour = smf.ols("kWh ~ C(week_hour) + degC", hours).fit()
    figures = [
        go.Figure(go.Scattergl(x=hourly.index, y=hourly["kWh"], name="hourly use")),
        go.Figure(
            [
                go.Scatter(x=after.index, y=after["kWh"], name="measured"),
                go.Scatter(x=after.index, y=expected, name="model"),
            ]
        ),
        go.Figure(go.Scatter(x=hours.index, y=by_hour.resid, name="residuals")),
    ]
    page = "".join(f.to_html(full_html=False, include_plotlyjs=False) for f in figures)
    return Answer(float((expected - after["kWh"]).sum()), page)


def careful(meter: Path, weather: Path) -> Answer:
    """The same with arrays, a model of the reporting period too, and small figures."""
    import plotly.graph_objects as go
    import pyarrow.csv as arrow_csv
    from statsmodels.regression.linear_model import OLS

    table, air = arrow_csv.read_csv(meter), arrow_csv.read_csv(weather)
    stamps = pd.DatetimeIndex(table["time"].to_numpy(), tz="UTC")
    local = stamps.tz_convert(ZONE).tz_localize(None)
    energy, degrees = table["kWh"].to_numpy(), air["degC"].to_numpy()
    day = local.to_numpy().astype("datetime64[D]")
    days, place = np.unique(day, return_inverse=True)
    count = np.bincount(place)
    use, temperature = np.bincount(place, energy), np.bincount(place, degrees) / count
    works = ((days.astype(int) + 3) % 7 < 5).astype(float)

    def within(span: tuple[str, str], stamps: np.ndarray) -> np.ndarray:
        return (stamps >= np.datetime64(span[0])) & (stamps <= np.datetime64(span[1]))

    base, after = within(BASELINE, days), within(REPORTING, days)

    def design(t: np.ndarray, w: np.ndarray, c1: float | None, c2: float | None) -> np.ndarray:
        columns = [np.ones(len(t)), w]
        if c1 is not None:
            columns.append(np.maximum(c1 - t, 0))
        if c2 is not None:
            columns.append(np.maximum(t - c2, 0))
        return np.column_stack(columns)

    def best_model(days_in: np.ndarray):
        t, y, w = temperature[days_in], use[days_in], works[days_in]
        grid = np.arange(np.quantile(t, 0.03), np.quantile(t, 0.97), 0.5)
        tried = [(c, None) for c in grid] + [(None, c) for c in grid]
        tried += [(a, b) for a in grid for b in grid if a <= b]
        fits = ((OLS(y, design(t, w, *points)).fit(), *points) for points in tried)
        return min(fits, key=lambda fit: fit[0].bic)

    (model, c1, c2), _ = best_model(base), best_model(after)
    expected = design(temperature[after], works[after], c1, c2) @ model.params

    inside = within(BASELINE, day)
    week_hour = ((day.astype(int) + 3) % 7 * 24 + local.hour.to_numpy())[inside]
    dummies = np.zeros((inside.sum(), 168))
    dummies[np.arange(len(dummies)), week_hour] = 1
    edges = np.quantile(degrees[inside], [0.1, 0.3, 0.5, 0.7, 0.9])
    pieces = [np.clip(degrees[inside] - a, 0, b - a) for a, b in pairwise(edges)]
    x = np.column_stack([dummies, *pieces])
    by_hour = np.linalg.lstsq(x, energy[inside], rcond=None)[0]
    assert np.isfinite(by_hour).all()

    figures = [
        go.Figure(
            [
                go.Scatter(x=days, y=use, mode="markers", name="measured"),
                go.Scatter(x=days[after], y=expected, name="model"),
            ]
        ),
        go.Figure(go.Scatter(x=temperature, y=use, mode="markers", name="use by temperature")),
        go.Figure(go.Scatter(x=days[after], y=np.cumsum(expected - use[after]), name="avoided")),
    ]
    page = "".join(f.to_html(full_html=False, include_plotlyjs=False) for f in figures)
    return Answer(float((expected - use[after]).sum()), page)
