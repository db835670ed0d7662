"""What portfolio.toml may say, as frozen typed objects.

One field per setting; the string under a field is its entry in the manual and the remark of the
starter folder.
"""

from __future__ import annotations

from typing import Any, Literal

from pydantic import Field

from mv.portfolio.described import CURRENCY, Described, Positive, Share


class Finance(Described):
    """How money in other years is counted."""

    discount_rate: float | None = Field(default=None, gt=-1, lt=1)
    """Discount rate a year, as a fraction; no NPV without it."""
    price_escalation: float = Field(default=0.0, gt=-0.5, lt=0.5)
    """Rise of energy prices a year, as a fraction; zero unless declared."""
    degradation: float = Field(default=0.0, ge=0, lt=0.5)
    """Loss of the saving a year, as a fraction."""


class Limits(Described):
    """Limits of the cleaning and sufficiency rules; each default has its source in
    the glossary or is common practice."""

    baseline_months: Positive = 12
    """Months a baseline must span (IPMVP, Guideline 14)."""
    baseline_months_least: Positive = 9
    """Months under which a site is not verifiable (common practice, no source)."""
    reporting_months: Positive = 12
    """Months of a complete reporting period; shorter ones are interim."""
    reporting_months_least: Positive = 1
    """Months of reporting under which a site is not verifiable (common practice, no source)."""
    bills: int = Field(default=12, ge=2)
    """Bills a baseline should have."""
    bills_least: int = Field(default=9, ge=2)
    """Valid bills under which a site is not verifiable (Guideline 14-2002, from memory)."""
    coverage: Share = 0.9
    """Share of a day's intervals that must be present (common practice, no source)."""
    period_coverage: Share = 0.75
    """Share of a period's days that must be valid (Guideline 14: at most 25 % removed, from
    memory)."""
    temperature_gap_hours: Positive = 6
    """Longest gap in temperatures that is interpolated (common practice, no source)."""
    extrapolation_share: Share = 0.1
    """Share of reporting days outside the baseline's temperatures that is worth telling."""
    spike_factor: Positive = 5.0
    """Multiple of the meter's 99.5 % quantile above which a value is impossible."""
    stuck_hours: Positive = 24
    """Hours of one identical value, not zero, that count as a stuck meter."""
    zero_hours: Positive = 6
    """Hours of zeros that count as missing where the meter never goes near zero."""
    outage_share: Share = 0.1
    """Share of the base load under which a meter that never goes near zero is off (common
    practice, no source)."""
    negative_share: Share = 0.02
    """Share of values below zero, without declared generation, above which a meter is taken for
    a net meter (common practice, no source)."""
    snap_seconds: Positive = 90
    """How far a stamp may be off its grid and still be snapped."""
    duplicate_share: Share = 0.01
    """Share of contradicting duplicate rows above which a file is refused."""
    bill_days_short: Positive = 15
    """Days under which a bill is merged or left out."""
    bill_days_long: Positive = 70
    """Days above which a bill is left out."""


class Emissions(Described):
    """One avoided-emission factor; as many as there are carriers."""

    carrier: str
    """Carrier it is for."""
    factor: float
    """Kilogram of CO2 equivalent per unit."""
    unit: str = "kWh"
    """Unit of energy it is per."""
    source: str = Field(min_length=3)
    """Where the factor comes from; printed beside every figure made with it."""
    by_month: dict[str, float] = Field(default_factory=dict)
    """Factors by month, Jan to Dec, each used in place of the one factor."""
    by_hour: dict[str, float] = Field(default_factory=dict)
    """Factors by span of local hours, such as 07-19, each used in place of the one factor."""


class Settings(Described):
    """portfolio.toml."""

    name: str = Field(min_length=1)
    """Name of the portfolio."""
    currency: str = Field(default="EUR", pattern=CURRENCY)
    """ISO 4217 code."""
    confidence: float = Field(default=0.90, ge=0.5, le=0.999)
    """Two-sided confidence of every interval."""
    client: str = ""
    """Title page: for whom."""
    contractor: str = ""
    """Title page: who installed."""
    reviewer: str = ""
    """Title page: who reviews."""
    prepared_by: str = ""
    """Title page: who prepared the report."""
    reference: str = ""
    """Title page: contract or programme reference."""
    normal_year: Literal["normal_file", "average", "baseline"] = "average"
    """Normal conditions: each station's normal file, the average of the years at hand, or the
    baseline year."""
    acceptance: str = "guideline_14"
    """Named profile of acceptance limits."""
    acceptance_profiles: dict[str, Any] = Field(default_factory=dict)
    """Own profiles of acceptance limits, see the manual; they add to those that ship."""
    paper: Literal["A4", "Letter"] = "A4"
    """Paper of the printed report."""
    units: Literal["SI", "US"] = "SI"
    """Units in which areas and temperatures are printed."""
    finance: Finance = Finance()
    """Discounting, escalation, degradation."""
    limits: Limits = Limits()
    """Limits of the data rules."""
    emissions: tuple[Emissions, ...] = ()
    """Emission factors; none are built in."""
    incentive: dict[str, Any] = Field(default_factory=dict)
    """Terms of an incentive programme."""
    sampling: dict[str, Any] = Field(default_factory=dict)
    """Sampling of sites in a large programme: seed, strata, precision, cv, allocation, size."""
    uncertainty: dict[str, Any] = Field(default_factory=dict)
    """Replacement of the shipped prior, see the manual."""
