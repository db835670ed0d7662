"""What data stand behind this?  Every day: used, left out, works, outside the periods."""

from __future__ import annotations

import numpy as np

from mv.report.charts.base import Chart, NotDrawn, Table, axis, bars, chart, layout
from mv.report.charts.bins import first_days, months
from mv.report.charts.view import SiteView
from mv.report.format import MONTHS, Say

STATES = (
    ("used, baseline", "before"),
    ("used, reporting", "after"),
    ("works", "muted"),
    ("left out", "ink"),
)
THICK = {"used, baseline": 0.78, "used, reporting": 0.78, "works": 0.34, "left out": 0.34}
"""Height of a day's cell; thin where the day doesn't count, so that shape tells it too."""


STATE_OF = np.array([-1, -1, 3, 0, 2, 2, 3, 1])
"""By period (none, baseline, works, reporting) and whether the row was used: index into STATES,
-1 outside the periods."""


def _states(view: SiteView) -> tuple[np.ndarray, np.ndarray]:
    """Day since 1970 and index into STATES (-1: outside the periods) for every day."""
    rows = view.rows
    state = STATE_OF[2 * (rows.period + 1) + rows.used]
    if not view.is_bills:
        return rows.date, state
    lengths = rows.days.astype(int)
    days = np.repeat(rows.date + lengths - np.cumsum(lengths), lengths) + np.arange(lengths.sum())
    return days, np.repeat(state, lengths)


@chart("calendar", "site", "What data stand behind this?")
def calendar(view: SiteView, say: Say, question: str) -> Chart | NotDrawn:
    """One line a month, one cell a day."""
    if view.rows is None:
        return NotDrawn("chart-calendar", question, "no readings could be used")
    days, state = _states(view)
    number = months(days) if view.is_bills else view.rows.month
    # runs of days of one state within a month become one bar: few marks, small page
    new = (np.diff(number) != 0) | (np.diff(days) != 1) | (np.diff(state) != 0)
    starts = np.concatenate([[0], np.flatnonzero(new) + 1])
    inside = state[starts] >= 0
    if not inside.any():
        return NotDrawn("chart-calendar", question, "no reading lies within the periods")
    length = np.diff(starts, append=len(days))[inside]
    starts = starts[inside]
    month = number[starts]
    last = int(month.max())
    count = last - int(month.min()) + 1
    runs = zip(
        state[starts].tolist(),
        (last - month).tolist(),
        length.tolist(),
        (days[starts] - first_days(month) + 0.5).tolist(),
        strict=True,
    )
    bars_of: list[list] = [[] for _ in STATES]
    counts = [[0] * count for _ in STATES]
    for i, *run in runs:
        bars_of[i].append(run)
        counts[i][run[0]] += run[1]
    data = []
    for i, (name, role) in enumerate(STATES):
        if bars_of[i]:
            at, long, base = zip(*bars_of[i], strict=True)
            data.append(bars(name, at, long, role, base=base, horizontal=True, width=THICK[name]))
    used, total = sum(map(sum, counts[:2])), sum(map(sum, (*counts[:2], counts[3])))
    periods = view.carrier.periods
    if periods is not None:  # bills leave days of a period uncovered
        used = periods.baseline_days_used + periods.reporting_days_used
        total = periods.baseline_days + periods.reporting_days
    title = (
        f"{say.count(used)} of {say.count(total)} days of the two periods were used"
        if used < total
        else f"All {say.count(total)} days of the two periods were used"
    )
    names = [f"{MONTHS[(last - k) % 12][:3]} {1970 + (last - k) // 12}" for k in range(count)]
    columns = (names[::-1], *([str(n) for n in each[::-1]] for each in counts))
    return Chart(
        key="chart-calendar",
        question=question,
        title=title,
        alt=f"{title}. One line a month from top to bottom, one cell a day: thick cells were used, "
        "thin cells are days of the works or were left out.",
        data=data,
        layout=layout(
            axis(
                "day of the month",
                tickvals=[1, 5, 10, 15, 20, 25, 30],
                ticktext=["1", "5", "10", "15", "20", "25", "30"],
                range=[0.4, 31.6],
                showgrid=False,
            ),
            {
                "title": {"text": ""},
                "tickvals": list(range(count)),
                "ticktext": names,
                "range": [-0.7, count - 0.3],
                "showgrid": False,
            },
            barmode="overlay",
            margin_static={"left": 84},
        ),
        table=Table(("month", *(name for name, _ in STATES)), columns),
        height=80 + 15 * count,
    )
