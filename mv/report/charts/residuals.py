"""What did the model miss?  Measured less modelled use in the baseline period, over time and
against temperature."""

from __future__ import annotations

import math

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
    points,
    rule,
)
from mv.report.charts.bins import Bins, first_days, month_text
from mv.report.charts.view import SiteView
from mv.report.format import Numbers, Say, month, share
from mv.wording import MINUS

LEAST_ROWS = 4
"""A step of temperature with no more rows than this is never called missed (convention of this
package)."""


def _levels(
    starts: np.ndarray, ends: np.ndarray, means: list[float]
) -> tuple[np.ndarray, np.ndarray]:
    """x and y of a line that is level at each mean, open between them."""
    x = np.stack([starts, ends, ends], axis=1)
    y = np.full(x.shape, math.nan)
    y[:, 0] = y[:, 1] = [round(mean, 3) for mean in means]
    return x.ravel(), y.ravel()


@chart("residuals_time", "site", "What did the model miss, and when?")
def residuals_time(view: SiteView, say: Say, question: str) -> Chart | NotDrawn:
    """Residuals over time, with the mean of each month as a level line."""
    found = view.residuals
    if found is None:
        return NotDrawn(
            "chart-residuals-time", question, "there is no fitted day or bill to look at"
        )
    mask, residual = found
    day = view.rows.date[mask]
    bins = Bins(view.rows.month[mask])
    means = bins.means(residual)
    names = [month_text(m) for m in bins.levels]
    worst, when = max(zip(means, names, strict=True), key=lambda each: abs(each[0]))
    scale = float(np.mean(view.rows.measured[mask]))
    off = abs(worst) / scale if scale else 0.0
    side = "more" if worst > 0 else "less"
    title = (
        f"The model misses most in {month(when)}, where use was {share(off)} {side} than modelled"
    )
    starts, ends = first_days(bins.levels), first_days(np.array(bins.levels) + 1)
    unit = view.per_day
    what = "bill" if view.is_bills else "day"
    data = [points(what, day, residual, "before", symbol="diamond", size=5, opacity=0.6)]
    if not view.is_bills:
        data.append(line("mean of the month", *_levels(starts, ends, means), "ink", width=2.4))
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
            (names, Numbers(means, 2), [str(n) for n in bins.counts]),
        ),
        height=280,
    )


@chart("residuals_temperature", "site", "Does the model miss at some temperatures?")
def residuals_temperature(view: SiteView, say: Say, question: str) -> Chart | NotDrawn:
    """Residuals against temperature, with the mean of each step."""
    found = view.residuals
    if found is None or not np.isfinite(view.rows.temperature[found[0]]).any():
        return NotDrawn("chart-residuals-temperature", question, "there are no temperatures")
    mask, residual = found
    step, degree = say.temperature_step, say.temperature_unit
    temperature = np.round(say.temperature(view.rows.temperature[mask]), 1)
    ok = np.isfinite(temperature)
    temperature, residual = temperature[ok], residual[ok]
    bins = Bins(np.floor(temperature / step).astype(int))
    means = bins.means(residual)
    clear = sum(
        n > LEAST_ROWS and abs(mean) > 2 * error
        for n, mean, error in zip(bins.counts, means, bins.standard_errors(residual), strict=True)
    )
    starts = np.array(bins.levels) * step
    names = [f"{b} to {b + step}".replace("-", MINUS) for b in starts.tolist()]
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
            line(
                f"mean of {step} {degree}",
                *_levels(starts, starts + step, means),
                "ink",
                width=2.4,
            ),
        ],
        layout=layout(
            axis(f"mean outdoor temperature, {degree}"),
            axis(f"measured − model, {unit}"),
            shapes=[rule(y=0)],
        ),
        table=Table(
            (degree, f"mean of measured − model, {unit}", "rows"),
            (names, Numbers(means, 2), [str(n) for n in bins.counts]),
        ),
        note="Clearly: the mean of a step lies more than two of its standard errors from zero "
        "(independent errors assumed; common practice, no source).",
        height=280,
    )
