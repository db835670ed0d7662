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

import re
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


def counted(message: str, n: int) -> str:
    """A sentence on `n` things: {n} becomes the number, and of each [one|several] the wording that
    fits it."""
    chosen = _ONE_OR_SEVERAL.sub(r"\1" if n == 1 else r"\2", message)
    return chosen.replace("{n}", str(n))


_ONE_OR_SEVERAL = re.compile(r"\[([^\[\]|]*)\|([^\[\]|]*)\]")


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
        "key_unknown": "A row names a site, meter, station, retrofit or rate that is not defined.",
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
        "table_encoding": "A table is not UTF-8; its letters were read as Windows-1252.",
        "table_unknown": "A file or sheet beside the tables has no table's name; it was not read.",
        "decimal_comma": "Numbers of a table are written with a decimal comma and were read so.",
        "retrofits_overlap": "Two retrofits of a site were installed at the same time.",
        "notes_more": "Further notes of the same kind on the same column were counted only.",
        "value_unused": "A cell says something that its row's other cells make meaningless.",
        "currency_assumed": "No currency is named; the portfolio's money is taken as euros.",
        "clock_fixed": "A site's time zone keeps one clock all year, without summer time.",
    },
)

# -- the tables of the folder, cell by cell ------------------------------------------------
_book(
    "refuse",
    {
        "folder_not_empty": "A starter folder can't be written where something is already.",
        "folder_unwritable": "A starter folder can't be written for want of room or permission.",
        "table_twice": "A table is given twice: as a CSV file and as a sheet of the workbook.",
        "column_duplicate": "Two columns of a table have the same header.",
        "row_ragged": "A row has more cells than the table has columns.",
        "text_unsafe": "A cell holds a control character, or more text than a cell may.",
        "number_invalid": "A cell that must be a number is not one, or can be read in two ways.",
        "date_invalid": "A cell that must be a date is not one, or can be read in two ways.",
        "settings_unreadable": "A settings file is not valid TOML.",
        "problems_more": "Further problems of the same kind in the same column were counted only.",
    },
)

# -- readings -------------------------------------------------------------------------------
_book(
    "refuse",
    {
        "file_unreadable": "A file of readings can't be opened or isn't what its name says.",
        "file_empty": "A file holds no readings.",
        "columns_unclear": "It isn't clear which columns hold the times and the values.",
        "dates_ambiguous": "Dates can be read day first or month first, and nothing in the file "
        "decides which.",
        "times_unreadable": "Too many of a file's times can't be read.",
        "values_unreadable": "Too many of a file's values can't be read as numbers.",
        "numbers_ambiguous": "A comma or dot can group thousands or mark decimals, and nothing in "
        "the file decides which.",
        "step_unclear": "The times of a file follow no regular step between a minute and a day.",
        "unit_invalid": "The unit of a meter can't be converted into its carrier's unit.",
        "time_zone_unknown": "The clock of a file is no time zone that is known.",
        "meter_absent": "A file of several meters has no row of the meter that is asked for.",
        "xml_refused": "An XML file declares entities, nests too deep or holds no readings.",
        "net_metered": "A meter shows what is left of use after the site's own generation.",
        "multiplier_changed": "A meter's whole load steps by a factor at one instant, as it does "
        "when a multiplier changes.",
        "duplicates_contradict": "Too many rows give different values for the same time.",
    },
)
_book(
    "exclude",
    {
        "row_malformed": "A row has too few or too many cells for its table.",
        "time_unreadable": "The time of a row can't be read.",
        "value_unreadable": "The value of a row is not a number.",
        "value_empty": "A row has a time and no value.",
        "duplicate_equal": "Rows repeat a time with the same value; one of them counts.",
        "duplicate_unequal": "Rows repeat a time with different values; none of them counts.",
        "duplicate_superseded": "An estimated row repeats the time of a measured one.",
        "off_grid": "A time lies too far off the regular step of its file.",
        "flagged_invalid": "A row is flagged as not valid by the file itself.",
        "hour_nonexistent": "A row lies in the hour that the local clock skips in spring.",
        "step_incomplete": "Rows of a finer step do not fill the interval they are added up to.",
        "register_start": "The first reading of a register gives no use of its own.",
        "register_gap": "After a gap a register tells the total and not how it is split.",
        "register_reset": "A register falls without rolling over; use over it is not known.",
        "negative_value": "Use below zero where no generation is declared.",
        "catch_up": "A value right after a gap holds the gap's energy as well.",
        "spike": "A value far above anything else the meter reads.",
        "zero_run": "Zeros that stand for missing readings or an outage.",
        "outage": "A fall below the base load: the supply was off.",
        "stuck_value": "One value repeated for longer than chance explains.",
        "bill_cancelled": "A bill was cancelled, or its cancellation.",
        "bill_superseded": "A bill was replaced by a later one for the same days.",
        "bill_start_unknown": "The first read date of a file of read dates has no start.",
        "bill_short": "A bill covers too few days to be compared with others.",
        "bill_long": "A bill covers too many days to be compared with others.",
        "bill_negative": "A bill has a use below zero.",
        "bill_fee": "A row of a bill table is a charge and no use.",
        "temperature_stuck": "One temperature repeated for longer than weather does.",
        "temperature_suspect": "A temperature failed the weather service's own checks.",
        "bill_dates_impossible": "A bill ends on or before the day it starts.",
        "bill_overlap": "A bill covers days that another bill covers too.",
        "temperature_implausible": "A temperature lies outside what weather does.",
    },
)
_book(
    "repair",
    {
        "rows_unordered": "Rows did not follow one another in time; they were sorted.",
        "stamps_snapped": "Times were a little off the regular step and were moved onto it.",
        "hour_24": "Times written 24:00 were read as 00:00 of the next day.",
        "clock_standard": "A file keeps standard time all year; its times were read so.",
        "clock_local_epoch": "Local clock times were written as if they were UTC.",
        "autumn_hour_split": "The hour that occurs twice in autumn held both passes in one value; "
        "it was spread evenly over the two.",
        "steps_mixed": "A file changes the length of its intervals; the finer were added up.",
        "register_rolled_over": "A register passed its last digit and went on from zero.",
        "multiplier_applied": "A multiplier that changes on declared days was applied.",
        "sign_turned": "Export is written below zero and was turned.",
        "bills_estimated_joined": "Estimated bills were joined with the next actual read.",
        "bills_short_joined": "Bills of a few days were joined with their neighbours.",
        "bill_dates_inclusive": "Bills end the day before the next begins; each end was moved by "
        "one day.",
        "temperature_from_extremes": "Daily means were made of the highest and lowest temperature.",
        "temperature_tenths": "Temperatures are written in tenths of a degree.",
        "temperature_interpolated": "Short gaps in the temperatures were filled by a straight "
        "line.",
    },
)
_book(
    "note",
    {
        "stamp_assumed": "The meter's row does not say whether a time marks the start or the end "
        "of its interval; the start is assumed.",
        "stamp_detected": "Whether a time marks the start or the end of its interval was not "
        "declared; the file shows it.",
        "clock_of_header": "The header of the times says UTC; the meter's row names no clock.",
        "clock_contradicted": "A file states an offset from UTC that the site's clock never has.",
        "autumn_hour_once": "The hour that occurs twice in autumn stands in the file once.",
        "level_offset": "After a gap the whole load is higher or lower by a constant.",
        "level_step": "A meter's whole load steps by a simple factor at one instant.",
        "value_constant": "A meter shows one value for weeks: a flat load, or a meter that hangs.",
        "bill_gap": "Days between bills are covered by none.",
        "bill_months_assumed": "Bills name months without read dates; calendar months are assumed.",
        "bill_calendar_months": "All bills are whole calendar months, which meters are rarely "
        "read by.",
        "bill_step": "Use per day steps far up or down between bills: meters merged or split?",
        "station_hemisphere": "A station's seasons are those of the other hemisphere.",
        "station_shifted": "A station's day, or its effect on the load, is shifted in time.",
        "station_unrelated": "Energy that should follow the weather does not follow this "
        "station's.",
        "baseline_short": "A baseline is usable and shorter than it should be.",
        "reporting_short": "A reporting period is usable and not complete.",
        "coverage_uneven": "A month or a range of temperatures has few usable days.",
        "readings_missing": "Intervals between the first and the last reading have no row; they "
        "stay missing, nothing is put in their place.",
        "readings_estimated": "Values are marked as estimated; they are used and counted.",
        "temperature_missing": "Temperatures are missing for longer than may be interpolated; "
        "those days are left out.",
        "week_learned": "The operating week was not given and was learned from the readings.",
        "week_assumed": "The operating week was neither given nor could be learned; Monday to "
        "Friday is assumed.",
        "holidays_none": "No public holidays are kept: the site names no country.",
        "holidays_unknown": "The country or region of a site has no known public holidays.",
    },
)


# -- money ---------------------------------------------------------------------------------
_book(
    "refuse",
    {
        "rate_missing": "A meter names no rate, so no money figure is given for it.",
        "rate_mixed": "Meters of one claim name different rates, so their sum has no price.",
        "loads_missing": "No load is known that a rate could price.",
        "rate_gap": "The rate has no price for some of the time, so no money figure is given.",
        "rate_needs_intervals": "The rate asks for hours of the day, and the readings have none.",
        "rate_unit": "The rate's prices are per a unit that the meter's energy can't be turned "
        "into.",
        "cost_missing": "A retrofit has no cost, so nothing that depends on it is given.",
        "billed_cost_far": "Billed cost and the cost computed from the rate are so far apart that "
        "money is not verifiable.",
    },
)
_book(
    "note",
    {
        "billed_cost_differs": "Billed cost and the cost computed from the rate differ.",
        "cost_estimated": "A cost or an incentive is the estimate, because no invoice is given.",
        "incentive_open": "An incentive is promised and not yet received; it isn't deducted.",
        "price_marginal": "The value of a saved unit is that of a small saving, because the "
        "saving itself is not clear.",
        "price_blended": "An average price stands for the rate; it credits fixed and demand "
        "charges that may not fall.",
        "ratchet_history_short": "A ratchet looks back further than the demand readings go.",
        "demand_window_coarse": "Readings are coarser than the demand charge's window.",
        "demand_not_priced": "A demand charge has no demand reading to go by.",
        "saving_priced_as_bought": "A site with its own generation is priced as if every saved "
        "unit had been bought.",
        "export_not_priced": "Energy fed back was counted as zero; export is not priced.",
        "emissions_not_by_hour": "Emission factors are by hour, and the readings have no hours.",
        "emission_factor_missing": "A carrier has no emission factor, so none is counted for it.",
        "incentive_differs": "The incentive received differs from what the verified saving earns.",
        "maintenance_not_verified": "Stated maintenance savings are shown apart; no meter "
        "verifies them.",
    },
)
# -- the lighting estimate -------------------------------------------------------------------
_book(
    "refuse",
    {
        "lighting_hours_impossible": "Hours of use are more than a year has.",
    },
)
_book(
    "note",
    {
        "lighting_watts_unusual": "Watts per fixture are outside the published range for the "
        "lamp and ballast described.",
        "lighting_watts_lamp_only": "Watts look like the lamps' alone, without the ballast.",
        "lighting_hours_unlike_week": "Hours of use don't fit the site's operating week.",
        "lighting_power_density": "Lighting power per floor area is implausible.",
        "lighting_added": "A line uses more after the retrofit than before.",
        "lighting_lamps_missing": "A line is incomplete: fixtures or watts are zero before.",
        "lighting_estimate_differs": "The estimate of the retrofit and the sum of its schedule "
        "differ.",
        "lighting_exceeds_use": "The estimate is a large part of, or above, the site's whole use.",
        "lighting_interactive_unusual": "An interactive factor is outside the published range.",
        "lighting_control_hours": "A line counts controls twice: fewer hours and a control share.",
    },
)

# -- rows of a baseline model --------------------------------------------------------------
_book(
    "exclude",
    {
        "coverage_low": "A day has too few of its intervals to count.",
        "bill_excluded": "A bill is marked as excluded or has no energy or no days.",
        "driver_missing": "A day or bill has no value of a further independent variable.",
    },
)
_book(
    "note",
    {
        "driver_overlap": "Rows of a further independent variable overlap in time.",
        "driver_unused": "A further independent variable can't be told from the other terms and "
        "is left out of the model.",
    },
)


# -- loggers, static factors, the plan -------------------------------------------------------
_book(
    "exclude",
    {
        "logger_left_out": "A logger's readings can't be used; it is left out of its usage group.",
    },
)
_book(
    "note",
    {
        "isolation_incomplete": "Loggers or spot readings don't suffice for some usage group; the "
        "schedule's own figures are used there.",
        "static_factor_changed": "A static factor changed between the periods and no event "
        "accounts for it.",
        "plan_departed": "The report departs from the frozen plan.",
        "plan_unreadable": "The folder's plan.json can't be read, so nothing was compared with it.",
        "plan_altered": "The frozen plan was edited after it was frozen.",
    },
)

# -- the run -------------------------------------------------------------------------------
_book("refuse", {"site_failed": "A site could not be worked on; the others were."})
_book(
    "note",
    {
        "site_counted_twice": "Two sites have the same readings to the last digit.",
        "sites_nearly_equal": "Two sites use nearly the same energy month by month.",
        "file_shared": "Meters of two sites name the same column of the same file.",
    },
)

# -- one site ------------------------------------------------------------------------------
_book(
    "note",
    {
        "models_disagree": "The hourly model's saving lies far from the official one.",
        "extrapolated": "Reporting rows lie outside the temperatures that the baseline saw.",
        "reporting_model_missing": "The reporting period is long enough for a model of its own, "
        "and none could be fitted.",
        "retrofits_verified_together": "Retrofits that the same meters see at once are verified "
        "together.",
        "retrofits_verified_apart": "Later works on the same meters are verified by themselves.",
        "meter_starts_late": "A meter of a sum begins days later than the others.",
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
    """A file of readings cannot be read right.  Its site becomes not verifiable, no more."""


class RenderError(MvError):
    """Saved results are missing, damaged or of another version."""


class ModelError(MvError):
    """A function was called with rows it cannot work on: lengths, non-finite values, too few."""
