"""When does the saving give back what it cost?

Simple payback = net cost ÷ cost saving in a year, no discounting (NIST Handbook 135, simple
payback, from memory).  Net cost is the cost less the incentive.  It is given in months, because
the promise it is held against usually is.

The interval of the saving is carried through: the shortest payback belongs to the largest saving.
Where the saving's interval reaches zero the payback has no upper limit, and where the saving
itself is not above zero there is no payback: both are said in words.  A payback is never
infinite and never negative.
"""

from __future__ import annotations

from mv.quantity import Derivation, Interval, Months, Step
from mv.wording import number, percent

MONTHS_A_YEAR = 12.0
LONGEST_YEARS = 100
"""Years beyond which a payback is said in words: no measure lasts so long (common practice)."""
YEARS_FROM_MONTHS = 60.0
"""Months from which a payback is said in years."""

SOURCE = "NIST Handbook 135, simple payback (from memory)"


def simple_payback(
    net_cost: float | None, annual_saving: Interval | float | None, *, missing: str = ""
) -> Months:
    """Months in which the net cost comes back.

    Parameters
    ----------
    net_cost : cost less incentive, currency; None where it is not known.
    annual_saving : cost saving in a year, currency, an interval or a bare number (an estimate).
    missing : words for why there is no annual saving, where there is none.
    """
    if net_cost is None:
        return _none("No payback is given, because the cost is not known.")
    if annual_saving is None:
        why = missing or "the cost saving in a year is not known"
        return _none(f"No payback is given, because {why}.")
    saving = annual_saving
    if not isinstance(saving, Interval):
        saving = Interval(float(saving), None, None, "")
    if net_cost <= 0:
        return Months(
            months=0.0, low=0.0, high=0.0, words="Nothing to pay back: the net cost is not above 0."
        )
    low = _months(net_cost, saving.high)
    if saving.value <= 0:
        words = "There is no payback, because the saving is not above zero"
        if low is not None:
            words += (
                f"; even at the top of its interval it would take {say_months(low)[0]} "
                f"({_sure(saving)})"
            )
        return Months(months=None, low=low, high=None, words=words + ".")
    months = _months(net_cost, saving.value)
    if months > LONGEST_YEARS * MONTHS_A_YEAR:
        words = f"There is no payback within {LONGEST_YEARS} years at this saving"
        if low is not None and low <= LONGEST_YEARS * MONTHS_A_YEAR:
            words += f"; at the top of its interval it would take {say_months(low)[0]}"
        return Months(months=None, low=low, high=None, words=words + ".")
    if saving.low is None or saving.high is None:
        return Months(months=months, low=None, high=None, words=f"{say_months(months)[0]}.")
    high = _months(net_cost, saving.low)
    if high is None:
        said, at_least = say_months(months, low)
        words = (
            f"{said}; at least {at_least}, with no upper limit, because the "
            f"saving's interval reaches zero ({_sure(saving)})."
        )
    else:
        said, shortest, longest = say_months(months, low, high)
        words = f"{said} ({shortest} to {longest}, {_sure(saving)})."
    return Months(months=months, low=low, high=high, words=words)


def derivation(
    figure: str,
    payback: Months,
    net_cost: float | None,
    annual_saving: float | None,
    currency: str,
    *,
    cost_source: str,
    cost_ref: str = "",
    saving_ref: str = "",
) -> Derivation:
    """How a payback was made, for the reader who follows it."""
    return Derivation(
        figure=figure,
        formula="payback = 12 · net cost / annual cost saving",
        value=payback.months if payback.months is not None else payback.words,
        unit="months",
        source=SOURCE,
        steps=(
            Step("C", "net cost: cost less incentive", net_cost, currency, cost_source, cost_ref),
            Step(
                "A",
                "cost saving in a year",
                annual_saving,
                f"{currency}/year",
                "annual saving at the rate",
                saving_ref,
            ),
        ),
    )


def say_months(*months: float) -> list[str]:
    """Months in words, all in one unit: whole months, or years where one is beyond five years."""
    if max(months) >= YEARS_FROM_MONTHS:
        return [f"{number(m / MONTHS_A_YEAR, 1)} years" for m in months]
    return [
        "less than a month" if m < 0.5 else f"{round(m)} month{'s' if round(m) != 1 else ''}"
        for m in months
    ]


def _months(net_cost: float, saving: float | None) -> float | None:
    if saving is None or saving <= 0:
        return None
    return MONTHS_A_YEAR * net_cost / saving


def _none(words: str) -> Months:
    return Months(months=None, low=None, high=None, words=words)


def _sure(saving: Interval) -> str:
    if saving.confidence is None:
        return "interval of the saving"
    return f"{percent(saving.confidence)} confidence"
