"""What was found amiss, where, and what was done about it.

Every repair, exclusion and refusal is a `Finding` whose rule stands in the closed
list `RULES`.  The list feeds the terminal, the report, the documentation and the tests.

The exception family (a user's mistake never shows a traceback):

    MvError                  anything this package refuses to go on with
    ├── FolderError          the portfolio folder or the command is wrong; nothing is written
    ├── ReadingsError        one file of readings cannot be read right; its site is not verifiable
    ├── RenderError          saved results cannot be turned into pages
    └── ModelError           a function was called with rows it cannot work on
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace
from typing import Literal

Action = Literal["refuse", "exclude", "repair", "note"]

ACTIONS: tuple[Action, ...] = ("refuse", "exclude", "repair", "note")
"""What was done, the gravest first: no figure given; rows or days left out of fit and sum
alike; mended with certainty; only said."""


@dataclass(frozen=True, slots=True)
class Rule:
    """One entry of the closed list: what a rule watches for and what it does."""

    name: str
    action: Action
    meaning: str
    """One sentence for a reader who sees the rule for the first time."""


RULES: dict[str, Rule] = {}
"""Every rule a finding may carry, by name.  Filled by `rule_book` below, closed after import."""


def _book(action: Action, rules: dict[str, str]) -> None:
    for name, meaning in rules.items():
        if name in RULES:
            raise ValueError(f"rule {name!r} stands twice in the list")
        RULES[name] = Rule(name, action, meaning)


# -- the portfolio folder ------------------------------------------------------------------
_book(
    "refuse",
    {
        "folder_missing": "The portfolio folder, or a table it must hold, is not there.",
        "table_unreadable": "A table cannot be read as rows and columns.",
        "column_missing": "A table lacks a column it must have.",
        "value_missing": "A required cell is empty.",
        "value_invalid": "A cell or setting holds something outside what is allowed.",
        "key_unknown": "A row names a site, meter, station, retrofit or rate that no table defines.",
        "key_duplicate": "Two rows of a table have the same key.",
        "setting_unknown": "A settings file holds a name that means nothing here.",
        "path_outside": "A path leads out of the portfolio folder.",
        "file_missing": "A file that a table names is not in the folder.",
        "periods_overlap": "Dates of a retrofit contradict each other.",
    },
)
_book(
    "note",
    {
        "column_unknown": "A table has a column that means nothing here; it was not used.",
        "table_empty": "A table has a header and no rows.",
    },
)


@dataclass(frozen=True, slots=True)
class Finding:
    """One thing found in one place, with what was done about it.

    `message` is a whole sentence for people: found, expected, how to mend it.  `count` is the
    number of rows, days or intervals touched; `effect` says what that cost, with its unit.
    """

    rule: str
    message: str
    file: str | None = None
    line: int | None = None
    column: str | None = None
    site: str | None = None
    meter: str | None = None
    count: int | None = None
    effect: str | None = None

    def __post_init__(self) -> None:
        if self.rule not in RULES:
            raise ValueError(f"finding carries the rule {self.rule!r}, which is not in the list")

    @property
    def action(self) -> Action:
        """What the rule does: refuse, exclude, repair or note."""
        return RULES[self.rule].action

    def at(self, **place: str | int | None) -> Finding:
        """Return the same finding with its place filled in (only where it was empty)."""
        return replace(self, **{k: v for k, v in place.items() if getattr(self, k) is None})

    def where(self) -> str:
        """Name the place: `sites.csv, line 3, column time_zone`; empty when there is none."""
        parts = []
        if self.file:
            parts.append(self.file)
        if self.line is not None:
            parts.append(f"line {self.line}")
        if self.column:
            parts.append(f"column {self.column}")
        return ", ".join(parts)

    def __str__(self) -> str:
        where = self.where()
        return f"{where}: {self.message}" if where else self.message


def gravest_first(findings: Iterable[Finding]) -> list[Finding]:
    """Sort by action, the gravest first, keeping the order in which they were found."""
    return sorted(findings, key=lambda f: ACTIONS.index(f.action))


class MvError(Exception):
    """Anything this package refuses to go on with; the message is for people."""


class _WithFindings(MvError):
    def __init__(self, findings: Iterable[Finding] | Finding) -> None:
        self.findings = (findings,) if isinstance(findings, Finding) else tuple(findings)
        super().__init__("\n".join(str(f) for f in self.findings))

    def __reduce__(self):
        return type(self), (self.findings,)


class FolderError(_WithFindings):
    """The portfolio folder is wrong.  Carries every problem found, not only the first."""


class ReadingsError(_WithFindings):
    """A file of readings cannot be read right.  Its site becomes not verifiable, the run goes on."""


class RenderError(MvError):
    """Saved results are missing, damaged or of another version."""


class ModelError(MvError):
    """A function was called with rows it cannot work on: lengths, non-finite values, too few."""
