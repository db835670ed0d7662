"""How much of a further independent variable falls on each day?

A row of drivers.csv speaks of a span of days.  A total (tonnes, guests) is spread evenly over
its span; a level (a unit that is a rate or a share: t/day, %, share) holds on each of its days.
Spans of one driver should not overlap: where they do, totals add up and levels are averaged, and
a finding says so.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd

from mv.findings import Finding
from mv.portfolio.schema import Driver

LEVEL_UNITS = ("%", "share", "fraction", "level", "degc", "°c")
"""Units, besides rates (`.../...`, `... per ...`), whose values are levels."""


def is_level(unit: str) -> bool:
    """Whether values in this unit hold on each day of a span instead of adding up over it."""
    unit = unit.strip().lower()
    return "/" in unit or " per " in f" {unit} " or unit in LEVEL_UNITS


def driver_series(
    drivers: Sequence[Driver],
) -> tuple[dict[str, pd.Series], tuple[Finding, ...]]:
    """Value of each driver on each day that a row speaks of.

    Returns
    -------
    Series by driver (index naive local date; the driver's unit per day for totals, its unit for
    levels; days without a row are absent), and findings about overlaps.
    """
    series, findings = {}, []
    for name in sorted({d.driver for d in drivers}):
        rows = [d for d in drivers if d.driver == name]
        first = min(np.datetime64(d.start) for d in rows)
        last = max(np.datetime64(d.end or d.start) for d in rows)
        size = int((last - first).astype(int)) + 1
        total, count = np.zeros(size), np.zeros(size, dtype=int)
        level = is_level(rows[0].unit)
        for d in rows:
            a = int((np.datetime64(d.start) - first).astype(int))
            b = int((np.datetime64(d.end or d.start) - first).astype(int)) + 1
            total[a:b] += d.value if level else d.value / (b - a)
            count[a:b] += 1
        values = total / np.maximum(count, 1) if level else total
        twice = int((count > 1).sum())
        if twice:
            how = "their mean counts" if level else "they are added up"
            findings.append(
                Finding(
                    "driver_overlap",
                    f"Rows of the driver {name} overlap on {twice} days; {how}. Give each day "
                    "one row.",
                    file=rows[0].source.file,
                    line=rows[0].source.line,
                    column="start",
                    count=twice,
                )
            )
        days = (first + np.arange(size)).astype("datetime64[s]")
        known = count > 0
        series[name] = pd.Series(values[known], index=pd.DatetimeIndex(days[known], name="date"))
    return series, tuple(findings)
