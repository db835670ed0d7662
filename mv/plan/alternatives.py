"""What else would show the saving, where this meter can't, and what would narrow the interval?

Each alternative says what it would give in numbers where these can be known beforehand, and what
it costs to have: a second baseline year, loggers on a sample of fixtures, a sub-meter, pooling
with other sites (worked out for the portfolio as a whole).
"""

from __future__ import annotations

from typing import Any

from mv.plan.detection import Detection
from mv.portfolio.schema import SiteDescription
from mv.prepare import PreparedCarrier
from mv.sampling.site_loggers import TARGET_PRECISION, usage_group
from mv.sampling.sizes import DEFAULT_CV, LOGGER_LOSS, size_for_mean
from mv.wording import percent

NARROWER = 0.02
"""Share by which a second baseline year must narrow the interval to be worth telling as such."""


def alternatives(
    description: SiteDescription,
    carrier: PreparedCarrier,
    seen: Detection,
    estimated: float | None,
) -> list[dict[str, Any]]:
    """Alternatives with what each would give; `estimated` energy a year."""
    found = [_second_year(seen)]
    if carrier.boundary != "whole_facility":
        return found
    if carrier.carrier == "electricity" and description.fixtures:
        found.append(_loggers(description, seen, estimated))
    found.append(
        {
            "name": "a sub-meter on the works' circuits",
            "half_width": None,
            "words": "A meter that sees the works' circuits alone faces their drift, not that of "
            "the whole site: what the saving is a tenth of at the main meter may be half of what "
            "a sub-meter sees. It must run for months before the works begin.",
        }
    )
    found.append(
        {
            "name": "pooling with the other sites",
            "half_width": None,
            "words": "Sites drift nearly independently of each other, so the total of several is "
            "known better than each; the portfolio's page says how well.",
        }
    )
    return found


def _second_year(seen: Detection) -> dict[str, Any]:
    now, then = seen.planned.fraction, seen.second_year
    words = (
        f"A second baseline year would narrow the interval from ± {percent(now, 1)} to "
        f"± {percent(then, 1)} of the adjusted baseline."
    )
    if then > now * (1 - NARROWER):
        words += (
            " That is next to nothing: what makes it wide is the drift of buildings from year to "
            "year, which no longer baseline removes. The older year serves to measure that drift."
        )
    return {"name": "a second baseline year", "half_width": then, "words": words}


def _loggers(
    description: SiteDescription, seen: Detection, estimated: float | None
) -> dict[str, Any]:
    """Sample of fixtures by usage group for 90/10 of each, and what the saving is then known to."""
    confidence = description.settings.confidence
    groups: dict[str, float] = {}
    for line in description.fixtures:
        name = usage_group(line)
        groups[name] = groups.get(name, 0.0) + max(line.count_before, line.count_after)
    sizes = []
    for name, count in sorted(groups.items()):
        if count < 1:
            continue
        size = size_for_mean(
            max(1, round(count)),
            cv=DEFAULT_CV,
            precision=TARGET_PRECISION,
            confidence=confidence,
            loss=LOGGER_LOSS,
        )
        sizes.append(
            {
                "usage_group": name,
                "fixtures": round(count),
                "loggers": size.n,
                "install": size.install,
                "formula": size.formula,
            }
        )
    install = sum(s["install"] for s in sizes)
    total = sum(s["fixtures"] for s in sizes)
    half = None
    words = (
        f"Hour loggers on {install} of {total} fixtures in {len(sizes)} usage groups (coefficient "
        f"of variation {DEFAULT_CV:g} taken, {percent(LOGGER_LOSS)} added for losses), with spot "
        f"watts before and after, know the hours of each group to ± {percent(TARGET_PRECISION)} at "
        f"{percent(confidence)} confidence"
    )
    if estimated is not None and seen.planned.adjusted_baseline > 0:
        fraction = seen.planned.estimated_fraction or 0.0
        half = TARGET_PRECISION * abs(fraction)
        words += (
            f", and so the saving to about ± {percent(half, 2)} of the adjusted baseline, against "
            f"± {percent(seen.planned.fraction, 1)} by the main meter"
        )
    words += (
        ". They see the lighting alone, not what it does to heating and cooling, and the weeks "
        "logged must stand for the year. Fitting them is work for qualified people under local "
        "rules."
    )
    return {
        "name": "hour loggers and spot watts",
        "half_width": half,
        "words": words,
        "sizes": sizes,
    }
