"""What a finished result is given from the plan: departures, checklist, running verdict.

Called for every site after its verification, with or without a frozen plan.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from typing import Any

from mv.findings import Finding, gravest_first
from mv.plan.departures import departures
from mv.plan.early import early_signal
from mv.plan.frozen import site_of
from mv.plan.static_factors import checklist
from mv.portfolio.schema import SiteDescription
from mv.results import SiteResult


def with_plan(
    result: SiteResult, description: SiteDescription, plan: Mapping[str, Any] | None
) -> SiteResult:
    """The same result with `departures`, `static_factors` and `early` filled.

    `plan`: the frozen plan as `frozen.thaw` read it, None where the folder holds none.
    """
    own = site_of(plan, result.site) if plan else None
    factors, findings = checklist(description, own)
    found = departures(plan, result, description) if plan else []
    if found:
        count = len(found)
        findings += (
            Finding(
                "plan_departed",
                f"the report departs from the frozen plan in {count} "
                f"{'point' if count == 1 else 'points'}; each is listed under departures.",
                file="plan.json",
                site=result.site,
                count=count,
            ),
        )
    months = round(description.settings.limits.reporting_months)
    if own and own.get("periods"):
        months = own["periods"]["reporting_months"]
    return replace(
        result,
        departures=found,
        static_factors=factors,
        early=early_signal(result, months),
        findings=gravest_first([*result.findings, *findings]),
    )
