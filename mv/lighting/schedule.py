"""What should a lighting retrofit save, by its fixture schedule?

The form of the Uniform Methods Project, chapter 2 (NREL/SR-7A40-68558, 2017; title page read, form
from memory), line by line of the schedule, N fixtures of W input watts burning H hours a year,
b before and a after:

    ΔkW          = (N_b·W_b − N_a·W_a) / 1000
    ΔkWh         = (N_b·W_b·H_b − N_a·W_a·H_a·(1 − s)) / 1000
    energy       = ΔkWh · interactive factor
    peak         = ΔkW · coincidence factor
    heating fuel = ΔkWh · heating penalty

The interactive factor is a multiplier (1 is none; the cooling bonus lies above, the heating penalty
of electric heat below).  The saving of controls, s, comes off the new watts, never off the old.
Input watts include ballast or driver.  What is uncertain in practice is hours of use, then watts.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict, dataclass
from typing import Any

from mv.findings import Finding
from mv.lighting.sanity import SiteFacts, look_at_line, look_at_whole
from mv.portfolio.schema import Fixture
from mv.quantity import Derivation, Step

SOURCE = "Uniform Methods Project ch. 2 (form from memory)"


@dataclass(frozen=True, kw_only=True)
class LightingLine:
    """One line of the schedule, computed."""

    space: str
    description: str
    count_before: float
    watts_before: float
    hours_before: float
    count_after: float
    watts_after: float
    hours_after: float
    control_savings: float
    interactive_factor: float
    coincidence_factor: float | None
    demand: float
    """Connected demand saved, kW."""
    lighting_energy: float
    """Saved by the lighting itself, kWh/year."""
    energy: float
    """With interactive effects, kWh/year."""
    peak: float | None
    """Demand saved at the peak, kW; None without a coincidence factor."""
    heating_penalty: float
    """Extra heating fuel, kWh/year."""
    source: str
    """File and line of the schedule."""


@dataclass(frozen=True, kw_only=True)
class LightingEstimate:
    """The sums over a schedule, a year."""

    lines: tuple[LightingLine, ...]
    energy: float
    """kWh/year, interactive effects included."""
    lighting_energy: float
    """kWh/year, lighting alone."""
    demand: float
    """Connected, kW."""
    peak: float | None
    """At the peak, kW; None where a line has no coincidence factor."""
    heating_penalty: float
    """Extra heating fuel, kWh/year."""
    cost: float | None
    """Energy times the price of a unit, currency/year; None without a price."""
    findings: tuple[Finding, ...]

    def as_fields(self) -> dict[str, Any]:
        """Lines, totals and findings as plain mappings, for results and pages."""
        lines = [{**asdict(line), "savings": line.energy} for line in self.lines]
        totals = {
            "energy": self.energy,
            "lighting_energy": self.lighting_energy,
            "demand": self.demand,
            "peak": self.peak,
            "heating_penalty": self.heating_penalty,
            "cost": self.cost,
        }
        return {"lines": lines, **totals, "words": [str(f) for f in self.findings]}


def estimate(
    fixtures: Sequence[Fixture],
    *,
    price: float | None = None,
    facts: SiteFacts | None = None,
) -> LightingEstimate:
    """Add up a fixture schedule.

    Parameters
    ----------
    fixtures : lines of the schedule, any number of retrofits.
    price : value of a saved kWh, currency, if there is one.
    facts : what else is known of the site, for the findings.
    """
    facts = facts or SiteFacts()
    lines = tuple(_line(f) for f in fixtures)
    findings: list[Finding] = []
    for f in fixtures:
        findings += look_at_line(f, facts)
    peaks = [line.peak for line in lines]
    energy = sum(line.energy for line in lines)
    findings += look_at_whole(fixtures, energy, facts)
    return LightingEstimate(
        lines=lines,
        energy=energy,
        lighting_energy=sum(line.lighting_energy for line in lines),
        demand=sum(line.demand for line in lines),
        peak=None if not peaks or None in peaks else sum(peaks),
        heating_penalty=sum(line.heating_penalty for line in lines),
        cost=None if price is None else energy * price,
        findings=tuple(findings),
    )


def derivation(made: LightingEstimate, figure: str = "estimate.energy") -> Derivation:
    """How the estimate adds up, one step a line."""
    return Derivation(
        figure,
        "Σ (N_b·W_b·H_b − N_a·W_a·H_a·(1 − s)) / 1000 · interactive factor",
        made.energy,
        "kWh/year",
        SOURCE,
        tuple(
            Step(f"E_{i}", line.space or line.description, line.energy, "kWh/year", line.source)
            for i, line in enumerate(made.lines, start=1)
        ),
    )


def _line(f: Fixture) -> LightingLine:
    hours_after = f.hours_before if f.hours_after is None else f.hours_after
    before = f.count_before * f.watts_before
    after = f.count_after * f.watts_after
    demand = (before - after) / 1000.0
    saved = (before * f.hours_before - after * hours_after * (1.0 - f.control_savings)) / 1000.0
    place = f.source.file + (f", line {f.source.line}" if f.source.line is not None else "")
    return LightingLine(
        space=f.space,
        description=f.description,
        count_before=f.count_before,
        watts_before=f.watts_before,
        hours_before=f.hours_before,
        count_after=f.count_after,
        watts_after=f.watts_after,
        hours_after=hours_after,
        control_savings=f.control_savings,
        interactive_factor=f.interactive_factor,
        coincidence_factor=f.coincidence_factor,
        demand=demand,
        lighting_energy=saved,
        energy=saved * f.interactive_factor,
        peak=None if f.coincidence_factor is None else demand * f.coincidence_factor,
        heating_penalty=saved * f.heating_penalty,
        source=place,
    )
