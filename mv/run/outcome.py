"""What does a run say when it ends?"""

from __future__ import annotations

from dataclasses import dataclass, field
from pathlib import Path

import orjson

from mv.results import PortfolioResult


@dataclass(frozen=True, kw_only=True)
class Outcome:
    """What a run has to say when it ends."""

    index: Path
    counts: dict[str, int]
    not_verifiable: list[tuple[str, str, str]] = field(default_factory=list)
    """Site, reason, remedy."""
    unchanged: bool = False
    notes: tuple[str, ...] = ()

    def as_text(self) -> str:
        """Lines for the terminal."""
        c = self.counts
        lines = [
            f"{c['entered']} sites entered = {c['used']} used + {c['not_verifiable']} not "
            f"verifiable + {c['not_yet_due']} not yet due"
            + (f"; {c['comparison']} for comparison" if c["comparison"] else "")
            + "."
        ]
        for site, reason, remedy in self.not_verifiable:
            lines.append(f"Not verifiable: {site}: {reason}.{' ' + remedy if remedy else ''}")
        lines += self.notes
        if self.unchanged:
            lines.append("Nothing has changed since the last run; the report stands as it is.")
        lines.append(f"Report: {self.index}")
        return "\n".join(lines)

    def as_json(self) -> str:
        """The same for a program."""
        return orjson.dumps(
            {
                "report": str(self.index),
                "counts": self.counts,
                "not_verifiable": [
                    {"site": s, "reason": r, "remedy": m} for s, r, m in self.not_verifiable
                ],
                "unchanged": self.unchanged,
            },
            option=orjson.OPT_INDENT_2,
        ).decode()


def outcome_of(result: PortfolioResult, out: Path) -> Outcome:
    """What to say of a finished run."""
    from mv.rollup import standing

    bad = [(s.site, s.reason, s.remedy) for s in result.sites if standing(s) == "not_verifiable"]
    return Outcome(index=Path(out) / "index.html", counts=result.counts, not_verifiable=bad)
