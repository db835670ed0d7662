"""What is a site's investment worth, estimated and realised?"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from mv.money.invested import Invested
from mv.money.worth import derivations as derive_worth
from mv.money.worth import savings_by_year, worth, worth_interval
from mv.portfolio.schema import Retrofit, Settings
from mv.quantity import Derivation, Interval


def measure_life(retrofits: Sequence[Retrofit]) -> float | None:
    """Measure life in years: the shortest, where there are several."""
    lives = [r.measure_life for r in retrofits if r.measure_life is not None]
    return min(lives) if lives else None


def worth_of_site(
    settings: Settings,
    paid: Invested,
    annual: Interval | None,
    estimated: float | None,
    life: float | None,
    currency: str,
    notes: list[str],
) -> tuple[dict[str, Any], list[Derivation]]:
    """NPV, IRR and savings-to-investment ratio, estimated and realised, and how they were made.

    `life` in years; `notes` takes what is missing.
    """
    finance = settings.finance
    if life is None:
        notes.append("No present value is given, because no measure_life is given.")
        return {}, []
    if finance.discount_rate is None:
        notes.append("No net present value is given, because no discount_rate is declared.")
    terms = {"escalation": finance.price_escalation, "degradation": finance.degradation}
    made: dict[str, Any] = {}
    trail: list[Derivation] = []
    if estimated is not None and paid.net_cost_estimated is not None:
        planned = worth(
            paid.net_cost_estimated,
            savings_by_year(estimated, life, **terms),
            finance.discount_rate,
        )
        made["npv_estimated"] = planned.npv
        made["irr_estimated"] = planned.irr
        made["savings_to_investment_estimated"] = planned.savings_to_investment
    if annual is not None and paid.net_cost is not None:
        middle, intervals = worth_interval(
            paid.net_cost, annual, life, finance.discount_rate, currency, **terms
        )
        made |= intervals
        trail = derive_worth(
            paid.net_cost,
            annual.value,
            life,
            middle,
            currency,
            discount_rate=finance.discount_rate,
            **terms,
        )
    return made, trail
