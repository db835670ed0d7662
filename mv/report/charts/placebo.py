"""Could chance do this?  What retrofits that never happened appear to save."""

from __future__ import annotations

from typing import Any

import numpy as np

from mv.report.charts.base import Chart, NotDrawn, Table, axis, bars, chart, layout, note, rule
from mv.report.charts.view import SiteView
from mv.report.format import Say, share
from mv.results import PortfolioResult
from mv.wording import MINUS


def counted(most: int) -> dict[str, Any]:
    """An axis of counts: whole numbers alone."""
    if most > 10:
        return axis("trials", rangemode="tozero")
    whole = list(range(most + 1))
    return axis("trials", rangemode="tozero", tickvals=whole, ticktext=[str(i) for i in whole])


def _histogram(errors: np.ndarray, real: float | None, key: str, question: str) -> Chart:
    percent = errors * 100
    reach = max(float(np.abs(percent).max()), abs(real or 0.0) * 100)
    step = next(s for s in (1, 2, 5, 10, 20, 50, 100, 1000) if reach / s <= 14 or s == 1000)
    low = int(np.floor(percent.min() / step))
    high = int(np.floor(percent.max() / step)) + 1
    edges = np.arange(low, high + 1) * step
    counts = np.histogram(percent, bins=edges)[0] if len(edges) > 1 else np.array([len(percent)])
    middle = edges[:-1] + step / 2
    typical = float(np.median(np.abs(percent)))
    title = (
        f"Without a retrofit, half of {len(errors)} trials are off by {typical:.1f}\u202f% or more"
    )
    marks, labels = [rule(x=0)], []
    if real is not None:
        beyond = float(np.mean(errors >= real))
        marks.append(rule(x=real * 100, role="after", width=2.5))
        labels.append(note("this site", real * 100, 0.95, yref="paper", role="after", shift=6))
        title = f"{share(beyond)} of trials without a retrofit show as much as this site"
    columns = (
        [f"{a} to {a + step} %".replace("-", MINUS) for a in edges[:-1].tolist()],
        [str(c) for c in counts.tolist()],
    )
    return Chart(
        key=key,
        question=question,
        title=title,
        alt=f"{title}. Histogram of {len(errors)} placebo savings in percent of the adjusted "
        "baseline; the true value of each is zero.",
        data=[bars("trials", middle, counts, "muted", width=step * 0.9)],
        layout=layout(
            axis("apparent saving, percent of the adjusted baseline"),
            counted(int(counts.max(initial=0))),
            shapes=marks,
            annotations=labels,
        ),
        table=Table(("apparent saving", "trials"), columns),
        height=280,
    )


def _errors(told: dict[str, Any]) -> np.ndarray:
    """Apparent savings (fractions) of all trials in a result's `placebo`, over its carriers."""
    values = [
        trial["fraction"]
        for part in told.values()
        if isinstance(part, dict)
        for trial in part.get("false_savings") or []
    ]
    array = np.array(values, dtype=float)
    return array[np.isfinite(array)]


@chart("placebo", "portfolio", "How far off is the method where nothing was done?")
def placebo(result: PortfolioResult, say: Say, question: str) -> Chart | NotDrawn:
    """Histogram over all trials of the portfolio."""
    errors = _errors(result.placebo)
    if errors.size == 0:
        return NotDrawn("chart-placebo", question, "no site has a history long enough for a trial")
    return _histogram(errors, None, "chart-placebo", question)


@chart("site_placebo", "site", "Could chance do this?")
def site_placebo(view: SiteView, say: Say, question: str) -> Chart | NotDrawn:
    """Histogram with this site's saving marked."""
    errors = _errors(view.carrier.placebo)
    official = view.carrier.avoided_energy
    if errors.size < 5:
        return NotDrawn("chart-site-placebo", question, "there are fewer than five placebo trials")
    real = official.fraction if official else None
    for told in view.carrier.placebo.values():
        # The trials know no comparison group: what is held against them is the plain figure.
        real = told.get("fraction", real)
    return _histogram(errors, real, "chart-site-placebo", question)
