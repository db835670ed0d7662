"""What did the model miss?  Measured less modelled use in the baseline period, over time and
against temperature."""

from __future__ import annotations

import numpy as np

from mv.report.charts.base import (
    Chart,
    NotDrawn,
    Table,
    axis,
    chart,
    date_axis,
    layout,
    line,
    numbers,
    points,
    rule,
)
from mv.report.charts.view import SiteView
from mv.report.format import MONTHS, Say, share


def _residuals(view: SiteView) -> tuple[np.ndarray, np.ndarray] | None:
    """Mask of baseline rows and their residuals a day; None where there are none."""
    rows = view.rows
    if rows is None:
        return None
    mask = rows.of("baseline") & np.isfinite(rows.measured) & np.isfinite(rows.modelled)
    return (mask, numbers((rows.measured - rows.modelled)[mask], 3)) if mask.sum() > 2 else None


def _by_bins(bins: np.ndarray, values: np.ndarray, words, say: Say) -> tuple[tuple[str, ...], ...]:
    return tuple(
        (words(b), say.number(float(values[bins == b].mean()), 2), str(int((bins == b).sum())))
        for b in np.unique(bins)
    )


@chart("residuals_time", "site", "What did the model miss, and when?")
def residuals_time(view: SiteView, say: Say, question: str) -> Chart | NotDrawn:
    """Residuals over time, with the mean of each month as a level line."""
    found = _residuals(view)
    if found is None:
        return NotDrawn(
            "chart-residuals-time", question, "there is no fitted day or bill to look at"
        )
    mask, residual = found
    day = view.rows.date[mask]
    month = day.astype("datetime64[D]").astype("datetime64[M]")
    means = {m: float(residual[month == m].mean()) for m in np.unique(month)}
    worst = max(means, key=lambda m: abs(means[m]))
    month_name = f"{MONTHS[int(str(worst)[5:7]) - 1]} {str(worst)[:4]}"
    scale = float(np.mean(view.rows.measured[mask]))
    off = abs(means[worst]) / scale if scale else 0.0
    side = "more" if means[worst] > 0 else "less"
    title = (
        f"The model misses most in {month_name}, where use was {share(off)} {side} than modelled"
    )
    x, y = [], []
    for m, value in means.items():
        start = int(m.astype("datetime64[D]").astype(int))
        end = int((m + 1).astype("datetime64[D]").astype(int))
        x += [start, end, end]
        y += [round(value, 3), round(value, 3), None]
    unit = view.per_day
    what = "bill" if view.is_bills else "day"
    data = [points(what, day, residual, "before", symbol="diamond", size=5, opacity=0.6)]
    if not view.is_bills:
        data.append(line("mean of the month", x, np.array(y, dtype=float), "ink", width=2.4))
    return Chart(
        key="chart-residuals-time",
        question=question,
        title=title,
        alt=f"{title}. Measured less modelled use in {unit} for each {what} of the baseline "
        f"period; "
        "a good model scatters evenly about zero.",
        data=data,
        layout=layout(date_axis(), axis(f"measured − model, {unit}"), shapes=[rule(y=0)]),
        table=Table(
            ("month", f"mean of measured − model, {unit}", f"{what}s"),
            _by_bins(month, residual, str, say),
        ),
        height=280,
    )


@chart("residuals_temperature", "site", "Does the model miss at some temperatures?")
def residuals_temperature(view: SiteView, say: Say, question: str) -> Chart | NotDrawn:
    """Residuals against temperature, with the mean of each step."""
    found = _residuals(view)
    if found is None or not np.isfinite(view.rows.temperature[found[0]]).any():
        return NotDrawn("chart-residuals-temperature", question, "there are no temperatures")
    mask, residual = found
    step, degree = say.temperature_step, say.temperature_unit
    temperature = np.round(say.temperature(view.rows.temperature[mask]), 1)
    ok = np.isfinite(temperature)
    temperature, residual = temperature[ok], residual[ok]
    lower = np.floor(temperature / step).astype(int) * step
    x, y, clear = [], [], 0
    for b in np.unique(lower):
        here = residual[lower == b]
        mean = float(here.mean())
        if len(here) > 4:
            clear += abs(mean) > 2 * float(here.std(ddof=1)) / np.sqrt(len(here))
        x += [int(b), int(b) + step, int(b) + step]
        y += [round(mean, 3), round(mean, 3), None]
    title = (
        "No step of temperature is missed clearly"
        if clear == 0
        else f"{clear} step{'s' if clear > 1 else ''} of {step} {degree} "
        f"lie{'' if clear > 1 else 's'} clearly off the model"
    )
    unit = view.per_day
    return Chart(
        key="chart-residuals-temperature",
        question=question,
        title=title,
        alt=f"{title}. Measured less modelled use in {unit} against mean outdoor temperature, with "
        f"the mean of each step of {step} {degree}.",
        data=[
            points(
                "bill" if view.is_bills else "day",
                temperature,
                residual,
                "before",
                symbol="diamond",
                size=5,
                opacity=0.6,
            ),
            line(f"mean of {step} {degree}", x, np.array(y, dtype=float), "ink", width=2.4),
        ],
        layout=layout(
            axis(f"mean outdoor temperature, {degree}"),
            axis(f"measured − model, {unit}"),
            shapes=[rule(y=0)],
        ),
        table=Table(
            (degree, f"mean of measured − model, {unit}", "rows"),
            _by_bins(lower, residual, lambda b: f"{b} to {b + step}".replace("-", "−"), say),
        ),
        note="Clearly: the mean of a step lies more than two of its standard errors from zero "
        "(independent errors assumed; common practice, no source).",
        height=280,
    )
