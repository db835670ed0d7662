"""Proves, from meters, what an energy retrofit really saved.

    import mv
    portfolio = mv.open_portfolio("folder")
    result = mv.verify_site(portfolio, "site-key")
    result.avoided_energy

Public names are fetched when first asked for, so that importing the package costs nothing.
"""

from __future__ import annotations

from importlib import import_module
from typing import Any

__version__ = "0.1.0"

_PUBLIC = {
    "open_portfolio": "mv.portfolio.folder",
    "prepare_site": "mv.prepare",
    "verify_site": "mv.verify.site",
    "verify_portfolio": "mv.run.many",
    "render": "mv.report.render",
    "from_json": "mv.results",
    "to_json": "mv.results",
    "Finding": "mv.findings",
    "FolderError": "mv.findings",
    "Interval": "mv.quantity",
    "MvError": "mv.findings",
    "PortfolioResult": "mv.results",
    "ReadingsError": "mv.findings",
    "SiteResult": "mv.results",
}

__all__ = ["__version__", *_PUBLIC]  # noqa: PLE0604


def __getattr__(name: str) -> Any:
    if name in _PUBLIC:
        return getattr(import_module(_PUBLIC[name]), name)
    raise AttributeError(f"module {__name__!r} has no attribute {name!r}")


def __dir__() -> list[str]:
    return sorted(__all__)
