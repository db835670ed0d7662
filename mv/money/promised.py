"""What was promised and paid at a site whose saving is not verified?

The retrofit cost something and was estimated to pay back in some time, whether or not a meter can
tell.  Both stay in sight: the account of a site that is not verifiable has the cost side and the
estimate, and no saving.
"""

from __future__ import annotations

from collections.abc import Sequence

from mv.money.account import Account, RateChoice
from mv.money.invested import invested
from mv.money.payback import simple_payback
from mv.money.rates import unit_factor
from mv.portfolio.schema import Retrofit, Settings
from mv.units import UnitError


def promised_money(
    *,
    settings: Settings,
    retrofits: Sequence[Retrofit],
    choice: RateChoice,
    unit: str,
    estimated_annual: float | None,
    why: str,
) -> Account:
    """The account of a site without a verified saving.

    Parameters
    ----------
    retrofits : every retrofit of the site; costs and incentives are summed.
    choice : the rate of the claim's meters; only a single price can value an estimate without a
        load.
    unit : canonical unit of `estimated_annual` (a year).
    why : why no saving is verified, for the words of the realised payback.
    """
    currency = settings.currency
    paid = invested(retrofits, currency)
    price, missing = _price(choice, unit)
    annual = None if price is None or estimated_annual is None else price * estimated_annual
    if estimated_annual is None:
        missing = "no saving was estimated"
    estimated = simple_payback(paid.net_cost_estimated, annual, missing=missing)
    realised = simple_payback(paid.net_cost, None, missing=f"no saving is verified: {why}")
    rate = choice.rate
    fields = {
        "currency": currency,
        "cost_savings": None,
        "annual_cost_savings_estimated": annual,
        "annual_cost_savings": None,
        "price": price,
        "price_unit": f"{currency}/{unit}",
        "rate": rate.label if rate else "",
        "rate_source": rate.source if rate else "",
        "cost_estimated": paid.cost_estimated,
        "incentive_estimated": paid.incentive_estimated,
        "net_cost_estimated": paid.net_cost_estimated,
        "cost_actual": paid.cost_actual,
        "incentive_actual": paid.incentive_actual,
        "net_cost": paid.net_cost,
        "simple_payback_estimated": estimated,
        "simple_payback_realised": realised,
        "notes": list(paid.notes),
    }
    return Account(fields=fields, findings=paid.findings, derivations=())


def _price(choice: RateChoice, unit: str) -> tuple[float | None, str]:
    """The single price of a flat rate, currency per `unit`, or why there is none."""
    rate = choice.rate
    if rate is None:
        return None, choice.why
    if not rate.flat:
        return None, "the rate has more than one price, and without a load no estimate has a value"
    try:
        return rate.parts["energy"][0].price * unit_factor(rate, unit), ""
    except UnitError as error:
        return None, str(error)
