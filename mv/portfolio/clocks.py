"""Which clock does a name stand for: a place of the IANA data base, UTC, or a fixed offset?"""

from __future__ import annotations

import re
from functools import lru_cache
from zoneinfo import ZoneInfo, available_timezones

from mv.portfolio.cells import did_you_mean
from mv.portfolio.tables import shown

ONE_CLOCK = {"EST": "America/New_York", "MST": "America/Denver", "HST": "Pacific/Honolulu"}
"""Zone names that keep standard time all year, with the place that was probably meant."""

_OFFSET = re.compile(r"(?:UTC|GMT)?\s*([+-])(\d{1,2}):?(\d{2})?", re.ASCII)


def fixed_offset(name: str) -> int | None:
    """Seconds of a fixed offset such as `UTC`, `Z`, `+01:00`, `UTC-5`; None for a named zone."""
    text = name.strip()
    if text.upper() in ("UTC", "Z", "GMT"):
        return 0
    match = _OFFSET.fullmatch(text)
    if not match or int(match[2]) > 14 or int(match[3] or 0) > 59:
        return None
    seconds = int(match[2]) * 3600 + int(match[3] or 0) * 60
    return seconds if match[1] == "+" else -seconds


@lru_cache(maxsize=1024)
def zone_problem(name: str | None) -> str | None:
    """Why a name is no IANA time zone, as a sentence; None where it is one, or there is none."""
    if name is None:
        return None
    try:
        ZoneInfo(name)
    except (OSError, ValueError, KeyError):
        pass
    else:
        if name in _zones():
            return None
    hint = did_you_mean(name, _zones()) or "; write a name of the IANA list, such as Europe/Lisbon"
    return f"{shown(name)} is not a known time zone{hint}"


@lru_cache(maxsize=1024)
def clock_problem(name: str | None) -> str | None:
    """As `zone_problem`, for the clock of a file: UTC and fixed offsets are allowed too."""
    if name is None or fixed_offset(name) is not None:
        return None
    words = zone_problem(name)
    return words and f"{words} (UTC or a fixed offset, such as +01:00, is allowed too)"


@lru_cache(maxsize=1)
def _zones() -> frozenset[str]:
    return frozenset(available_timezones())
