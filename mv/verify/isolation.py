"""Loggers and spot readings beside the meter: the retrofit seen on its own.

Where loggers were set (IPMVP Options A and B), their hours and watts joined with the fixture
schedule give a saving of their own.  It stands beside the whole-facility figure, and what it shows
of hours and watts separates those bars of the bridge.
"""

from __future__ import annotations

from typing import Any

from mv.findings import Finding
from mv.lighting import estimate
from mv.money.bridge import Change
from mv.results import CarrierResult
from mv.sampling.site_loggers import site_isolation
from mv.verify.draft import Draft


def isolated(
    draft: Draft, main: CarrierResult
) -> tuple[dict[str, Any], list[Change], list[Finding]]:
    """The isolation result as fields, what it explains, and what was amiss with its loggers."""
    description = draft.description
    whole = main.annual.verified_savings if main.annual else None
    if main.carrier != "electricity":
        whole = None
    fields, findings = site_isolation(description, days=draft.logged_days, whole_facility=whole)
    if not fields or not description.fixtures:
        return fields, [], list(findings)
    return fields, _ratios(fields, estimate(description.fixtures).energy), list(findings)


def _ratios(fields: dict[str, Any], estimated: float) -> list[Change]:
    """Logged hours and watts against the schedule, as one ratio of the estimate."""
    saving = fields.get("at_the_meter") or {}
    if not estimated or not saving.get("value"):
        return []
    measured_watts = bool(fields.get("spot_watts"))
    name = "hours and watts" if measured_watts else "hours"
    evidence = f"{len(fields.get('loggers', []))} loggers"
    if measured_watts:
        evidence += " and spot readings of watts"
    return [Change(name=name, amount=saving["value"] / estimated, evidence=evidence)]
