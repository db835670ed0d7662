"""Is it a good investment over its life?  Net present value, rate of return, savings ratio.

    NPV  = Σ_t C_t / (1 + r)^t,  C_0 = − net cost, later flows at year ends
    IRR  : the r at which NPV = 0
    SIR  = present value of the savings / net cost
    AIRR = (1 + r) · SIR^(1/N) − 1

NIST Handbook 135 (1995; from memory): savings count at year ends, and real rates go with constant
prices, nominal rates with current ones.  The first year's saving is the verified (or estimated)
one at the prices it was verified at; escalation and degradation start with the second year.
Handbook 135's own factors (UPV*) escalate the first year already, because their prices are those
of the base date: `from_base_date` does that.

NPV and IRR are numpy-financial's.  IRR exists where money is paid first and comes back later; where
nothing is paid or nothing comes back there is none.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from mv.money.payback import MONTHS_A_YEAR
from mv.quantity import Derivation, Interval, Step

SOURCE = "NIST Handbook 135 (from memory); computed with numpy-financial"


@dataclass(frozen=True, kw_only=True)
class Worth:
    """An investment's worth; None where it cannot be computed."""

    npv: float | None
    irr: float | None
    savings_to_investment: float | None
    adjusted_irr: float | None
    discounted_payback: float | None
    """Years until the discounted savings have returned the net cost, linear within a year."""
    present_value: float | None
    """Of the savings, currency."""


def savings_by_year(
    annual: float,
    years: float,
    *,
    escalation: float = 0.0,
    degradation: float = 0.0,
    from_base_date: bool = False,
) -> np.ndarray:
    """Saving of each year of the measure's life, currency, shape (ceil(years),).

    The last year counts in part where the life is not a whole number of years.
    """
    whole = math.ceil(years - 1e-9)
    t = np.arange(whole)
    growth = (1.0 + escalation) ** (t + (1 if from_base_date else 0)) * (1.0 - degradation) ** t
    share = np.minimum(years - t, 1.0)
    return annual * growth * share


def worth(net_cost: float, savings: np.ndarray, discount_rate: float | None) -> Worth:
    """Worth of paying `net_cost` today and receiving `savings` at the ends of the coming years.

    Parameters
    ----------
    net_cost : currency.
    savings : currency by year, shape (years,), see `savings_by_year`.
    discount_rate : a year, as a fraction; without it only the IRR can be told.
    """
    import numpy_financial

    flows = np.concatenate([[-net_cost], savings])
    irr = None
    if net_cost > 0 and savings.sum() > 0:
        found = float(numpy_financial.irr(flows))
        irr = found if math.isfinite(found) else None
    if discount_rate is None:
        return Worth(
            npv=None,
            irr=irr,
            savings_to_investment=None,
            adjusted_irr=None,
            discounted_payback=None,
            present_value=None,
        )
    npv = float(numpy_financial.npv(discount_rate, flows))
    present = npv + net_cost
    ratio = present / net_cost if net_cost > 0 else None
    adjusted = None
    if ratio is not None and ratio > 0:
        adjusted = (1.0 + discount_rate) * ratio ** (1.0 / len(savings)) - 1.0
    return Worth(
        npv=npv,
        irr=irr,
        savings_to_investment=ratio,
        adjusted_irr=adjusted,
        discounted_payback=_discounted_payback(net_cost, savings, discount_rate),
        present_value=present,
    )


def worth_interval(
    net_cost: float,
    annual: Interval,
    years: float,
    discount_rate: float | None,
    currency: str,
    *,
    escalation: float,
    degradation: float,
) -> tuple[Worth, dict[str, Interval | None]]:
    """Worth at an annual saving and at the ends of its interval.

    Returns the worth at the value itself, and `npv`, `irr` and `savings_to_investment` as
    intervals; an end at which a figure doesn't exist is None.
    """

    def at(saving: float | None) -> Worth | None:
        if saving is None:
            return None
        by_year = savings_by_year(saving, years, escalation=escalation, degradation=degradation)
        return worth(net_cost, by_year, discount_rate)

    middle, low, high = at(annual.value), at(annual.low), at(annual.high)
    made: dict[str, Interval | None] = {}
    for name, unit in (("npv", currency), ("irr", "1/year"), ("savings_to_investment", "1")):
        value = getattr(middle, name)
        made[name] = (
            value
            if value is None
            else Interval(
                value,
                None if low is None else getattr(low, name),
                None if high is None else getattr(high, name),
                unit,
                confidence=annual.confidence,
                kind="money" if name == "npv" else "ratio",
                method="ends of the annual saving's interval carried through",
            )
        )
    return middle, made


def derivations(
    net_cost: float,
    annual: float,
    years: float,
    made: Worth,
    currency: str,
    *,
    discount_rate: float | None,
    escalation: float,
    degradation: float,
) -> list[Derivation]:
    """How NPV, IRR and SIR were made."""
    steps = (
        Step("C", "net cost", net_cost, currency, "", "money.net_cost"),
        Step(
            "A",
            "cost saving in the first year",
            annual,
            f"{currency}/year",
            "",
            "money.annual_cost_savings.value",
        ),
        Step("N", "measure life", years, "years", "retrofits.csv, column measure_life"),
        Step("e", "price escalation a year", escalation, "1/year", "portfolio.toml, [finance]"),
        Step("g", "degradation a year", degradation, "1/year", "portfolio.toml, [finance]"),
        Step("r", "discount rate", discount_rate, "1/year", "portfolio.toml, [finance]"),
    )
    flows = "C_t = A · (1 + e)^(t−1) · (1 − g)^(t−1)"
    found = [
        ("npv.value", f"NPV = −C + Σ_(t=1..N) C_t / (1 + r)^t, {flows}", made.npv, currency),
        ("irr.value", f"−C + Σ_(t=1..N) C_t / (1 + IRR)^t = 0, {flows}", made.irr, "1/year"),
        (
            "savings_to_investment.value",
            f"SIR = Σ_(t=1..N) C_t / (1 + r)^t / C, {flows}",
            made.savings_to_investment,
            "1",
        ),
    ]
    return [
        Derivation(f"money.{name}", formula, value, unit, SOURCE, steps)
        for name, formula, value, unit in found
        if value is not None
    ]


def _discounted_payback(net_cost: float, savings: np.ndarray, rate: float) -> float | None:
    if net_cost <= 0:
        return 0.0
    present = savings / (1.0 + rate) ** np.arange(1, len(savings) + 1)
    running = np.cumsum(present)
    reached = np.flatnonzero(running >= net_cost)
    if not len(reached):
        return None
    year = int(reached[0])
    before = running[year - 1] if year else 0.0
    return float(year + (net_cost - before) / present[year])


def months_of_life(years: float) -> int:
    """Whole months of a measure's life."""
    return round(years * MONTHS_A_YEAR)
