"""Does the model describe the building, and did the building move?

Energy a day against outdoor temperature: baseline period, reporting period, model line.
"""

from __future__ import annotations

import numpy as np

from mv.report.charts.base import Chart, NotDrawn, Table, axis, chart, layout, line, numbers, points
from mv.report.charts.bins import Bins
from mv.report.charts.view import SiteView
from mv.report.format import Numbers, Say, share
from mv.wording import MINUS

KINDS_OF_DAY = {"operating": ("operating day", "solid"), "non-operating": ("other day", "dot")}


def _by_temperature(
    temperature: np.ndarray, energy: np.ndarray, mask: np.ndarray, step: int
) -> dict[int, tuple[float, int]]:
    """Mean energy and count by steps of temperature."""
    ok = mask & np.isfinite(temperature + energy)
    bins = Bins(np.floor(temperature[ok] / step).astype(int))
    means = zip(bins.means(energy[ok]), bins.counts, strict=True)
    return {b * step: told for b, told in zip(bins.levels, means, strict=True)}


@chart("signature", "site", "Does the model describe the building, and did it move?")
def signature(view: SiteView, say: Say, question: str) -> Chart | NotDrawn:
    """Two clouds of days and the model's curve for each kind of day."""
    rows, model = view.rows, view.carrier.model
    if rows is None or model is None:
        return NotDrawn("chart-signature", question, "no model was fitted")
    if not np.isfinite(rows.temperature).any():
        return NotDrawn("chart-signature", question, "there are no temperatures")
    before, after = rows.of("baseline"), rows.of("reporting")
    temperature = np.round(say.temperature(rows.temperature), 1)
    measured = view.measured
    size = 7 if view.is_bills else 4
    data = [
        points(
            "baseline period",
            temperature[before],
            measured[before],
            "before",
            symbol="diamond",
            size=size + 1,
            opacity=0.75,
        ),
        points(
            "reporting period",
            temperature[after],
            measured[after],
            "after",
            size=size,
            opacity=0.75,
        ),
    ]
    curve = model.curve
    at = numbers(say.temperature(np.array(curve.get("temperature", []), dtype=float)), 4)
    for name, values in curve.items():
        if name == "temperature":
            continue
        words, dash = KINDS_OF_DAY.get(name.replace("_", "-"), (name.replace("_", " "), "dashdot"))
        words = f"model, {words}" if len(curve) > 2 else "model"
        data.append(line(words, at, numbers(values, 4), "ink", dash=dash))
    what = "bills" if view.is_bills else "days"
    ok = after & np.isfinite(measured + rows.modelled)
    known = np.count_nonzero(ok)
    below = np.count_nonzero(ok & (measured < rows.modelled)) / known if known else None
    if below is None:
        title = "The baseline period and its model"
    elif below >= 0.6:
        title = (
            f"{share(below)} of the {what} after the works lie below the model at their temperature"
        )
    elif below <= 0.4:
        title = f"{share(1 - below)} of the {what} after the works lie above the model"
    else:
        title = f"The {what} after the works lie on both sides of the model"
    step, degree = say.temperature_step, say.temperature_unit
    sides = [_by_temperature(temperature, measured, mask, step) for mask in (before, after)]
    unit = view.per_day
    steps = sorted(sides[0].keys() | sides[1].keys())
    columns = [[f"{b} to {b + step}".replace("-", MINUS) for b in steps]]
    for side in sides:
        told = [side.get(b, (None, 0)) for b in steps]
        columns += [Numbers([mean for mean, _ in told]), [str(n) for _, n in told]]
    return Chart(
        key="chart-signature",
        question=question,
        title=title,
        alt=f"{title}. Each dot is one of the {what}: energy in {unit} against mean outdoor "
        f"temperature in {degree}; diamonds before the works, dots after; lines show the model.",
        data=data,
        layout=layout(axis(f"mean outdoor temperature, {degree}"), axis(unit, rangemode="tozero")),
        table=Table(
            (degree, f"before, mean {unit}", what, f"after, mean {unit}", what),
            columns,
        ),
        height=400,
    )
