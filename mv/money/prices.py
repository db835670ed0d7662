"""What is the saving worth at each price that is known: actual, estimated with, contract?

Performance contracts are often priced at an agreed rate that rises by a fixed percentage, and not
at the real one, so that savings are reported which no ledger shows.  Where a rate says that it is
the estimate's or the contract's, the same saving is priced at it and shown beside the actual one;
a change of price is never the measure's performance.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np

from mv.money.cost_saving import CostSaving, Priced, cost_saving
from mv.money.rates import Rate


def known_prices(
    claim: Priced, cost: CostSaving, currency: str, holidays: np.ndarray
) -> list[dict[str, Any]]:
    """One row a price: basis, rate, source, price of a unit and of a kW, cost saved."""
    if claim.rate is None or cost.savings is None:
        return []
    rows = [_price_row(claim.rate, cost)]
    for rate in claim.beside:
        other = cost_saving(replace(claim, rate=rate, beside=()), currency, holidays)
        if other.savings is not None:
            rows.append(_price_row(rate, other))
    return rows


def _price_row(rate: Rate, cost: CostSaving) -> dict[str, Any]:
    return {
        "basis": rate.head.basis,
        "rate": rate.label,
        "source": rate.source,
        "price": cost.price,
        "kw_price": cost.kw_price,
        "cost_savings": cost.savings.value,
    }
