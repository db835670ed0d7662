"""What was found at one site and for the portfolio: all that pages and tables are made of."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any, Literal

from mv.findings import Finding
from mv.quantity import Derivation, Interval
from mv.results.parts import (
    Acceptance,
    Annual,
    Candidate,
    Demand,
    EventEntry,
    InputFile,
    Model,
    Money,
    OperatingDays,
    Periods,
    Series,
    Uncertainty,
)

Verdict = Literal["savings shown", "not distinguishable", "use increased", "not verifiable"]
VERDICTS: tuple[Verdict, ...] = (
    "savings shown",
    "not distinguishable",
    "use increased",
    "not verifiable",
)


@dataclass(frozen=True, kw_only=True)
class CarrierResult:
    """One carrier of one site within one boundary, verified."""

    carrier: str
    meters: list[str]
    boundary: str
    unit: str
    verdict: Verdict
    reason: str = ""
    """Why not verifiable; empty otherwise."""
    remedy: str = ""
    """What would make it verifiable."""
    interim: bool = False
    due: bool = True
    """False where the reporting period has not begun: not yet due, rather than failed."""
    claimed: bool = False
    """Whether a retrofit's saving is claimed on it; what isn't claimed stands beside."""
    claims: list[str] = field(default_factory=list)
    """Keys of the retrofits claimed on it."""
    relation: str = ""
    """What it has to do with the site's first claim, in words; empty for that claim itself."""
    periods: Periods | None = None
    baseline_energy: float | None = None
    """Measured over the baseline period's used days."""
    adjusted_baseline: float | None = None
    measured: float | None = None
    avoided_energy: Interval | None = None
    """Official: adjusted baseline − measured + non-routine adjustment."""
    non_routine_adjustment: float = 0.0
    routine_adjustment: float | None = None
    """Adjusted baseline less baseline use scaled to as many days: what weather and days did."""
    model: Model | None = None
    candidates: list[Candidate] = field(default_factory=list)
    cross_check: dict[str, Any] = field(default_factory=dict)
    """The other granularity's saving: granularity, avoided_energy, difference, words."""
    acceptance: list[Acceptance] = field(default_factory=list)
    uncertainty: Uncertainty | None = None
    annual: Annual | None = None
    events: list[EventEntry] = field(default_factory=list)
    demand: Demand | None = None
    extrapolation: float | None = None
    """Share of reporting rows outside the baseline's temperatures."""
    money: Money | None = None
    """What the claim is worth and what its own retrofits cost; None where nothing is claimed."""
    placebo: dict[str, Any] = field(default_factory=dict)
    """Where the saving stands among the false savings of other buildings, by kind of carrier:
    trials, buildings, as_large, share, fraction, words, false_savings."""
    comparison: dict[str, Any] = field(default_factory=dict)
    """The contrast with sites that had no retrofit: name, adopted, words, companion, controls,
    widening, narrowing, coverage, plain and corrected (intervals as mappings)."""
    series: Series | None = None


@dataclass(frozen=True, kw_only=True)
class SiteResult(CarrierResult):
    """One site: the claimed carrier's result itself, and all that stands around it."""

    site: str
    name: str
    group: str = ""
    role: Literal["retrofit", "comparison"] = "retrofit"
    time_zone: str = ""
    country: str | None = None
    region: str | None = None
    floor_area: float | None = None
    """m2."""
    weather: str = ""
    confidence: float = 0.9
    retrofits: list[dict[str, Any]] = field(default_factory=list)
    """Each retrofit's row as read, and its part of the claim: share, verified_savings (interval
    as a mapping, a year), words."""
    estimate: dict[str, Any] = field(default_factory=dict)
    """The lighting schedule's lines, totals and findings."""
    operating_days: OperatingDays | None = None
    others: list[CarrierResult] = field(default_factory=list)
    """Further claims of the site, then what stands beside the first one over its periods: other
    carriers, other boundaries.  `claimed` tells which."""
    static_factors: list[dict[str, Any]] = field(default_factory=list)
    findings: list[Finding] = field(default_factory=list)
    inputs: list[InputFile] = field(default_factory=list)
    derivations: list[Derivation] = field(default_factory=list)
    departures: list[dict[str, Any]] = field(default_factory=list)
    """Differences from the frozen plan, if there is one: kind, what, planned, now."""
    early: dict[str, Any] = field(default_factory=dict)
    """The running verdict: looks (one a month), months_measured, final_on, declared, words."""
    isolation: dict[str, Any] = field(default_factory=dict)
    """What loggers and spot watts say of the lighting alone, and the difference to the meter."""
    sentences: dict[str, str] = field(default_factory=dict)


@dataclass(frozen=True, kw_only=True)
class CarrierTotal:
    """A carrier's total over the sites that count in it."""

    carrier: str
    unit: str
    sites: int
    adjusted_baseline: float
    measured: float
    avoided_energy: Interval
    """Adjusted baseline − measured + non-routine adjustments; its half-width is made of the
    sites' in quadrature, and the common part."""
    conservative: Interval
    """All sites added straight: the bound."""
    common_part: float
    """z · sigma_common · ΣP, energy."""
    annual_verified: Interval | None
    annual_estimated: float | None
    realisation_rate: Interval | None
    non_routine_adjustment: float = 0.0
    widening: float = 1.0
    """Factor on the quadrature of the sites' half-widths, by the placebo trials of such sums."""


@dataclass(frozen=True, kw_only=True)
class PortfolioResult:
    """The whole portfolio."""

    schema_version: int
    method_version: str
    """Version of the package that computed it."""
    created: str
    """Time stamp, the one thing that differs between two equal runs."""
    name: str
    currency: str
    confidence: float
    settings: dict[str, Any]
    sites: list[SiteResult]
    counts: dict[str, int]
    """entered, used, not_verifiable, not_yet_due, comparison, and one per verdict."""
    estimated: dict[str, float]
    """Estimated annual savings of: entered, used, not_verifiable, not_yet_due (claimed carrier
    units are kept apart: keys are `<carrier>/<which>`)."""
    totals: list[CarrierTotal]
    money: dict[str, Any] = field(default_factory=dict)
    """invested, net_cost, annual_cost_savings (Interval as mapping), payback, cash, ranked."""
    placebo: dict[str, Any] = field(default_factory=dict)
    groups: list[dict[str, Any]] = field(default_factory=list)
    words: dict[str, str] = field(default_factory=dict)
    findings: list[Finding] = field(default_factory=list)
    inputs: list[InputFile] = field(default_factory=list)
    derivations: list[Derivation] = field(default_factory=list)
    departures: list[dict[str, Any]] = field(default_factory=list)
    sampling: dict[str, Any] = field(default_factory=dict)
    """Where the report rests on a sample of sites: the total, its precision, each stratum."""
    drifting: list[dict[str, Any]] = field(default_factory=list)
    """Sites off their estimate so far, the most money first."""
