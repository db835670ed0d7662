"""How does the saving stand, month by month, while the reporting period still runs?

Each whole month of the reporting period is one look: cumulative avoided energy with its interval
widened so that all looks together keep the declared share of false "savings shown"
(`savings/looks.py`).  The series drawn in the report is the source; nothing is computed anew.

*Drifting*: the estimate for the days measured so far lies outside the widened interval of the
latest look.  Sites are ranked by the money between estimate and measured saving.
"""

from __future__ import annotations

import datetime as dt
import math
from bisect import bisect_right
from collections.abc import Sequence
from typing import Any

from mv.plan.expected import months_after
from mv.results import SiteResult
from mv.savings.looks import Look, LookPlan, look_plan, running_verdict

LATE_DAYS = 4
"""Days by which a bill may end before or after the month that it is a look at (common practice,
no source)."""

HEAVIEST = 2.0
"""Degrees of freedom taken where the interval came from a placebo trial's own quantile: the
smallest of the shipped prior for electricity, which widens most."""


def early_signal(result: SiteResult, planned_months: int, start: dt.date | None = None) -> dict:
    """The running verdict of one site as plain fields; empty where there is nothing to look at.

    Parameters
    ----------
    planned_months : whole months of the complete reporting period.
    start : its first day; that of the result's periods when not given.

    Keys: `interim`, `planned_months`, `months_measured`, `months_remaining`, `final_on`,
    `looks` (one mapping a month: month, end, value, low, high, single_low, single_high, factor,
    verdict, estimated), `verdict`, `first_shown`, `declared`, `uncontrolled`, `words`,
    `drifting`, `shortfall`, `shortfall_money`.
    """
    if result.periods is None or result.uncertainty is None or result.series is None:
        return {}
    start = start or dt.date.fromisoformat(result.periods.reporting_start)
    months, ends, values, halves, estimates = _month_ends(result, start)
    if not months:
        return {}
    how = result.uncertainty
    drift = how.drift_part
    now = max(months)
    noise = how.model_part / drift * math.sqrt(now / planned_months) if drift > 0 else math.inf
    plan = look_plan(
        planned_months,
        confidence=how.confidence,
        degrees_of_freedom=how.degrees_of_freedom or HEAVIEST,
        noise_to_drift=noise,
        looks=max(2 * planned_months, now),
    )
    looks = running_verdict(plan, months, ends, values, halves)
    lines = [
        {name: getattr(look, name) for name in Look.__slots__} | {"estimated": estimate}
        for look, estimate in zip(looks, estimates, strict=True)
    ]
    for line in lines:
        # No verdict is possible yet: an open end is no number.
        for name in ("low", "high"):
            line[name] = line[name] if math.isfinite(line[name]) else None
        line["factor"] = line["factor"] if math.isfinite(line["factor"]) else None
    last = lines[-1]
    final = months_after(start, planned_months) - dt.timedelta(days=1)
    remaining = max(planned_months - now, 0)
    return {
        "interim": result.interim,
        "planned_months": planned_months,
        "months_measured": now,
        "months_remaining": remaining,
        "final_on": final.isoformat(),
        "looks": lines,
        "verdict": last["verdict"],
        "first_shown": next((x["end"] for x in lines if x["verdict"] == "savings shown"), None),
        "declared": plan.declared,
        "uncontrolled": plan.uncontrolled,
        "words": _words(plan, result, now, remaining, final),
        **_drifting(result, last),
    }


def drifting_sites(results: Sequence[SiteResult]) -> list[dict[str, Any]]:
    """Sites whose running saving lies off their estimate, the most money first.

    Keys: site, name, months, measured, estimated, unit, shortfall (energy, positive where less
    was saved than estimated), shortfall_money (None without a price), outside (whether the
    estimate lies outside the widened interval), interim.
    """
    lines = []
    for result in results:
        early = result.early
        if not early or early["shortfall"] is None:
            continue
        last = early["looks"][-1]
        lines.append(
            {
                "site": result.site,
                "name": result.name,
                "months": early["months_measured"],
                "measured": last["value"],
                "estimated": last["estimated"],
                "unit": result.unit,
                "shortfall": early["shortfall"],
                "shortfall_money": early["shortfall_money"],
                "outside": early["drifting"],
                "interim": result.interim,
            }
        )

    def weight(line: dict[str, Any]) -> tuple[bool, float, str]:
        money = line["shortfall_money"]
        return (money is None, -abs(money if money is not None else line["shortfall"]),
                line["site"])  # fmt: skip

    return sorted(lines, key=weight)


def _month_ends(result: SiteResult, start: dt.date):
    """The last row of each whole month that the cumulative series covers."""
    series = result.series.cumulative
    if not series.get("date"):
        return [], [], [], [], []
    dates = series["date"]  # ISO, so that their order is that of their letters
    line = series.get("estimated") or [None] * len(dates)
    last = dt.date.fromisoformat(dates[-1])
    late = dt.timedelta(days=LATE_DAYS if result.series.bills else 0)
    found = []
    taken = -1
    month = 1
    while last + late >= (end := months_after(start, month) - dt.timedelta(days=1)):
        at = bisect_right(dates, (end + late).isoformat()) - 1
        value, low, high = (series[name][at] for name in ("avoided", "low", "high"))
        if at > taken and None not in (value, low, high):
            found.append((month, dates[at], value, (high - low) / 2, line[at]))
            taken = at
        month += 1
    return [list(column) for column in zip(*found, strict=True)] if found else [[]] * 5


def _drifting(result: SiteResult, last: dict[str, Any]) -> dict[str, Any]:
    estimated = last["estimated"]
    if estimated is None:
        return {"drifting": None, "shortfall": None, "shortfall_money": None}
    shortfall = estimated - last["value"]
    price = result.money.price if result.money is not None else None
    inside = last["low"] is None or last["low"] <= estimated <= last["high"]
    return {
        "drifting": not inside,
        "shortfall": shortfall,
        "shortfall_money": shortfall * price if price is not None else None,
    }


def _words(plan: LookPlan, result: SiteResult, now: int, remaining: int, final: dt.date) -> str:
    if result.interim:
        begin = (
            f"{now} of {plan.planned_months} months are measured; {remaining} remain before this "
            f"can be final, on {final}. "
        )
    else:
        begin = f"The reporting period of {plan.planned_months} months is complete. "
    return begin + plan.words
