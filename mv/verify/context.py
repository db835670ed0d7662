"""What does a site's conclusion take from the portfolio as a whole?

Each site's first pass leaves a `Summary`: its placebo trials, the months of a comparison site, the
spans of its claims.  `learn` puts all of them together, in an order that doesn't depend on who came
first; `PortfolioContext.site` cuts out what one site needs: drift measured on other buildings, the
false savings of other buildings, and the comparison group's change over its own two periods, where
the trials have adopted that.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from mv.baseline.rows import is_used
from mv.portfolio.schema import SiteDescription
from mv.prepare import PreparedCarrier, PreparedSite, with_adjustment
from mv.quantity import Interval
from mv.savings.contrast import NAME, Contrast, comparison_group
from mv.savings.controls import (
    CONTROLS_LEAST,
    MONTHS_LEAST,
    Controls,
    Group,
    Months,
    months_of,
    span_of,
    year_shape,
)
from mv.savings.drift import Kind, Prior, carrier_kind, horizon_factor
from mv.savings.placebo import FIRST_MONTHS, OwnDrift, Placebo, Trial, placebo, trials_of_site
from mv.wording import percent

SHOWN_MOST = 120
"""False savings kept beside a site's own for its picture; more are thinned by their ranks."""
ONE_DAY = np.timedelta64(1, "D")
NO_GROUP = (
    f" Not applied here: fewer than {CONTROLS_LEAST} of those sites have readings of both periods, "
    "or a period is shorter than a year."
)


@dataclass(frozen=True, kw_only=True)
class ClaimSpan:
    """The months over which a claim is held against its baseline."""

    claim: str
    """Key of its first retrofit."""
    carrier: str
    before: tuple[int, int]
    after: tuple[int, int]

    def horizon(self, prior: Prior) -> float:
        """Factor that the lengths of its periods make of drift."""
        return horizon_factor(
            prior,
            baseline_months=self.before[1] - self.before[0],
            reporting_months=self.after[1] - self.after[0],
            gap_months=max(self.after[0] - self.before[1], 0),
            level="recent" if carrier_kind(self.carrier) == "electricity" else "plain",
        )


@dataclass(frozen=True, kw_only=True)
class Summary:
    """What the others need to know of one site."""

    trials: tuple[Trial, ...] = ()
    shapes: dict[str, np.ndarray] = field(default_factory=dict)
    """Shape of the year by carrier, before any works."""
    months: tuple[Months, ...] = ()
    """Of a comparison site alone."""
    claims: tuple[ClaimSpan, ...] = ()


@dataclass(frozen=True, kw_only=True)
class Applied:
    """The comparison group as it bears on one claim."""

    contrast: dict[str, Any]
    """name, words, narrowing, coverage, site_years, widening."""
    companion: float | None = None
    """What the controls seem to have saved over the claim's two periods, a fraction."""
    controls: int = 0
    own: OwnDrift | None = None
    """Drift that remains; None where nothing is taken off."""

    @property
    def share(self) -> float:
        """Fraction of the adjusted baseline that is taken off it."""
        return self.companion or 0.0 if self.own is not None else 0.0

    def as_fields(self, plain: Interval, corrected: Interval, per_day: float) -> dict[str, Any]:
        """Mapping for the results; `per_day`: what was added to the baseline's level."""
        used = self.own is not None
        return {
            **self.contrast,
            "adopted": used,
            "companion": self.companion,
            "controls": self.controls,
            "per_day": per_day,
            "plain": plain.as_fields(),
            "corrected": corrected.as_fields() if used else None,
        }


@dataclass(frozen=True, kw_only=True)
class Context:
    """What one site's conclusion takes from the portfolio."""

    prior: Prior
    own: Mapping[Kind, OwnDrift] = field(default_factory=dict)
    """Drift measured on the portfolio's other buildings; nothing where they are too few."""
    false_savings: Mapping[Kind, np.ndarray] = field(default_factory=dict)
    """Of other buildings' placebo trials, from the smallest."""
    buildings: Mapping[Kind, int] = field(default_factory=dict)
    applied: Mapping[str, Applied] = field(default_factory=dict)
    """The comparison group, by claim."""

    def standing(self, carrier: str, fraction: float) -> dict[str, Any]:
        """Where a saved fraction stands among false savings of the same sign; {} without any."""
        false = self.false_savings.get(carrier_kind(carrier))
        if false is None or not len(false):
            return {}
        sign = 1.0 if fraction >= 0 else -1.0
        as_large = int((sign * false >= sign * fraction).sum())
        n, buildings = len(false), self.buildings[carrier_kind(carrier)]
        what = "saving" if fraction >= 0 else "increase"
        words = (
            f"{as_large} of {n} pretended retrofits at {buildings} other buildings, where nothing "
            f"was done, showed a {what} of {percent(abs(fraction), 1)} or more."
        )
        ranks = np.unique(np.linspace(0, n - 1, min(n, SHOWN_MOST)).round().astype(int))
        return {
            carrier_kind(carrier): {
                "trials": n,
                "buildings": buildings,
                "as_large": as_large,
                "share": as_large / n,
                "fraction": fraction,
                "words": words,
                "false_savings": [{"fraction": float(f)} for f in false[ranks]],
            }
        }


@dataclass(frozen=True, kw_only=True)
class PortfolioContext:
    """What all sites together have to say."""

    prior: Prior
    placebo: Placebo | None = None
    contrasts: dict[str, Contrast] = field(default_factory=dict)
    """By carrier."""
    claims: dict[str, dict[str, tuple[ClaimSpan, Group | None]]] = field(default_factory=dict)
    """By site and claim: its months, and its comparison sites over them."""
    short: frozenset[str] = frozenset()
    """Sites that report on less than a year."""

    def site(self, key: str) -> Context:
        """What one site takes."""
        if self.placebo is None:
            return Context(prior=self.prior, applied=self._applied(key))
        kinds: tuple[tuple[Kind, str], ...] = (("electricity", "electricity"), ("heat", "steam"))
        own, false, buildings = {}, {}, {}
        for kind, carrier in kinds:
            drift = self.placebo.own_drift(carrier, key, first_months=key in self.short)
            if drift is not None:
                own[kind] = drift
            false[kind], buildings[kind] = self.placebo.of_kind(kind).false_savings(key)
        return Context(
            prior=self.prior,
            own=own,
            false_savings=false,
            buildings=buildings,
            applied=self._applied(key),
        )

    def widening(self, carrier: str, sites: int, confidence: float) -> float:
        """Factor on the quadrature of a total's half-widths; 1 without trials."""
        return 1.0 if self.placebo is None else self.placebo.widening(carrier, sites, confidence)

    def _applied(self, key: str) -> dict[str, Applied]:
        applied = {}
        for claim, (span, group) in self.claims.get(key, {}).items():
            verdict, horizon = self.contrasts[span.carrier], span.horizon(self.prior)
            fields = {
                "name": NAME,
                "words": verdict.words,
                "narrowing": verdict.narrowing,
                "coverage": verdict.coverage,
                "site_years": verdict.site_years,
                "widening": None,
            }
            if group is None or not verdict.used(group):
                if verdict.narrows and verdict.covers:
                    fields["words"] += NO_GROUP
                applied[claim] = Applied(contrast=fields)
                continue
            number = len(group.remainders)
            fields["widening"] = verdict.widening(group, horizon=horizon)
            if not verdict.narrows:
                most = max(group.saved, number - group.saved)
                fields["words"] += (
                    f" Taken off here all the same: {most} of {number} comparison sites moved to "
                    "one side over this site's months, more than chance explains."
                )
            if fields["widening"] > 1:
                fields["words"] += (
                    " Over this site's months the comparison sites lie wider apart than the "
                    f"trials: its drift is widened by {fields['widening']:.2f}."
                )
            applied[claim] = Applied(
                contrast=fields,
                companion=group.change,
                controls=number,
                own=verdict.own_drift(group, key, horizon=horizon),
            )
        return applied


def summary_of(site: PreparedSite, prior: Prior) -> Summary:
    """What a site's first pass tells the others."""
    trials: list[Trial] = []
    shapes: dict[str, np.ndarray] = {}
    months = []
    for prepared in site.carriers:
        rows = _history(site.description, prepared)
        if rows is None:
            continue
        key = site.description.site.site
        trials += trials_of_site(
            rows,
            site=key,
            carrier=prepared.carrier,
            granularity="bills" if prepared.kind == "bills" else "daily",
            prior=prior,
            first_months=FIRST_MONTHS,
        )
        if prepared.carrier not in shapes and is_used(rows).any():
            shapes[prepared.carrier] = year_shape(rows)
            if not site.description.retrofits:
                months.append(months_of(rows, site=key, carrier=prepared.carrier))
    return Summary(
        trials=tuple(trials),
        shapes=shapes,
        months=tuple(m for m in months if m is not None),
        claims=tuple(_spans(site)),
    )


def _history(description: SiteDescription, prepared: PreparedCarrier):
    """Rows before any works, declared events taken off (a comparison site: all rows); None where
    they can't serve."""
    rows = prepared.rows
    if rows is None or not len(rows) or prepared.boundary != "whole_facility":
        return None
    if not prepared.first_works:
        return None  # its history holds the earlier works, and serves in their claim already
    if prepared.window is not None:
        works = np.datetime64(min(r.installation_start for r in description.retrofits))
        ends = rows["end"] if "end" in rows else rows.index + ONE_DAY
        rows = rows[ends.astype("datetime64[D]") <= works]
    elif prepared.reason:
        return None
    return with_adjustment(rows) if len(rows) else None


def _spans(site: PreparedSite):
    for prepared in site.carriers:
        window = prepared.window
        if not prepared.claimed or prepared.reason or prepared.boundary != "whole_facility":
            continue
        yield ClaimSpan(
            claim=prepared.retrofits[0].retrofit,
            carrier=prepared.carrier,
            before=span_of(window.baseline_start, window.baseline_end),
            after=span_of(window.reporting_start, window.reporting_end),
        )


def learn(prior: Prior, summaries: Mapping[str, Summary]) -> PortfolioContext:
    """Put the summaries of all sites together.  Their order doesn't matter."""
    sites = [(key, summaries[key]) for key in sorted(summaries) if summaries[key] is not None]
    trials = [t for _, summary in sites for t in summary.trials]
    whole = placebo(trials) if trials else None
    contrasts: dict[str, Contrast] = {}
    claims: dict[str, dict[str, tuple[ClaimSpan, Group | None]]] = {}
    for carrier in sorted({span.carrier for _, s in sites for span in s.claims}):
        controls = Controls(tuple(m for _, s in sites for m in s.months if m.carrier == carrier))
        shapes = {key: s.shapes[carrier] for key, s in sites if carrier in s.shapes}
        own = [t for t in whole.trials if t.carrier == carrier] if whole else []
        verdict = contrasts[carrier] = comparison_group(carrier, own, controls, shapes)
        for key, summary in sites:
            for span in summary.claims:
                if span.carrier != carrier:
                    continue
                group, lengths = None, [end - start for start, end in (span.before, span.after)]
                if verdict.covers and min(lengths) >= MONTHS_LEAST and key in shapes:
                    nearest = controls.nearest(key, shapes[key])
                    group = controls.group(nearest, span.before, span.after)
                claims.setdefault(key, {})[span.claim] = (span, group)
    short = {k for k, s in sites for c in s.claims if c.after[1] - c.after[0] < MONTHS_LEAST}
    return PortfolioContext(
        prior=prior, placebo=whole, contrasts=contrasts, claims=claims, short=frozenset(short)
    )
