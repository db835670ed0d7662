"""Which retrofits are verified together, and on which meters?

Retrofits of one carrier whose meters overlap share a saving: no meter tells them apart.

- Close in time, they are one claim: one baseline before the first works, one reporting period after
  the last, and the verified saving is split by estimate.
- Apart in time, where the later works begin after a complete reporting year of the earlier ones,
  each is a claim of its own: the earlier one's reporting period ends the day before the later
  works, and the later one's baseline lies between the two works.  Nothing between is lost, and the
  two savings add up, because each is held against what stood before it.
- Retrofits of different carriers, or on meters that share nothing, are claims of their own.

A claim takes the widest boundary that its retrofits name: where one of them names the whole
facility's meter, or none at all, the sub-meters of the others lie inside it and stand beside.
Every other meter of the site is shown over the first claim's periods and added to nothing.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from dataclasses import dataclass, replace

from mv.findings import Finding
from mv.portfolio.schema import Meter, Retrofit, SiteDescription

WHOLE = "whole_facility"
REPORTING_YEAR = dt.timedelta(days=365)
"""Time after which later works leave the earlier ones a complete reporting year."""


@dataclass(frozen=True, slots=True)
class Group:
    """Meters of one carrier that are added up, and the retrofits claimed on them."""

    carrier: str
    boundary: str
    meters: tuple[Meter, ...]
    retrofits: tuple[Retrofit, ...]
    claimed: bool
    after: dt.date | None = None
    """Last day of earlier works on the same meters; the baseline begins after it."""
    before: dt.date | None = None
    """First day of later works on the same meters; reporting ends before it."""

    def findings(self) -> list[Finding]:
        """What to tell of how the claim's retrofits were put together or kept apart."""
        if not self.claimed:
            return []
        found = []
        names = ", ".join(r.retrofit for r in self.retrofits)
        place = {"file": "retrofits.csv", "line": self.retrofits[-1].source.line}
        if len(self.retrofits) > 1:
            found.append(
                Finding(
                    "retrofits_verified_together",
                    f"{names} are seen by the same meters and too close in time to be told apart; "
                    "they are verified together, and the saving is split by estimate.",
                    **place,
                )
            )
        if self.after is not None:
            found.append(
                Finding(
                    "retrofits_verified_apart",
                    f"{names} began more than a year after works that ended on {self.after}; each "
                    "is verified by itself, the later one against the time between the two.",
                    **place,
                )
            )
        return found


def groups_of(description: SiteDescription) -> list[Group]:
    """Claims of a site, the first carrier's earliest first, then its other meters."""
    claims = claims_of(description)
    taken = {m.meter for claim in claims for m in claim.meters}
    groups = list(claims)
    for carrier, boundary in dict.fromkeys((m.carrier, m.boundary) for m in description.meters):
        meters = tuple(
            m
            for m in description.meters
            if (m.carrier, m.boundary) == (carrier, boundary) and m.meter not in taken
        )
        if meters:
            group = Group(carrier, boundary, meters, (), False)
            if claims:
                first = claims[0]
                group = replace(
                    group, retrofits=first.retrofits, after=first.after, before=first.before
                )
            groups.append(group)
    return groups


def claims_of(description: SiteDescription) -> list[Group]:
    """The site's claims: retrofits that can only be verified together, on their meters."""
    boundary_of = {m.meter: m.boundary for m in description.meters}
    claims: list[Group] = []
    for carrier in dict.fromkeys(r.carrier for r in description.retrofits):
        own = [r for r in description.retrofits if r.carrier == carrier]
        own.sort(key=lambda r: r.installation_start)
        for sharing in _sharing(own, boundary_of):
            stages = _stages(sharing)
            for i, stage in enumerate(stages):
                meters = _meters(description, carrier, stage)
                claims.append(
                    Group(
                        carrier,
                        meters[0].boundary if meters else WHOLE,
                        meters,
                        tuple(stage),
                        True,
                        max(r.installation_end for r in stages[i - 1]) if i else None,
                        stages[i + 1][0].installation_start if i + 1 < len(stages) else None,
                    )
                )
    return claims


def _sharing(own: Sequence[Retrofit], boundary_of: dict[str, str]) -> list[list[Retrofit]]:
    """Retrofits joined where their meters overlap, directly or through others."""
    parts: list[list[Retrofit]] = []
    for retrofit in own:
        near = [p for p in parts if any(_overlap(retrofit, r, boundary_of) for r in p)]
        joined = [r for p in near for r in p] + [retrofit]
        joined.sort(key=lambda r: r.installation_start)
        parts = [p for p in parts if p not in near] + [joined]
    return sorted(parts, key=lambda p: p[0].installation_start)


def _overlap(one: Retrofit, other: Retrofit, boundary_of: dict[str, str]) -> bool:
    """Whether a meter sees both; one that names none is seen by the whole facility's."""
    if not one.meters or not other.meters or set(one.meters) & set(other.meters):
        return True
    sees_all = [any(boundary_of.get(m) == WHOLE for m in r.meters) for r in (one, other)]
    return sees_all[0] != sees_all[1]


def _stages(sharing: Sequence[Retrofit]) -> list[list[Retrofit]]:
    """Retrofits, earliest first, parted where a complete reporting year lies between."""
    stages: list[list[Retrofit]] = []
    end = None
    for retrofit in sharing:
        if end is None or retrofit.installation_start <= end + REPORTING_YEAR:
            if not stages:
                stages.append([])
        else:
            stages.append([])
        stages[-1].append(retrofit)
        end = retrofit.installation_end if end is None else max(end, retrofit.installation_end)
    return stages


def _meters(
    description: SiteDescription, carrier: str, stage: Sequence[Retrofit]
) -> tuple[Meter, ...]:
    """Meters that see all of a claim's retrofits, of one boundary."""
    named = {key for r in stage for key in r.meters}
    everything = not all(r.meters for r in stage)
    meters = tuple(
        m
        for m in description.meters
        if m.carrier == carrier and (m.boundary == WHOLE if everything else m.meter in named)
    )
    widest = tuple(m for m in meters if m.boundary == WHOLE)
    return widest or meters
