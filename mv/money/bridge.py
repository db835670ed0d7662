"""Why does what came differ from what was promised?  Bridges in steps that add up.

Three bridges, all split by `shapley`, so that no bar depends on the order of the others:

- savings: estimated to verified annual cost saving,
      saving = price · (E · Π ratios + Σ additions) + demand,
  E the estimated energy, ratios the evidenced changes of count, watts, hours and interactive
  effects, additions in energy the weather, operating days and non-routine events.
- payback: estimated to realised, payback = (cost − incentive) / saving.
- bill: last year's bill to this year's, bill = price · (use + Σ changes of use) + fixed and demand
  charges, the retrofit one change among others.

A bar stands only where evidence separates it.  The rest is one bar with the interval of the
verified saving: named as the measure's performance where nothing separates count, watts and hours,
else as unexplained.  Where that interval holds zero the rest is within measurement uncertainty.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np

from mv.findings import ModelError
from mv.money.shapley import shapley
from mv.quantity import Bridge, BridgeStep, Interval
from mv.wording import number

METHOD = (
    "each bar is the factor's effect averaged over all orders of change (Shapley split); "
    "the bars add up exactly"
)
JOINED = "measure performance"
JOINED_NOTE = "count, watts and hours are not separable at this meter; one bar for all of them"
UNEXPLAINED = "unexplained"
WITHIN = "within measurement uncertainty"
NOBODY = "nobody"
FIXED = "fixed and demand charges"
SAME_PRICE = 1e-12
"""Relative difference of two average prices that is rounding."""


@dataclass(frozen=True, kw_only=True)
class Change:
    """One evidenced difference between the estimate and what came.

    `amount` is a ratio (after ÷ before) for a factor of the measure, or an energy a year in the
    canonical unit, signed as it changes the saving, for an addition.
    """

    name: str
    amount: float
    evidence: str
    """What shows it."""


@dataclass(frozen=True, kw_only=True)
class Deal:
    """The numbers on one side of a bridge, estimated or realised."""

    cost: float | None
    incentive: float | None
    price: float
    """Value of a saved unit, currency per unit."""
    energy: float
    """Saved in a year, canonical unit."""
    demand: float = 0.0
    """Value of demand saved in a year, currency."""

    @property
    def saving(self) -> float:
        """Cost saving in a year, currency."""
        return self.price * self.energy + self.demand


@dataclass(frozen=True, kw_only=True)
class Explained:
    """What evidence tells about the difference in energy."""

    ratios: Sequence[Change] = ()
    additions: Sequence[Change] = ()
    responsible: Mapping[str, str] = field(default_factory=dict)
    """Who answers for a factor by the plan, by its name."""


def savings_bridge(
    estimated: Deal, realised: Deal, annual: Interval, currency: str, explained: Explained
) -> Bridge:
    """From the estimated to the verified annual cost saving.

    `annual` is the verified energy saving in a year; its interval becomes the last bar's.
    """
    factors = _Factors(estimated, realised, annual, explained)
    shares, ends = factors.split(_saving, annual)
    return Bridge(
        name="savings",
        unit=f"{currency}/year",
        start=estimated.saving,
        start_label="estimated",
        end=realised.saving,
        end_label="verified",
        steps=factors.steps(shares, ends),
        method=METHOD,
        words=_rest_words(factors),
    )


def payback_bridge(
    estimated: Deal, realised: Deal, annual: Interval, explained: Explained
) -> Bridge | None:
    """From the estimated to the realised payback, in years.

    None where a cost is not known, or where some set of changes leaves no saving above zero, so
    that a payback does not exist on the way.
    """
    if estimated.cost is None or realised.cost is None:
        return None
    factors = _Factors(estimated, realised, annual, explained, with_cost=True)
    try:
        shares, ends = factors.split(_payback, annual)
    except ModelError:
        return None
    start, end = (factors.at(side, _payback) for side in (factors.before, factors.after))
    return Bridge(
        name="payback",
        unit="years",
        start=start,
        start_label="estimated",
        end=end,
        end_label="realised",
        steps=factors.steps(shares, ends),
        method=METHOD,
        words=_rest_words(factors),
    )


def bill_bridge(
    *,
    last_cost: float,
    last_energy: float,
    this_cost: float,
    this_energy: float,
    retrofit: Interval,
    weather: float | None,
    days: float | None,
    events: float | None,
    currency: str,
    last_fixed: float = 0.0,
    this_fixed: float = 0.0,
    labels: tuple[str, str] = ("last year's bill", "this year's bill"),
) -> Bridge:
    """From last year's bill to this year's.

    Parameters
    ----------
    last_cost, this_cost : currency over the two spans.
    last_energy, this_energy : measured use over them, canonical unit.
    retrofit : energy saved over this span; it lowers use.
    weather, days, events : change of use they account for, canonical unit, signed; None where no
        evidence separates them, so that they are part of other changes.
    last_fixed, this_fixed : part of the cost that does not depend on energy: fixed and demand
        charges.

    Raises ModelError where a year's use is not above zero.
    """
    if last_energy <= 0 or this_energy <= 0:
        raise ModelError("a bill bridge needs use above zero in both years")
    names = {"weather": weather, "days of operation": days, "non-routine events": events}
    changes = {name: value for name, value in names.items() if value is not None}
    changes["retrofit"] = -retrofit.value
    rest = this_energy - last_energy - sum(changes.values())
    last_price = (last_cost - last_fixed) / last_energy
    this_price = (this_cost - this_fixed) / this_energy
    if math.isclose(last_price, this_price, rel_tol=SAME_PRICE):
        this_price = last_price
    before = {"price": last_price, FIXED: last_fixed, "use": last_energy, "other changes": 0.0}
    after = {"price": this_price, FIXED: this_fixed, "use": last_energy, "other changes": rest}
    before |= dict.fromkeys(changes, 0.0)
    after |= changes
    ends = [
        {**after, "retrofit": -saved, "other changes": rest + saved - retrofit.value}
        for saved in (retrofit.low, retrofit.high)
        if saved is not None
    ]
    shares, others = shapley(before, after, _bill, ends)
    found = [other["retrofit"] for other in others if other is not None]
    low, high = (min(found), max(found)) if len(found) == 2 else (None, None)
    steps = [BridgeStep(name="price", amount=shares["price"], responsible=NOBODY)]
    if last_fixed or this_fixed:
        steps.append(BridgeStep(name=FIXED, amount=shares[FIXED]))
    for name in changes:
        ends = (low, high) if name == "retrofit" else (None, None)
        note = "what the meter shows it saved" if name == "retrofit" else ""
        who = NOBODY if name == "weather" else ""
        steps.append(
            BridgeStep(
                name=name,
                amount=shares[name],
                low=ends[0],
                high=ends[1],
                note=note,
                responsible=who,
            )
        )
    missing = [name for name, value in names.items() if value is None]
    note = f"holds {', '.join(missing)}, which no evidence separates" if missing else ""
    steps.append(BridgeStep(name="other changes", amount=shares["other changes"], note=note))
    return Bridge(
        name="bill",
        unit=currency,
        start=last_cost,
        start_label=labels[0],
        end=this_cost,
        end_label=labels[1],
        steps=steps,
        method=METHOD + "; price is the average price of a unit, so it also holds changes in the "
        "mix of hours and blocks",
        words=_bill_words(last_cost, this_cost, steps, currency),
    )


def responsibilities(texts: Sequence[str]) -> dict[str, str]:
    """Who answers for what, from `contractor: count and watts; owner: hours`.

    Text without a colon names one party for the whole measure.
    """
    found: dict[str, str] = {}
    for text in texts:
        for part in text.split(";"):
            who, colon, what = part.partition(":")
            if not colon:
                if who.strip():
                    found.setdefault(JOINED, who.strip())
                continue
            for name in what.replace(" and ", ",").split(","):
                if name.strip():
                    found.setdefault(name.strip(), who.strip())
    return found


class _Factors:
    """The factors of a savings or payback bridge, before and after."""

    def __init__(
        self,
        estimated: Deal,
        realised: Deal,
        annual: Interval,
        explained: Explained,
        *,
        with_cost: bool = False,
    ) -> None:
        self.explained = explained
        # by name, so that the order in which changes are named changes not even a rounding
        self.ratios = {c.name: c for c in sorted(explained.ratios, key=lambda c: c.name)}
        self.additions = {c.name: c for c in sorted(explained.additions, key=lambda c: c.name)}
        separated = {"count", "watts", "hours"} & set(self.ratios)
        self.rest = UNEXPLAINED if separated else JOINED
        self.before = {
            "energy price": estimated.price,
            "estimated energy": estimated.energy,
            "demand charges": estimated.demand,
        }
        self.after = {
            "energy price": realised.price,
            "estimated energy": estimated.energy,
            "demand charges": realised.demand,
        }
        self.demand_note = "" if realised.demand else "no demand saving is claimed"
        if with_cost:
            self.before |= {"install cost": estimated.cost, "incentive": estimated.incentive or 0.0}
            self.after |= {"install cost": realised.cost, "incentive": realised.incentive or 0.0}
        for change in self.ratios.values():
            self.before[change.name], self.after[change.name] = 1.0, change.amount
        for change in self.additions.values():
            self.before[change.name], self.after[change.name] = 0.0, change.amount
        self.known = estimated.energy * math.prod(c.amount for c in self.ratios.values())
        self.known += sum(c.amount for c in self.additions.values())
        self.before[self.rest], self.after[self.rest] = 0.0, realised.energy - self.known
        self.within = (
            annual.low is not None
            and annual.high is not None
            and annual.low <= self.known <= annual.high
        )
        """Whether the rest's own interval holds zero."""

    def at(self, side: Mapping[str, float], figure) -> float:
        """The figure before or after all changes."""
        return float(self._figure(figure)({name: np.float64(v) for name, v in side.items()}))

    def _figure(self, figure):
        ratios, additions = list(self.ratios), [*self.additions, self.rest]
        return lambda values: figure(values, ratios, additions)

    def split(self, figure, annual: Interval):
        """Shares of the factors, and the rest's share at the ends of the annual interval.

        Raises ModelError like `shapley`.
        """
        ends = [e for e in (annual.low, annual.high) if e is not None]
        other = [{**self.after, self.rest: e - self.known} for e in ends]
        shares, others = shapley(self.before, self.after, self._figure(figure), other)
        found = [None if other is None else other[self.rest] for other in others]
        return shares, found if len(found) == 2 else [None, None]

    def steps(self, shares: Mapping[str, float], ends) -> list[BridgeStep]:
        evidence = {c.name: c.evidence for c in (*self.ratios.values(), *self.additions.values())}
        evidence["demand charges"] = self.demand_note
        who = {"energy price": NOBODY, "weather": NOBODY, **self.explained.responsible}
        named = [c.name for c in (*self.explained.additions, *self.explained.ratios)]
        order = ["install cost", "incentive", "energy price", *named]
        if self.before["demand charges"] or self.after["demand charges"]:
            order.insert(3, "demand charges")
        steps = [
            BridgeStep(
                name=name,
                amount=shares[name],
                note=evidence.get(name, ""),
                responsible=who.get(name, ""),
            )
            for name in order
            if name in shares
        ]
        low, high = (None, None) if None in ends else (min(ends), max(ends))
        note = JOINED_NOTE if self.rest == JOINED else "what no evidence separates"
        if self.within:
            note += f"; {WITHIN}"
        return [
            *steps,
            BridgeStep(
                name=self.rest,
                amount=shares[self.rest],
                low=low,
                high=high,
                note=note,
                responsible=self._whose_rest(),
            ),
        ]

    def _whose_rest(self) -> str:
        if self.within:
            return NOBODY
        if self.rest == UNEXPLAINED:
            return ""
        who = self.explained.responsible
        named: dict[str, list[str]] = {}
        for name in ("count", "watts", "hours"):
            if name in who:
                named.setdefault(who[name], []).append(name)
        parts = [f"{party} ({', '.join(names)})" for party, names in named.items()]
        return ", ".join(parts) or who.get(JOINED, "")


def _energy(values, ratios, additions):
    energy = values["estimated energy"]
    for name in ratios:
        energy = energy * values[name]
    for name in additions:
        energy = energy + values[name]
    return energy


def _saving(values, ratios=(), additions=()):
    return values["energy price"] * _energy(values, ratios, additions) + values["demand charges"]


def _payback(values, ratios=(), additions=()):
    saving = _saving(values, ratios, additions)
    cost = values["install cost"] - values["incentive"]
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.where(saving > 0, cost / saving, np.nan)


def _bill(values):
    changes = sum(v for name, v in values.items() if name not in ("price", FIXED, "use"))
    return values["price"] * (values["use"] + changes) + values[FIXED]


def _rest_words(factors: _Factors) -> str:
    if not factors.within:
        return ""
    return (
        f"The bar '{factors.rest}' is {WITHIN}: its interval holds zero, so nobody is to blame for "
        "it."
    )


def _bill_words(last: float, this: float, steps: Sequence[BridgeStep], currency: str) -> str:
    way = "up" if this > last else "down"
    parts = ", ".join(
        f"{step.name} {number(step.amount, sign=True)}" for step in steps if step.amount
    )
    return f"The bill went {way} by {number(abs(this - last))} {currency}: {parts}."
