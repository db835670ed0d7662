"""Do the periods hold enough to verify a saving, and if not, what is missing?

Limits come from the portfolio's settings (`[limits]`), whose defaults are: 12 months of baseline
(IPMVP, at least one full operating cycle; ASHRAE Guideline 14, 12 months; both from memory), at
least 9 valid monthly bills (Guideline 14-2002, prescriptive path, from memory), at most a quarter
of the points removed (same).  Under the least a site is not verifiable; between the least and the
limit it is verified with a finding.
"""

from __future__ import annotations

import math
from collections import Counter
from dataclasses import dataclass
from typing import Any, Protocol

import numpy as np

from mv.findings import Finding
from mv.portfolio.schema import Limits
from mv.wording import percent

DAYS_A_MONTH = 365.25 / 12
MONTH_SLACK = 0.35
"""Months by which a first day of data or a read date may miss a whole number of months."""
MONTHS_COVERED = 9
"""Calendar months that a year's baseline must touch with usable rows (common practice)."""
PART_COVERAGE = 0.5
"""Share of a month's or temperature range's days that should be usable (common practice)."""
PART_DEGREES, PART_DAYS = 5.0, 10
"""Width of a temperature range in °C, and days it must hold to be judged (common practice)."""


@dataclass(frozen=True, kw_only=True)
class Sufficiency:
    """Whether there is enough; `reason` and `remedy` are empty when there is."""

    reason: str
    remedy: str
    findings: tuple[Finding, ...]


class Rows(Protocol):
    """Days or bills, by column."""

    index: Any

    def __contains__(self, name: str) -> bool: ...

    def __getitem__(self, name: str) -> Any: ...


def sufficiency(baseline: Rows, reporting: Rows, *, bills: bool, limits: Limits) -> Sufficiency:
    """Judge the rows of both periods, used or not.

    Parameters
    ----------
    baseline, reporting : daily or bill rows with `status`; bills have `start`, `end`, `days`.
    bills : whether a row is a bill.
    limits : of the portfolio.
    """
    findings: list[Finding] = []
    for name, rows, months_least, months, bills_least, bills_wanted in (
        (
            "baseline",
            baseline,
            limits.baseline_months_least,
            limits.baseline_months,
            limits.bills_least,
            limits.bills,
        ),
        (
            "reporting",
            reporting,
            limits.reporting_months_least,
            limits.reporting_months,
            1,
            1,
        ),
    ):
        period = _Period.of(rows)
        used = int(period.used.sum())
        length = period.months()
        if used == 0:
            return _refused(
                f"the {name} period has no usable {'bill' if bills else 'day'}",
                f"Give readings for the {name} period, or mend what left them out: "
                f"{_why_out(rows)}.",
                findings,
            )
        if length < months_least - MONTH_SLACK:
            return _refused(
                f"the {name} period holds {length:.1f} months of usable readings, at least "
                f"{months_least:g} are needed",
                f"Give {months_least - length:.1f} more months of readings"
                + (" from before the works" if name == "baseline" else "")
                + f", or lower limits.{name}_months_least in portfolio.toml and say why.",
                findings,
            )
        if bills and used < bills_least:
            return _refused(
                f"the {name} period holds {used} usable bills, at least {bills_least} are needed",
                "Give the missing bills, or lower limits.bills_least in portfolio.toml and say "
                "why.",
                findings,
            )
        share = period.coverage()
        if share < limits.period_coverage:
            told = math.floor(1000 * share) / 1000  # never rounded up to the limit
            return _refused(
                f"only {percent(told, 1)} of the {name} period is usable, at least "
                f"{percent(limits.period_coverage)} is needed",
                f"Mend what left days out: {_why_out(rows)}.",
                findings,
            )
        if name == "baseline" and length < months - MONTH_SLACK:
            findings.append(
                Finding(
                    "baseline_short",
                    f"The baseline holds {length:.1f} months of usable readings, {months:g} are "
                    "wanted: seasons that it lacks are extrapolated.",
                )
            )
        if name == "baseline" and bills and used < bills_wanted:
            findings.append(
                Finding(
                    "baseline_short",
                    f"The baseline holds {used} usable bills, {bills_wanted} are wanted.",
                )
            )
        if name == "reporting" and length < months - MONTH_SLACK:
            findings.append(
                Finding(
                    "reporting_short",
                    f"The reporting period holds {length:.1f} of {months:g} months; results are "
                    "interim until it is complete.",
                )
            )
        if not bills:
            degrees = np.asarray(rows["temperature"]) if "temperature" in rows else None
            findings += _thin_parts(name, period, degrees)
        if name == "baseline" and length >= 11.5:
            touched = period.months_touched()
            if touched < MONTHS_COVERED:
                findings.append(
                    Finding(
                        "coverage_uneven",
                        f"The baseline's usable rows touch {touched} of 12 calendar months.",
                    )
                )
    return Sufficiency(reason="", remedy="", findings=tuple(findings))


@dataclass(frozen=True)
class _Period:
    """Days from `start` to before `end` of each row, (rows,), and which rows are used."""

    start: np.ndarray
    end: np.ndarray
    used: np.ndarray

    @classmethod
    def of(cls, rows: Rows) -> _Period:
        used = np.asarray(rows["status"], dtype=object) == "used"
        if "end" in rows:
            start, end = (np.asarray(rows[c]).astype("datetime64[D]") for c in ("start", "end"))
            return cls(start, end, used)
        start = np.asarray(rows.index).astype("datetime64[D]")
        return cls(start, start + 1, used)

    def months(self) -> float:
        """Months from the first to the last usable row."""
        if not self.used.any():
            return 0.0
        days = self.end[self.used].max() - self.start[self.used].min()
        return float(days.astype(int)) / DAYS_A_MONTH

    def coverage(self) -> float:
        """Share of the days between the first and the last row that usable rows cover."""
        whole = float((self.end.max() - self.start.min()).astype(int))
        lengths = (self.end - self.start)[self.used].astype(int)
        return float(lengths.sum()) / whole if whole else 0.0

    def months_touched(self) -> int:
        """Calendar months in which a usable row has its middle."""
        middle = (self.start + (self.end - self.start) // 2)[self.used]
        return np.count_nonzero(np.bincount(middle.astype("datetime64[M]").astype(int) % 12))


def _thin_parts(name: str, period: _Period, degrees: np.ndarray | None) -> list[Finding]:
    """Months and temperature ranges of which less than half of the days is usable."""
    findings = []
    if period.used.all():
        return findings
    month = period.start.astype("datetime64[M]")
    low, days, usable = _counts(month.astype(int), period.used)
    thin = low + np.flatnonzero((days > 0) & (usable < PART_COVERAGE * days))
    if len(thin):
        findings.append(
            Finding(
                "coverage_uneven",
                f"In the {name} period under {percent(PART_COVERAGE)} of the days of "
                f"{', '.join(map(str, thin.astype(month.dtype)))} are usable; the model knows "
                "little of these months.",
                count=len(thin),
            )
        )
    if degrees is None or not np.isfinite(degrees).any():
        return findings
    known = np.isfinite(degrees)
    bins = np.floor(degrees[known] / PART_DEGREES).astype(int)
    low, days, usable = _counts(bins, period.used[known])
    thin = low + np.flatnonzero((days >= PART_DAYS) & (usable < PART_COVERAGE * days))
    if len(thin):
        findings.append(
            Finding(
                "coverage_uneven",
                f"In the {name} period under {percent(PART_COVERAGE)} of the days at "
                f"{', '.join(map(_range_words, thin))} are usable; the model knows little of these "
                "temperatures.",
                count=len(thin),
            )
        )
    return findings


def _counts(part: np.ndarray, usable: np.ndarray) -> tuple[int, np.ndarray, np.ndarray]:
    """The lowest number of a part, and how many days and usable days each part from it on has."""
    low = int(part.min())
    return low, np.bincount(part - low), np.bincount(part - low, usable)


def _range_words(part: int) -> str:
    return f"{part * PART_DEGREES:g} to {(part + 1) * PART_DEGREES:g} °C"


def _refused(reason: str, remedy: str, findings: list[Finding]) -> Sufficiency:
    return Sufficiency(reason=reason, remedy=remedy, findings=tuple(findings))


def _why_out(rows: Rows) -> str:
    """Rules that left rows out, the most frequent first, with counts."""
    out = Counter(status for status in rows["status"] if status != "used")
    if not out:
        return "there are no readings in it"
    return ", ".join(f"{rule} ({count})" for rule, count in out.most_common())
