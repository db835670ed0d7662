"""What was the carrier's saving estimated at, and where is it written?"""

from __future__ import annotations

from mv import lighting, units
from mv.portfolio.schema import SiteDescription
from mv.prepare import PreparedCarrier


def annual_estimate(
    description: SiteDescription, carrier: PreparedCarrier
) -> tuple[float | None, str]:
    """Estimated saving in a year over the carrier's retrofits, canonical unit, and its place.

    A retrofit without an estimate of its own falls back on its fixture schedule; (None, "") where
    neither is given.
    """
    total, places = 0.0, []
    for retrofit in carrier.retrofits or description.retrofits:
        if retrofit.carrier != carrier.carrier:
            continue
        if retrofit.estimated_savings is not None:
            unit = retrofit.estimated_savings_unit.split("/")[0]
            total += retrofit.estimated_savings * units.factor(unit, carrier.unit)
            places.append(f"{retrofit.source.file}, line {retrofit.source.line}")
            continue
        lines = [f for f in description.fixtures if f.retrofit == retrofit.retrofit]
        if lines and carrier.carrier == "electricity":
            total += lighting.estimate(lines).energy
            places.append(f"{lines[0].source.file}, {len(lines)} lines")
    return (total, "; ".join(places)) if places else (None, "")
