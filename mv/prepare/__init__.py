"""What stands ready before anything is fitted."""

from mv.prepare.periods import (
    BASELINE,
    INSTALLATION,
    OUTSIDE,
    REPORTING,
    Window,
    is_period,
    spans_of,
    window_of,
    with_adjustment,
    year_before,
)
from mv.prepare.site import PreparedCarrier, PreparedSite, prepare_site

__all__ = [
    "BASELINE",
    "INSTALLATION",
    "OUTSIDE",
    "REPORTING",
    "PreparedCarrier",
    "PreparedSite",
    "Window",
    "is_period",
    "prepare_site",
    "spans_of",
    "window_of",
    "with_adjustment",
    "year_before",
]
