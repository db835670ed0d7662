"""What was paid?  Cost, incentive and net cost of a site's retrofits, estimated and actual.

Net cost = cost − incentive received.  Where no invoice is given the estimate stands in, and that
is said.  An incentive that is promised and not yet received is never deducted; its effect is told
beside.  A retrofit without a cost makes the site's sum unknown: a sum over some of them would
flatter.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from mv.findings import Finding
from mv.portfolio.schema import Retrofit
from mv.quantity import Step
from mv.wording import number


@dataclass(frozen=True, kw_only=True)
class Invested:
    """Sums over a site's retrofits, currency; None where some retrofit's part is not known."""

    cost_estimated: float | None
    incentive_estimated: float | None
    net_cost_estimated: float | None
    cost_actual: float | None
    """As invoiced; None where any retrofit has no invoice."""
    incentive_actual: float | None
    """Received; None where nothing is said about any."""
    incentive_pending: float
    net_cost: float | None
    """Invoiced, or else estimated, cost less what was received."""
    cost: float | None
    """Invoiced, or else estimated, before incentive."""
    places: str
    """Files and lines of the retrofits."""
    cost_source: str
    """Where the net cost comes from, in words."""
    steps: tuple[Step, ...]
    """Cost and incentive of each retrofit, as used."""
    notes: tuple[str, ...]
    findings: tuple[Finding, ...]


def invested(retrofits: Sequence[Retrofit], currency: str) -> Invested:
    """Add up what the retrofits cost."""
    notes: list[str] = []
    findings: list[Finding] = []

    def say(rule: str, sentence: str, retrofit: Retrofit, column: str) -> None:
        notes.append(sentence)
        place = retrofit.source
        findings.append(
            Finding(
                rule, sentence, place.file, place.line, column=column, site=retrofit.site or None
            )
        )

    gross = net = 0.0
    steps: list[Step] = []
    known = bool(retrofits)
    by_estimate = 0
    for r in retrofits:
        cost = r.actual_cost
        if cost is None and r.estimated_cost is not None:
            cost = r.estimated_cost
            by_estimate += 1
            say(
                "cost_estimated",
                f"{r.retrofit}: no invoiced cost is given, so the estimate of "
                f"{number(r.estimated_cost)} {currency} stands in; add actual_cost.",
                r,
                "actual_cost",
            )
        if cost is None:
            known = False
            say(
                "cost_missing",
                f"{r.retrofit}: neither actual_cost nor estimated_cost is given, so the site's "
                "net cost and payback are not known; add the cost.",
                r,
                "actual_cost",
            )
            continue
        received = _received(r, say, currency)
        gross += cost
        net += cost - received
        steps += [
            Step(f"C, {r.retrofit}", "cost before incentive", cost, currency, _place(r)),
            Step(f"I, {r.retrofit}", "incentive deducted", received, currency, _place(r)),
        ]
    places = ", ".join(sorted({_place(r) for r in retrofits}))
    kind = "as invoiced" if not by_estimate else "estimates where no invoice is given"
    return Invested(
        cost_estimated=_sum(r.estimated_cost for r in retrofits),
        incentive_estimated=_sum(r.estimated_incentive or 0.0 for r in retrofits),
        net_cost_estimated=_sum(
            None if r.estimated_cost is None else r.estimated_cost - (r.estimated_incentive or 0.0)
            for r in retrofits
        ),
        cost_actual=_sum(r.actual_cost for r in retrofits),
        incentive_actual=None
        if all(r.incentive_paid is None for r in retrofits)
        else sum(r.incentive_paid or 0.0 for r in retrofits),
        incentive_pending=sum(r.incentive_pending or 0.0 for r in retrofits),
        net_cost=net if known else None,
        cost=gross if known else None,
        places=places,
        steps=tuple(steps),
        cost_source=f"{places}; cost {kind}, less incentive received",
        notes=tuple(notes),
        findings=tuple(findings),
    )


def _received(r: Retrofit, say, currency: str) -> float:
    """Incentive that may be deducted."""
    if r.incentive_pending:
        say(
            "incentive_open",
            f"{r.retrofit}: an incentive of {number(r.incentive_pending)} {currency} is promised "
            "and not yet received; it is not deducted from the cost.",
            r,
            "incentive_pending",
        )
    if r.incentive_paid is not None:
        return r.incentive_paid
    if not r.estimated_incentive:
        return 0.0
    if r.actual_cost is None and not r.incentive_pending:
        say(
            "cost_estimated",
            f"{r.retrofit}: no invoice and no payment are given, so the estimated incentive of "
            f"{number(r.estimated_incentive)} {currency} stands in; add incentive_paid.",
            r,
            "incentive_paid",
        )
        return r.estimated_incentive
    if not r.incentive_pending:
        say(
            "incentive_open",
            f"{r.retrofit}: the estimated incentive of {number(r.estimated_incentive)} {currency} "
            "is not reported as received; it is not deducted. Fill incentive_paid (0 if none "
            "came).",
            r,
            "incentive_paid",
        )
    return 0.0


def _sum(values) -> float | None:
    values = list(values)
    if not values or any(v is None for v in values):
        return None
    return float(sum(values))


def _place(r: Retrofit) -> str:
    return r.source.file + (f", line {r.source.line}" if r.source.line is not None else "")
