"""What did the saving keep out of the air?  Avoided emissions by declared factors.

avoided = Σ saved energy · factor, kilogram of CO2 equivalent.  No factor is built in: each stands
in portfolio.toml with its source, which is printed beside the figure.  Factors may differ by month
or by hour of the day.  For avoided use a marginal (non-baseload) factor is meant, for an inventory
an average one (US EPA's glossary of grid factors, terms read); which one it is, the source says.

    [[emissions]]
    carrier = "electricity"
    factor = 0.212
    unit = "kWh"
    source = "national grid, marginal, 2024"
    by_hour = { "07-19" = 0.265 }      # other hours keep the one factor
    by_month = { Dec = 0.240 }
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from typing import Any

import numpy as np

from mv.findings import Finding
from mv.money.cost_saving import Priced
from mv.portfolio.schema import Emissions
from mv.quantity import Derivation, Step
from mv.units import UnitError, factor

MONTHS = ("Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec")

_SPAN = re.compile(r"^(\d\d?)-(\d\d?)$")


def check_factors(factors: Sequence[Emissions]) -> list[Finding]:
    """What is wrong in the factors, as findings without a line."""
    found = []
    for i, f in enumerate(factors):
        place = {"file": "portfolio.toml", "column": f"emissions.{i}"}
        for month in f.by_month:
            if month not in MONTHS:
                text = f'"{month}" is no month; write Jan, Feb ... Dec.'
                found.append(Finding("value_invalid", text, **place))
        for span in f.by_hour:
            if _hours(span) is None:
                text = f'"{span}" is no span of hours; write "07-19", or "22-06" over midnight.'
                found.append(Finding("value_invalid", text, **place))
        try:
            factor("kWh" if f.carrier != "water" else "m3", f.unit)
        except UnitError as error:
            found.append(Finding("value_invalid", f"{error}.", **place))
    return found


def avoided_emissions(
    parts: Sequence[Priced], factors: Sequence[Emissions]
) -> tuple[dict[str, Any], list[Finding], list[Derivation]]:
    """Avoided emissions over the reporting period and in a year.

    Parameters
    ----------
    parts : the claimed carrier first; others count with their sign (a heating penalty adds).
    factors : as declared.

    Returns a flat mapping (kg, by carrier and in all; sources), findings and derivations; an empty
    mapping where nothing is declared.
    """
    declared = {f.carrier: f for f in factors}
    if not declared:
        return {}, [], []
    made: dict[str, Any] = {}
    findings: list[Finding] = []
    derivations: list[Derivation] = []
    total = 0.0
    for part in parts:
        f = declared.get(part.carrier)
        if f is None:
            text = (
                f"No emission factor is declared for {part.carrier}, so its change counts in "
                "no emissions figure; add [[emissions]] to portfolio.toml."
            )
            findings.append(Finding("emission_factor_missing", text, "portfolio.toml"))
            continue
        try:
            rate, words = _mean_factor(part, f, findings)
        except UnitError as error:
            findings.append(Finding("rate_unit", f"No emissions for {part.carrier}: {error}."))
            continue
        avoided = part.savings.value * rate
        total += avoided
        made[f"{part.carrier}, kg CO2e"] = avoided
        if part.annual is not None:
            made[f"{part.carrier}, kg CO2e a year"] = part.annual.value * rate
        made[f"{part.carrier}, factor"] = f"{rate:.4g} kg CO2e per {part.unit}; {words}{f.source}"
        derivations.append(
            Derivation(
                f"money.emissions.{part.carrier}",
                "avoided = saved energy · factor",
                avoided,
                "kg CO2e",
                "common practice, no source",
                (
                    Step(
                        "S",
                        f"{part.carrier} saved",
                        part.savings.value,
                        part.unit,
                        "reporting period",
                    ),
                    Step("f", "emission factor", rate, f"kg CO2e/{part.unit}", f.source),
                ),
            )
        )
    if made:
        made["total, kg CO2e"] = total
    return made, findings, derivations


def _mean_factor(part: Priced, f: Emissions, findings: list[Finding]) -> tuple[float, str]:
    """Factor per canonical unit, weighted by when energy was saved; and how, in words."""
    scale = factor(part.unit, f.unit)
    if not (f.by_month or f.by_hour) or part.measured is None or part.adjusted is None:
        return f.factor * scale, ""
    load = part.measured
    saved = np.nan_to_num(part.adjusted.energy - load.energy)
    rates = np.full(len(saved), f.factor)
    month = load.start.astype("datetime64[M]").astype(int) % 12
    for name, value in f.by_month.items():
        rates[month == MONTHS.index(name)] = value
    if f.by_hour and load.kind != "interval":
        text = f"{part.carrier}: emission factors are by hour, and the readings have no hours."
        findings.append(Finding("emissions_not_by_hour", text, "portfolio.toml"))
    elif f.by_hour:
        hour = (load.start - load.day.astype("datetime64[s]")).astype(np.int64) // 3600
        for span, value in f.by_hour.items():
            first, last = _hours(span)
            inside = (hour >= first) & (hour < last)
            rates[inside if first < last else (hour >= first) | (hour < last)] = value
    if saved.sum() == 0:
        return f.factor * scale, ""
    return float(np.dot(saved, rates) / saved.sum()) * scale, "weighted by when it was saved; "


def _hours(span: str) -> tuple[int, int] | None:
    match = _SPAN.match(span)
    if not match:
        return None
    first, last = int(match[1]), int(match[2])
    return (first, last) if max(first, last) <= 24 and first != last else None
