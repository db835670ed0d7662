"""On which days does a site do its usual work?

The operating week comes from the site's row, or is learned from the daily energy of the
baseline period and said to be learned.  Public holidays of the site's country and region are
non-operating; rows of operating_days.csv overrule both.
"""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass, field
from functools import cached_property, lru_cache

import numpy as np
import pandas as pd

from mv.findings import Finding, FolderError
from mv.portfolio.schema import SiteDescription
from mv.portfolio.week import parse_week, week_words
from mv.wording import percent

REASONS = ("week", "learned", "holiday", "exception")
"""Why a day is operating or not."""
USUAL_WEEK = (True, True, True, True, True, False, False)
LEARN_WEEKS = 8
"""Weeks of daily energy below which no week is learned (common practice, no source)."""
LEARN_GAP = 0.08
"""Relative step between the two groups of weekdays below which all days count as alike (common
practice, no source)."""
LEARN_SPREAD = 1.5
"""The step must also exceed this many typical day-to-day spreads (common practice, no source)."""


@dataclass(frozen=True, kw_only=True)
class OperatingCalendar:
    """The calendar of a site.

    `dates` (n,) datetime64[D], consecutive; `operating` (n,) bool; `reasons` (n,) int8, places in
    `REASONS`; `week`: Monday to Sunday; `words`: one sentence on where the week comes from.
    """

    dates: np.ndarray
    operating: np.ndarray
    reasons: np.ndarray
    week: tuple[bool, ...]
    origin: str
    words: str
    holidays: dict[dt.date, str]
    findings: tuple[Finding, ...] = field(default_factory=tuple)

    @cached_property
    def days(self) -> pd.DataFrame:
        """The days as a table: index `date` (naive), operating, reason (in words)."""
        return pd.DataFrame(
            {
                "operating": self.operating,
                "reason": pd.Categorical.from_codes(self.reasons, categories=list(REASONS)),
            },
            index=pd.DatetimeIndex(self.dates.astype("datetime64[s]"), name="date"),
        )

    @property
    def week_words(self) -> str:
        """Such as `Mon-Fri`."""
        return week_words(self.week)


def operating_days(
    description: SiteDescription,
    first: dt.date,
    last: dt.date,
    baseline_daily: pd.Series | None = None,
) -> OperatingCalendar:
    """The operating calendar from `first` to `last`, both inclusive.

    Parameters
    ----------
    baseline_daily : daily energy of the baseline period (index: naive dates), from which the
        week is learned when the site's row gives none; None for bills.

    Raises FolderError when the given week can't be read.
    """
    site = description.site
    findings: list[Finding] = []
    holidays = public_holidays(site.country, site.region, first.year, last.year)
    if holidays is None:
        findings.append(
            Finding(
                "holidays_unknown",
                f"no public holidays are known for country {site.country!r} with region "
                f"{site.region!r}; none were kept. Enter ISO 3166 codes.",
                file=site.source.file,
                line=site.source.line,
                column="country",
                site=site.site,
            )
        )
    elif site.country is None:
        findings.append(
            Finding(
                "holidays_none",
                "the site names no country, so no public holidays are kept. Enter its ISO 3166 "
                "code, or the closed days in operating_days.csv.",
                file=site.source.file,
                line=site.source.line,
                column="country",
                site=site.site,
            )
        )
    week, origin, words, more = _week(description, baseline_daily, holidays or {})
    findings += more

    exceptions = tuple(
        (row.start, row.end, row.day == "operating")
        for row in description.operating_days
        if row.site in (site.site, "*")
    )
    place = (site.country, site.region)
    dates, operating, reasons, kept = _days_of(week, origin, place, exceptions, first, last)
    return OperatingCalendar(
        dates=dates,
        operating=operating,
        reasons=reasons,
        week=week,
        origin=origin,
        words=words,
        holidays=kept,
        findings=tuple(findings),
    )


@lru_cache(maxsize=256)
def _days_of(
    week: tuple[bool, ...],
    origin: str,
    place: tuple[str | None, str | None],
    exceptions: tuple[tuple[dt.date, dt.date, bool], ...],
    first: dt.date,
    last: dt.date,
) -> tuple[np.ndarray, np.ndarray, np.ndarray, dict[dt.date, str]]:
    """Dates from `first` to `last`, whether each is operating, why, and the holidays among them.

    Many sites keep the same calendar, so every one of them gets the same arrays.
    """
    holidays = public_holidays(*place, first.year, last.year) or {}
    kept = {d: name for d, name in holidays.items() if first <= d <= last}
    dates = np.arange(np.datetime64(first), np.datetime64(last) + 1)
    weekday = (dates.astype(np.int64) + 3) % 7  # 1 January 1970 was a Thursday
    operating = np.array(week)[weekday]
    reasons = np.full(len(dates), REASONS.index("learned" if origin == "learned" else "week"), "i1")
    off = (_days(kept) - dates[0]).astype(int)
    reasons[off[operating[off]]] = REASONS.index("holiday")
    operating[off] = False
    for start, end, works in exceptions:
        inside = (dates >= np.datetime64(start)) & (dates <= np.datetime64(end))
        operating[inside] = works
        reasons[inside] = REASONS.index("exception")
    for array in (dates, operating, reasons):
        array.flags.writeable = False
    return dates, operating, reasons, kept


@lru_cache(maxsize=256)
def public_holidays(
    country: str | None, region: str | None, first_year: int, last_year: int
) -> dict[dt.date, str] | None:
    """Public holidays by date; empty without a country, None for an unknown one."""
    if not country:
        return {}
    import holidays

    years = range(first_year, last_year + 1)
    try:
        found = holidays.country_holidays(
            country.upper(), subdiv=region or None, years=years, observed=True
        )
    except NotImplementedError:
        return None
    return dict(sorted(found.items()))


def _days(holidays: dict[dt.date, str]) -> np.ndarray:
    return np.array(list(holidays), dtype="datetime64[D]")


def _week(description: SiteDescription, daily: pd.Series | None, holidays: dict):
    site = description.site
    if site.operating_week:
        try:
            week = parse_week(site.operating_week)
        except ValueError as error:
            raise FolderError(
                Finding(
                    "value_invalid",
                    f"{error}.",
                    file=site.source.file,
                    line=site.source.line,
                    column="operating_week",
                    site=site.site,
                )
            ) from error
        return week, "given", f"The operating week {week_words(week)} was given.", []
    learned = learn_week(daily, holidays) if daily is not None else None
    if learned is None:
        words = "The operating week was not given and could not be learned: Mon-Fri is assumed."
        finding = Finding(
            "week_assumed",
            "the operating week is not given and the readings can't tell it (bills, or fewer "
            f"than {LEARN_WEEKS} weeks); Mon-Fri is assumed. Enter operating_week for the site.",
            file=site.source.file,
            line=site.source.line,
            column="operating_week",
            site=site.site,
        )
        return USUAL_WEEK, "learned", words, [finding]
    week, step = learned
    if all(week):
        words = "The operating week was learned from the baseline: all seven days are alike."
    else:
        words = (
            f"The operating week {week_words(week)} was learned from the baseline: its days use "
            f"{percent(step)} more than the others."
        )
    finding = Finding(
        "week_learned",
        f"{words} Enter operating_week for the site if that is wrong.",
        file=site.source.file,
        line=site.source.line,
        column="operating_week",
        site=site.site,
    )
    return week, "learned", words, [finding]


def learn_week(
    daily: pd.Series, holidays: dict[dt.date, str] | None = None
) -> tuple[tuple[bool, ...], float] | None:
    """The operating week that daily energy shows, and by how much its days use more.

    The medians of the seven weekdays are cut at their widest step; the step must be both a
    `LEARN_GAP` of the upper group and `LEARN_SPREAD` times the spread of days within groups
    (median absolute deviation from a centred five-week median).  Days are compared with their
    own season through that running median.  None with fewer than `LEARN_WEEKS` weeks of days.
    """
    daily = daily.dropna()
    if holidays:
        daily = daily[~np.isin(daily.index.to_numpy("datetime64[D]"), _days(holidays))]
    values = daily.to_numpy(dtype=float)
    if len(values) < 7 * LEARN_WEEKS:
        return None
    weekday = daily.index.day_of_week.to_numpy()
    if np.bincount(weekday, minlength=7).min() < LEARN_WEEKS // 2:
        return None
    season = daily.rolling(35, center=True, min_periods=14).median().to_numpy()
    level = float(np.median(values))
    offset = values - np.where(np.isfinite(season), season, level)
    medians = np.array([np.median(offset[weekday == d]) for d in range(7)])
    spread = 1.4826 * float(np.median(np.abs(offset - medians[weekday])))
    order = np.argsort(medians)
    steps = np.diff(medians[order])
    cut = int(np.argmax(steps))
    low, high = order[: cut + 1], order[cut + 1 :]
    upper = level + float(medians[high].mean())
    gap = float(medians[high].mean() - medians[low].mean())
    if upper <= 0 or gap < LEARN_GAP * upper or gap < LEARN_SPREAD * spread:
        return (True,) * 7, 0.0
    week = np.zeros(7, dtype=bool)
    week[high] = True
    lower = float(values[~week[weekday]].mean())
    ratio = float(values[week[weekday]].mean()) / lower - 1 if lower > 0 else float("inf")
    return tuple(bool(d) for d in week), ratio
