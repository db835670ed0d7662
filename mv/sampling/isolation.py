"""What did the lighting alone save, by measured watts and hours (retrofit isolation)?

Options A and B of the IPMVP.  *Option B*: watts and hours are measured.  *Option A*: the key
parameter, watts, is measured, hours are agreed.  Per usage group g, in kWh a year,

    S_g = P_before · H_before − P_after · H_after           P in kW, H in hours a year

and where hours were measured only once and are taken as unchanged, S_g = (P_before − P_after)·H.
Errors add as

    var S = H²·var P + P²·var H  for each product, independent of each other

(first order; the product of the two variances is left out), the degrees of freedom by
Satterthwaite.  What is agreed rather than measured enters without error and is counted: its
share of the result is printed.

The boundary is the lighting circuit.  The whole-facility meter also sees less cooling and more
heating by electricity; the schedule's interactive factor carries one to the other.

Source: IPMVP Core Concepts, Options A and B; UMP chapter 2 (both from memory).
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from mv.findings import ModelError
from mv.portfolio.schema import Fixture
from mv.quantity import Interval
from mv.sampling.estimate import SampleMean, effective_freedom, student
from mv.sampling.loggers import GroupHours

SOURCE = "IPMVP Core Concepts, Options A and B (from memory)"


@dataclass(frozen=True, slots=True)
class IsolationGroup:
    """One usage group's part."""

    group: str
    kw_before: float
    kw_after: float
    hours_before: float
    hours_after: float
    saving: float
    """kWh a year, lighting alone."""
    half_width: float | None
    """None where nothing of it was measured."""
    hours_measured: bool
    watts_measured: bool
    interactive_factor: float
    """Saving-weighted over the group's lines."""


@dataclass(frozen=True, slots=True)
class Isolation:
    """The isolation result of one retrofit."""

    option: str
    """`A` or `B`."""
    saving: Interval
    """kWh a year, lighting alone."""
    at_the_meter: Interval
    """The same times the interactive factor: what a whole-facility electricity meter sees."""
    groups: tuple[IsolationGroup, ...]
    agreed_share: float
    """Share of the saving that rests on agreed, not measured, hours or watts."""
    caveats: tuple[str, ...]
    words: str


@dataclass(frozen=True, slots=True)
class Difference:
    """Isolation set beside the whole-facility result."""

    isolation: Interval
    whole_facility: Interval
    difference: Interval
    """Whole facility − isolation, kWh a year."""
    agree: bool
    """Whether the difference's interval holds zero."""
    words: str


def isolation_saving(
    fixtures: Sequence[Fixture],
    hours_after: Mapping[str, GroupHours],
    *,
    hours_before: Mapping[str, GroupHours] | None = None,
    watts_before: Mapping[str, SampleMean] | None = None,
    watts_after: Mapping[str, SampleMean] | None = None,
    group_of=None,
    confidence: float = 0.90,
) -> Isolation:
    """Saving of a lighting schedule by measured hours and watts.

    Parameters
    ----------
    fixtures : the schedule's lines.
    hours_after, hours_before : usage group → measured hours; a group without `hours_before`
        counts as burning as long before as after; one with neither keeps the agreed hours.
    watts_before, watts_after : space of a line → spot readings of input watts a fixture; lines
        without keep the schedule's watts.
    group_of : fixture → usage group; its space by default.

    Raises ModelError for an empty schedule and for readings of groups that no line names.
    """
    if not fixtures:
        raise ModelError("the lighting schedule is empty: nothing to join the loggers with")
    group_of = group_of or (lambda f: f.space)
    lines: dict[str, list[Fixture]] = {}
    for fixture in fixtures:
        lines.setdefault(group_of(fixture), []).append(fixture)
    hours_before = hours_before or {}
    _known(hours_after, lines, "usage group")
    _known(hours_before, lines, "usage group")
    spaces = {f.space for f in fixtures}
    _known(watts_before or {}, spaces, "space")
    _known(watts_after or {}, spaces, "space")

    groups, parts, at_meter, agreed = [], [], [], 0.0
    for name, members in lines.items():
        group, variances = _group(
            name, members, hours_before.get(name), hours_after.get(name),
            watts_before or {}, watts_after or {}, confidence,
        )  # fmt: skip
        groups.append(group)
        parts += variances
        at_meter += [(v * group.interactive_factor**2, f) for v, f in variances]
        if not (group.hours_measured and group.watts_measured):
            agreed += abs(group.saving)
    total = math.fsum(g.saving for g in groups)
    meter = math.fsum(g.saving * g.interactive_factor for g in groups)
    size = math.fsum(abs(g.saving) for g in groups)
    option = "B" if any(g.hours_measured for g in groups) else "A"
    every = {**hours_before, **hours_after}
    saving = _sum(total, parts, confidence, "kWh")
    words = (
        f"Option {option}: {len(every)} of {len(lines)} usage groups with measured hours, "
        f"{sum(g.watts_measured for g in groups)} with measured watts."
    )
    return Isolation(
        option,
        saving,
        _sum(meter, at_meter, confidence, "kWh"),
        tuple(groups),
        agreed / size if size else 0.0,
        tuple(dict.fromkeys(f"{g.group}: {g.caveat}" for g in every.values())),
        words,
    )


def beside_whole_facility(isolation: Isolation, whole_facility: Interval) -> Difference:
    """Judge the difference of the two results within both uncertainties.

    `whole_facility`: the verified annual saving of the electricity meter, kWh, at the same
    confidence.  The two are made from different meters, so their half-widths add in quadrature.

    Raises ModelError where confidence or unit differ or an interval is missing.
    """
    own = isolation.at_the_meter
    if own.unit != whole_facility.unit:
        raise ModelError(f"units differ: {own.unit} and {whole_facility.unit}")
    if own.confidence != whole_facility.confidence:
        raise ModelError(
            f"confidence differs: {own.confidence} and {whole_facility.confidence}; "
            "half-widths add at one confidence only"
        )
    if own.half_width is None or whole_facility.half_width is None:
        raise ModelError("an interval is missing: the difference can't be judged")
    gap = whole_facility.value - own.value
    half = math.hypot(own.half_width, whole_facility.half_width)
    difference = Interval(
        gap,
        gap - half,
        gap + half,
        own.unit,
        confidence=own.confidence,
        kind="sum",
        method="half-widths in quadrature",
    )
    agree = abs(gap) <= half
    if agree:
        words = "The two results agree: their difference is smaller than what both intervals allow."
    elif gap < 0:
        words = (
            "The whole-facility meter shows less than the lighting alone saved, by more than both "
            "intervals allow: look for added load, or for heating by electricity."
        )
    else:
        words = (
            "The whole-facility meter shows more than the lighting alone saved, by more than both "
            "intervals allow: look for other changes that saved energy."
        )
    return Difference(own, whole_facility, difference, agree, words)


def as_fields(isolation: Isolation, difference: Difference | None = None) -> dict[str, Any]:
    """Plain mapping for results: every number of the isolation result and the comparison."""
    from dataclasses import asdict

    fields = asdict(isolation)
    fields["difference"] = None if difference is None else asdict(difference)
    return fields


def _group(name, members, before, after, watts_before, watts_after, confidence):
    """One group's saving and its variance parts [(variance, degrees of freedom)]."""
    kw_b, parts_b, measured_b = _connected(members, "before", watts_before)
    kw_a, parts_a, measured_a = _connected(members, "after", watts_after)
    agreed_before = _weighted(members, "before", kw_b)
    agreed_after = _weighted(members, "after", kw_a)
    h_a = after.hours if after else before.hours if before else agreed_after
    h_b = before.hours if before else after.hours if after else agreed_before
    parts = [(v * h_b**2, f) for v, f in parts_b] + [(v * h_a**2, f) for v, f in parts_a]
    if before and after:
        parts.append(((kw_b * before.standard_error) ** 2, before.degrees_of_freedom))
        parts.append(((kw_a * after.standard_error) ** 2, after.degrees_of_freedom))
    elif before or after:
        same = before or after
        parts.append((((kw_b - kw_a) * same.standard_error) ** 2, same.degrees_of_freedom))
    variance = math.fsum(v for v, _ in parts)
    freedom = effective_freedom(*zip(*parts, strict=True)) if variance > 0 else math.inf
    saving = kw_b * h_b - kw_a * h_a
    line_savings = [
        f.count_before * f.watts_before - f.count_after * f.watts_after for f in members
    ]
    weight = math.fsum(line_savings)
    factor = (
        math.fsum(s * f.interactive_factor for s, f in zip(line_savings, members, strict=True))
        / weight
        if weight
        else 1.0
    )
    measured = bool(before or after) or measured_b or measured_a
    half = student(confidence, freedom) * math.sqrt(variance) if measured else None
    return (
        IsolationGroup(
            name, kw_b, kw_a, h_b, h_a, saving, half, bool(before or after),
            measured_b and measured_a, factor,
        ),
        parts,
    )  # fmt: skip


def _connected(members, when, watts):
    """Connected kW of a group, its variance parts (kW²), and whether every line was measured."""
    total, parts, measured = 0.0, [], True
    # One space's readings serve all its lines: their error is shared, so it adds straight.
    shared: dict[str, float] = {}
    for f in members:
        count = getattr(f, f"count_{when}")
        reading = watts.get(f.space)
        if reading is None:
            total += count * getattr(f, f"watts_{when}") / 1000
            measured = measured and count == 0
        else:
            total += count * reading.mean / 1000
            shared[f.space] = shared.get(f.space, 0.0) + count
    for space, count in shared.items():
        reading = watts[space]
        parts.append(((count * reading.standard_error / 1000) ** 2, reading.degrees_of_freedom))
    return total, parts, measured


def _weighted(members, when, kw):
    """Agreed hours of a group, weighted by connected load."""
    energy = weight = 0.0
    for f in members:
        hours = f.hours_before
        if when == "after":
            hours = f.hours_before if f.hours_after is None else f.hours_after
            hours *= 1 - f.control_savings
        load = getattr(f, f"count_{when}") * getattr(f, f"watts_{when}")
        energy += load * hours
        weight += load
    return energy / weight if weight else 0.0


def _sum(value, parts, confidence, unit) -> Interval:
    variance = math.fsum(v for v, _ in parts)
    if not parts:
        return Interval(
            value, None, None, unit, confidence=confidence, method="nothing was measured"
        )
    freedom = effective_freedom(*zip(*parts, strict=True))
    half = student(confidence, freedom) * math.sqrt(variance)
    return Interval(
        value,
        value - half,
        value + half,
        unit,
        confidence=confidence,
        method="errors of hours and watts in quadrature, Student's t with Satterthwaite's degrees "
        "of freedom",
    )


def _known(readings, names, what):
    unknown = sorted(set(readings) - set(names))
    if unknown:
        raise ModelError(
            f"readings name the {what} {unknown[0]!r}, which no line of the schedule has; "
            f"there are: {', '.join(sorted(names))}"
        )
