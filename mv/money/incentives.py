"""What does an incentive programme owe for the verified savings?

The terms stand in portfolio.toml, as the programme's agreement has them:

    [incentive]
    source = "programme agreement 2024, clause 7"
    per_kwh = 0.11                # of verified savings in a year
    per_kw = 95.0                 # of verified demand saving
    lower_bound = true            # count the lower end of the interval, not the middle
    cap_share_of_cost = 0.5
    cap = 40000.0
    least_share_of_estimate = 0.5 # nothing is paid below this part of the estimate
    least_payment = 500.0         # nothing is paid below this amount
    true_up = true                # what was paid in advance is set off, both ways

earned = per_kwh · energy + per_kw · demand, cut to the lower of the caps; nothing where a floor is
not reached.  Due = earned − paid.  Common practice, no source: the agreement rules.
"""

from __future__ import annotations

from typing import Any

from pydantic import Field, model_validator

from mv.money.described import read_described
from mv.portfolio.schema import Block, Described
from mv.quantity import Derivation, Interval, Step
from mv.units import factor
from mv.wording import number, percent


class IncentiveTerms(Described):
    """[incentive] of portfolio.toml."""

    source: str = Field(min_length=3)
    """Where the terms are agreed."""
    per_kwh: float = Field(default=0.0, ge=0)
    """Currency per kWh of verified savings in a year."""
    per_kw: float = Field(default=0.0, ge=0)
    """Currency per kW of verified demand saving."""
    lower_bound: bool = False
    """Count the lower end of the interval instead of the value."""
    cap_share_of_cost: float | None = Field(default=None, gt=0, le=1)
    """Most that is paid, as a share of the cost."""
    cap: float | None = Field(default=None, gt=0)
    """Most that is paid, currency."""
    least_share_of_estimate: float | None = Field(default=None, gt=0, le=1)
    """Part of the estimated savings below which nothing is paid."""
    least_payment: float = Field(default=0.0, ge=0)
    """Amount below which nothing is paid."""
    true_up: bool = True
    """Whether an advance is set off against what is earned, in both directions."""

    @model_validator(mode="after")
    def _pays_for_something(self):
        if not self.per_kwh and not self.per_kw:
            raise ValueError("give per_kwh, per_kw or both")
        return self


def open_terms(block: Block) -> IncentiveTerms:
    """Read the terms.  Raises FolderError with everything that is wrong in them."""
    return read_described(IncentiveTerms, block)


def incentive(
    terms: IncentiveTerms,
    annual: Interval | None,
    *,
    unit: str,
    demand: Interval | None,
    cost: float | None,
    estimated: float | None,
    paid: float,
    currency: str,
) -> tuple[dict[str, Any], list[Derivation]]:
    """What is earned, and what is due or to be paid back.

    Parameters
    ----------
    annual : verified energy saving in a year, in `unit`.
    demand : verified demand saving in kW, where one is claimed.
    cost : what the cap is a share of, currency.
    estimated : estimated saving in a year, in `unit`.
    paid : received in advance.

    Returns a flat mapping for the report, and the derivation.
    """
    if annual is None:
        return {"terms": terms.source, "words": "No incentive: no annual saving is verified."}, []
    counted = annual.low if terms.lower_bound else annual.value
    if counted is None:
        return {"terms": terms.source, "words": "No incentive: the saving has no lower bound."}, []
    energy = max(0.0, counted) * factor(unit, "kWh")
    power = 0.0
    if demand is not None:
        power = max(0.0, (demand.low if terms.lower_bound else demand.value) or 0.0)
    raw = terms.per_kwh * energy + terms.per_kw * power
    earned, limits = raw, []
    for limit, words in (
        (terms.cap, "the programme's cap"),
        (
            None
            if terms.cap_share_of_cost is None or cost is None
            else terms.cap_share_of_cost * cost,
            "its share of the cost",
        ),
    ):
        if limit is not None and earned > limit:
            earned = limit
            limits = [f"cut to {words} of {number(limit)} {currency}"]
    floor = terms.least_share_of_estimate
    if floor is not None and estimated and counted < floor * estimated:
        earned, limits = 0.0, [f"nothing is paid below {percent(floor)} of the estimate"]
    elif earned < terms.least_payment:
        earned, limits = 0.0, [f"nothing is paid below {number(terms.least_payment)} {currency}"]
    due = earned - paid if terms.true_up else max(0.0, earned - paid)
    which = "lower bound" if terms.lower_bound else "value"
    words = f"{number(earned)} {currency} earned on the {which} of the verified saving"
    words += f" ({limits[0]})" if limits else ""
    if due >= 0:
        words += f"; {number(due)} {currency} due."
    else:
        words += f"; {number(-due)} {currency} to be paid back."
    made = Derivation(
        "money.incentive.earned",
        "earned = min(per kWh · E + per kW · P, caps); due = earned − paid",
        earned,
        currency,
        f"{terms.source} (programme's terms)",
        (
            Step("E", f"verified saving in a year, {which}", energy, "kWh/year", "annual savings",
                 "annual.verified_savings"),
            Step("P", f"verified demand saving, {which}", power, "kW", "demand saving"),
            Step("k_E", "rate per kWh", terms.per_kwh, f"{currency}/kWh", terms.source),
            Step("k_P", "rate per kW", terms.per_kw, f"{currency}/kW", terms.source),
            Step("paid", "received in advance", paid, currency, "retrofits.csv"),
        ),
    )  # fmt: skip
    return {
        "terms": terms.source,
        "counted_energy": energy,
        "counted_demand": power,
        "before_limits": raw,
        "earned": earned,
        "paid": paid,
        "due": due,
        "words": words,
    }, [made]
