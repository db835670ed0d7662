"""What a portfolio folder says, as frozen typed objects.

One class per table, one field per column; the string under a field is its entry in the manual
and the header comment of the starter folder.  Unknown names are refused in settings and
reported in tables.  Every object remembers where it was written (`source`).
"""

from __future__ import annotations

import datetime as dt
from functools import cached_property
from typing import Any, Literal

from pydantic import ConfigDict, Field

from mv.findings import Finding
from mv.portfolio.described import KEY, Described, Row, Source
from mv.portfolio.settings_schema import Emissions, Finance, Limits, Settings

__all__ = [
    "KEY",
    "Block",
    "Described",
    "Driver",
    "Emissions",
    "Event",
    "Finance",
    "Fixture",
    "Limits",
    "Logger",
    "Meter",
    "OperatingException",
    "Portfolio",
    "Retrofit",
    "Row",
    "Settings",
    "Site",
    "SiteDescription",
    "Source",
    "StaticFactor",
    "WeatherStation",
]


class Site(Row):
    """One row of sites.csv: a place with meters."""

    site: str = Field(pattern=KEY)
    """Key of the site: letters, digits, - and _."""
    name: str = ""
    """Name that the report prints; the key when empty."""
    time_zone: str
    """IANA name, such as Europe/Lisbon."""
    country: str | None = None
    """ISO 3166 code of the country whose public holidays are kept; none are when empty."""
    region: str | None = None
    """Region part of the ISO 3166-2 code, for regional holidays."""
    floor_area: float | None = Field(default=None, gt=0)
    """Floor area."""
    floor_area_unit: Literal["m2", "ft2"] = "m2"
    """Unit of the floor area."""
    weather: str
    """Key of the weather station."""
    operating_week: str | None = None
    """Days of usual work, such as Mon-Fri or Tue,Thu,Sat; learned from the baseline when empty."""
    group: str = ""
    """Any word to group sites by."""

    @property
    def label(self) -> str:
        """Name, or the key where there is none."""
        return self.name or self.site


class Meter(Row):
    """One row of meters.csv: a meter of one carrier, and the file that holds its readings."""

    meter: str = Field(min_length=1, max_length=80)
    """Key of the meter, text (leading zeros count)."""
    site: str
    """Site it belongs to."""
    carrier: str
    """electricity, natural_gas, district_heat, chilled_water, steam, fuel_oil, propane, water."""
    data: Literal["interval", "bills"]
    """interval readings or bills."""
    file: str
    """File of the readings, relative to the folder."""
    unit: str
    """Unit of the values: kWh, kW, therm, ccf, m3 ..."""
    stamp: Literal["start", "end"] | None = None
    """Whether a time stamp marks the start or the end of its interval."""
    time_zone: str | None = None
    """Clock of the file: an IANA name or UTC or a fixed offset; the site's when empty."""
    time_column: str | None = None
    """Header of the time column, where it isn't evident."""
    value_column: str | None = None
    """Header of the value column, where it isn't evident."""
    flag_column: str | None = None
    """Header of a column of quality flags."""
    meter_column: str | None = None
    """Header of the column that names the meter, in a file that holds several."""
    day_first: bool | None = None
    """Whether 03/04 is the third of April (true) or the fourth of March (false)."""
    register_values: bool | None = None
    """Whether values are a counter that runs up (true) or use per interval (false)."""
    multiplier: float = Field(default=1.0, gt=0)
    """Factor between the file's values and use."""
    multiplier_changes: str | None = None
    """Days from which another multiplier holds, such as 2023-05-01=40; 2024-01-01=80."""
    boundary: Literal["whole_facility", "retrofit_isolation"] = "whole_facility"
    """What the meter sees: the whole site, or the retrofitted system alone."""
    rate: str | None = None
    """Key of the rate in rates.toml that prices this meter."""
    heat_content: str | None = None
    """Energy per volume, such as 38.3 MJ/m3, for gas or fuel read in volume."""
    flow: Literal["use", "generation", "import", "export"] = "use"
    """Direction: use, own generation, import from or export to the grid."""
    in_service: dt.date | None = None
    """Day it came into service, where that is later than the other meters' first reading; before
    that day it counts zero."""
    consent: str | None = None
    """Reference of the consent under which the data are used."""
    consent_until: dt.date | None = None
    """Day on which that consent ends."""


class WeatherStation(Row):
    """One row of weather.csv: a weather station, and the file that holds its temperatures."""

    station: str = Field(pattern=KEY)
    """Key of the station."""
    file: str
    """File of the temperatures, relative to the folder."""
    temperature_unit: Literal["degC", "degF"]
    """Unit of the temperatures."""
    time_zone: str = "UTC"
    """Clock of the file."""
    time_column: str | None = None
    """Header of the time column, where it isn't evident."""
    value_column: str | None = None
    """Header of the temperature column, where it isn't evident."""
    normal_file: str | None = None
    """File of a normal year of temperatures, same form."""


class Retrofit(Row):
    """One row of retrofits.csv: what was promised, what was built, what was paid."""

    retrofit: str = Field(pattern=KEY)
    """Key of the retrofit."""
    site: str
    """Site where it was installed."""
    title: str = ""
    """What was done, in a few words."""
    installation_start: dt.date
    """First day of the works."""
    installation_end: dt.date
    """Last day of the works."""
    baseline_start: dt.date | None = None
    """First day of the baseline period; 12 months before the works when empty."""
    reporting_end: dt.date | None = None
    """Last day of the reporting period; the last day with data when empty."""
    meters: tuple[str, ...] = ()
    """Meters that should show it, separated by ;. All whole-facility meters of the carrier when
    empty."""
    carrier: str = "electricity"
    """Carrier whose saving is claimed."""
    estimated_savings: float | None = None
    """Estimated saving in a year."""
    estimated_savings_unit: str = "kWh"
    """Unit of the estimated saving (per year)."""
    estimated_demand_savings: float | None = None
    """Estimated demand saving in kW."""
    estimated_cost: float | None = Field(default=None, ge=0)
    """Cost as estimated, before incentive."""
    estimated_incentive: float | None = Field(default=None, ge=0)
    """Incentive as estimated."""
    actual_cost: float | None = Field(default=None, ge=0)
    """Cost as invoiced, before incentive."""
    incentive_paid: float | None = Field(default=None, ge=0)
    """Incentive received so far."""
    incentive_pending: float | None = Field(default=None, ge=0)
    """Incentive promised and not yet received."""
    maintenance_savings: float | None = None
    """Maintenance saved per year as stated by the owner; never verified by the meter."""
    acceptance_date: dt.date | None = None
    """Day on which the owner accepted the work; payback counts from here."""
    measure_life: float | None = Field(default=None, gt=0, le=60)
    """Years over which the measure is expected to last."""
    responsible: str = ""
    """Who answers for the performance."""


class Fixture(Row):
    """One row of fixtures.csv: a line of the lighting schedule behind an estimate."""

    retrofit: str
    """Retrofit this line belongs to."""
    space: str = ""
    """Room or area."""
    usage_group: str = ""
    """Fixtures that burn alike and share their loggers; the space when empty."""
    description: str = ""
    """Lamp and ballast before, and what replaced them."""
    count_before: float = Field(ge=0)
    """Fixtures before."""
    watts_before: float = Field(ge=0)
    """Input watts a fixture before, ballast included."""
    count_after: float = Field(ge=0)
    """Fixtures after; 0 where removed."""
    watts_after: float = Field(ge=0)
    """Input watts a fixture after."""
    hours_before: float = Field(ge=0)
    """Hours of use a year before."""
    hours_after: float | None = Field(default=None, ge=0)
    """Hours of use a year after; as before when empty."""
    control_savings: float = Field(default=0.0, ge=0, le=1)
    """Share of the new lighting energy that controls save."""
    interactive_factor: float = Field(default=1.0, gt=0)
    """Multiplier for the effect on cooling and heating by electricity; 1 is none."""
    heating_penalty: float = Field(default=0.0, ge=0)
    """Extra heating fuel in kWh per kWh of lighting saved."""
    coincidence_factor: float | None = Field(default=None, ge=0, le=1)
    """Share of the connected saving that falls into the peak."""
    area: float | None = Field(default=None, gt=0)
    """Floor area lit, in the site's unit."""


class Logger(Row):
    """One row of loggers.csv: what was measured at a sample of fixtures or circuits."""

    retrofit: str
    """Retrofit whose lighting schedule it belongs to."""
    usage_group: str
    """Usage group of the schedule (space for spot watts) that it was drawn from."""
    logger: str = Field(min_length=1, max_length=80)
    """Serial number or name of the logger, or of the fixture for spot watts."""
    data: Literal["on_off", "power", "hours", "watts"]
    """on_off: file of times and states; power: file of readings; hours: on hours read off;
    watts: spot reading of the input watts of one fixture."""
    period: Literal["before", "after"] = "after"
    """Whether it was measured before or after the works."""
    file: str | None = None
    """File of the readings, relative to the folder (on_off, power)."""
    time_zone: str | None = None
    """Clock of the file; the site's when empty."""
    time_column: str | None = None
    """Header of the time column, where it isn't evident."""
    value_column: str | None = None
    """Header of the column of states or readings, where it isn't evident."""
    unit: str = "kW"
    """Unit of the readings (power)."""
    connected_load: float | None = Field(default=None, gt=0)
    """kW behind the logger with everything on; needed for power, a weight otherwise."""
    population: int | None = Field(default=None, ge=1)
    """Fixtures or circuits of the group from which the loggers were drawn."""
    value: float | None = Field(default=None, ge=0)
    """On hours (hours), or watts of one fixture (watts)."""
    logged_hours: float | None = Field(default=None, gt=0)
    """Hours during which on hours were counted (hours)."""
    start: dt.date | None = None
    """First day of measuring (hours, watts)."""
    end: dt.date | None = None
    """Last day of measuring (hours), or when an on_off logger was taken down."""


class OperatingException(Row):
    """One row of operating_days.csv: days that differ from the operating week."""

    site: str
    """Site, or * for all."""
    start: dt.date
    """First day."""
    end: dt.date
    """Last day, inclusive."""
    day: Literal["operating", "non_operating"]
    """What these days are."""
    reason: str = ""
    """Why."""


class Event(Row):
    """One row of events.csv: a non-routine event."""

    site: str
    """Site where it happened."""
    meter: str | None = None
    """Meter that saw it; all of the site's when empty."""
    start: dt.date
    """First day."""
    end: dt.date | None = None
    """Last day, inclusive; goes on when empty."""
    what: str
    """What happened."""
    treatment: Literal["exclude", "adjust", "note"]
    """exclude the days, adjust by a stated change, or only note."""
    change: float | None = None
    """Change of use per day, signed: positive where the event added use."""
    unit: str = "kWh"
    """Unit of change (per day)."""
    standard_error: float | None = Field(default=None, ge=0)
    """Standard error of the change."""
    evidence: str = ""
    """What shows it."""
    reported_by: str = ""
    """Who reported it."""
    approved_by: str = ""
    """Who approved the treatment."""


class Driver(Row):
    """One row of drivers.csv: an independent variable over a span of days."""

    site: str
    """Site it belongs to."""
    start: dt.date
    """First day."""
    end: dt.date | None = None
    """Last day, inclusive; one day when empty."""
    driver: str
    """Name of the variable (production, occupancy ...)."""
    value: float
    """Its value: a total over the span, or a level, see unit."""
    unit: str = ""
    """Its unit."""


class StaticFactor(Row):
    """One row of static_factors.csv: something taken as constant, at plan time and now."""

    site: str
    """Site it belongs to."""
    factor: str
    """What it is: floor area in use, hours, occupancy, equipment, tenants ..."""
    baseline_value: str = ""
    """Its value in the baseline period."""
    reporting_value: str = ""
    """Its value in the reporting period."""
    unit: str = ""
    """Unit, if any."""
    changed_on: dt.date | None = None
    """Day of the change, where there was one."""
    note: str = ""
    """Anything a reader should know."""


class Block(Described):
    """A block of settings kept as written, for the room that understands it."""

    key: str
    values: dict[str, Any]
    source: Source
    lines: dict[str, int] = Field(default_factory=dict)
    """Line of each name inside the block, by dotted path: `season.0.price`."""


class SiteDescription(Described):
    """Everything one site's verification needs: picklable, self-contained, no other site in it."""

    folder: str
    """Folder or URL that file names are relative to."""
    settings: Settings
    site: Site
    meters: tuple[Meter, ...] = ()
    weather: WeatherStation
    retrofits: tuple[Retrofit, ...] = ()
    fixtures: tuple[Fixture, ...] = ()
    loggers: tuple[Logger, ...] = ()
    rates: tuple[Block, ...] = ()
    static_factors: tuple[StaticFactor, ...] = ()
    operating_days: tuple[OperatingException, ...] = ()
    events: tuple[Event, ...] = ()
    drivers: tuple[Driver, ...] = ()


class Portfolio(Described):
    """A whole folder, read and valid."""

    model_config = ConfigDict(arbitrary_types_allowed=True)

    folder: str
    settings: Settings
    sites: dict[str, Site]
    meters: tuple[Meter, ...]
    weather: dict[str, WeatherStation]
    retrofits: tuple[Retrofit, ...] = ()
    fixtures: tuple[Fixture, ...] = ()
    loggers: tuple[Logger, ...] = ()
    rates: dict[str, Block] = Field(default_factory=dict)
    static_factors: tuple[StaticFactor, ...] = ()
    operating_days: tuple[OperatingException, ...] = ()
    events: tuple[Event, ...] = ()
    drivers: tuple[Driver, ...] = ()
    findings: tuple[Finding, ...] = ()
    digests: dict[str, str] = Field(default_factory=dict)
    """sha256 of every table, by file name."""

    def describe(self, site: str) -> SiteDescription:
        """Cut out what one site needs, in the time that its own rows take.

        KeyError for an unknown key.
        """
        own = self.sites[site]
        rows = self._by_site.get(site, {})
        days = (
            *rows.get("operating_days", ()),
            *self._by_site.get("*", {}).get("operating_days", ()),
        )
        # The parts are valid already; to check them again would cost more than to cut them out.
        return SiteDescription.model_construct(
            folder=self.folder,
            settings=self.settings,
            site=own,
            weather=self.weather[own.weather],
            rates=self._blocks,
            meters=tuple(rows.get("meters", ())),
            retrofits=tuple(rows.get("retrofits", ())),
            fixtures=tuple(rows.get("fixtures", ())),
            loggers=tuple(rows.get("loggers", ())),
            static_factors=tuple(rows.get("static_factors", ())),
            operating_days=tuple(sorted(days, key=lambda d: d.source.line or 0)),
            events=tuple(rows.get("events", ())),
            drivers=tuple(rows.get("drivers", ())),
        )

    @cached_property
    def _blocks(self) -> tuple[Block, ...]:
        return tuple(self.rates.values())

    @cached_property
    def _by_site(self) -> dict[str, dict[str, list[Any]]]:
        """The rows of every table by site and table, so that no site looks through all rows."""
        index: dict[str, dict[str, list[Any]]] = {}
        site_of = {r.retrofit: r.site for r in self.retrofits}
        for table in (
            "meters",
            "retrofits",
            "static_factors",
            "operating_days",
            "events",
            "drivers",
        ):
            for row in getattr(self, table):
                index.setdefault(row.site, {}).setdefault(table, []).append(row)
        for logger in self.loggers:
            site = site_of.get(logger.retrofit)
            if site is not None:
                index.setdefault(site, {}).setdefault("loggers", []).append(logger)
        for fixture in self.fixtures:
            site = site_of.get(fixture.retrofit)
            if site is not None:
                index.setdefault(site, {}).setdefault("fixtures", []).append(fixture)
        return index
