"""What does a sampled portfolio's report rest on?

The frozen plan holds the drawn sample; the report holds the verified annual savings of the sites
that could be verified.  Together they give the total of the whole frame, as a ratio estimate with
its interval, and say what became of every sampled site.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import asdict
from typing import Any

from mv.findings import ModelError
from mv.results import SiteResult
from mv.sampling.site_sample import SitePlan, estimate
from mv.savings.quantiles import student_quantile


def sample_result(plan: Mapping[str, Any], results: Sequence[SiteResult]) -> dict[str, Any]:
    """The total of a sampled frame as plain fields; empty where the plan holds no sample.

    Keys: `words`, `combined`, `separate` (None where a stratum is too thin), `realisation_rate`
    (intervals), `strata` (name, size, verified, estimated, ratio, ratio_half_width), `verified`,
    `frame`, `not_verified`, `replaced`, `achieved_precision`, `planned_precision`, `carrier`,
    `unit`, `seed`; or `words` alone where too few of the sampled sites could be verified.
    """
    fields = plan.get("sample") or {}
    if not fields:
        return {}
    own = ("carrier", "unit", "frame_estimates")
    drawn = SitePlan.from_fields({k: v for k, v in fields.items() if k not in own})
    estimates = {k: v for k, v in fields["frame_estimates"].items() if v is not None}
    verified, errors = {}, {}
    for result in results:
        annual = result.annual.verified_savings if result.annual else None
        same = (result.carrier, result.unit) == (fields["carrier"], fields["unit"])
        if result.verdict == "not verifiable" or annual is None or not same:
            continue
        verified[result.site] = annual.value
        if annual.half_width is not None:
            errors[result.site] = annual.half_width / _quantile(result)
    common = {k: fields[k] for k in ("carrier", "unit", "seed")}
    try:
        made = estimate(
            drawn, estimates, verified, errors, unit=fields["unit"], confidence=drawn.confidence
        )
    except ModelError as error:
        return common | {"words": f"The sample gives no total: {error}."}
    return asdict(made) | common


def _quantile(result: SiteResult) -> float:
    """By what a site's half-width was multiplied: the quantile of its own interval."""
    if result.uncertainty is not None and result.uncertainty.quantile > 0:
        return result.uncertainty.quantile
    return student_quantile(result.confidence, 2.0)
