"""Which things that were taken as constant have changed, and does an event account for it?

The checklist of static factors (floor area in use, occupancy, hours, equipment, tenants ...)
holds each factor's value in the baseline period and at report time.  A factor whose value
changed asks for an event in events.csv: only an event, with its date and evidence, may exclude
days or adjust a saving.

Source: IPMVP Core Concepts, static factors and non-routine adjustments (from memory).
"""

from __future__ import annotations

import datetime as dt
import re
from collections.abc import Mapping
from typing import Any

from mv.findings import Finding
from mv.portfolio.schema import Event, SiteDescription, StaticFactor

NEAR_DAYS = 31
"""Days between a factor's change and an event's start within which the event accounts for it
(common practice, no source)."""


def checklist(
    description: SiteDescription, planned: Mapping[str, Any] | None = None
) -> tuple[list[dict[str, Any]], tuple[Finding, ...]]:
    """The checklist of one site, and a finding for each change that no event accounts for.

    Parameters
    ----------
    planned : the site's frozen plan; its values stand as the ones of plan time where it has them.

    Keys of each line: factor, unit, planned, now, changed (`yes`, `no`, `not told`),
    changed_on, event, note.
    """
    agreed = {f["factor"]: f["baseline_value"] for f in (planned or {}).get("static_factors", ())}
    lines, findings = [], []
    for factor in description.static_factors:
        before = agreed.get(factor.factor) or factor.baseline_value
        changed = _changed(before, factor.reporting_value)
        event = _event_for(factor, description.events) if changed == "yes" else None
        lines.append(
            {
                "factor": factor.factor,
                "unit": factor.unit,
                "planned": before,
                "now": factor.reporting_value,
                "changed": changed,
                "changed_on": factor.changed_on.isoformat() if factor.changed_on else "",
                "event": f"{event.what} ({event.treatment})" if event else "",
                "note": factor.note,
            }
        )
        if changed == "yes" and event is None:
            on = f" on {factor.changed_on}" if factor.changed_on else ""
            findings.append(
                Finding(
                    "static_factor_changed",
                    f"the static factor {factor.factor!r} changed from {before} to "
                    f"{factor.reporting_value} {factor.unit}".rstrip()
                    + f"{on}, and no event of "
                    "events.csv accounts for it. Enter the event with its start and evidence: "
                    "treatment adjust or exclude where it moved the use, note where it did not.",
                    file=factor.source.file,
                    line=factor.source.line,
                    site=description.site.site,
                )
            )
    return lines, tuple(findings)


def _changed(before: str, now: str) -> str:
    one, other = before.strip(), now.strip()
    if not one or not other:
        return "not told"
    a, b = _number(one), _number(other)
    if a is not None and b is not None:
        return "no" if a == b else "yes"
    return "no" if one.casefold() == other.casefold() else "yes"


def _number(text: str) -> float | None:
    """The number that a value starts with (`5 200 m2`, `80 %`); None for words."""
    plain = re.fullmatch(r"([+-]?\d[\d\s\u00a0\u202f]*(?:\.\d+)?)\s*[^\d\s]*\d?", text)
    if not plain:
        return None
    return float(re.sub(r"\s", "", plain[1]))


def _event_for(factor: StaticFactor, events: tuple[Event, ...]) -> Event | None:
    """The event that accounts for a change: near its date, or naming the factor."""
    named = factor.factor.casefold()
    for event in events:
        if named in event.what.casefold() or named in event.evidence.casefold():
            return event
    if factor.changed_on is None:
        return None
    near = dt.timedelta(days=NEAR_DAYS)
    return next((e for e in events if abs(e.start - factor.changed_on) <= near), None)
