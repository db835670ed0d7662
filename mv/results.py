"""What a verification found: plain frozen results of numbers with units, no figure, no markup.

`SiteResult` and `PortfolioResult` are what pages, tables and `results.json` are made of; pages
are a pure function of them.  Saved as JSON and read back by the two functions at the end.
Fractions are fractions (0.12, not 12 %); energies are in the carrier's canonical unit named in
`unit`; dates are ISO strings in the site's local calendar, both ends inclusive.
"""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass, field
from functools import lru_cache
from typing import Any, Literal

import orjson

from mv.findings import Finding, RenderError
from mv.quantity import Derivation, Interval

SCHEMA_VERSION = 1

Verdict = Literal["savings shown", "not distinguishable", "use increased", "not verifiable"]
VERDICTS: tuple[Verdict, ...] = (
    "savings shown",
    "not distinguishable",
    "use increased",
    "not verifiable",
)


@dataclass(frozen=True, kw_only=True)
class InputFile:
    """One file that went in: entered = used + excluded, row by row."""

    file: str
    role: str
    """readings of meter X, temperatures, table ..."""
    sha256: str
    rows_read: int
    rows_used: int
    excluded: dict[str, int] = field(default_factory=dict)
    """Rows left out, by rule."""
    meter: str | None = None
    step: str | None = None
    """Length of an interval, such as `15 min`; `bills`."""
    time_basis: str | None = None
    """Clock and stamp as read, such as `Europe/Lisbon, stamps mark the start`."""
    unit: str | None = None
    coverage: float | None = None
    first: str | None = None
    last: str | None = None


@dataclass(frozen=True, kw_only=True)
class Periods:
    """Baseline, installation and reporting period, ISO dates, both ends inclusive."""

    baseline_start: str
    baseline_end: str
    installation_start: str
    installation_end: str
    reporting_start: str
    reporting_end: str
    baseline_days: int
    baseline_days_used: int
    reporting_days: int
    reporting_days_used: int


@dataclass(frozen=True, kw_only=True)
class Coefficient:
    """One term of a model."""

    name: str
    meaning: str
    value: float
    standard_error: float | None
    t: float | None
    unit: str


@dataclass(frozen=True, kw_only=True)
class Model:
    """A fitted baseline."""

    family: str
    form: str
    formula: str
    """In words and symbols."""
    granularity: Literal["bills", "daily", "hourly"]
    coefficients: dict[str, float]
    standard_errors: dict[str, float | None]
    terms: list[Coefficient]
    change_points: list[float]
    n: int
    parameters: int
    r2: float | None
    adjusted_r2: float | None
    rmse: float
    cv_rmse: float | None
    nmbe: float | None
    autocorrelation: float | None
    effective_n: float | None
    durbin_watson: float | None
    hold_out_cv_rmse: float | None = None
    hold_out_nmbe: float | None = None
    temperature_low: float | None = None
    temperature_high: float | None = None
    """Range of the baseline's temperatures, degC."""
    mean: float = 0.0
    """Mean of the modelled quantity (energy a day, for bills and daily)."""
    unit: str = "kWh/day"
    selection: str = ""
    """The rule by which it was chosen, in words."""
    level_correction: float = 0.0
    """Recency correction of the level, energy per day, already in the adjusted baseline."""
    curve: dict[str, list[float]] = field(default_factory=dict)
    """`temperature` and one list per day type: sampled points of the model."""


@dataclass(frozen=True, kw_only=True)
class Candidate:
    """One form that competed."""

    form: str
    criterion: float | None
    """Value of the selection criterion; the smaller the better."""
    cv_rmse: float | None
    parameters: int
    plausible: bool
    why: str
    """Why it was not chosen, or that it was."""
    avoided_energy: float | None = None
    """The saving under this form, for the sensitivity strip; never used to choose."""


@dataclass(frozen=True, kw_only=True)
class Acceptance:
    """One line of the acceptance table."""

    rule: str
    value: float | str | None
    limit: float | str | None
    unit: str
    met: bool | None
    """None where the rule gives advice or can't be judged."""
    source: str
    note: str = ""


@dataclass(frozen=True, kw_only=True)
class UncertaintyPart:
    """One part of the interval: its standard deviation or half-width, and how it was made."""

    name: str
    value: float
    unit: str
    share: float
    """Share of the squared half-width."""
    method: str
    source: str


@dataclass(frozen=True, kw_only=True)
class Uncertainty:
    """How the interval that decides the verdict was made."""

    half_width: float
    confidence: float
    unit: str
    quantile: float
    degrees_of_freedom: float | None
    model_part: float
    """Standard deviation s of the sum, Newey-West."""
    drift_part: float
    """Standard deviation tau · P."""
    drift_tau: float
    drift_source: str
    parts: list[UncertaintyPart]
    guideline_14: float | None
    """Guideline 14's half-width at the same confidence, for programmes that ask for it."""
    least_squares: float | None
    """The exact least-squares half-width (independent residuals), for comparison."""
    minimum_detectable_fraction: float | None
    """Smallest saving, as a fraction of the adjusted baseline, whose interval excludes zero."""
    fractional: dict[str, float] = field(default_factory=dict)
    """Half-width ÷ saving at 68, 80, 90, 95 % by the official method ("0.68": ...)."""


@dataclass(frozen=True, kw_only=True)
class Annual:
    """Year against year, at normal conditions: never a scaled part-year."""

    unit: str
    estimated_savings: float | None
    verified_savings: Interval | None
    realisation_rate: Interval | None
    method: str
    normal_conditions: str
    days: float = 365.0


@dataclass(frozen=True, kw_only=True)
class Months:
    """A word for a payback: months with interval, or the reason there are none."""

    months: float | None
    low: float | None
    high: float | None
    """None where there is no upper limit (the saving's interval reaches zero)."""
    words: str


@dataclass(frozen=True, kw_only=True)
class BridgeStep:
    """One bar of a bridge."""

    name: str
    amount: float
    low: float | None = None
    high: float | None = None
    note: str = ""
    responsible: str = ""


@dataclass(frozen=True, kw_only=True)
class Bridge:
    """From one figure to another, in steps that add up exactly."""

    name: str
    """Key: savings, payback, bill."""
    unit: str
    start: float
    start_label: str
    end: float
    end_label: str
    steps: list[BridgeStep]
    method: str
    words: str = ""


@dataclass(frozen=True, kw_only=True)
class Money:
    """What the saving is worth and what it cost."""

    currency: str
    cost_savings: Interval | None
    """Over the reporting period, at the rate in force."""
    annual_cost_savings_estimated: float | None
    annual_cost_savings: Interval | None
    """Verified, a year."""
    price: float | None
    """Average value of a saved unit, currency per unit; `price_unit` says per what."""
    price_unit: str
    rate: str
    """Key and name of the rate."""
    rate_source: str
    cost_estimated: float | None
    incentive_estimated: float | None
    net_cost_estimated: float | None
    cost_actual: float | None
    incentive_actual: float | None
    net_cost: float | None
    """Actual cost less incentive received; the estimate where no invoice is given (see notes)."""
    simple_payback_estimated: Months | None
    simple_payback_realised: Months | None
    recovered: Interval | None = None
    """Cumulative realised saving so far."""
    recovered_fraction: float | None = None
    npv: Interval | None = None
    irr: Interval | None = None
    savings_to_investment: Interval | None = None
    npv_estimated: float | None = None
    irr_estimated: float | None = None
    savings_to_investment_estimated: float | None = None
    cash: dict[str, list] = field(default_factory=dict)
    """`month` (ISO), `estimated`, `realised`, `low`, `high` cumulative cash, `measured` (bool)."""
    crosses_zero: dict[str, str | None] = field(default_factory=dict)
    """ISO months in which cumulative cash crosses zero: estimated, realised, low, high."""
    maintenance_savings: float | None = None
    prices: list[dict[str, Any]] = field(default_factory=list)
    """One per price that is known (actual, estimate, contract): basis, rate, source, price,
    cost_savings."""
    cost_lines: list[dict[str, Any]] = field(default_factory=list)
    """One per component of the rate: name, baseline cost, measured cost, saving, how."""
    billed_against_computed: list[dict[str, Any]] = field(default_factory=list)
    incentive: dict[str, Any] = field(default_factory=dict)
    emissions: dict[str, Any] = field(default_factory=dict)
    bridges: list[Bridge] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)


@dataclass(frozen=True, kw_only=True)
class EventEntry:
    """One line of the ledger of non-routine events, declared or suspected."""

    what: str
    start: str
    end: str | None
    kind: Literal["declared", "suspected"]
    treatment: str
    change_per_day: float | None
    standard_error: float | None
    effect_on_savings: float | None
    """Change of avoided energy if this event is treated (declared) or were adjusted (suspected)."""
    unit: str
    evidence: str = ""
    reported_by: str = ""
    approved_by: str = ""
    question: str = ""
    """For a suspected event: what to ask the owner."""


@dataclass(frozen=True, kw_only=True)
class Demand:
    """Demand saving, or why none is claimed."""

    claimed: bool
    words: str
    unit: str = "kW"
    peak_savings: Interval | None = None
    """Mean saving of the monthly billing peak."""
    window_savings: Interval | None = None
    window: str = ""
    estimated: float | None = None
    months: list[dict[str, Any]] = field(default_factory=list)


@dataclass(frozen=True, kw_only=True)
class OperatingDays:
    """The calendar that the model used."""

    week: str
    """Such as `Mon-Fri`."""
    origin: Literal["given", "learned"]
    words: str
    holidays: str
    operating_days_baseline: int
    operating_days_reporting: int
    exceptions: int
    holiday_list: list[str] = field(default_factory=list)
    adjustment: float | None = None
    """What the adjustment for operating days is worth in the adjusted baseline, energy."""
    day_types: list[str] = field(default_factory=list)


@dataclass(frozen=True, kw_only=True)
class Series:
    """What charts draw; saved beside results.json, one file a site."""

    daily: dict[str, list] = field(default_factory=dict)
    """`date`, `measured`, `modelled` (model at the day's conditions, every day that has them),
    `temperature`, `operating` (0/1), `period` (baseline/installation/reporting), `status`
    (used, or the rule that left the day out).  Empty for bill sites."""
    bills: dict[str, list] = field(default_factory=dict)
    """`start`, `end` (exclusive), `days`, then as daily, energies per bill."""
    monthly: dict[str, list] = field(default_factory=dict)
    """`month`, `measured`, `adjusted_baseline`, `avoided`, `days_used`, reporting period."""
    cumulative: dict[str, list] = field(default_factory=dict)
    """`date`, `avoided`, `low`, `high`, `estimated` (the estimate as a line)."""
    profiles: dict[str, list] = field(default_factory=dict)
    """`hour` 0..23 and mean kW: `baseline_operating`, `baseline_non_operating`,
    `reporting_operating`, `reporting_non_operating`.  Interval sites only."""
    heat: dict[str, list] = field(default_factory=dict)
    """`week` (ISO date of its Monday) and `load`: per week 24 mean kW by local hour (None where
    missing).  Interval sites only."""


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
    placebo: dict[str, Any] = field(default_factory=dict)
    comparison: dict[str, Any] = field(default_factory=dict)
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
    """Each retrofit's row as read."""
    estimate: dict[str, Any] = field(default_factory=dict)
    """The lighting schedule's lines, totals and findings."""
    operating_days: OperatingDays | None = None
    money: Money | None = None
    others: list[CarrierResult] = field(default_factory=list)
    """Effects outside the claim: other carriers of the site over the same periods."""
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
    """Site parts in quadrature plus the common part."""
    conservative: Interval
    """All sites added straight: the bound."""
    common_part: float
    """z · sigma_common · ΣP, energy."""
    annual_verified: Interval | None
    annual_estimated: float | None
    realisation_rate: Interval | None


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


_DUMP = orjson.OPT_SERIALIZE_NUMPY | orjson.OPT_NON_STR_KEYS


def now() -> str:
    """Time stamp of a run, UTC, to the second."""
    return dt.datetime.now(dt.UTC).strftime("%Y-%m-%dT%H:%M:%SZ")


def to_json(result: PortfolioResult | SiteResult) -> bytes:
    """JSON of a result, for people to look into; what series it holds are left in."""
    return orjson.dumps(result, option=_DUMP | orjson.OPT_INDENT_2)


def series_json(result: SiteResult) -> bytes:
    """Compact JSON of a site's series: its own, then those of its other carriers."""
    return orjson.dumps([result.series, *(o.series for o in result.others)], option=_DUMP)


@lru_cache(maxsize=8)
def _adapter(kind: type):
    from pydantic import TypeAdapter

    return TypeAdapter(kind)


def from_json(text: bytes, kind: type = PortfolioResult):
    """Read back what `to_json` wrote.

    Raises RenderError for damaged text or a schema version this package doesn't know.
    """
    try:
        data = orjson.loads(text)
    except orjson.JSONDecodeError as error:
        raise RenderError(f"the results are not whole JSON: {error}") from error
    if kind is PortfolioResult and data.get("schema_version") != SCHEMA_VERSION:
        raise RenderError(
            f"the results have schema version {data.get('schema_version')!r}; this version of "
            f"mvreport reads {SCHEMA_VERSION}. Run `mvreport report` again."
        )
    try:
        return _adapter(kind).validate_python(data)
    except ValueError as error:
        raise RenderError(f"the results are not what this version expects: {error}") from error


def from_mapping(kind: type, fields: dict[str, Any]):
    """Build a result of `kind` from a mapping, nested mappings into their own results.

    Raises ValueError (pydantic's) where a field is missing, unknown in type, or left over.
    """
    return _adapter(kind).validate_python(fields)
