"""When is it paid back?  Cumulative cash, estimated and realised, from the net cost upwards."""

from __future__ import annotations

import numpy as np

from mv.report.charts.base import (
    Chart,
    NotDrawn,
    Table,
    axis,
    band,
    chart,
    date_axis,
    dates,
    layout,
    line,
    note,
    numbers,
    rule,
)
from mv.report.charts.cumulative import thin
from mv.report.charts.view import SiteView
from mv.report.format import Numbers, Say, month

LEAST_MONTHS = 48
"""Months drawn at least."""
BEYOND = 1.6
"""How far past the last crossing of zero the lines are drawn."""


def _horizon(cash: dict, crossings: dict) -> int:
    """Months to draw: past every known payback, not the whole life of the measure."""
    months = cash["month"]
    reached = [months.index(m) for m in crossings.values() if m in months]
    measured = cash.get("measured") or []
    last = max((i for i, is_measured in enumerate(measured) if is_measured), default=0)
    if not reached:
        return len(months)
    return min(len(months), max(LEAST_MONTHS, int(BEYOND * max(reached)), last + 12))


def cash_chart(cash: dict, crossings: dict, say: Say, key: str, question: str, words: str) -> Chart:
    """Cash lines of a site or of a portfolio; `words` says what a projection rests on."""
    keep = _horizon(cash, crossings)
    cash = {k: v[:keep] for k, v in cash.items()}
    x = dates(cash["month"])
    n = len(x)
    empty = [None] * n
    estimated, realised, low, high = (
        numbers(cash.get(k) or empty) for k in ("estimated", "realised", "low", "high")
    )
    measured = np.array(cash.get("measured") or [False] * n, dtype=bool)
    unit = say.currency
    data = []
    if np.isfinite(low).any() and np.isfinite(high).any():
        data.append(band("range", x, low, high, "after"))
    if np.isfinite(estimated).any():
        data.append(line("estimate", x, estimated, "estimate", dash="dash"))
    if np.isfinite(realised).any():
        seen = np.where(measured, realised, np.nan)
        ahead = np.where(~measured | np.append(~measured[1:], False), realised, np.nan)
        if measured.any():
            data.append(line("realised, measured", x, seen, "after", width=3))
        data.append(line("realised, projected", x, ahead, "after", dash="dot", width=2))
    when, planned = crossings.get("realised"), crossings.get("estimated")
    seen_until = cash["month"][int(np.flatnonzero(measured)[-1])] if measured.any() else ""
    done = bool(when) and when[:7] <= seen_until[:7]
    verb = "Paid back in" if done else "Payback is projected for"
    if when and planned:
        title = f"{verb} {month(when)}; the estimate said {month(planned)}"
    elif when:
        title = f"{verb} {month(when)}"
    elif planned:
        title = f"No payback within sight; the estimate said {month(planned)}"
    else:
        title = "Cumulative cash, estimated and realised"
    marks = [rule(y=0, width=1.4)]
    labels = [note("paid back", 0.01, 0, xref="paper", up=9, role="muted")]
    if measured.any() and not measured.all():
        last = float(x[np.flatnonzero(measured)[-1]])
        marks.append(rule(x=last, role="muted", dash="dot"))
        labels.append(note("projection", last, 0.04, yref="paper", role="muted", shift=5))
    picks = thin(n, 16)
    columns = (
        [month(cash["month"][i]) for i in picks.tolist()],
        ["measured" if seen else "projected" for seen in measured[picks].tolist()],
        *(Numbers(v[picks].tolist(), 4) for v in (estimated, realised, low, high)),
    )
    heads = tuple(f"{w}, {unit}" for w in ("estimate", "realised", "low", "high"))
    return Chart(
        key=key,
        question=question,
        title=title,
        alt=f"{title}. Cumulative cash in {unit}: it starts at the net cost below zero and rises "
        "with each month's saving; the dashed line is the estimate, the band the range of the "
        "realised line.",
        data=data,
        layout=layout(date_axis(), axis(f"{unit}, added up"), shapes=marks, annotations=labels),
        table=Table(("month", "kind", *heads), columns),
        note=words,
    )


@chart("payback", "site", "When is it paid back?")
def payback(view: SiteView, say: Say, question: str) -> Chart | NotDrawn:
    """The site's cash lines."""
    money = view.site.money
    if money is None or not money.cash.get("month"):
        return NotDrawn("chart-payback", question, "no cost or no saving in money is known")
    return cash_chart(
        money.cash,
        money.crosses_zero,
        say,
        "chart-payback",
        question,
        "Months after the last measured one are a projection at the verified annual saving.",
    )
