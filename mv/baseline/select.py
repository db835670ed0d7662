"""Which model is the official baseline?

All forms of all families compete on the baseline period alone; what they would say about savings
is not looked at.

1. *Plausible* is a form whose slopes have the sign that physics gives them, whose slopes and
   operating term differ from zero by more than twice their standard error, and whose change
   points have enough rows beyond them.
2. The smallest BIC = n′ ln(SSE/n) + p ln n′ leads (Schwarz 1978), p counting change points.
   Days in a row repeat one another, so n′ is the number of independent days that tell as much
   (Guideline 14's n′, from memory), the same for all candidates: that of the candidate with the
   smallest SSE.  Bills are too few to estimate it; there n′ = n.
3. Forms with two change points are tried only with the kinds of day that lead among the simpler
   forms: which days differ shows without them, and theirs is the longest search.
4. Day types found in the data, and slopes of their own for operating days, must earn their place:
   BIC smaller by more than 6 than that of the best form without them ("strong", Kass & Raftery,
   J. Am. Stat. Assoc. 90, 1995).
5. Where others come within 2 of the smallest BIC ("not worth more than a bare mention", the
   same), the one that predicts held-out months (or bills) best is taken.

The share of operating days in a bill is tried only where it varies enough to be told apart from
the level.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np

from mv.baseline.columns import Rows
from mv.baseline.cross_validation import HoldOut, blocks_of, hold_out
from mv.baseline.day_types import DayTypes, best_splits, cells_of, named
from mv.baseline.family import FAMILIES, Contest
from mv.baseline.fit import Fit, Sample, officially, solve_all
from mv.baseline.fit_statistics import effective_n
from mv.baseline.rows import DRIVER
from mv.baseline.slopes_by_day import ADDED, SlopesByDay
from mv.baseline.terms import LinearTerms
from mv.findings import Finding, ModelError
from mv.wording import percent

Granularity = Literal["daily", "bills"]

T_LEAST = 2.0
"""|t| of a slope or an operating term (IPMVP, from memory: t above 2)."""
ROWS_BEYOND = {"daily": 10, "bills": 3}
"""Rows beyond a change point on either side (common practice, no source)."""
SPAN_BEYOND = 0.1
"""Share of the baseline's temperature range that must lie beyond a change point: a slope over less
is steep by chance (common practice, no source)."""
SHARE_SD_LEAST = 0.02
"""Standard deviation of the bills' share of operating days from which it is tried: half a day in
a month (common practice, no source)."""
DAYS_EACH_KIND = 10
"""Days of either kind from which operating days are tried (common practice, no source)."""
DRIVER_VIF_MOST = 10.0
"""Variance inflation above which a driver can't be told from the other terms (common practice)."""
CLOSE_CALL, STRONG = 2.0, 6.0
"""Differences in BIC: not worth more than a bare mention, strong (Kass & Raftery 1995)."""

RULE = (
    "On baseline data only: the smallest BIC (with the number of independent rows) among the "
    "forms whose slopes have the right sign, whose slopes and operating term exceed twice their "
    "standard error, and whose change points have at least {rows} rows and a tenth of the "
    "temperature range beyond them; day types found in the data and slopes by kind of day only "
    "where BIC falls by more than 6; forms with two change points only with the kinds of day that "
    "lead among the others; within 2 of the smallest BIC, the form that predicts "
    "held-out {blocks} best."
)


@dataclass(frozen=True)
class CandidateFit:
    """One form that competed."""

    form: str
    """Form and kinds of day, such as `3PC with operating days`."""
    fit: Fit | None
    """None where the form could not be fitted."""
    criterion: float | None
    """BIC; the smaller the better."""
    plausible: bool
    why: str
    """Why it was not chosen, or that it was."""


@dataclass(frozen=True)
class Selection:
    """The official baseline and what stood beside it."""

    fit: Fit
    runner_up: Fit | None
    candidates: tuple[CandidateFit, ...]
    rule: str
    """The rule in words."""
    effective_n: float
    """n′ of the criterion."""
    findings: tuple[Finding, ...] = ()
    """Drivers left out, and why."""


def select(
    rows: Rows,
    granularity: Granularity,
    carrier: str = "electricity",
    *,
    unit: str = "kWh",
    like: Fit | None = None,
) -> Selection:
    """Fit all forms and choose the official baseline.

    Parameters
    ----------
    rows : daily or bill rows of the baseline period; those with status "used" count.
    granularity : what a row is.
    carrier : of the meter.  All carriers are chosen alike; a family may come to tell them apart.
    unit : of the energy.
    like : a fit of another period whose kinds of day are taken over instead of being looked for.

    Raises ModelError where not even a mean can be fitted, where no form with the kinds of day of
    `like` is plausible, and for another granularity.
    """
    if granularity not in ROWS_BEYOND:
        raise ModelError(f"rows are daily or bills, not {granularity!r}")
    sample = Sample.of(rows)
    forms = _Forms(sample, granularity, f"{unit}/day")
    drivers, findings = _drivers(sample)
    plain = LinearTerms(
        drivers=drivers,
        driver_means={name: float(np.mean(sample.rows[DRIVER + name])) for name in drivers},
        share=float(np.average(_operating(sample), weights=sample.weights))
        if granularity == "bills"
        else None,
    )
    if like is None:
        tried = _with_own_days(forms, plain)
    else:
        terms = replace(plain, days=like.terms.days, day_types=like.terms.day_types)
        tried = forms.tried(terms)
    if not any(c.plausible for c in tried):
        raise ModelError(f"no form can be fitted to {len(sample)} rows: {tried[0].why}")
    leader = _leader(tried, granularity)
    tried += forms.tried(leader.fit.terms, costly=True)
    if granularity == "daily":
        tried += forms.by_day(_leader(tried, granularity))
    n = _independent(tried, granularity)
    ranked, weak = _defended(_ranked(tried, n))
    chosen, out = _close_call(ranked, sample)
    final = officially(chosen.fit, sample)
    if out is not None:
        final = replace(final, hold_out_cv_rmse=out.cv_rmse, hold_out_nmbe=out.nmbe)
    told = []
    for c in tried:
        if c.fit is None:
            told.append(c)
            continue
        criterion = bic(c.fit, n)
        is_chosen = c.fit is chosen.fit
        told.append(
            CandidateFit(
                form=c.form,
                fit=final if is_chosen else c.fit,
                criterion=criterion,
                plausible=c.plausible and c.form not in weak,
                why=c.why or weak.get(c.form) or _standing(criterion, chosen.criterion, is_chosen),
            )
        )
    others = [c for c in ranked if c is not chosen]
    rule = RULE.format(
        rows=ROWS_BEYOND[granularity], blocks="months" if granularity == "daily" else "bills"
    )
    return Selection(final, others[0].fit if others else None, tuple(told), rule, n, findings)


def bic(fit: Fit, n: float) -> float:
    """n′ ln(SSE/n) + p ln n′ (Schwarz 1978), SSE per row and n′ = `n`."""
    # A perfect fit has no finite BIC; nothing is measured to a billionth.
    s = fit.statistics
    floor = s.n * ((1e-9 * s.mean) ** 2 + 1e-200)
    return n * math.log(max(s.sse, floor) / s.n) + s.parameters * math.log(n)


def implausible(fit: Fit, granularity: Granularity) -> str:
    """Why a fit is not plausible; empty when it is."""
    names = fit.term_names
    slopes = dict(zip(names, fit.coefficients.tolist(), strict=True))
    t_values = dict(zip(names, fit.t_values.tolist(), strict=True))
    for name, t in t_values.items():
        # Where operating days add to a slope, other days may well have none.
        if name == "level" or name.startswith(DRIVER) or name + ADDED in slopes:
            continue
        if not abs(t) >= T_LEAST:
            return f"{name} does not differ from zero (t = {t:.1f})"
    for side in ("heating", "cooling"):
        name = side if side in slopes else side + ADDED
        if name in slopes:
            slope, more = slopes[name], slopes.get(side + ADDED) if name == side else None
            falls = slope <= 0 if more is None else t_values[side] <= -T_LEAST
            if falls or slope + (more or 0.0) <= 0:
                return f"use would fall beyond the {side} change point"
            column = fit.x[:, names.index(name)]
            beyond = int(np.count_nonzero(column > 0))
            # A change point may stand on the last of the rows that it needs.
            if beyond < ROWS_BEYOND[granularity] - 1:
                return f"only {beyond} rows lie beyond the {side} change point"
            reach = float(column.max()) / max(fit.temperature_high - fit.temperature_low, 1e-9)
            if reach < SPAN_BEYOND:
                return (
                    f"the {side} side spans only {column.max():.1f} K, {percent(reach)} of the "
                    "baseline's temperatures"
                )
    if granularity == "bills" and slopes.get("operating", 0.0) + slopes["level"] < 0:
        return "an operating day would use less than nothing"
    if granularity == "bills" and "operating" in slopes and slopes["level"] < 0:
        return "a non-operating day would use less than nothing"
    return ""


class _Forms:
    """The forms of every family, fitted to one sample as they are asked for."""

    def __init__(self, sample: Sample, granularity: Granularity, unit: str) -> None:
        self.sample, self.granularity, self.unit = sample, granularity, unit
        self._contests: dict[tuple[str, str], Contest] = {}

    def tried(self, terms: LinearTerms, *, costly: bool = False) -> list[CandidateFit]:
        """The forms with these terms: the costly ones, or the others."""
        suffix = {"none": "", "operating": " with operating days", "types": " with day types"}
        out = []
        for family in FAMILIES:
            if self.granularity not in family.granularities or family.contest is None:
                continue
            key = family.name, terms.days
            if key not in self._contests:
                least = ROWS_BEYOND[self.granularity]
                self._contests[key] = family.contest(self.sample, terms, least, self.unit)
            asked = [form for form in family.forms if (form in family.costly) == costly]
            for tried in self._contests[key](asked):
                form = tried.form + suffix[terms.days]
                out.append(self._judged(form, tried.fit, tried.problem))
        return out

    def by_day(self, leader: CandidateFit) -> list[CandidateFit]:
        """The leading form with slopes of their own for operating days: each side alone, and both;
        a slope that other days don't have is left out there."""
        plain = leader.fit
        if plain.terms.days == "none":
            return []
        names = plain.response.names
        sides = [(name,) for name in names] + ([names] if len(names) > 1 else [])
        fits = self._with_slopes(plain, [SlopesByDay(plain.response, these) for these in sides])
        again = {}
        for place, (these, fit) in enumerate(zip(sides, fits, strict=True)):
            if isinstance(fit, ModelError):
                continue
            t_values = dict(zip(fit.term_names, fit.t_values.tolist(), strict=True))
            alone = tuple(side for side in these if abs(t_values[side]) < T_LEAST)
            if alone:
                added = tuple(side for side in these if side not in alone)
                again[place] = SlopesByDay(plain.response, added, alone)
        for place, fit in zip(again, self._with_slopes(plain, list(again.values())), strict=True):
            fits[place] = fit
        out = []
        for these, fit in zip(sides, fits, strict=True):
            form = f"{leader.form}, {' and '.join(these)} by kind of day"
            failed = isinstance(fit, ModelError)
            out.append(self._judged(form, None if failed else fit, str(fit) if failed else ""))
        return out

    def _with_slopes(self, plain: Fit, responses: list[SlopesByDay]) -> list[Fit | ModelError]:
        z = plain.x[:, : len(plain.terms.names)]
        return solve_all(self.sample, plain.family, plain.terms, responses, unit=self.unit, z=z)

    def _judged(self, form: str, fit: Fit | None, problem: str) -> CandidateFit:
        why = problem if fit is None else implausible(fit, self.granularity)
        return CandidateFit(form, fit, None, not why, why)


def _with_own_days(forms: _Forms, plain: LinearTerms) -> list[CandidateFit]:
    """The simpler forms with every kind of day that these rows may know."""
    tried: list[CandidateFit] = []
    for days in _day_terms(forms.sample, forms.granularity):
        tried += forms.tried(replace(plain, days=days))
    if forms.granularity == "daily" and any(c.fit for c in tried):
        best = _ranked(tried, _independent(tried, forms.granularity))[0].fit
        types = _day_types(forms.sample, best)
        if types is not None:
            tried += forms.tried(replace(plain, days="types", day_types=types))
    return tried


def _independent(tried: list[CandidateFit], granularity: Granularity) -> float:
    """n′ of the candidate with the smallest SSE."""
    best = min((c.fit for c in tried if c.fit), key=lambda fit: fit.statistics.sse)
    if granularity == "bills":
        return float(best.n)
    return max(effective_n(best.n, best.statistics.autocorrelation), best.parameters + 2.0)


def _ranked(tried: list[CandidateFit], n: float) -> list[CandidateFit]:
    """Plausible candidates with their BIC, the smallest first."""
    ranked = [CandidateFit(c.form, c.fit, bic(c.fit, n), True, "") for c in tried if c.plausible]
    return sorted(ranked, key=lambda c: c.criterion)


def _leader(tried: list[CandidateFit], granularity: Granularity) -> CandidateFit:
    """The form that leads so far."""
    return _defended(_ranked(tried, _independent(tried, granularity)))[0][0]


def _learned(fit: Fit) -> int:
    """How many things beyond the calendar the form took from the data."""
    return int(fit.terms.days == "types") + int(isinstance(fit.response, SlopesByDay))


def _defended(
    ranked: list[CandidateFit],
) -> tuple[list[CandidateFit], dict[str, str]]:
    """Drop forms with learned day types or slopes by day that are not strongly better than the
    best form with less of it; say so by form."""
    weak: dict[str, str] = {}
    kept: list[CandidateFit] = []
    # Best form with at most so much learned, from the least on.
    best: dict[int, CandidateFit] = {}
    learned_by = [(_learned(c.fit), c) for c in ranked]
    for learned in range(3):
        for c in (c for many, c in learned_by if many == learned):
            simpler = [b for k, b in best.items() if k < learned]
            if simpler:
                rival = min(simpler, key=lambda b: b.criterion)
                gain = rival.criterion - c.criterion
                if gain <= STRONG:
                    weak[c.form] = (
                        f"not defended: BIC {'smaller' if gain > 0 else 'larger'} by "
                        f"{abs(gain):.1f} than {rival.form}, it takes more than {STRONG:.0f}"
                    )
                    continue
            kept.append(c)
            best.setdefault(learned, c)
    return sorted(kept, key=lambda c: c.criterion), weak


def _close_call(ranked: list[CandidateFit], sample: Sample) -> tuple[CandidateFit, HoldOut | None]:
    """The leader, or of those close to it the one that predicts held-out blocks best."""
    near = [c for c in ranked if c.criterion <= ranked[0].criterion + CLOSE_CALL]
    blocks = blocks_of(sample)
    tried = [(c, hold_out(c.fit, sample, blocks)) for c in near]

    def error(pair: tuple[CandidateFit, HoldOut | None]) -> float:
        out = pair[1]
        return np.inf if out is None else float(sample.unit_weights @ out.errors**2)

    return min(tried, key=error)


def _day_terms(sample: Sample, granularity: Granularity) -> tuple[str, ...]:
    operating = _operating(sample)
    if granularity == "bills":
        varies = float(np.std(operating)) >= SHARE_SD_LEAST
    else:
        varies = min((operating > 0.5).sum(), (operating <= 0.5).sum()) >= DAYS_EACH_KIND
    return ("none", "operating") if varies else ("none",)


def _day_types(sample: Sample, fit: Fit) -> DayTypes | None:
    """Day types that may be worth trying: those with the smallest BIC once the temperature's
    part of `fit` is taken off, if it is strongly smaller than with the fit's own days."""
    kinds = 1 + fit.terms.day_columns(sample.rows).shape[1]
    use = sample.y - fit.x[:, kinds:] @ fit.coefficients[kinds:]
    n = max(effective_n(fit.n, fit.statistics.autocorrelation), fit.parameters + 2.0)
    floor = 1e-300 + 1e-18 * float(use @ use) / fit.n
    cells = cells_of(sample.rows)

    def criterion(sse: float, types: int) -> float:
        return n * math.log(max(sse / fit.n, floor)) + types * math.log(n)

    best, smallest = None, criterion(fit.statistics.sse, kinds) - STRONG
    for split in best_splits(cells, use):
        code = np.array(split)[cells]
        level = np.bincount(code, use) / np.bincount(code)
        rest = use - level[code]
        value = criterion(float(rest @ rest), len(level))
        if value < smallest:
            best, smallest = split, value
    return None if best is None else named(best, cells)


def _drivers(sample: Sample) -> tuple[tuple[str, ...], tuple[Finding, ...]]:
    """Drivers that can be told apart from level, temperature and operating days."""
    names = [c.removeprefix(DRIVER) for c in sample.rows.columns if str(c).startswith(DRIVER)]
    if not names:
        return (), ()
    taken: list[str] = []
    findings: list[Finding] = []

    def leave_out(name: str, why: str) -> None:
        message = f"The driver {name} {why}; it is left out of the model."
        findings.append(Finding("driver_unused", message, file="drivers.csv"))

    columns = [np.ones(len(sample)), sample.temperature]
    operating = _operating(sample)
    if operating.std() > 0:
        columns.append(operating)
    for name in sorted(names):
        values = np.asarray(sample.rows[DRIVER + name], dtype=float)
        if not np.isfinite(values).all():
            raise ModelError(f"a row with status used has no value of the driver {name}")
        deviation = values - values.mean()
        spread = float(deviation @ deviation)
        x = np.column_stack(columns)
        rest = values - x @ np.linalg.lstsq(x, values, rcond=None)[0]
        if spread <= 1e-18 * float(values @ values):
            leave_out(name, "does not vary in the baseline period")
        elif float(rest @ rest) * DRIVER_VIF_MOST < spread:
            leave_out(name, "can't be told from temperature, operating days and other drivers")
        elif len(sample) < 3 * (len(columns) + 1):
            leave_out(name, f"needs more rows than the {len(sample)} of the baseline period")
        else:
            taken.append(name)
            columns.append(values)
    return tuple(taken), tuple(findings)


def _operating(sample: Sample) -> np.ndarray:
    """Share of operating days in each row, shape (n,)."""
    return np.asarray(sample.rows["operating"], dtype=float)


def _standing(criterion: float, smallest: float, chosen: bool) -> str:
    if chosen:
        return "chosen"
    if criterion < smallest:
        return f"BIC smaller by {smallest - criterion:.1f}, but held-out rows predicted worse"
    return f"BIC larger by {criterion - smallest:.1f}"
