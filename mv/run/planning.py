"""`mvreport plan`: the plan of a portfolio, computed and written whole."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from mv.plan.portfolio import plan_portfolio
from mv.plan.write import write_plan
from mv.run.opening import chosen, open_checked
from mv.run.publish import staged


def write_portfolio_plan(folder: str, out: Path, sites: Sequence[str] | None = None) -> Path:
    """Plan the sites of a folder and write pages, plan.json and the checklist to `out`.

    Returns the index page.  Raises FolderError (nothing written) for a wrong folder.
    """
    portfolio = open_checked(folder)
    plan = plan_portfolio(portfolio, chosen(portfolio, sites) if sites else None)
    with staged(Path(out)) as stage:
        write_plan(plan, stage)
    return Path(out) / "index.html"
