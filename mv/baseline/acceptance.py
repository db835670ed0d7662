"""Which limits does a baseline meet, and whose limits are they?

Limits differ between standards and programmes, so they stand as named profiles in one data file,
`acceptance_profiles.toml`, each with its source; a portfolio may add its own.  A limit is judged
on the model's own time step.  Limits say little by themselves: the bias of a least-squares fit on
its own rows is zero whatever the model, a constant load has an R² of zero and is a good baseline,
and a good fit does not make a small uncertainty of savings (`savings/uncertainty.py`).
"""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from functools import lru_cache
from importlib.resources import files
from typing import Any, Literal

import numpy as np

from mv.baseline.fit import Fit
from mv.baseline.fit_statistics import FitStatistics
from mv.findings import Finding, ModelError
from mv.wording import percent

CONSTANT_CV = 0.25
"""CV(RMSE) up to which a low R² is told to be a flat load rather than a bad model (common
practice, no source)."""

RULES = {
    "r2": "R²",
    "cv_rmse": "CV(RMSE)",
    "nmbe": "NMBE",
    "net_determination_bias": "net determination bias",
    "t_least": "smallest |t| of the terms",
    "p_most": "largest p of the terms",
    "p_least": "smallest p of the terms",
    "f_p": "p of the F test",
    "fractional_uncertainty": "half-width ÷ saving",
    "expected_fractional_uncertainty": "half-width ÷ expected saving",
    "saving_fraction": "saving ÷ adjusted baseline",
    "saving_over_error": "saving ÷ standard error",
    "baseline_coverage": "share of baseline days used",
    "baseline_months": "months of baseline",
    "reporting_months": "months of reporting",
}
"""What a limit may be about, and how the table calls it."""

_UNITS = {
    "baseline_months": "months",
    "reporting_months": "months",
    "t_least": "",
    "saving_over_error": "",
}
_OF_UNCERTAINTY = ("fractional_uncertainty", "expected_fractional_uncertainty")
_KEYS = {
    "rule",
    "least",
    "most",
    "confidence",
    "months_from",
    "months_below",
    "quantity",
    "advice",
    "source",
    "from_memory",
}


@lru_cache(maxsize=1)
def shipped_profiles() -> dict[str, dict[str, Any]]:
    """The profiles of the data file, by name."""
    return tomllib.loads(
        files("mv.baseline").joinpath("acceptance_profiles.toml").read_text(encoding="utf-8")
    )


def check_profiles(
    name: str, own: Mapping[str, Any] | None = None, file: str = "portfolio.toml"
) -> list[Finding]:
    """Say what is wrong with a portfolio's profile name and its own profiles; empty when nothing.

    Parameters
    ----------
    name : profile that the portfolio asks for.
    own : its [acceptance_profiles] table, profiles by name.
    file : settings file, for the findings' place.
    """
    found = [
        Finding("value_invalid", message, file=file, column=f"acceptance_profiles.{key}")
        for key, profile in (own or {}).items()
        for message in _problems(profile)
    ]
    known = sorted({*shipped_profiles(), *(own or {})})
    if name not in known:
        message = f"there is no acceptance profile {name!r}; there are: {', '.join(known)}."
        found.append(Finding("value_invalid", message, file=file, column="acceptance"))
    return found


def judge(
    profile: str,
    *,
    fit: Fit,
    statistics: FitStatistics | None = None,
    own: Mapping[str, Any] | None = None,
    granularity: str | None = None,
    quantity: Literal["energy", "demand"] = "energy",
    baseline_months: float | None = None,
    reporting_months: float | None = None,
    baseline_coverage: float | None = None,
    saving_fraction: float | None = None,
    expected_fraction: float | None = None,
    saving_over_error: float | None = None,
    fractional_uncertainty: Mapping[str, float] | float | None = None,
) -> list[dict[str, Any]]:
    """Set a baseline (and its saving) against the limits of a profile.

    Parameters
    ----------
    profile : name of a shipped profile or of one in `own`.
    fit, statistics : the baseline; its statistics unless others are given.
    own : profiles of the portfolio, same form as the data file.
    granularity : what a row of the fit is (daily, bills), where the table shall tell it.
    quantity : what the baseline models.
    baseline_months, reporting_months : length of the periods.
    baseline_coverage : share of the baseline's days that are used.
    saving_fraction, expected_fraction : saving verified and expected ÷ adjusted baseline.
    saving_over_error : saving ÷ its standard error.
    fractional_uncertainty : half-width ÷ verified saving by confidence, keys such as "0.90";
        one number is that at 68 %.

    Returns
    -------
    One dict a limit that applies: rule, value, limit, unit, met (None for advice and for what
    can't be judged), source, note.

    Raises ModelError for a profile that does not exist or that is not well formed.
    """
    profiles = {**shipped_profiles(), **(own or {})}
    if profile not in profiles:
        raise ModelError(
            f"no acceptance profile is called {profile!r}; there are: {', '.join(sorted(profiles))}"
        )
    if own and profile in own and (problems := _problems(own[profile])):
        raise ModelError(f"acceptance profile {profile!r}: {problems[0]}")
    statistics = statistics or fit.statistics
    if isinstance(fractional_uncertainty, int | float):
        fractional_uncertainty = {"0.68": float(fractional_uncertainty)}
    baseline_months, reporting_months = _whole(baseline_months), _whole(reporting_months)
    values: dict[str, float | None] = {
        "r2": statistics.r2,
        "cv_rmse": statistics.cv_rmse,
        "nmbe": statistics.nmbe,
        "net_determination_bias": statistics.net_determination_bias,
        "saving_fraction": saving_fraction,
        "saving_over_error": saving_over_error,
        "baseline_months": baseline_months,
        "reporting_months": reporting_months,
        "baseline_coverage": baseline_coverage,
        **_term_values(fit),
    }
    rows = []
    for limit in profiles[profile]["limit"]:
        if not _applies(limit, quantity, reporting_months):
            continue
        rule, label = limit["rule"], RULES[limit["rule"]]
        if rule in _OF_UNCERTAINTY:
            confidence = float(limit["confidence"])
            value = _at(fractional_uncertainty, confidence)
            label += f" at {percent(confidence)}"
            if rule == "expected_fractional_uncertainty" and value is not None:
                usable = saving_fraction is not None and expected_fraction
                value = value * abs(saving_fraction) / expected_fraction if usable else None
        elif rule == "cv_rmse" and granularity:
            label, value = f"{label}, {granularity}", values[rule]
        else:
            value = values[rule]
        rows.append(
            {
                "rule": label,
                "value": value,
                "limit": _limit_of(limit),
                "unit": _UNITS.get(rule, "fraction"),
                "met": None if limit.get("advice") else _met(limit, value),
                "source": limit["source"] + (" (from memory)" if limit.get("from_memory") else ""),
                "note": _note(limit, value, fit),
            }
        )
    return rows


def _problems(profile: Any) -> list[str]:
    """What is wrong with one profile."""
    limits = profile.get("limit") if isinstance(profile, Mapping) else None
    if not isinstance(limits, list) or not limits:
        return ["a profile needs at least one [[...limit]] table."]
    out = []
    for number, limit in enumerate(limits, 1):
        where = f"limit {number}"
        unknown = sorted(set(limit) - _KEYS)
        if unknown:
            out.append(f"{where}: {', '.join(unknown)} means nothing here.")
        rule = limit.get("rule")
        if rule not in RULES:
            out.append(f"{where}: rule {rule!r} is not one of {', '.join(RULES)}.")
        bounds = [limit[k] for k in ("least", "most") if k in limit]
        if (
            len(bounds) != 1
            or isinstance(bounds[0], bool)
            or not isinstance(bounds[0], int | float)
        ):
            out.append(f"{where}: give a number as either least or most.")
        if not str(limit.get("source", "")).strip():
            out.append(f"{where}: name the source.")
        if rule in _OF_UNCERTAINTY and not 0 < limit.get("confidence", 0) < 1:
            out.append(f"{where}: {rule} needs a confidence between 0 and 1.")
    return out


def _applies(limit: Mapping[str, Any], quantity: str, months: float | None) -> bool:
    if limit.get("quantity", "energy") != quantity:
        return False
    if months is None:
        return limit.get("months_from", 0) <= 0
    return limit.get("months_from", 0) <= months < limit.get("months_below", float("inf"))


def _whole(months: float | None) -> float | None:
    """Months to a tenth: counted in mean months, 365 days would be 11.99 of them, not a year."""
    return None if months is None else round(months, 1)


def _limit_of(limit: Mapping[str, Any]) -> float:
    return float(limit["least"] if "least" in limit else limit["most"])


def _met(limit: Mapping[str, Any], value: float | None) -> bool | None:
    if value is None or not np.isfinite(value):
        return None
    if "least" in limit:
        return bool(value >= limit["least"])
    return bool(abs(value) <= limit["most"])


def _at(by_confidence: Mapping[str, float] | None, confidence: float) -> float | None:
    for key, value in (by_confidence or {}).items():
        if abs(float(key) - confidence) < 1e-9:
            return value
    return None


def _term_values(fit: Fit) -> dict[str, float | None]:
    """Smallest |t|, p-values of the terms beside the level, and p of the F test."""
    t = np.abs([v for n, v in zip(fit.term_names, fit.t_values, strict=True) if n != "level"])
    none = {"t_least": None, "p_most": None, "p_least": None, "f_p": None}
    if not len(t) or not np.isfinite(t).all():
        return none
    from scipy.special import fdtrc, stdtr

    degrees = fit.n - fit.parameters
    p = 2 * stdtr(degrees, -t)
    r2 = fit.statistics.r2
    f_p = None
    if r2 is not None and 0 <= r2 < 1:
        free = fit.parameters - 1
        f_p = float(fdtrc(free, degrees, (r2 / free) / ((1 - r2) / degrees)))
    return {
        "t_least": float(t.min()),
        "p_most": float(p.max()),
        "p_least": float(p.min()),
        "f_p": f_p,
    }


def _note(limit: Mapping[str, Any], value: float | None, fit: Fit) -> str:
    rule = limit["rule"]
    if value is None:
        if rule in {"t_least", "p_most", "p_least", "f_p"}:
            return "The model has no term besides its level."
        return "Can't be judged here."
    cv = fit.statistics.cv_rmse
    if rule == "r2" and value < limit.get("least", 0) and cv is not None and cv <= CONSTANT_CV:
        return "A flat load leaves little to explain: low R² with a low CV(RMSE) is no bad model."
    if rule in {"nmbe", "net_determination_bias"}:
        return "Zero for any least squares on its own rows; see the bias on held-out months."
    if limit.get("advice"):
        return "A guide, no limit."
    return ""
