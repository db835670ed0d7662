"""What did the whole portfolio cost, what has it returned, and where is money missing?

Money of the sites that count (verified, with a cost and a rate) is added; sites without one of
them are counted beside, by name, and their cost is told, because a portfolio that leaves out its
failures pays back too soon.  Simple payback of the portfolio is net cost over annual saving of the
same sites; its interval comes from the half-width of the total, which whoever adds the sites
knows.  Sites are ranked by shortfall: estimated less verified annual cost saving.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict, dataclass, field
from typing import Any

import numpy as np

from mv.money.cash import CENT
from mv.money.payback import derivation, simple_payback
from mv.quantity import Derivation, Interval, around


@dataclass(frozen=True, kw_only=True)
class SiteMoney:
    """Money of one site, or of one of its claims, as its account has it."""

    site: str
    name: str
    counts: bool
    """Whether the site is used in the portfolio's totals (verified and due)."""
    why_not: str = ""
    cost_savings: Interval | None = None
    annual: Interval | None = None
    annual_estimated: float | None = None
    cost: float | None = None
    """Actual, or estimated where no invoice is given, before incentive."""
    net_cost: float | None = None
    net_cost_estimated: float | None = None
    cash: dict[str, Any] = field(default_factory=dict)
    """Lines as `Money.cash` has them, in lists or in arrays."""


def portfolio_money(
    sites: Sequence[SiteMoney],
    *,
    currency: str,
    confidence: float,
    half_width: float | None = None,
    half_width_saved: float | None = None,
) -> tuple[dict[str, Any], list[Derivation]]:
    """The portfolio's account.

    Parameters
    ----------
    sites : every site with a retrofit, in the folder's order.
    half_width : half-width of the total annual cost saving at `confidence`, currency a year; the
        sites' own in quadrature where None.
    half_width_saved : the same for the saving over the reporting periods, currency.

    Returns the mapping for `PortfolioResult.money` and derivations.  Its keys: invested, net_cost,
    net_cost_estimated, annual_cost_savings, cost_savings (intervals as mappings),
    annual_cost_savings_estimated, payback and payback_estimated (as `results.Months`), recovered,
    recovered_fraction, cash, crosses_zero, ranked, sites_counted, left_out.
    """
    used, left = [], []
    for s in sites:
        whole = s.counts and s.annual is not None and s.net_cost is not None
        (used if whole else left).append(s)
    planned = [s for s in used if s.annual_estimated is not None]
    annual = _total([s.annual for s in used], half_width, f"{currency}/year", confidence)
    saved = _total(
        [s.cost_savings for s in used if s.cost_savings is not None],
        half_width_saved,
        currency,
        confidence,
    )
    net = sum(s.net_cost for s in used) if used else None
    whole_estimate = len(planned) == len(used)
    costed = bool(used) and all(s.net_cost_estimated is not None for s in used)
    net_estimated = sum(s.net_cost_estimated for s in used) if costed else None
    estimated = sum(s.annual_estimated for s in planned) if planned else None
    why = "no site has both a verified saving and a cost"
    payback = simple_payback(net, annual, missing=why)
    payback_estimated = simple_payback(
        net_estimated, estimated if whole_estimate else None, missing="not every site was estimated"
    )
    cash, crosses = _cash([s.cash for s in used if s.cash])
    money = {
        "currency": currency,
        "invested": sum(s.cost for s in used if s.cost is not None) if used else None,
        "net_cost": net,
        "net_cost_estimated": net_estimated,
        "annual_cost_savings": None if annual is None else asdict(annual),
        "annual_cost_savings_estimated": estimated,
        "cost_savings": None if saved is None else asdict(saved),
        "payback": asdict(payback),
        "payback_estimated": asdict(payback_estimated),
        "recovered": None if saved is None else saved.value,
        "recovered_fraction": saved.value / net if saved is not None and net and net > 0 else None,
        "cash": cash,
        "crosses_zero": crosses,
        "ranked": _ranked(planned),
        "sites_counted": len({s.site for s in used}),
        "left_out": [
            {
                "site": s.site,
                "name": s.name,
                "net_cost": s.net_cost,
                "why": s.why_not or "no rate or no cost is given",
            }
            for s in left
        ],
        "net_cost_left_out": None
        if any(s.net_cost is None for s in left)
        else sum(s.net_cost for s in left),
    }
    made = [
        derivation(
            "money.payback.months",
            payback,
            net,
            annual.value if annual else None,
            currency,
            cost_source=f"sum over {len(used)} sites",
            saving_ref="money.annual_cost_savings.value",
        )
    ]
    return money, made


def _total(
    parts: Sequence[Interval], half_width: float | None, unit: str, confidence: float
) -> Interval | None:
    """Sum of site savings; their half-widths in quadrature where no total one is given."""
    if not parts:
        return None
    value = sum(p.value for p in parts)
    method = "half-width of the portfolio's total"
    if half_width is None:
        halves = [p.half_width for p in parts]
        if None in halves:
            return Interval(value, None, None, unit, confidence=confidence, kind="money")
        half_width = float(np.sqrt(np.sum(np.square(halves))))
        method = "site half-widths in quadrature"
    return around(value, half_width, unit, confidence=confidence, kind="money", method=method)


def _ranked(sites: Sequence[SiteMoney]) -> list[dict[str, Any]]:
    """Sites by shortfall in money a year, the largest first; ties in the order of keys."""
    rows = [
        {
            "site": s.site,
            "name": s.name,
            "estimated": s.annual_estimated,
            "verified": s.annual.value,
            "low": s.annual.low,
            "high": s.annual.high,
            "shortfall": s.annual_estimated - s.annual.value,
            "clear": s.annual.high is not None and s.annual.high < s.annual_estimated,
        }
        for s in sites
    ]
    return sorted(rows, key=lambda row: (-row["shortfall"], row["site"]))


def _cash(parts: Sequence[dict[str, list]]) -> tuple[dict[str, list], dict[str, str | None]]:
    """Sum of the sites' cash lines by calendar month.

    A site's line starts at its acceptance and stays at its last value after the end of its life.
    A line of the portfolio is drawn where every site has it; its ends `low` and `high` take the
    sites' distances to theirs in quadrature, because added straight they would say more doubt
    than there is.
    """
    if not parts:
        return {}, {}
    first = min(np.datetime64(p["month"][0], "M") for p in parts)
    last = max(np.datetime64(p["month"][-1], "M") for p in parts)
    months = np.arange(first, last + 1)

    def line(part: dict[str, list], name: str) -> np.ndarray:
        at = int((np.datetime64(part["month"][0], "M") - first).astype(int))
        values = np.asarray(part[name], float)
        after = np.full(len(months) - at - len(values), values[-1])
        return np.concatenate([np.zeros(at), values, after])

    def all_have(*names: str) -> bool:
        return all(len(p.get(name, ())) for p in parts for name in names)

    # One site at a time: thousands of lines side by side would fill the memory.
    lines: dict[str, np.ndarray] = {}
    for name in ("estimated", "realised"):
        if all_have(name):
            lines[name] = sum(line(p, name) for p in parts)
    if all_have("realised", "low", "high"):
        for name, sign in (("low", -1.0), ("high", 1.0)):
            apart = sum(np.square(line(p, name) - line(p, "realised")) for p in parts)
            lines[name] = lines["realised"] + sign * np.sqrt(apart)
    cash: dict[str, Any] = {"month": [str(m) for m in months]}
    cash |= {name: values.tolist() for name, values in lines.items()}
    measured = np.ones(len(months), bool)
    for p in parts:
        flags = np.asarray(p["measured"], bool)
        at = int((np.datetime64(p["month"][0], "M") - first).astype(int))
        measured[at + (int(np.flatnonzero(flags)[-1]) + 1 if flags.any() else 0) :] = False
    cash["measured"] = measured.tolist()
    return cash, {name: _crossing(cash["month"], values) for name, values in lines.items()}


def _crossing(months: Sequence[str], values: np.ndarray) -> str | None:
    """The month from whose end on the line is not below zero again; None where it ends below."""
    below = np.flatnonzero(values < -CENT)
    start = int(below[-1]) + 1 if len(below) else 0
    return months[start] if start < len(months) else None
