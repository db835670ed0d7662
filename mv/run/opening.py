"""Open a folder and choose among its sites; whatever is wrong is told at once, before any is read.

The folder knows its tables; what rates and settings mean is judged here by the rooms that use them.
"""

from __future__ import annotations

from collections.abc import Sequence

from mv.findings import Finding, FolderError
from mv.portfolio.folder import open_portfolio
from mv.portfolio.schema import Portfolio, Settings


def open_checked(folder: str) -> Portfolio:
    """Open a folder; what only other rooms understand of it is judged at the same time."""
    from mv.money.rates import rate_findings

    return open_portfolio(folder, look_at_rates=rate_findings, look_at_settings=_settings_findings)


def _settings_findings(settings: Settings, lines: dict[str, int]) -> list[Finding]:
    """What is wrong in the settings of money, acceptance and uncertainty, with their lines."""
    from mv.baseline.acceptance import check_profiles
    from mv.money.account import check_money
    from mv.savings.drift import load_prior

    found = check_money(settings, ())
    found += check_profiles(settings.acceptance, settings.acceptance_profiles)
    try:
        load_prior(settings)
    except FolderError as error:
        found += error.findings
    return [f if f.line else f.at(line=lines.get(f.column or "")) for f in found]


def chosen(portfolio: Portfolio, wanted: Sequence[str]) -> list[str]:
    """Keys of the sites to work on, in the folder's order.  FolderError for an unknown one."""
    import difflib

    wrong = []
    for key in wanted:
        if key not in portfolio.sites:
            near = difflib.get_close_matches(key, portfolio.sites, 1)
            hint = f"; did you mean {near[0]!r}?" if near else ""
            wrong.append(Finding("key_unknown", f"--site {key!r} is not in sites.csv{hint}"))
    if wrong:
        raise FolderError(wrong)
    return [k for k in portfolio.sites if not wanted or k in wanted]
