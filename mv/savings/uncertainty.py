"""How wide is the interval around avoided energy, and what is it made of?

The interval that decides the verdict (own method, on the grounds given in `drift.py`):

1. Model part s, the standard deviation of the regression's sum.  Rows y = Xb + e with weights w
   (days of a bill; 1 for days), g the sum of the reporting rows' x times their days,
   a_t = w_t x_t'(X'WX)⁻¹g:   s² = NW(a_t e_t)·n/(n−p) + m·NW(w_t e_t)/(n−p),
   NW_L(u) = Σu² + 2 Σ_{k≤L} (1 − k/(L+1)) Σ_t u_t u_{t−k}   (Newey & West 1987), L = 30 days,
   720 hours or 3 bills; m counts reporting rows at the baseline's mean length; change points count
   in p.  s is widened by the ratio of Student to normal quantile at n − p degrees of freedom.
2. Drift part τ·P, P the adjusted baseline, τ at the horizon (`drift.py`).
3. Heavy tails: half-width = q·√(s² + (τP)²), q the two-sided Student quantile at ν of the drift.
4. Non-routine adjustments and sampling, in quadrature with the normal quantile.
5. Portfolio: H = √(w²·Σh_i² + (z·σ_common·ΣP_i)²), w ≥ 1 by the trials of sums (`totals.py`); plain
   addition is the conservative bound.

Beside it the figure of ASHRAE Guideline 14 (Annex B, from memory; Reddy & Claridge 2000; polynomial
of Sun & Baltazar) and the exact least-squares one.  Both know the scatter of the fit alone.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field

import numpy as np

from mv.baseline.columns import Rows
from mv.baseline.rows import used
from mv.savings.avoided import row_days
from mv.savings.drift import (
    AUTUMN_FACTOR,
    Calm,
    Drift,
    Granularity,
    Level,
    Prior,
    carrier_kind,
    ends_in_autumn,
    horizon_factor,
    judge_calm,
    load_prior,
    recency_level,
)
from mv.savings.model_variance import model_part, summed
from mv.savings.own_drift import WHOLE_YEAR, OwnDrift
from mv.savings.pooled import portfolio_half_width
from mv.savings.quantiles import normal_quantile, student_quantile
from mv.savings.textbook import guideline_14, least_squares
from mv.wording import percent

__all__ = [
    "Prior",
    "SavingsUncertainty",
    "guideline_14",
    "interval",
    "least_squares",
    "load_prior",
    "portfolio_half_width",
    "recency_level",
]

FRACTIONAL_LEVELS = (0.68, 0.80, 0.90, 0.95)
"""Confidence levels that programmes ask for."""


@dataclass(frozen=True)
class Part:
    """One part of the interval."""

    name: str
    value: float
    """Standard deviation or scale, energy."""
    share: float
    """Share of the squared half-width."""
    method: str
    source: str


@dataclass(frozen=True)
class SavingsUncertainty:
    """How the interval around one saving was made; energies in the carrier's canonical unit."""

    half_width: float
    confidence: float
    quantile: float
    degrees_of_freedom: float | None
    """ν of the Student quantile; None where the placebo trial's own quantile was used."""
    model_part: float
    """s, Student widening included."""
    drift_part: float
    """τ·P."""
    drift_tau: float
    drift_source: str
    parts: tuple[Part, ...]
    guideline_14: float | None
    least_squares: float | None
    minimum_detectable_fraction: float | None
    fractional: dict[str, float] = field(default_factory=dict)
    calm: Calm | None = None
    prior_drift_part: float = 0.0
    """τ·P by the prior alone, before the portfolio's own trial scales it."""
    words: str = ""
    """How τ came about, in one sentence."""

    def as_fields(self, unit: str) -> dict:
        """Fields of the results' uncertainty block; parts as mappings with their unit."""
        fields = {n: v for n, v in vars(self).items() if n not in ("calm", "prior_drift_part")}
        parts = [vars(part) | {"unit": unit} for part in self.parts]
        return fields | {"unit": unit, "parts": parts}


def interval(
    fit,
    baseline_rows: Rows,
    reporting_rows: Rows,
    *,
    carrier: str,
    granularity: Granularity,
    confidence: float,
    prior: Prior,
    adjusted_baseline: float,
    avoided: float,
    adjustment_se: float = 0.0,
    sampling_se: float = 0.0,
    baseline_months: float = 12.0,
    reporting_months: float = 12.0,
    gap_months: float = 0.0,
    level: Level | None = None,
    calm: Calm | None = None,
    own: OwnDrift | None = None,
    design: np.ndarray | None = None,
) -> SavingsUncertainty:
    """Make the official interval around one avoided energy.

    Parameters
    ----------
    fit : baseline model with `design(rows) -> X (m, p_lin)`, `residuals` (n,), `parameters`.
    baseline_rows, reporting_rows : all rows of both periods; those with status "used" count.
    adjusted_baseline, avoided : energy, as `avoided_energy` gave them.
    adjustment_se, sampling_se : standard errors of non-routine adjustment and of a sample, energy.
    baseline_months, gap_months, reporting_months : lengths of baseline, installation, reporting.
    level : "recent" where the level correction was applied; by default for electricity.
    calm : the judgement on the baseline year, where it was made before.
    own : drift of the portfolio's own placebo trial, measured on other buildings; its factor,
        quantile and source take the prior's place, over the same months where it holds them.
    design : of the used reporting rows, where it is at hand.

    Raises ModelError where rows and model don't fit together.
    """
    level = level or ("recent" if carrier_kind(carrier) == "electricity" else "plain")
    calm = calm or judge_calm(fit, baseline_rows, carrier, granularity)
    size = prior.size(carrier, granularity, level=level, calm=calm.calm)
    own = own.over(reporting_months) if own is not None else None
    drift = Drift(size.tau * own.factor, own.nu, own.source) if own is not None else size
    horizon = horizon_factor(
        prior,
        baseline_months=baseline_months,
        reporting_months=reporting_months,
        gap_months=gap_months,
        level=level,
    )
    used_base, used_rep = used(baseline_rows), used(reporting_rows)
    autumn = AUTUMN_FACTOR if ends_in_autumn(used_base) else 1.0
    tau = drift.tau * horizon * autumn
    modelled = summed(fit, used_base, used_rep, granularity, design)
    s, degrees = model_part(modelled), float(modelled.degrees)
    exposed = _exposed_energy(used_base, used_rep, adjusted_baseline, reporting_months)

    def half_width_at(level_of_confidence: float) -> tuple[float, float, float, float]:
        z = normal_quantile(level_of_confidence)
        widened = s * student_quantile(level_of_confidence, degrees) / z
        q = (
            own.quantile(level_of_confidence, size.nu)
            if own is not None
            else student_quantile(level_of_confidence, drift.nu)
        )
        core = q * math.hypot(widened, tau * exposed)
        return math.hypot(core, z * adjustment_se, z * sampling_se), q, z, widened

    half_width, q, z, widened = half_width_at(confidence)
    parts = _parts(
        half_width,
        (
            ("model", widened, q, "Newey-West sum of the regression's residuals", "own method"),
            ("drift", tau * exposed, q, "change of a site from year to year", drift.source),
            ("non-routine", adjustment_se, z, "standard error of the adjustment", "events.csv"),
            ("sampling", sampling_se, z, "standard error of the sample", "sample"),
        ),
    )
    fractional = (
        {f"{c:.2f}": half_width_at(c)[0] / abs(avoided) for c in FRACTIONAL_LEVELS}
        if avoided
        else {}
    )
    g14 = guideline_14(
        fit,
        rows=len(used_rep),
        adjusted_baseline=adjusted_baseline,
        confidence=confidence,
        granularity=granularity,
        reporting_months=reporting_months,
    )
    return SavingsUncertainty(
        half_width=half_width,
        confidence=confidence,
        quantile=q,
        degrees_of_freedom=None if own is not None else drift.nu,
        model_part=widened,
        drift_part=tau * exposed,
        drift_tau=tau,
        drift_source=drift.source,
        parts=parts,
        guideline_14=g14,
        least_squares=least_squares(modelled, confidence),
        minimum_detectable_fraction=(
            half_width / adjusted_baseline if adjusted_baseline > 0 else None
        ),
        fractional=fractional,
        calm=calm,
        prior_drift_part=size.tau * horizon * autumn * exposed,
        words=_drift_words(
            drift,
            tau=tau,
            horizon=horizon,
            autumn=autumn,
            calm=calm,
            exposed=exposed,
            adjusted_baseline=adjusted_baseline,
        ),
    )


def _exposed_energy(
    baseline: Rows, reporting: Rows, adjusted_baseline: float, months: float
) -> float:
    """Energy that the drift is a fraction of: the adjusted baseline; over less than a year at
    least the mean use of the baseline, because a gas meter's summer misfit is no fraction of a
    summer's gas."""
    if months >= WHOLE_YEAR:
        return abs(adjusted_baseline)
    weight = row_days(baseline)
    mean = float(weight @ np.asarray(baseline["energy"], dtype=float)) / weight.sum()
    return max(abs(adjusted_baseline), abs(mean) * float(row_days(reporting).sum()))


def _parts(
    half_width: float, raw: tuple[tuple[str, float, float, str, str], ...]
) -> tuple[Part, ...]:
    square = half_width**2
    return tuple(
        Part(name, value, (q * value) ** 2 / square if square > 0 else 0.0, method, source)
        for name, value, q, method, source in raw
        if value > 0 or name in ("model", "drift")
    )


def _drift_words(
    drift: Drift,
    *,
    tau: float,
    horizon: float,
    autumn: float,
    calm: Calm,
    exposed: float,
    adjusted_baseline: float,
) -> str:
    words = [
        f"Drift of {percent(drift.tau, 1)} of the adjusted baseline ({drift.source}; {calm.words})"
    ]
    if horizon > 1:
        words.append(f"times {horizon:.2f} for the length of the periods")
    if autumn > 1:
        words.append(f"times {autumn:g} because the baseline ends in autumn")
    if horizon > 1 or autumn > 1:
        words.append(f"makes {percent(tau, 1)}")
    if exposed > abs(adjusted_baseline):
        words.append("counted on the baseline's mean use, as reporting covers a part of a year")
    return ", ".join(words) + "."
