"""When has the whole portfolio paid for itself?  Cumulative cash of all counted sites."""

from __future__ import annotations

from mv.report.charts.base import Chart, NotDrawn, chart
from mv.report.charts.payback import cash_chart
from mv.report.format import Say
from mv.results import PortfolioResult


@chart("cash", "portfolio", "When has the whole portfolio paid for itself?")
def cash(result: PortfolioResult, say: Say, question: str) -> Chart | NotDrawn:
    """The portfolio's cash lines."""
    lines = result.money.get("cash") or {}
    if not lines.get("month"):
        return NotDrawn("chart-cash", question, "no site has both a cost and a saving in money")
    return cash_chart(
        lines,
        result.money.get("crosses_zero") or {},
        say,
        "chart-cash",
        question,
        "Sites that are not verifiable count with their cost in neither line; see the table.",
    )
