"""The careful plain script of `rivals.py`, grown to what a site's page holds.

The same reading and the same fits on bare arrays, and further: kinds of day beside the working
week, standard errors that allow for autocorrelation (HAC), the hour-of-week model of both periods,
monthly peaks, cash over fifteen years, a page of sixteen figures with the series that our charts
show, and the table of days.  It still knows no bad input, no drift, no events, no rates but one
price, no findings and no trail of its figures.
"""

from __future__ import annotations

import io
from itertools import pairwise
from pathlib import Path

import numpy as np
import pandas as pd
from rivals import BASELINE, REPORTING, ZONE, Answer

PRICE, COST, ESTIMATE, LIFE_MONTHS = 0.2, 18_000.0, 30_000.0, 180
Z = 1.645


def careful_whole(meter: Path, weather: Path) -> Answer:
    """Read, fit, draw and write one site."""
    import plotly.graph_objects as go
    import pyarrow as pa
    import pyarrow.csv as arrow_csv
    from statsmodels.regression.linear_model import OLS

    table, air = arrow_csv.read_csv(meter), arrow_csv.read_csv(weather)
    stamps = pd.DatetimeIndex(table["time"].to_numpy(), tz="UTC")
    local = stamps.tz_convert(ZONE).tz_localize(None).to_numpy()
    energy, degrees = table["kWh"].to_numpy(), air["degC"].to_numpy()
    day = local.astype("datetime64[D]")
    hour = ((local - day) / np.timedelta64(1, "h")).astype(int)
    days, place = np.unique(day, return_inverse=True)
    use = np.bincount(place, energy)
    temperature = np.bincount(place, degrees) / np.bincount(place)
    weekday = (days.astype(int) + 3) % 7
    works = weekday < 5
    month = days.astype("datetime64[M]")

    def within(span: tuple[str, str], when: np.ndarray) -> np.ndarray:
        return (when >= np.datetime64(span[0])) & (when <= np.datetime64(span[1]))

    base, after = within(BASELINE, days), within(REPORTING, days)
    kinds = {
        "all days alike": np.zeros((len(days), 0)),
        "working days": works[:, None].astype(float),
        "Saturdays too": np.column_stack([works, weekday == 5]).astype(float),
    }

    def design(rows: np.ndarray, kind: str, c1: float | None, c2: float | None) -> np.ndarray:
        t = temperature[rows]
        columns = [np.ones((len(t), 1)), kinds[kind][rows]]
        if c1 is not None:
            columns.append(np.maximum(c1 - t, 0)[:, None])
        if c2 is not None:
            columns.append(np.maximum(t - c2, 0)[:, None])
        return np.hstack(columns)

    def best_of_each_form(rows: np.ndarray) -> list[tuple]:
        """Fit, kind of day and change points: of each form the best, by BIC."""
        t, y = temperature[rows], use[rows]
        grid = np.arange(np.quantile(t, 0.03), np.quantile(t, 0.97), 0.5)
        forms = [
            [(None, None)],
            [(c, None) for c in grid],
            [(None, c) for c in grid],
            [(c, c) for c in grid],
            [(a, b) for a in grid for b in grid if a < b],
        ]
        found = []
        for points in forms:
            tried = ((OLS(y, design(rows, "working days", *p)).fit(), p) for p in points)
            _, best = min(tried, key=lambda fit: fit[0].bic)
            of_kinds = ((OLS(y, design(rows, k, *best)).fit(), k, *best) for k in kinds)
            found.append(min(of_kinds, key=lambda fit: fit[0].bic))
        return found

    candidates = best_of_each_form(base)
    plain, kind, c1, c2 = min(candidates, key=lambda fit: fit[0].bic)
    later = min(best_of_each_form(after), key=lambda fit: fit[0].bic)
    model = plain.get_robustcov_results("HAC", maxlags=7)
    everywhere = np.ones(len(days), bool)
    x = design(everywhere, kind, c1, c2)
    modelled = x @ model.params
    saved = (modelled - use)[after]
    total = saved.sum()

    def half_width(covariance: np.ndarray, rows: np.ndarray) -> float:
        sums = rows.sum(axis=0)
        return float(Z * np.sqrt(sums @ covariance @ sums + len(rows) * plain.mse_resid))

    half = half_width(model.cov_params(), x[after])
    running = np.cumsum(x[after], axis=0)
    spread = np.einsum("ij,jk,ik->i", running, model.cov_params(), running)
    halves = Z * np.sqrt(spread + np.arange(1, after.sum() + 1) * plain.mse_resid)

    def hourly(span: tuple[str, str]) -> np.ndarray:
        """Coefficients of the hour-of-week model."""
        inside = within(span, day)
        return np.linalg.lstsq(hour_design(inside), energy[inside], rcond=None)[0]

    week_hour = (day.astype(int) + 3) % 7 * 24 + hour
    edges = np.quantile(degrees[within(BASELINE, day)], [0.1, 0.3, 0.5, 0.7, 0.9])

    def hour_design(inside: np.ndarray) -> np.ndarray:
        dummies = np.zeros((inside.sum(), 168))
        dummies[np.arange(len(dummies)), week_hour[inside]] = 1
        pieces = [np.clip(degrees[inside] - a, 0, b - a) for a, b in pairwise(edges)]
        return np.column_stack([dummies, *pieces])

    by_hour, by_hour_later = hourly(BASELINE), hourly(REPORTING)
    inside = within(REPORTING, day)
    expected_load = hour_design(inside) @ by_hour
    hour_month = day.astype("datetime64[M]")
    months = np.unique(month[after])
    at_month = np.searchsorted(months, hour_month[inside])
    peaks = np.full((2, len(months)), -np.inf)
    np.maximum.at(peaks[0], at_month, expected_load)
    np.maximum.at(peaks[1], at_month, energy[inside])

    profiles = {}
    hour_works = (day.astype(int) + 3) % 7 < 5
    for name, period in (("before", within(BASELINE, day)), ("after", inside)):
        for kind_of_day, which in (("working", hour_works), ("other", ~hour_works)):
            rows = period & which
            profiles[f"{name}, {kind_of_day} day"] = np.bincount(
                hour[rows], energy[rows], 24
            ) / np.bincount(hour[rows], minlength=24)
    week = (day.astype(int) + 3) // 7
    weeks, at_week = np.unique(week, return_inverse=True)
    cells = at_week * 24 + hour
    heat = np.bincount(cells, energy, len(weeks) * 24) / np.maximum(
        np.bincount(cells, minlength=len(weeks) * 24), 1
    )

    at = np.searchsorted(months, month[after])
    measured_monthly, modelled_monthly = (
        np.bincount(at, use[after]),
        np.bincount(at, modelled[after]),
    )
    last = np.flatnonzero(np.diff(at, append=len(months)))
    residual = (use - modelled)[base]
    base_months, at_base = np.unique(month[base], return_inverse=True)
    by_month = np.bincount(at_base, residual) / np.bincount(at_base)
    bins = np.floor(temperature[base] / 5).astype(int)
    steps, at_step = np.unique(bins, return_inverse=True)
    by_step = np.bincount(at_step, residual) / np.bincount(at_step)
    grid = np.linspace(temperature[base].min(), temperature[base].max(), 41)
    levels = [model.params[0], model.params[0] + (model.params[1] if kinds[kind].shape[1] else 0)]
    slopes = iter(model.params[1 + kinds[kind].shape[1] :])
    shape = np.zeros(len(grid))
    if c1 is not None:
        shape = shape + next(slopes) * np.maximum(c1 - grid, 0)
    if c2 is not None:
        shape = shape + next(slopes) * np.maximum(grid - c2, 0)
    a_year = total / after.sum() * 365
    under_each = [
        float((design(after, k, a, b) @ fit.params - use[after]).sum())
        for fit, k, a, b in candidates
    ]
    life = np.arange(LIFE_MONTHS + 1)
    cash = {
        name: saving * PRICE / 12 * life - COST
        for name, saving in (
            ("estimate", ESTIMATE),
            ("realised", a_year),
            ("low", a_year * (1 - half / abs(total))),
            ("high", a_year * (1 + half / abs(total))),
        )
    }
    week_mean = np.ones(7) / 7

    def line(x, y, name, **rest):
        return go.Scatter(x=x, y=y, name=name, mode="lines", **rest)

    def dots(x, y, name):
        return go.Scatter(x=x, y=y, name=name, mode="markers")

    def band(x, low, high):
        x, y = np.concatenate([x, x[::-1]]), np.concatenate([high, low[::-1]])
        return line(x, y, "range", fill="toself")

    def steps_of(start: float, end: float) -> list:
        parts = [("estimated", "absolute"), ("measures", "relative"), ("verified", "total")]
        return [
            go.Waterfall(
                x=[name for name, _ in parts],
                measure=[how for _, how in parts],
                y=[start, end - start, 0],
            )
        ]

    baseline_years = COST / (ESTIMATE * PRICE), COST / (a_year * PRICE)
    ones, avoided = np.ones(len(months)), np.cumsum(saved)
    figures = [
        [
            go.Bar(x=months, y=np.bincount(at, minlength=len(months)), name="used"),
            go.Bar(x=base_months, y=np.bincount(at_base), name="used, baseline"),
        ],
        [
            dots(temperature[base], use[base], "before"),
            dots(temperature[after], use[after], "after"),
            *(line(grid, level + shape, "model") for level in levels),
        ],
        [dots(days[base], residual, "day"), line(base_months, by_month, "mean of the month")],
        [dots(temperature[base], residual, "day"), line(steps * 5 + 2.5, by_step, "mean of 5 °C")],
        [dots(under_each, list(range(len(under_each))), "form")],
        [
            go.Bar(x=months, y=measured_monthly, name="measured"),
            line(months, modelled_monthly, "adjusted baseline"),
        ],
        [
            dots(days, use, "measured"),
            dots(days, modelled, "model"),
            line(days, np.convolve(use, week_mean, "same"), "measured, mean of 7 days"),
            line(days, np.convolve(modelled, week_mean, "same"), "model, mean of 7 days"),
        ],
        [
            band(days[after], avoided - halves, avoided + halves),
            line(days[after], avoided, "avoided so far"),
            line(days[after], ESTIMATE / 365 * np.arange(1, len(saved) + 1), "estimate"),
        ],
        [line(np.arange(24), load, name) for name, load in profiles.items()],
        [go.Heatmap(x=weeks, y=np.arange(24), z=heat.reshape(-1, 24).T.round(3))],
        [
            band(months, (avoided - halves)[last], (avoided + halves)[last]),
            dots(months, avoided[last], "avoided so far"),
            line(months, ESTIMATE / 12 * np.cumsum(ones), "estimate"),
        ],
        [
            dots([total], [0], "HAC"),
            dots([half_width(plain.cov_params(), x[after])], [1], "least squares"),
        ],
        [
            band(life, cash["low"], cash["high"]),
            line(life, cash["estimate"], "estimate"),
            line(life, cash["realised"], "realised"),
        ],
        steps_of(ESTIMATE * PRICE, a_year * PRICE),
        steps_of(*baseline_years),
        steps_of(modelled[after].sum() * PRICE, use[after].sum() * PRICE),
    ]
    charts = "".join(
        go.Figure(data).to_html(full_html=False, include_plotlyjs=False) for data in figures
    )
    facts = {
        "avoided": total,
        "half-width": half,
        "a year": a_year,
        "reporting model, BIC": later[0].bic,
        **{f"peak saved {m}": p for m, p in zip(months, peaks[0] - peaks[1], strict=True)},
        **{f"hour {i}": b for i, b in enumerate(by_hour - by_hour_later)},
        **dict(zip(("t", "p"), (model.tvalues[0], model.pvalues[0]), strict=True)),
    }
    rows = "".join(f"<tr><td>{name}</td><td>{value:.4g}</td></tr>" for name, value in facts.items())
    table_of_days = io.BytesIO()
    columns = {"date": days, "measured": use, "modelled": modelled, "temperature": temperature}
    columns |= {"operating": works, "baseline": base, "reporting": after}
    arrow_csv.write_csv(pa.table(columns), table_of_days)
    page = f"<table>{rows}</table>{charts}"
    return Answer(float(total), page, table_of_days.getvalue())
