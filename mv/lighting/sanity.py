"""What looks wrong in a lighting schedule?  Findings, each with the limit and its source.

Simple estimates of fluorescent retrofits ran 10 to 30 % high, mostly because they overstated the
old system (LBNL, in a paper of the IEEE Industry Applications Society); so the old watts are held
against published input watts, hours against the year and the operating week, the whole against
the floor and the meter.  Nothing is corrected: the schedule is the user's.
"""

from __future__ import annotations

import re
import tomllib
from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
from importlib import resources

from mv.findings import Finding
from mv.portfolio.schema import Fixture
from mv.wording import number, percent

HOURS_A_YEAR_MOST = 8784.0
"""Hours of a leap year."""
HOURS_A_DAY = 24.0
DENSITY_AFTER = (1.0, 15.0)
"""Plausible lighting power after a retrofit, W/m2; common practice, no source."""
DENSITY_BEFORE_MOST = 40.0
"""Lighting power before, W/m2, above which watts or counts are in doubt; common practice, no
source."""
LIT_SHARE_LEAST = 0.6
"""Share of the floor that a schedule with areas should cover; common practice, no source."""
INTERACTIVE = (0.29, 1.30)
"""Range of published interactive factors (BPA interactive table, May 2012: hospital with
resistance heat to refrigerated space)."""
ESTIMATE_APART = 0.05
"""Relative difference between estimate and schedule that is told; common practice, no source."""
SHARE_OF_USE = 0.6
"""Share of the site's use above which an estimate of lighting is in doubt; common practice, no
source."""
SQUARE_METRE = {"m2": 1.0, "ft2": 0.09290304}

_LAMPS = re.compile(r"(\d+)\s*[x×]\s*(?:\d+\s*ft\s*)?(\d+)\s*W\s*(T\d+)?", re.IGNORECASE)
_DISCHARGE = re.compile(
    r"(?:metal[- ]halide|high[- ]pressure sodium|mercury)[^,;]*?(\d+)\s*W", re.IGNORECASE
)
_AFTER = re.compile(r"\bto\b|→|->")


@dataclass(frozen=True, kw_only=True)
class SiteFacts:
    """What else is known of the site; None where it isn't."""

    floor_area: float | None = None
    area_unit: str = "m2"
    """Unit of the floor area and of the schedule's areas."""
    operating_days: float | None = None
    """Operating days in a year."""
    estimated_savings: float | None = None
    """The retrofits' own estimate, kWh a year."""
    baseline_use: float | None = None
    """Use of the site's electricity in the baseline year, kWh."""


@dataclass(frozen=True)
class _Old:
    """The fixture before, as a description tells it."""

    lamps: int
    watts: float
    tube: str
    kind: str
    ballast: str | None

    @property
    def lamp_watts(self) -> float:
        return self.lamps * self.watts


def look_at_line(f: Fixture, facts: SiteFacts) -> list[Finding]:
    """Findings on one line of the schedule."""
    return [*_hours(f, facts), *_watts(f), *_counts(f), *_factors(f), *_density(f, facts)]


def look_at_whole(fixtures: Sequence[Fixture], energy: float, facts: SiteFacts) -> list[Finding]:
    """Findings on the schedule as a whole; `energy` is its estimate, kWh a year."""
    found: list[Finding] = []
    if not fixtures:
        return found
    place = {"file": fixtures[0].source.file}
    areas = [f.area for f in fixtures]
    if facts.floor_area and None not in areas:
        lit = sum(areas)
        if lit < LIT_SHARE_LEAST * facts.floor_area:
            text = (
                f"The schedule's areas sum to {number(lit)} {facts.area_unit}, "
                f"{percent(lit / facts.floor_area)} of the floor: lamps may be left out, and their "
                "watts would be saved or added unseen. Add the missing spaces."
            )
            found.append(Finding("lighting_lamps_missing", text, **place, column="area"))
    stated = facts.estimated_savings
    if stated and abs(energy / stated - 1.0) > ESTIMATE_APART:
        text = (
            f"The retrofit's estimate is {number(stated)} kWh a year and its schedule sums to "
            f"{number(energy)} kWh ({percent(energy / stated - 1.0, sign=True)}). Say which one "
            "was promised."
        )
        found.append(Finding("lighting_estimate_differs", text, **place))
    use = facts.baseline_use
    if use and energy > SHARE_OF_USE * use:
        text = (
            f"The schedule would save {number(energy)} kWh a year, {percent(energy / use)} of all "
            f"the site's use in the baseline year ({number(use)} kWh). Check counts, watts and "
            "hours."
        )
        found.append(Finding("lighting_exceeds_use", text, **place))
    return found


def _hours(f: Fixture, facts: SiteFacts) -> list[Finding]:
    found = []
    for column in ("hours_before", "hours_after"):
        hours = getattr(f, column)
        if hours is None:
            continue
        if hours > HOURS_A_YEAR_MOST:
            found.append(
                _say(
                    "lighting_hours_impossible",
                    f,
                    column,
                    f"{number(hours)} hours of use a year, but a year has at most "
                    f"{number(HOURS_A_YEAR_MOST)}. Correct {column}",
                )
            )
        elif facts.operating_days and hours > HOURS_A_DAY * facts.operating_days:
            found.append(
                _say(
                    "lighting_hours_unlike_week",
                    f,
                    column,
                    f"{number(hours)} hours of use a year are more than 24 on each of the site's "
                    f"{number(facts.operating_days)} operating days. Lights that burn on other "
                    "days too are possible; check hours and operating week",
                )
            )
    if f.control_savings and f.hours_after is not None and f.hours_after < f.hours_before:
        found.append(
            _say(
                "lighting_control_hours",
                f,
                "control_savings",
                f"both fewer hours ({number(f.hours_after)}) and a control share "
                f"({percent(f.control_savings)}) are given. If they are the same saving, leave one "
                "out",
            )
        )
    return found


def _watts(f: Fixture) -> list[Finding]:
    old = read_description(f.description)
    if old is None or not f.watts_before:
        return []
    if f.watts_before == old.lamp_watts and old.ballast != "electronic":
        return [
            _say(
                "lighting_watts_lamp_only",
                f,
                "watts_before",
                f"{f.watts_before:g} W is {old.lamps} × {old.watts:g} W of lamps without their "
                "ballast. Enter the input watts of the fixture",
            )
        ]
    low, high, source = _range(old)
    if low <= f.watts_before <= high:
        return []
    return [
        _say(
            "lighting_watts_unusual",
            f,
            "watts_before",
            f"{f.watts_before:g} W a fixture is outside {low:.3g} to {high:.3g} W for what is "
            f"described ({source}). A measured input beats a table: say where the watts come from",
        )
    ]


def _counts(f: Fixture) -> list[Finding]:
    if not f.count_before * f.watts_before and f.count_after * f.watts_after:
        return [
            _say(
                "lighting_lamps_missing",
                f,
                "count_before" if not f.count_before else "watts_before",
                "nothing burnt here before, by the schedule, and something does after. If these "
                "fixtures are new this is an added load; if not, lamps were left out",
            )
        ]
    if f.count_after * f.watts_after > f.count_before * f.watts_before:
        return [
            _say(
                "lighting_added",
                f,
                "watts_after",
                f"{f.count_after * f.watts_after / 1000:g} kW after the retrofit, "
                f"{f.count_before * f.watts_before / 1000:g} kW before. Check counts and watts",
            )
        ]
    return []


def _factors(f: Fixture) -> list[Finding]:
    low, high = INTERACTIVE
    if low <= f.interactive_factor <= high:
        return []
    return [
        _say(
            "lighting_interactive_unusual",
            f,
            "interactive_factor",
            f"{f.interactive_factor:g} is outside the published range of {low:g} to {high:g} (BPA "
            "interactive table, 2012). It is a multiplier: 1 is no effect",
        )
    ]


def _density(f: Fixture, facts: SiteFacts) -> list[Finding]:
    if f.area is None:
        return []
    area = f.area * SQUARE_METRE[facts.area_unit]
    before, after = (
        f.count_before * f.watts_before / area,
        f.count_after * f.watts_after / area,
    )
    low, high = DENSITY_AFTER
    if (f.count_after and not low <= after <= high) or before > DENSITY_BEFORE_MOST:
        return [
            _say(
                "lighting_power_density",
                f,
                "area",
                f"{before:.1f} W/m2 before and {after:.1f} after; plausible are up to "
                f"{DENSITY_BEFORE_MOST:g} and {low:g} to {high:g} (common practice, no source). "
                "Check area, counts and watts, and the light levels on site",
            )
        ]
    return []


def read_description(text: str) -> _Old | None:
    """The old fixture in a description such as `2 x 58 W T8, magnetic ballast, to LED tubes`."""
    before = _AFTER.split(text, maxsplit=1)[0]
    if "led" in before.lower():
        return None
    ballast = next((b for b in ("magnetic", "electronic") if b in before.lower()), None)
    match = _DISCHARGE.search(before)
    if match:
        return _Old(1, float(match[1]), "", "discharge", ballast or "magnetic")
    match = _LAMPS.search(before)
    if not match or not match[3]:
        return None
    return _Old(int(match[1]), float(match[2]), match[3].upper(), "fluorescent", ballast)


@lru_cache(maxsize=1)
def _tables() -> dict:
    text = resources.files("mv.lighting").joinpath("watts.toml").read_text(encoding="utf-8")
    return tomllib.loads(text)


def _range(old: _Old) -> tuple[float, float, str]:
    """Least and highest input watts for a described fixture, and the source."""
    found = [
        row
        for row in _tables()["fixture"]
        if (row["lamps"], row["watts"], row["tube"]) == (old.lamps, old.watts, old.tube)
        and old.ballast in (None, row["ballast"])
    ]
    scale = 1.0
    if not found:
        scale = old.lamp_watts
        found = [
            row
            for row in _tables()["ratio"]
            if row["kind"] == old.kind and old.ballast in (None, row["ballast"])
        ]
    sources = "; ".join(dict.fromkeys(row["source"] for row in found))
    return (
        min(row["low"] for row in found) * scale,
        max(row["high"] for row in found) * scale,
        sources,
    )


def _say(rule: str, f: Fixture, column: str, sentence: str) -> Finding:
    text = f"{f.space or f.retrofit}: {sentence}."
    return Finding(rule, text, file=f.source.file, line=f.source.line, column=column)
