"""Do the periods hold enough to verify a saving, and if not, what is missing?

Limits come from the portfolio's settings (`[limits]`), whose defaults are: 12 months of baseline
(IPMVP, at least one full operating cycle; ASHRAE Guideline 14, 12 months; both from memory), at
least 9 valid monthly bills (Guideline 14-2002, prescriptive path, from memory), at most a quarter
of the points removed (same).  Under the least a site is not verifiable; between the least and the
limit it is verified with a finding.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import pandas as pd

from mv.findings import Finding
from mv.portfolio.schema import Limits

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


def sufficiency(
    baseline: pd.DataFrame, reporting: pd.DataFrame, *, bills: bool, limits: Limits
) -> Sufficiency:
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
        used = rows[rows["status"] == "used"]
        length = _months(used)
        if len(used) == 0:
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
        if bills and len(used) < bills_least:
            return _refused(
                f"the {name} period holds {len(used)} usable bills, at least {bills_least} are "
                "needed",
                "Give the missing bills, or lower limits.bills_least in portfolio.toml and say "
                "why.",
                findings,
            )
        share = _coverage(rows, used)
        if share < limits.period_coverage:
            return _refused(
                f"only {math.floor(1000 * share) / 10:g}% of the {name} period is usable, at least "
                f"{limits.period_coverage:.0%} is needed",
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
        if name == "baseline" and bills and len(used) < bills_wanted:
            findings.append(
                Finding(
                    "baseline_short",
                    f"The baseline holds {len(used)} usable bills, {bills_wanted} are wanted.",
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
            findings += _thin_parts(name, rows)
        if name == "baseline" and length >= 11.5:
            touched = _months_touched(used)
            if touched < MONTHS_COVERED:
                findings.append(
                    Finding(
                        "coverage_uneven",
                        f"The baseline's usable rows touch {touched} of 12 calendar months.",
                    )
                )
    return Sufficiency(reason="", remedy="", findings=tuple(findings))


def _thin_parts(name: str, rows: pd.DataFrame) -> list[Finding]:
    """Months and temperature ranges of which less than half of the days is usable."""
    usable = (rows["status"] == "used").to_numpy()
    findings = []
    month = rows.index.to_numpy().astype("datetime64[M]")
    thin = [str(m) for m in np.unique(month) if usable[month == m].mean() < PART_COVERAGE]
    if thin:
        findings.append(
            Finding(
                "coverage_uneven",
                f"In the {name} period under {PART_COVERAGE:.0%} of the days of "
                f"{', '.join(thin)} are usable; the model knows little of these months.",
                count=len(thin),
            )
        )
    if "temperature" not in rows:
        return findings
    degrees = rows["temperature"].to_numpy(dtype=float)
    known = np.isfinite(degrees)
    bins = np.floor(degrees[known] / PART_DEGREES).astype(int)
    thin = []
    for low in np.unique(bins):
        inside = bins == low
        if inside.sum() >= PART_DAYS and usable[known][inside].mean() < PART_COVERAGE:
            thin.append(f"{low * PART_DEGREES:g} to {(low + 1) * PART_DEGREES:g} °C")
    if thin:
        findings.append(
            Finding(
                "coverage_uneven",
                f"In the {name} period under {PART_COVERAGE:.0%} of the days at "
                f"{', '.join(thin)} are usable; the model knows little of these temperatures.",
                count=len(thin),
            )
        )
    return findings


def _refused(reason: str, remedy: str, findings: list[Finding]) -> Sufficiency:
    return Sufficiency(reason=reason, remedy=remedy, findings=tuple(findings))


def _spans(rows: pd.DataFrame) -> tuple[np.ndarray, np.ndarray]:
    if "end" in rows:
        return (
            rows["start"].to_numpy().astype("datetime64[D]"),
            rows["end"].to_numpy().astype("datetime64[D]"),
        )
    start = rows.index.to_numpy().astype("datetime64[D]")
    return start, start + 1


def _months(used: pd.DataFrame) -> float:
    """Months from the first to the last usable row."""
    if len(used) == 0:
        return 0.0
    start, end = _spans(used)
    return float((end.max() - start.min()).astype(int)) / DAYS_A_MONTH


def _coverage(rows: pd.DataFrame, used: pd.DataFrame) -> float:
    """Share of the days between the first and the last row that usable rows cover."""
    start, end = _spans(rows)
    whole = float((end.max() - start.min()).astype(int))
    first, last = _spans(used)
    return float((last - first).astype(int).sum()) / whole if whole else 0.0


def _months_touched(used: pd.DataFrame) -> int:
    start, end = _spans(used)
    middle = start + (end - start) // 2
    return len(np.unique(middle.astype("datetime64[M]").astype(int) % 12))


def _why_out(rows: pd.DataFrame) -> str:
    """Rules that left rows out, the most frequent first, with counts."""
    out = rows["status"][rows["status"] != "used"].value_counts()
    if not len(out):
        return "there are no readings in it"
    return ", ".join(f"{rule} ({count})" for rule, count in out.items())
