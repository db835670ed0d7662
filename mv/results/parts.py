"""The pieces that results are assembled from: plain frozen numbers with units and no markup.

Fractions are fractions (0.12, not 12 %); energies are in the carrier's canonical unit named in
`unit`; dates are ISO strings in the site's local calendar, both ends inclusive.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any, Literal

from mv.quantity import Bridge, Interval, Months


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
    level_words: str = ""
    """What that correction did where it was tried inside the baseline."""
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
    words: str = ""
    """How the drift part came about, in one sentence."""
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
