"""What will the reporting period look like, as far as it can be known beforehand?

The months to come are taken as months of the normal year: its temperatures, and the share of
operating days of the calendar year before the works.  Without a normal year the baseline's own
rows stand in.  Nothing is drawn at random: the plan of one folder is always the same.
"""

from __future__ import annotations

import datetime as dt
from calendar import monthrange

import numpy as np
import pandas as pd

from mv.findings import ModelError
from mv.savings.normalised import normal_rows
from mv.verify.conditions import NormalYear

LEAP_DAY = 60


def months_after(start: dt.date, months: int) -> dt.date:
    """First day after `months` whole months from `start`; a shorter month's last day stands for
    days that it doesn't have."""
    year, month = divmod(12 * start.year + start.month - 1 + months, 12)
    return start.replace(
        year=year, month=month + 1, day=min(start.day, monthrange(year, month + 1)[1])
    )


def expected_rows(
    normal: NormalYear | None,
    baseline: pd.DataFrame,
    granularity: str,
    start: dt.date,
    months: int,
) -> tuple[pd.DataFrame, str]:
    """Rows of the first `months` whole months from `start` on, and on what they rest.

    Parameters
    ----------
    normal : the site's normal year; None where it has none.
    baseline : used rows of the baseline period, in order of time.
    granularity : daily or bills.

    Raises ModelError where the baseline has no rows.
    """
    if months < 1:
        raise ModelError(f"{months} months asked for; at least 1 is needed")
    if len(baseline) == 0:
        raise ModelError("the baseline has no usable row")
    if normal is not None:
        year = normal_rows(normal.temperature, normal.dates, normal.operating, granularity).frame()
        words = normal.words
    else:
        year = baseline
        words = "the baseline period's own conditions"
    if granularity == "bills":
        return _bills(year, start, months), words
    return _days(year, start, months), words


def first_months(rows: pd.DataFrame, start: dt.date, months: int) -> pd.DataFrame:
    """The first whole months of rows that `expected_rows` laid out from `start`."""
    after = pd.Timestamp(months_after(start, months))
    if "end" in rows:
        return rows[rows["end"].to_numpy() <= after.to_datetime64()]
    return rows.iloc[: (after - pd.Timestamp(start)).days]


def _days(year: pd.DataFrame, start: dt.date, months: int) -> pd.DataFrame:
    dates = pd.date_range(start, months_after(start, months), inclusive="left", name="date")
    have = _day_of_year(pd.DatetimeIndex(year.index))
    order = np.argsort(have, kind="stable")
    wanted = _day_of_year(dates)
    # The nearest day of the year that the year has (all of them, but for a short baseline).
    place = np.searchsorted(have[order], wanted)
    before, after = order[(place - 1) % len(order)], order[place % len(order)]
    gap_before, gap_after = (_apart(have[i], wanted) for i in (before, after))
    rows = year.iloc[np.where(gap_after <= gap_before, after, before)].copy()
    rows.index = dates
    return rows.assign(status="used")


def _bills(year: pd.DataFrame, start: dt.date, months: int) -> pd.DataFrame:
    have = _day_of_year(pd.DatetimeIndex(year["start"]))
    first = _day_of_year(pd.DatetimeIndex([pd.Timestamp(start)]))[0]
    order = np.argsort((have - first + 15) % 365, kind="stable")
    rows = year.iloc[np.resize(order, months)].copy().reset_index(drop=True)
    edges = [pd.Timestamp(months_after(start, k)) for k in range(months + 1)]
    rows["start"], rows["end"] = edges[:-1], edges[1:]
    rows["days"] = (rows["end"] - rows["start"]).dt.days.astype(float)
    rows["weight"] = rows["days"]
    return rows.assign(status="used")


def _apart(have: np.ndarray, wanted: np.ndarray) -> np.ndarray:
    """Days between two days of the year, the short way round."""
    gap = np.abs(have - wanted)
    return np.minimum(gap, 365 - gap)


def _day_of_year(dates: pd.DatetimeIndex) -> np.ndarray:
    """1..365; 29 February counts as the day before."""
    day = dates.day_of_year.to_numpy()
    return day - (dates.is_leap_year & (day >= LEAP_DAY))
