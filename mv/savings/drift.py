"""How far does a site move from one year to the next when nobody saves anything?

A regression knows the scatter of its own period.  It does not know that buildings change: people,
equipment and hours drift, and the sum over a year moves with them.  The size of that drift comes
from sites without a retrofit: a shipped prior (`drift_prior.toml`, with its provenance), which the
user may replace in portfolio.toml and the portfolio's own placebo trial replaces or weighs in.

Here too: whether a baseline is calm, by how much the drift grows with the horizon, and the
correction of the level by the latest residuals (electricity only).

Law of the horizon.  The level of use is taken as a random walk.  With B months of baseline, G
months in between and M months of reporting, the variance of (mean level of reporting − level that
the model carries forward) is proportional to V = b(B) + G + M/3 months, where b = B/3 for the
plain model and, with a share k of the level corrected by exponential weights of mean age a months,
b = (1−k)²·B/3 + k²·a/2 + 2k(1−k)(a − a²/B).  tau scales with √V and is never scaled below the
prior's own horizon: short periods add seasonal misfit, which the random walk does not know.
(Own derivation.  In the study behind the prior, error grew as 1 : 1.21 : 1.33 when one, two and
three years were pooled; √V says 1 : 1.22 : 1.41.)
"""

from __future__ import annotations

import math
import tomllib
from dataclasses import dataclass, replace
from functools import lru_cache
from importlib import resources
from typing import Any, Literal

import numpy as np
import pandas as pd

from mv.baseline.columns import Rows
from mv.baseline.rows import used
from mv.findings import Finding, FolderError, ModelError
from mv.wording import percent

Kind = Literal["electricity", "heat"]
Granularity = Literal["bills", "daily", "hourly"]
Level = Literal["recent", "plain"]

RECENCY_SHARE = 0.7
"""Share of the latest mean residual that is added to the level (study behind the prior)."""
RECENCY_HALF_LIFE = 45.0
"""Days; weights of the residuals halve with it (study behind the prior)."""

CALM_SHIFT = 0.10
"""Largest level shift of a calm baseline, fraction of its mean (study behind the prior)."""
CALM_CV: dict[str, float] = {"electricity": 0.30, "heat": 0.50}
"""Largest daily CV(RMSE) of a calm baseline (study behind the prior)."""
CALM_VALID: dict[str, float] = {"electricity": 0.95, "heat": 0.80}
"""Smallest share of usable days of a calm baseline.  Electricity: study behind the prior."""
CALM_SEGMENT_DAYS = 30
"""Days on either side of a split that make a level (convention of this package)."""

AUTUMN_FACTOR = 1.125
"""Widening where the baseline ends in autumn: the study found 10 to 15 %."""
AUTUMN = {"north": (9, 10, 11), "south": (3, 4, 5)}
SEASONAL_SWING = 4.0
"""Difference of mean temperature between June-August and December-February, degC, below which a
place has no autumn (convention of this package)."""

DAYS_A_MONTH = 365.25 / 12


@dataclass(frozen=True)
class Drift:
    """Size and tails of the drift of one site over one horizon."""

    tau: float
    """Scale, fraction of the adjusted baseline."""
    nu: float
    """Degrees of freedom of its Student tails."""
    source: str
    """Where it comes from, for the report."""


@dataclass(frozen=True)
class Prior:
    """Drift by kind of carrier, level, granularity and calm or all sites."""

    drift: dict[tuple[str, str, str, str], Drift]
    """Keys: kind, level, granularity, sites ("calm", "not calm" or "all")."""
    sigma_common: dict[str, float]
    """By kind: standard deviation of what all sites of one year share, fraction."""
    source: str
    caution: str
    baseline_months: float
    reporting_months: float

    def size(self, carrier: str, granularity: Granularity, *, level: Level, calm: bool) -> Drift:
        """Drift at the prior's own horizon: of calm sites or of the others; of all sites where the
        prior does not tell them apart.  Raises ModelError where it has none.
        """
        kind = carrier_kind(carrier)
        for sites in ("calm" if calm else "not calm", "all"):
            if (kind, level, granularity, sites) in self.drift:
                return self.drift[kind, level, granularity, sites]
        raise ModelError(f"the prior has no drift for {kind}, level {level}, {granularity}")

    def common(self, carrier: str) -> float:
        """Standard deviation of the common year of a carrier, fraction."""
        return self.sigma_common[carrier_kind(carrier)]


def carrier_kind(carrier: str) -> Kind:
    """Which of the prior's two kinds a carrier belongs to."""
    return "electricity" if carrier == "electricity" else "heat"


def load_prior(settings=None) -> Prior:
    """Read the shipped prior, and what portfolio.toml puts in its place.

    `settings` is the portfolio's settings; its `uncertainty` table may hold `source` and one table
    per kind (`electricity`, `heat`) with `tau`, `nu` and `sigma_common`.  Values replace the
    shipped ones for every granularity, calm or not.

    Raises FolderError naming every setting that means nothing or holds what is not allowed.
    """
    prior = _shipped()
    given: dict[str, Any] = dict(settings.uncertainty) if settings is not None else {}
    return _replaced(prior, given) if given else prior


@lru_cache(maxsize=1)
def _shipped() -> Prior:
    text = resources.files("mv.savings").joinpath("drift_prior.toml").read_text("utf-8")
    data = tomllib.loads(text)
    drift = {}
    for block in data["drift"]:
        for granularity, tau in block["tau"].items():
            key = (block["kind"], block["level"], granularity, block["sites"])
            nu = block["nu"][granularity]
            derived = f", {block['derived']}" if "derived" in block else ""
            words = f"shipped prior, {block['sites']} sites{derived}: {data['source']}"
            drift[key] = Drift(tau, nu, words)
    return Prior(
        drift=drift,
        sigma_common=data["sigma_common"],
        source=data["source"],
        caution=data["caution"],
        baseline_months=data["baseline_months"],
        reporting_months=data["reporting_months"],
    )


_OWN_LIMITS = {"tau": (0.0, 1.0), "nu": (1.0, 1000.0), "sigma_common": (0.0, 1.0)}
"""Replaceable settings and what they may lie between."""


def _replaced(prior: Prior, given: dict[str, Any]) -> Prior:
    findings = []

    def complain(rule: str, name: str, message: str) -> None:
        findings.append(Finding(rule, message, file="portfolio.toml", column=f"uncertainty.{name}"))

    source = given.get("source", "")
    if not isinstance(source, str) or len(source) < 3:
        complain(
            "value_invalid",
            "source",
            "a replaced prior needs a `source`: say in words where its figures come from.",
        )
    drift, common = dict(prior.drift), dict(prior.sigma_common)
    for kind, values in given.items():
        if kind == "source":
            continue
        if kind not in CALM_CV or not isinstance(values, dict):
            complain(
                "setting_unknown",
                kind,
                f"{kind!r} means nothing here; allowed are source, electricity and heat "
                "(a table each).",
            )
            continue
        for name, value in values.items():
            if name not in _OWN_LIMITS:
                allowed = ", ".join(_OWN_LIMITS)
                complain("setting_unknown", f"{kind}.{name}", f"allowed are {allowed}.")
                continue
            low, high = _OWN_LIMITS[name]
            number = isinstance(value, int | float) and not isinstance(value, bool)
            if not number or not low <= value <= high:
                complain(
                    "value_invalid",
                    f"{kind}.{name}",
                    f"found {value!r}, expected a number from {low:g} to {high:g}.",
                )
            elif name == "sigma_common":
                common[kind] = float(value)
            else:
                for key, size in drift.items():
                    if key[0] == kind:
                        words = f"portfolio.toml: {source}"
                        drift[key] = replace(size, **{name: float(value)}, source=words)
    if findings:
        raise FolderError(findings)
    return replace(prior, drift=drift, sigma_common=common, source=f"portfolio.toml: {source}")


def level_variance(
    baseline_months: float, gap_months: float, reporting_months: float, level: Level
) -> float:
    """V of the law of the horizon, months (see the module's opening)."""
    base = baseline_months / 3
    if level == "recent":
        k, age = RECENCY_SHARE, RECENCY_HALF_LIFE / math.log(2) / DAYS_A_MONTH
        base = (
            (1 - k) ** 2 * base
            + k**2 * age / 2
            + 2 * k * (1 - k) * (age - age**2 / baseline_months)
        )
    return base + gap_months + reporting_months / 3


def horizon_factor(
    prior: Prior,
    *,
    baseline_months: float,
    reporting_months: float,
    gap_months: float = 0.0,
    level: Level = "plain",
) -> float:
    """Factor on tau for a horizon other than the prior's; never below one.

    Raises ModelError for lengths that can't be.
    """
    if baseline_months <= 0 or reporting_months <= 0 or gap_months < 0:
        raise ModelError("months of baseline and reporting must be positive, of the gap not less")
    here = level_variance(baseline_months, gap_months, reporting_months, level)
    there = level_variance(prior.baseline_months, 0.0, prior.reporting_months, level)
    return max(1.0, math.sqrt(here / there))


def ends_in_autumn(baseline_rows: Rows) -> bool:
    """Whether the baseline's last used day lies in autumn, told by the site's own temperatures."""
    rows = used(baseline_rows)
    start, end = row_spans(rows)
    season = _month_of((start + end) / 2) % 12 // 3  # 0 is December to February
    temperature = np.asarray(rows["temperature"], dtype=float)
    known = np.isfinite(temperature)
    count = np.bincount(season[known], minlength=4)
    if not count[0] or not count[2]:
        return False
    sums = np.bincount(season[known], temperature[known], 4)
    swing = float(sums[2] / count[2] - sums[0] / count[0])
    if not abs(swing) >= SEASONAL_SWING:
        return False
    return int(_month_of(end[-1] - 1)) in AUTUMN["north" if swing > 0 else "south"]


def recency_level(
    fit, baseline_rows: Rows, carrier: str, weight: np.ndarray | None = None
) -> float:
    """Correction of the model's level by its latest residuals, energy a day.

    0.7 × the mean residual with weights that halve every 45 days before the end of the baseline.
    A bill weighs as its days would together.  Zero for every carrier but electricity: elsewhere
    the latest residuals are mostly seasonal misfit (study behind the prior).  `weight`: of the
    rows, where they are at hand.
    """
    if carrier_kind(carrier) != "electricity":
        return 0.0
    if weight is None:
        weight = recency_weights(_rows_of_fit(fit, baseline_rows))
    residuals = np.asarray(fit.residuals, dtype=float)
    return float(RECENCY_SHARE * (weight @ residuals) / weight.sum())


def recency_weights(rows: Rows) -> np.ndarray:
    """Weights of the rows in the level correction, (n,): the integral of what halves every 45 days
    over each row's span, so that a bill weighs as its days would."""
    start, end = row_spans(rows)
    last = end.max()
    return np.exp2((end - last) / RECENCY_HALF_LIFE) - np.exp2((start - last) / RECENCY_HALF_LIFE)


@dataclass(frozen=True)
class Calm:
    """Whether a baseline is calm, and what was looked at."""

    calm: bool
    shift: float | None
    """Largest level shift, fraction of mean use; None where it can't be told (bills)."""
    words: str


def judge_calm(fit, baseline_rows: Rows, carrier: str, granularity: Granularity) -> Calm:
    """Judge whether the baseline year is calm: no level shift, little scatter, few days missing.

    The prior's calm sites were chosen on daily data, so a site with bills alone is never calm.
    """
    kind = carrier_kind(carrier)
    if granularity == "bills":
        return Calm(False, None, "bills are too few to tell a calm year")
    rows = _rows_of_fit(fit, baseline_rows)
    residuals = np.asarray(fit.residuals, dtype=float)
    mean = float(np.mean(np.asarray(rows["energy"], dtype=float)))
    if not mean > 0:
        return Calm(False, None, "mean use is not above zero")
    day = np.floor(row_spans(rows)[0]).astype(int)
    count = np.bincount(day - day[0])
    daily = np.bincount(day - day[0], residuals)[count > 0] / count[count > 0]
    shift = _largest_shift(daily) / mean
    cv = math.sqrt(float(daily @ daily) / max(len(daily) - int(fit.parameters), 1)) / mean
    valid = len(daily) / max(len(count), len(baseline_rows) * len(daily) / len(residuals))
    doubts = []
    if shift > CALM_SHIFT:
        doubts.append(f"a level shift of {percent(shift)} of mean use")
    if cv > CALM_CV[kind]:
        doubts.append(f"CV(RMSE) of {percent(cv)}")
    if valid < CALM_VALID[kind]:
        doubts.append(f"only {percent(valid)} of the days usable")
    words = "calm baseline year" if not doubts else "not a calm year: " + ", ".join(doubts)
    return Calm(not doubts, shift, words)


def row_spans(rows: Rows) -> tuple[np.ndarray, np.ndarray]:
    """Start and end of each row, in days since 1970 (rows of days, hours or bills)."""
    if "start" in rows.columns and "end" in rows.columns:
        return _epoch_days(rows["start"]), _epoch_days(rows["end"])
    start = _epoch_days(rows.index)
    hours = isinstance(rows.index, pd.DatetimeIndex) and rows.index.tz is not None
    return start, start + (1 / 24 if hours else 1.0)


def _epoch_days(times) -> np.ndarray:
    if isinstance(times, np.ndarray):
        return times.astype("datetime64[s]").astype(np.int64) / 86400.0
    times = pd.DatetimeIndex(times)  # of an index with a zone the integers are UTC
    return (times if times.unit == "s" else times.as_unit("s")).asi8 / 86400.0


def _month_of(epoch_days: np.ndarray) -> np.ndarray:
    """Month of the year, January 1, of days since 1970."""
    days = np.floor(epoch_days).astype("datetime64[D]")
    return days.astype("datetime64[M]").astype(int) % 12 + 1


def _rows_of_fit(fit, baseline_rows: Rows) -> Rows:
    rows = used(baseline_rows)
    if len(rows) != len(fit.residuals):
        raise ModelError(
            f"the model was fitted on {len(fit.residuals)} rows, the baseline has {len(rows)} used"
        )
    return rows


def _largest_shift(residuals: np.ndarray) -> float:
    """Largest difference between the mean daily residual after and before any day."""
    n_before = np.arange(1, len(residuals))
    n_after = len(residuals) - n_before
    before = np.cumsum(residuals)[:-1]
    after = residuals.sum() - before
    keep = np.minimum(n_before, n_after) >= CALM_SEGMENT_DAYS
    if not keep.any():
        return 0.0
    return float(np.max(np.abs(after[keep] / n_after[keep] - before[keep] / n_before[keep])))
