"""Do the tables of a folder agree with each other and with the world?

`schema.py` says what one cell may hold; here is what only shows when rows are laid side by
side: keys defined twice or nowhere, dates that contradict, units that don't measure what the
carrier delivers, files that are not there, places whose clock or holidays nobody knows.

Sources: time zones by the IANA data base, countries and regions by ISO 3166 as far as the
`holidays` package knows them; periods by IPMVP (the installation belongs to neither side).
"""

from __future__ import annotations

import datetime as dt
import operator
from collections import Counter, defaultdict
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from functools import lru_cache

from mv import units
from mv.findings import Finding
from mv.portfolio.carriers import amount_problem, carrier_problem, unit_problem
from mv.portfolio.cells import did_you_mean, listed, spoiled_key
from mv.portfolio.clocks import ONE_CLOCK, clock_problem, zone_problem
from mv.portfolio.paths import Folder
from mv.portfolio.schema import (
    Driver,
    Event,
    Logger,
    Meter,
    OperatingException,
    Retrofit,
    Row,
    Settings,
)
from mv.portfolio.tables import shown
from mv.portfolio.week import parse_week

MOST_HINTS = 20
"""Unknown keys of a table for which a near name is looked for (a search takes its time)."""

Keys = dict[str, frozenset[str] | None]
"""Keys by table; None where a table could not be read, so that nothing is said of its keys."""


@dataclass(frozen=True, slots=True)
class Rows:
    """All rows of a folder as far as they could be read (a field that couldn't is None)."""

    settings: Settings
    tables: dict[str, list]
    keys: Keys
    """Keys that the rows of a table bear, also where a row could not be read otherwise."""
    bad_columns: dict[int, frozenset[str]]
    """By `id` of a row: columns of which a problem was told already."""


class Check:
    """Collects findings about rows of one portfolio."""

    def __init__(self, rows: Rows) -> None:
        self.tables = rows.tables
        self.settings = rows.settings
        self.keys = rows.keys
        self.findings: list[Finding] = []
        self._bad = rows.bad_columns
        self._strange: Counter[str] = Counter()

    def say(self, rule: str, row: Row, column: str, words: str) -> None:
        """Add a finding about a cell of a row, unless one was told of it already."""
        if column in self._bad.get(id(row), ()):
            return
        place = {"site": getattr(row, "site", None), "meter": getattr(row, "meter", None)}
        self.findings.append(
            Finding(rule, words, row.source.file, row.source.line, column, **place)
        )

    def refer(self, row: Row, column: str, key: str | None, table: str) -> bool:
        """Whether a key is defined in a table (or can't be told); says so where it isn't."""
        known = self.keys[table]
        if known is None or key is None or key in known:
            return True
        file = "rates.toml" if table == "rates" else f"{table}.csv"
        self._strange[file] += 1
        hint = ""
        if self._strange[file] <= (MOST_HINTS if len(known) < 2_000 else 3):
            near = did_you_mean(key, known)
            hint = near or (f"; defined are {listed(sorted(known), 5)}" if known else "")
        self.say("key_unknown", row, column, f"{shown(key)} is not in {file}{hint}")
        return False


def cross_check(rows: Rows, folder: Folder) -> list[Finding]:
    """Hold all tables against each other, and the files they name against the folder."""
    check = Check(rows)
    for part in (_sites, _meters, _stations, _retrofits, _loggers, _days, _events, _drivers):
        part(check)
    for fixture in rows.tables["fixtures"]:
        check.refer(fixture, "retrofit", fixture.retrofit, "retrofits")
    for factor in rows.tables["static_factors"]:
        check.refer(factor, "site", factor.site, "sites")
    _files(check, folder)
    return check.findings


# -- keys ----------------------------------------------------------------------------------
def duplicates(rows: Iterable[Row], column: str) -> list[Finding]:
    """Findings for keys that stand twice in a table (upper and lower case are the same)."""
    first: dict[str, Row] = {}
    found = []
    for row in rows:
        key = getattr(row, column)
        if key is None:
            continue
        other = first.setdefault(key.casefold(), row)
        if other is not row:
            twin = getattr(other, column)
            like = "" if twin == key else f', which differs from "{twin}" only in case,'
            words = (
                f"{shown(key)}{like} is the key of line {other.source.line} already; "
                "each key may stand once"
            )
            found.append(Finding("key_duplicate", words, row.source.file, row.source.line, column))
    return found


# -- the tables ----------------------------------------------------------------------------
def _sites(check: Check) -> None:
    for site in check.tables["sites"]:
        if words := zone_problem(site.time_zone):
            check.say("value_invalid", site, "time_zone", words)
        elif site.time_zone in ONE_CLOCK:
            words = (
                f"{shown(site.time_zone)} keeps standard time all year; if clocks change there, "
                f'name a place, such as "{ONE_CLOCK[site.time_zone]}"'
            )
            check.say("clock_fixed", site, "time_zone", words)
        check.refer(site, "weather", site.weather, "weather")
        if site.country is not None:
            for column, words in place_problems(site.country, site.region):
                check.say("value_invalid", site, column, words)
        elif site.region is not None:
            words = f"the region {shown(site.region)} needs its country in the column country"
            check.say("value_missing", site, "country", words)
        if site.operating_week is not None and (words := week_problem(site.operating_week)):
            check.say("value_invalid", site, "operating_week", words)


def _meters(check: Check) -> None:
    for meter in check.tables["meters"]:
        check.refer(meter, "site", meter.site, "sites")
        if meter.meter and spoiled_key(meter.meter):
            words = (
                f"{shown(meter.meter)} looks like a long number that a spreadsheet program cut "
                "short; give the column the format text and enter the number again"
            )
            check.say("value_invalid", meter, "meter", words)
        if words := carrier_problem(meter.carrier):
            check.say("value_invalid", meter, "carrier", words)
        elif problem := unit_problem(meter.carrier, meter.unit, meter.heat_content):
            check.say("value_invalid", meter, *problem)
        elif meter.heat_content and units.kind_of(meter.unit) != "volume":
            words = f"the heat content is not used, because {shown(meter.unit)} is no volume"
            check.say("value_unused", meter, "heat_content", words)
        if words := clock_problem(meter.time_zone):
            check.say("value_invalid", meter, "time_zone", words)
        if meter.rate is not None:
            check.refer(meter, "rate", meter.rate, "rates")


def _stations(check: Check) -> None:
    needs_normal = check.settings.normal_year == "normal_file"
    used = {site.weather for site in check.tables["sites"]}
    for station in check.tables["weather"]:
        if words := clock_problem(station.time_zone):
            check.say("value_invalid", station, "time_zone", words)
        if needs_normal and station.normal_file is None and station.station in used:
            words = (
                'the cell is empty, but portfolio.toml says normal_year = "normal_file"; name '
                "the file of a normal year, or choose another normal_year"
            )
            check.say("value_missing", station, "normal_file", words)


def _retrofits(check: Check) -> None:
    meters = {m.meter: m for m in check.tables["meters"]}
    by_site: dict[str, list[Retrofit]] = defaultdict(list)
    for retrofit in check.tables["retrofits"]:
        known = check.refer(retrofit, "site", retrofit.site, "sites")
        if known and retrofit.installation_start and retrofit.installation_end:
            by_site[retrofit.site].append(retrofit)
        for column, words in date_problems(retrofit):
            check.say("periods_overlap", retrofit, column, words)
        words = carrier_problem(retrofit.carrier)
        if words:
            check.say("value_invalid", retrofit, "carrier", words)
        elif problem := amount_problem(retrofit.carrier, retrofit.estimated_savings_unit):
            check.say("value_invalid", retrofit, "estimated_savings_unit", problem)
        for key in retrofit.meters:
            if not check.refer(retrofit, "meters", key, "meters"):
                continue
            meter = meters.get(key)
            if meter is None or meter.site is None or retrofit.site is None:
                continue
            if meter.site != retrofit.site:
                words = f'meter {shown(key)} belongs to site "{meter.site}", not to this one'
                check.say("value_invalid", retrofit, "meters", words)
            elif meter.carrier in units.CARRIERS and meter.carrier != retrofit.carrier:
                words = (
                    f"meter {shown(key)} measures {meter.carrier}, but the saving is claimed in "
                    f"{retrofit.carrier}"
                )
                check.say("value_invalid", retrofit, "meters", words)
    for own in by_site.values():
        _overlaps(check, own)


def _overlaps(check: Check, own: list[Retrofit]) -> None:
    own = sorted(own, key=lambda r: (r.installation_start, r.source.line))
    for index, later in enumerate(own):
        for earlier in own[:index]:
            if (
                earlier.carrier == later.carrier
                and earlier.installation_start <= later.installation_end
                and later.installation_start <= earlier.installation_end
            ):
                words = (
                    f'the works overlap with those of "{earlier.retrofit}" (line '
                    f"{earlier.source.line}); the two are verified together and split by estimate"
                )
                check.say("retrofits_overlap", later, "installation_start", words)


def date_problems(retrofit: Retrofit) -> list[tuple[str, str]]:
    """Column and sentence for every date of a retrofit that contradicts another."""
    start, end = retrofit.installation_start, retrofit.installation_end
    found = []

    def unless(good: Callable, column: str, other: dt.date | None, words: str) -> None:
        day = getattr(retrofit, column)
        if day and other and not good(day, other):
            found.append((column, f"{day} {words}"))

    unless(operator.ge, "installation_end", start, f"lies before the works' first day, {start}")
    unless(
        operator.lt,
        "baseline_start",
        start,
        f"does not lie before the works' first day, {start}; the baseline ends the day before "
        "the works",
    )
    unless(
        operator.gt,
        "reporting_end",
        end,
        f"does not lie after the works' last day, {end}; the reporting period begins the day "
        "after the works",
    )
    unless(operator.ge, "acceptance_date", start, f"lies before the works' first day, {start}")
    return found


def _loggers(check: Check) -> None:
    for logger in check.tables["loggers"]:
        check.refer(logger, "retrofit", logger.retrofit, "retrofits")
        _span(check, logger)
        if words := clock_problem(logger.time_zone):
            check.say("value_invalid", logger, "time_zone", words)
        if logger.data in ("on_off", "power") and logger.file is None:
            words = f"the cell is empty, but data = {logger.data} needs a file of readings"
            check.say("value_missing", logger, "file", words)


def _days(check: Check) -> None:
    for days in check.tables["operating_days"]:
        if days.site != "*":
            check.refer(days, "site", days.site, "sites")
        _span(check, days)


def _events(check: Check) -> None:
    meters = {m.meter: m for m in check.tables["meters"]}
    own_meters: dict[str | None, list[Meter]] = defaultdict(list)
    for meter in check.tables["meters"]:
        own_meters[meter.site].append(meter)
    for event in check.tables["events"]:
        check.refer(event, "site", event.site, "sites")
        _span(check, event)
        own = own_meters[event.site]
        if event.meter is not None:
            named = check.refer(event, "meter", event.meter, "meters")
            own = [meters[event.meter]] if named and event.meter in meters else []
            if own and None not in (own[0].site, event.site) and own[0].site != event.site:
                words = f'meter {shown(event.meter)} belongs to site "{own[0].site}"'
                check.say("value_invalid", event, "meter", words)
        if event.treatment == "adjust":
            _adjustment(check, event, own)
        elif event.treatment and event.change is not None:
            words = f"the change is not used, because the treatment is {event.treatment}"
            check.say("value_unused", event, "change", words)


def _adjustment(check: Check, event: Event, meters: list[Meter]) -> None:
    """An adjustment needs a change in a unit that the meters it concerns can be put into."""
    if event.change is None:
        words = "the cell is empty, but an event that is adjusted must state its change per day"
        check.say("value_missing", event, "change", words)
    carriers = sorted({m.carrier for m in meters if m.carrier})
    if len(carriers) > 1:
        words = (
            "the cell is empty, but an event that is adjusted must name its meter on a site with "
            f"several carriers ({listed(carriers)})"
        )
        check.say("value_missing", event, "meter", words)
    elif carriers and carriers[0] in units.CARRIERS:
        if problem := amount_problem(carriers[0], event.unit):
            check.say("value_invalid", event, "unit", problem)
        elif not meters[0].heat_content and meters[0].unit:
            _same_kind(check, event, meters[0].unit)


def _same_kind(check: Check, event: Event, meter_unit: str) -> None:
    """A change must be in what its meter reads in: energy, or volume where that is all there is."""
    try:
        meter, change = units.kind_of(meter_unit), units.kind_of(event.unit)
    except units.UnitError:
        return  # told at its own cell
    if (meter == "volume") != (change == "volume"):
        words = (
            f"{shown(event.unit)} measures {change}, but the meter reads {meter} "
            f"({shown(meter_unit)}) without a heat content to convert by"
        )
        check.say("value_invalid", event, "unit", words)


def _drivers(check: Check) -> None:
    seen: dict[tuple, Row] = {}
    for driver in check.tables["drivers"]:
        check.refer(driver, "site", driver.site, "sites")
        _span(check, driver)
        if None in (driver.site, driver.driver, driver.start):
            continue
        other = seen.setdefault((driver.site, driver.driver, driver.start), driver)
        if other is not driver:
            words = (
                f"{shown(driver.driver)} has a value from {driver.start} in line "
                f"{other.source.line} already"
            )
            check.say("key_duplicate", driver, "start", words)


def _span(check: Check, row: Logger | OperatingException | Event | Driver) -> None:
    if row.end is not None and row.start is not None and row.end < row.start:
        check.say("value_invalid", row, "end", f"{row.end} lies before the first day, {row.start}")


def _files(check: Check, folder: Folder) -> None:
    seen: dict[str, tuple[str, str] | None] = {}

    def look(row: Row, column: str, name: str | None) -> None:
        if name is None:
            return
        if name not in seen:
            seen[name] = folder.problem(name)
        if problem := seen[name]:
            check.say(problem[0], row, column, problem[1])

    for meter in check.tables["meters"]:
        look(meter, "file", meter.file)
    for station in check.tables["weather"]:
        look(station, "file", station.file)
        look(station, "normal_file", station.normal_file)
    for logger in check.tables["loggers"]:
        look(logger, "file", logger.file)


# -- the world -----------------------------------------------------------------------------
@lru_cache(maxsize=1)
def _countries() -> frozenset[str]:
    """Codes of the countries whose holidays are known; the holidays themselves stay unread."""
    from holidays.registry import EntityLoader

    return frozenset(EntityLoader.get_country_codes())


def _regions(country: str) -> list[str]:
    import holidays

    return holidays.list_supported_countries()[country]


@lru_cache(maxsize=1024)
def place_problems(country: str, region: str | None) -> tuple[tuple[str, str], ...]:
    """Column and sentence for a country or region whose public holidays aren't known."""
    known = _countries()
    if country not in known:
        near = country.upper() if country.upper() in known else None
        hint = f'; did you mean "{near}"?' if near else "; write its ISO 3166 code, such as PT"
        return (("country", f"{shown(country)} is not a country whose holidays are known{hint}"),)
    if region is not None and region not in (regions := _regions(country)):
        short = region.removeprefix(f"{country}-")
        if not regions:
            hint = "; no regions are known for it, leave the cell empty"
        elif short in regions:
            hint = f'; did you mean "{short}"?'
        else:
            hint = did_you_mean(region, regions) or f"; known are {listed(regions)}"
        words = f"{shown(region)} is not a region of {country} whose holidays are known{hint}"
        return (("region", words),)
    return ()


def week_problem(text: str) -> str | None:
    """Why a text is no operating week, as a sentence; None where it is one."""
    try:
        parse_week(text)
    except ValueError as error:
        return str(error)
    return None
