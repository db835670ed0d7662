"""Which sites of a large programme are verified, and what do they tell about the rest?

Steps, each reproducible from the frame and the seed alone:

1. *Frame*: every site with an estimated saving x > 0.  Sites without one can't be sampled by
   size and are handed back by name.
2. *Census of the largest*: a site whose estimate exceeds its fair share X/n of the programme
   is taken with certainty (the usual limit of sampling in proportion to size), repeated until
   none is left.
3. *Strata* of the rest by estimated saving, sorted, cut so that each holds an equal part of
   Σ x^γ (Wright 1983; γ = 0.8 is usual in evaluation work; both from memory).
4. *Allocation*: Neyman n_h ∝ N_h·S_h, with S_h ∝ mean of x^γ (the spread grows with size), or
   proportional n_h ∝ N_h; at least two a stratum, or all of it.
5. *Draw*: a random order within each stratum; the first n_h are the sample, the others are
   replacements in that order.  A replacement needs a reason, which the report prints.

The result is a *ratio estimate* (realisation rate times the frame's estimates), separate by
stratum and combined:

    separate  Ŷ = Σ_h X_h · ȳ_h/x̄_h          combined  Ŷ = X · Σ N_h ȳ_h / Σ N_h x̄_h
    var Ŷ = Σ_h N_h²(1 − f_h)/n_h · Σ_i (d_i − d̄)²/(n_h − 1) + Σ_h N_h/n_h · Σ_i σ_i²,
    d_i = y_i − R̂ x_i,  f_h = n_h/N_h

where σ_i is the standard error of the site's own verified saving: the second term (two-stage
sampling) is what the sites' meters do not know, and the only one in a census.

Source: Cochran, Sampling Techniques, 3rd ed. 1977, chapters 5, 6 and 11 (from memory).
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Literal

import numpy as np

from mv.findings import ModelError
from mv.quantity import Interval
from mv.sampling.estimate import effective_freedom, student
from mv.sampling.sizes import size_for_mean
from mv.wording import percent

SIZE_POWER = 0.8
"""γ: the spread of verified around estimated savings grows as x^γ (common in evaluation work,
from memory: Wright 1983; California Evaluation Framework 2004)."""

LEAST_PER_STRATUM = 2
"""Sites a stratum needs for its spread to be seen (algebra: n − 1 > 0)."""

SOURCE = "Cochran, Sampling Techniques, 3rd ed., chapters 5, 6 and 11 (from memory)"

Allocation = Literal["neyman", "proportional"]


@dataclass(frozen=True, slots=True)
class Stratum:
    """Sites of similar estimated saving, in the order in which they are to be verified."""

    name: str
    census: bool
    size: int
    """N_h."""
    take: int
    """n_h."""
    estimated: float
    """X_h, sum of the estimated savings."""
    smallest: float
    largest: float
    sites: tuple[str, ...]
    """The n_h sampled sites, in order of draw."""
    replacements: tuple[str, ...]
    """The others, in the order in which they would step in."""


@dataclass(frozen=True, slots=True)
class SitePlan:
    """A drawn sample: goes into the frozen plan as it stands."""

    strata: tuple[Stratum, ...]
    seed: int
    allocation: Allocation
    confidence: float
    precision: float
    cv: float
    """Spread of realisation rates that the size was planned with."""
    frame: int
    estimated: float
    """X, sum of the frame's estimated savings."""
    not_in_frame: tuple[str, ...]
    """Sites without an estimated saving above zero."""
    words: str

    @property
    def sites(self) -> tuple[str, ...]:
        """Every sampled site, by stratum and order of draw."""
        return tuple(s for stratum in self.strata for s in stratum.sites)

    def as_fields(self) -> dict[str, Any]:
        """Plain mapping for a plan file."""
        own = ("seed", "allocation", "confidence", "precision", "cv", "frame", "estimated")
        fields: dict[str, Any] = {k: getattr(self, k) for k in (*own, "words")}
        fields["not_in_frame"] = list(self.not_in_frame)
        fields["strata"] = [
            {k: getattr(s, k) for k in Stratum.__slots__}
            | {"sites": list(s.sites), "replacements": list(s.replacements)}
            for s in self.strata
        ]
        return fields

    @classmethod
    def from_fields(cls, fields: Mapping[str, Any]) -> SitePlan:
        """Back from what `as_fields` gave."""
        strata = tuple(
            Stratum(**{**s, "sites": tuple(s["sites"]), "replacements": tuple(s["replacements"])})
            for s in fields["strata"]
        )
        rest = {k: v for k, v in fields.items() if k not in ("strata", "not_in_frame")}
        return cls(strata=strata, not_in_frame=tuple(fields["not_in_frame"]), **rest)


@dataclass(frozen=True, slots=True)
class StratumEstimate:
    """What the verified sites of one stratum tell."""

    name: str
    size: int
    verified: int
    estimated: float
    """X_h."""
    ratio: float | None
    """ȳ_h/x̄_h; None where no site of the stratum was verified."""
    ratio_half_width: float | None


@dataclass(frozen=True, slots=True)
class RatioEstimate:
    """Programme total from a sample, both ways."""

    separate: Interval | None
    """None where a stratum has fewer sites than its own ratio needs."""
    combined: Interval
    realisation_rate: Interval
    """By the combined estimator."""
    strata: tuple[StratumEstimate, ...]
    verified: int
    frame: int
    not_verified: tuple[str, ...]
    """Sampled sites without a figure, replacements not counted."""
    replaced: tuple[tuple[str, str], ...]
    """(sampled site, the replacement that stood in)."""
    achieved_precision: float
    """Half-width ÷ |total| by the combined estimator."""
    planned_precision: float
    words: str


def draw(
    estimates: Mapping[str, float | None],
    *,
    seed: int,
    strata: int = 3,
    precision: float = 0.10,
    confidence: float = 0.90,
    cv: float = 0.5,
    allocation: Allocation = "neyman",
    size: int | None = None,
) -> SitePlan:
    """Draw the sites to verify.

    Parameters
    ----------
    estimates : site → estimated saving, one unit for all; None or ≤ 0 leaves the frame.
    seed : any whole number; the same seed and frame give the same sample on any machine.
    strata : number of strata below the census.
    precision, confidence, cv : what the size is planned for (`sizes.size_for_mean`).
    size : number of sites instead of the calculated one.

    Raises ModelError for an empty frame, and for values out of range.
    """
    frame = {k: float(v) for k, v in sorted(estimates.items()) if v is not None and v > 0}
    outside = tuple(sorted(set(estimates) - set(frame)))
    if not frame:
        raise ModelError("no site has an estimated saving above zero: nothing to sample from")
    if strata < 1:
        raise ModelError(f"{strata} strata asked for; at least 1 is needed")
    if allocation not in ("neyman", "proportional"):
        raise ModelError(f"allocation is {allocation!r}; it must be neyman or proportional")
    wanted = size or size_for_mean(len(frame), cv=cv, precision=precision, confidence=confidence).n
    wanted = min(wanted, len(frame))

    by_size = sorted(frame, key=lambda k: (-frame[k], k))
    certain = _certain([frame[k] for k in by_size], wanted)
    census, rest = by_size[:certain], by_size[certain:]
    groups = _cut(rest, [frame[k] for k in rest], strata)
    takes = _allocate(
        [np.array([frame[k] for k in group]) for group in groups], wanted - certain, allocation
    )
    rng = np.random.default_rng(seed)
    drawn = []
    if census:
        drawn.append(_stratum("census of the largest", True, census, frame, len(census), None))
    for number, (group, take) in enumerate(zip(groups, takes, strict=True), start=1):
        name = f"stratum {number} of {len(groups)}"
        drawn.append(_stratum(name, take == len(group), group, frame, take, rng))
    total = math.fsum(frame.values())
    n = sum(s.take for s in drawn)
    words = (
        f"{n} of {len(frame)} sites: {len(census)} taken with certainty because each is expected "
        f"to save more than its share of the programme, {n - len(census)} drawn at random from "
        f"{len(groups)} strata by estimated saving ({allocation} allocation, seed {seed})."
    )
    return SitePlan(
        tuple(drawn), seed, allocation, confidence, precision, cv, len(frame), total, outside, words
    )


def estimate(
    plan: SitePlan,
    estimates: Mapping[str, float],
    verified: Mapping[str, float],
    standard_errors: Mapping[str, float] | None = None,
    *,
    unit: str,
    confidence: float | None = None,
) -> RatioEstimate:
    """Total of the frame from the sites that were verified.

    Parameters
    ----------
    plan : the drawn sample.
    estimates : site → estimated saving, as the frame had them, in `unit` (per year).
    verified : site → verified saving, in `unit`; may hold any sites: of each stratum the sampled
        ones count, then replacements in their order, until n_h is full.
    standard_errors : site → standard error of its verified saving, in `unit`; none given counts
        as zero.

    Raises ModelError where fewer than two sites were verified in all, or where a sampled
    stratum has none.
    """
    confidence = plan.confidence if confidence is None else confidence
    errors = standard_errors or {}
    used = [_used(stratum, verified) for stratum in plan.strata]
    for stratum, sites in zip(plan.strata, used, strict=True):
        if not sites:
            raise ModelError(f"no site of {stratum.name} was verified: its saving is unknown")
    x = [np.array([estimates[s] for s in sites]) for sites in used]
    y = [np.array([verified[s] for s in sites]) for sites in used]
    own = [np.array([errors.get(s, 0.0) ** 2 for s in sites]) for sites in used]
    sizes = [s.size for s in plan.strata]
    if sum(len(sites) for sites in used) < 2 and plan.frame > 1:
        raise ModelError("1 site was verified; at least 2 are needed to see how they differ")

    # Combined ratio: one rate for the whole programme.
    up = [size / len(sites) for size, sites in zip(sizes, used, strict=True)]
    top = math.fsum(k * float(v.sum()) for k, v in zip(up, y, strict=True))
    bottom = math.fsum(k * float(v.sum()) for k, v in zip(up, x, strict=True))
    rate = top / bottom
    residuals = [v - rate * u for v, u in zip(y, x, strict=True)]
    pooled = _pooled_square(residuals)
    parts = [
        _variance(size, d, s, pooled) for size, d, s in zip(sizes, residuals, own, strict=True)
    ]
    combined = _interval(plan.estimated * rate, parts, plan.estimated / bottom, confidence, unit)

    separate, lines = _separate(plan, x, y, own, confidence, unit)
    missing = tuple(
        s
        for stratum in plan.strata
        for s in stratum.sites
        if s not in verified or not math.isfinite(verified[s])
    )
    stood_in = tuple(
        pair
        for stratum, sites in zip(plan.strata, used, strict=True)
        for pair in zip(
            [s for s in stratum.sites if s not in sites],
            [s for s in sites if s not in stratum.sites],
            strict=False,
        )
    )
    half = combined.half_width or 0.0
    achieved = half / abs(combined.value) if combined.value else math.inf
    count = sum(len(sites) for sites in used)
    words = (
        f"The total rests on a sample: {count} of {plan.frame} sites were verified, the others "
        f"are carried at the sample's realisation rate. Planned precision "
        f"±{percent(plan.precision)}, achieved ±{percent(achieved)} at {percent(confidence)} "
        "confidence."
    )
    return RatioEstimate(
        separate,
        combined,
        _ratio_interval(combined, plan.estimated),
        tuple(lines),
        count,
        plan.frame,
        missing,
        stood_in,
        achieved,
        plan.precision,
        words,
    )


def _certain(descending: Sequence[float], wanted: int) -> int:
    """How many of the largest exceed their fair share of what is left."""
    taken, left = 0, math.fsum(descending)
    while taken < min(wanted, len(descending)) and descending[taken] * (wanted - taken) >= left:
        left -= descending[taken]
        taken += 1
    return taken


def _cut(sites: list[str], descending: Sequence[float], strata: int) -> list[list[str]]:
    """Cut sites (the largest first) into strata of equal Σ x^γ, none of them empty."""
    if not sites:
        return []
    strata = min(strata, max(1, len(sites) // LEAST_PER_STRATUM))
    share = np.cumsum(np.power(descending, SIZE_POWER))
    group = np.minimum((share / share[-1] * strata - 1e-12).astype(int), strata - 1)
    groups = [[s for s, g in zip(sites, group, strict=True) if g == k] for k in range(strata)]
    return [g for g in groups if g]


def _allocate(groups: list[np.ndarray], n: int, allocation: Allocation) -> list[int]:
    """n_h for each stratum; full strata hand their rest on to the others."""
    counts = [len(g) for g in groups]
    weight = [
        c * float(np.power(g, SIZE_POWER).mean()) if allocation == "neyman" else float(c)
        for c, g in zip(counts, groups, strict=True)
    ]
    take = [min(c, LEAST_PER_STRATUM) for c in counts]
    while sum(take) < n:
        # One site at a time to the stratum that is furthest below its share: the divisor
        # method, so that no rounding can lose or invent a site.
        open_ = [h for h, c in enumerate(counts) if take[h] < c]
        best = max(open_, key=lambda h: (weight[h] / (take[h] + 0.5), -h))
        take[best] += 1
    return take


def _stratum(name, census, sites, frame, take, rng) -> Stratum:
    sizes = [frame[s] for s in sites]
    order = sorted(sites)
    if rng is not None:
        order = [order[i] for i in rng.permutation(len(order))]
    return Stratum(
        name,
        census,
        len(sites),
        take,
        math.fsum(sizes),
        min(sizes),
        max(sizes),
        tuple(order[:take]),
        tuple(order[take:]),
    )


def _used(stratum: Stratum, verified: Mapping[str, float]) -> list[str]:
    """The sites of a stratum that count: sampled and verified, then replacements in order."""
    have = [s for s in stratum.sites if s in verified and math.isfinite(verified[s])]
    for site in stratum.replacements:
        if len(have) >= stratum.take:
            break
        if site in verified and math.isfinite(verified[site]):
            have.append(site)
    return have


def _pooled_square(residuals: Sequence[np.ndarray]) -> float:
    """Mean square of all residuals: stands in for a stratum with a single verified site."""
    every = np.concatenate(residuals)
    return float((every**2).sum()) / max(every.size - 1, 1)


def _variance(size: int, d: np.ndarray, own: np.ndarray, pooled: float) -> tuple[float, float]:
    """(variance of N_h·d̄, its degrees of freedom): sampling plus the sites' own errors."""
    n = d.size
    spread = float(d.var(ddof=1)) if n > 1 else pooled
    between = size**2 * (1 - n / size) / n * spread if n < size else 0.0
    within = size / n * float(own.sum())
    # The sites' own errors are taken as known; only the spread between sites is estimated.
    freedom = float(max(n - 1, 1))
    total = between + within
    return total, freedom * (total / between) ** 2 if between > 0 else math.inf


def _interval(value, parts, scale, confidence, unit) -> Interval:
    variances = [v for v, _ in parts]
    freedom = effective_freedom(variances, [f for _, f in parts])
    half = student(confidence, freedom) * math.sqrt(math.fsum(variances)) * scale
    return Interval(
        value,
        value - half,
        value + half,
        unit,
        confidence=confidence,
        kind="sum",
        method="ratio estimate from a stratified sample; Student's t with Satterthwaite's degrees "
        "of freedom",
    )


def _separate(plan, x, y, own, confidence, unit):
    """Separate ratio estimate and the line of each stratum."""
    lines, total, parts = [], 0.0, []
    thin = False
    for stratum, u, v, s in zip(plan.strata, x, y, own, strict=True):
        ratio = float(v.sum() / u.sum())
        if u.size < 2 and stratum.size > 1:
            thin = True
            lines.append(
                StratumEstimate(stratum.name, stratum.size, u.size, stratum.estimated, ratio, None)
            )
            continue
        scale = stratum.estimated / (float(u.mean()) * stratum.size)
        variance, freedom = _variance(stratum.size, v - ratio * u, s, 0.0)
        variance *= scale**2
        half = student(confidence, freedom) * math.sqrt(variance) / stratum.estimated
        total += ratio * stratum.estimated
        parts.append((variance, freedom))
        lines.append(
            StratumEstimate(stratum.name, stratum.size, u.size, stratum.estimated, ratio, half)
        )
    return (None if thin else _interval(total, parts, 1.0, confidence, unit)), lines


def _ratio_interval(total: Interval, base: float) -> Interval:
    return Interval(
        total.value / base,
        None if total.low is None else total.low / base,
        None if total.high is None else total.high / base,
        "1",
        confidence=total.confidence,
        kind="ratio",
        method=total.method,
        fraction_of="estimated savings of the frame",
    )
