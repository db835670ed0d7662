"""The words of the report, once: term, symbol, unit, sign, one sentence, source.

The report's glossary prints this list, and tests hold the report to it.  Where a source says
"from memory" the document itself was not at hand when the sentence was written.
"""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Term:
    """One word of the trade as this package uses it."""

    term: str
    sentence: str
    source: str
    symbol: str = ""
    unit: str = ""
    sign: str = ""
    """What a positive value means, where that can be mistaken."""


IPMVP = "IPMVP Core Concepts (from memory)"
G14 = "ASHRAE Guideline 14 (from memory)"
UMP = "Uniform Methods Project, chapter 2 (from memory)"
HB135 = "NIST Handbook 135 (from memory)"
TRADE = "common practice, no source"

GLOSSARY: tuple[Term, ...] = (
    Term(
        "baseline period",
        "The time before the works in which use shows how the site behaved without the retrofit.",
        IPMVP,
    ),
    Term(
        "installation period",
        "The time of the works, first and last day included; it belongs to neither side.",
        IPMVP,
    ),
    Term("reporting period", "The time after the works over which the saving is counted.", IPMVP),
    Term(
        "measurement boundary",
        "What the meter sees: the whole facility, or the retrofitted system alone.",
        IPMVP,
    ),
    Term(
        "operating day",
        "A day on which the site does its usual work; other days, holidays among them, are "
        "non-operating days.",
        TRADE,
    ),
    Term(
        "baseline model",
        "A rule, fitted to the baseline period, that gives the use to be expected at a "
        "temperature on a kind of day.",
        G14,
        "ŷ",
        "energy a day",
    ),
    Term(
        "adjusted baseline",
        "Use to be expected in the reporting period without the retrofit: the baseline model "
        "at the weather and days of the reporting period.",
        IPMVP,
        "P",
        "energy",
    ),
    Term(
        "routine adjustment",
        "The part of the adjusted baseline that weather and days of operation explain: "
        "adjusted baseline less baseline use over as many days.",
        IPMVP,
        "",
        "energy",
        "Positive: the reporting period called for more.",
    ),
    Term(
        "non-routine event",
        "A change at the site that has nothing to do with the retrofit, such as new "
        "equipment or a closed floor.",
        IPMVP,
    ),
    Term(
        "non-routine adjustment",
        "The correction for a non-routine event, with its own error.",
        IPMVP,
        "",
        "energy",
        "Positive: it raises the saving.",
    ),
    Term(
        "static factor",
        "Something taken as unchanged by the model, such as floor area in use; written down "
        "so that a change can be seen.",
        IPMVP,
    ),
    Term(
        "avoided energy",
        "Adjusted baseline less measured use, with non-routine adjustments: the saving in "
        "the reporting period.",
        IPMVP,
        "S",
        "energy",
        "Positive: less was used than expected.",
    ),
    Term(
        "normalised savings",
        "The saving in a year at normal conditions: both periods' models at the same normal "
        "weather and calendar.",
        IPMVP,
        "",
        "energy a year",
        "Positive: less would be used.",
    ),
    Term(
        "estimated savings",
        "The saving that was promised or calculated before the works.",
        UMP,
        "",
        "energy a year",
    ),
    Term(
        "verified savings",
        "The saving that the meter shows, for a year at normal conditions.",
        UMP,
        "",
        "energy a year",
    ),
    Term("realisation rate", "Verified savings divided by estimated savings.", UMP),
    Term(
        "range and confidence",
        "The range made by this method holds the true figure in the stated share of cases.",
        TRADE,
    ),
    Term("half-width", "Half the length of the range: the ± of a figure.", TRADE, "h", "energy"),
    Term(
        "drift",
        "Change of a building's use from one year to the next that neither weather nor "
        "calendar explains; measured on buildings without a retrofit.",
        "own study of 121 buildings on an open data set (Langtry & Choudhary 2024)",
        "τ",
        "share of P",
    ),
    Term(
        "minimum detectable saving",
        "The smallest saving, as a share of the adjusted baseline, whose range at this meter "
        "would lie clear of zero.",
        TRADE,
        "",
        "%",
    ),
    Term(
        "fractional savings uncertainty",
        "Half-width of the range divided by the saving.",
        G14,
        "ΔS/S",
    ),
    Term(
        "forms 1P to 5P",
        "Shapes of the model: 1P a level; 2P a line; 3PH and 3PC a level with a heating or a "
        "cooling "
        "slope beyond a change point; 4P two slopes that meet; 5P both slopes with a level "
        "between.",
        G14,
    ),
    Term("change point", "The temperature at which the model's slope changes.", G14, "", "°C"),
    Term(
        "balance point",
        "The outdoor temperature at which a building needs neither heating nor cooling.",
        TRADE,
        "",
        "°C",
    ),
    Term(
        "degree day",
        "One degree of difference between a base temperature and a day's mean temperature.",
        TRADE,
        "HDD, CDD",
        "°C·day",
    ),
    Term(
        "CV(RMSE)",
        "Scatter of the model's errors divided by mean use: how closely the model follows "
        "single days or bills.",
        G14,
        "CV(RMSE)",
        "%",
    ),
    Term(
        "NMBE",
        "Mean error of the model divided by mean use, with the parameters allowed for.",
        G14,
        "NMBE",
        "%",
    ),
    Term(
        "R²",
        "Share of the variation of use that the model explains; low where use is steady, "
        "which is no fault.",
        G14,
        "R²",
    ),
    Term("autocorrelation", "How much one day's error resembles the next day's.", G14, "ρ"),
    Term(
        "placebo trial",
        "A retrofit that never happened, verified as if it had: what it shows is the "
        "method's error.",
        TRADE,
    ),
    Term(
        "comparison site",
        "A site without a retrofit that shows what happened anyway; it counts in no total.",
        TRADE,
    ),
    Term(
        "coincidence factor",
        "Share of the connected saving that falls into the time of peak demand.",
        UMP,
    ),
    Term(
        "interactive factor",
        "Multiplier for what less heat from lamps does to cooling and heating.",
        UMP,
    ),
    Term(
        "hours of use",
        "Hours a year for which a light is on at full power.",
        UMP,
        "",
        "hours a year",
    ),
    Term(
        "rate",
        "What energy costs: prices for energy, demand, time of use, blocks, and fixed charges.",
        TRADE,
    ),
    Term(
        "demand",
        "Power averaged over the meter's demand interval; many rates charge for its highest "
        "value in a month.",
        TRADE,
        "",
        "kW",
    ),
    Term("net cost", "What the retrofit cost, less the incentive received.", TRADE, "", "currency"),
    Term(
        "simple payback",
        "Net cost divided by cost savings a year, without discounting.",
        HB135,
        "",
        "years",
    ),
    Term(
        "net present value",
        "All cash flows in today's money at the discount rate, less the net cost.",
        HB135,
        "NPV",
        "currency",
        "Positive: worth more than it cost.",
    ),
    Term(
        "internal rate of return",
        "The discount rate at which the net present value is zero.",
        HB135,
        "IRR",
        "%",
    ),
    Term(
        "savings-to-investment ratio",
        "Present value of the savings divided by that of the investment.",
        HB135,
        "SIR",
    ),
    Term("interim", "Said of a report whose reporting period is not complete.", IPMVP),
)
