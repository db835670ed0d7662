"""What a site's report says beside its plan: the running verdict, and the loggers' own result.

Page models for `plan_sections.html`; made from the result alone.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from mv.report.format import NOT_GIVEN, Figure, Name, Say, Sentence, date, sentence
from mv.report.rows import Row
from mv.results import SiteResult

AGREE = {
    True: "the difference is smaller than both ranges allow",
    False: "the difference is larger than both ranges allow",
}


def early_section(site: SiteResult, say: Say) -> dict[str, Any] | None:
    """The running verdict; None where no month of reporting is measured."""
    early = site.early
    if not early:
        return None
    looks = early["looks"]
    return {
        "words": early["words"],
        "drift": _drift(early, site.unit, say),
        "rows": [
            Row(
                date(look["end"]),
                (
                    look["verdict"],
                    *(
                        say.figure(look[k], site.unit, f"early.looks.{i}.{k}")
                        if look[k] is not None
                        else Figure("open")
                        for k in ("value", "low", "high")
                    ),
                    say.figure(look["estimated"], site.unit, f"early.looks.{i}.estimated"),
                ),
            )
            for i, look in enumerate(looks)
        ],
    }


def _drift(early: Mapping[str, Any], unit: str, say: Say) -> Sentence:
    if early["shortfall"] is None:
        return sentence("No estimate was given to compare with.")
    amount = say.figure(abs(early["shortfall"]), unit, "")
    money = early["shortfall_money"]
    worth = sentence("")
    if money is not None:
        worth = sentence(", worth {m}", m=say.money(abs(money), ""))
    side = "less" if early["shortfall"] > 0 else "more"
    where = "outside" if early["drifting"] else "inside"
    return sentence(
        f"So far {{a}} {side} than estimated was saved{{w}}; the estimate lies {where} the range "
        "for repeated looks.",
        a=amount,
        w=worth,
    )


def isolation_section(site: SiteResult, say: Say) -> dict[str, Any] | None:
    """The loggers' result beside the meter's; None where there are no loggers."""
    made = site.isolation
    if not made:
        return None
    difference = made.get("difference")
    rows = [_spread("lighting alone, a year", made["saving"], "isolation.saving", say)]
    rows.append(
        _spread("the same as the main meter sees it", made["at_the_meter"],
                "isolation.at_the_meter", say)
    )  # fmt: skip
    if difference:
        rows.append(
            _spread("whole facility, a year", difference["whole_facility"],
                    "isolation.difference.whole_facility", say)
        )  # fmt: skip
        rows.append(
            _spread("whole facility less lighting alone", difference["difference"],
                    "isolation.difference.difference", say, AGREE[difference["agree"]])
        )  # fmt: skip
    return {
        "words": made["words"],
        "verdict": difference["words"] if difference else "",
        "agreed": sentence(
            "{share} of the saving rests on hours or watts that were agreed, not measured.",
            share=say.percent(made["agreed_share"], "isolation.agreed_share"),
        ),
        "rows": rows,
        "hours": [_hours(h, i, say) for i, h in enumerate(made.get("hours", ()))],
        "caveats": [Name(c) for c in made["caveats"]],
        "loggers": [_logger(x, i, say) for i, x in enumerate(made.get("loggers", ()))],
    }


def _spread(label: str, told: Mapping[str, Any], path: str, say: Say, note: str = "") -> Row:
    half = 0.0
    if told["low"] is not None and told["high"] is not None:
        half = (told["high"] - told["low"]) / 2
    return Row(
        label,
        tuple(
            say.figure(told[k], told["unit"], f"{path}.{k}", half=half)
            for k in ("value", "low", "high")
        ),
        note=note,
    )


def _hours(group: Mapping[str, Any], i: int, say: Say) -> Row:
    path = f"isolation.hours.{i}"
    half = (group["high"] - group["low"]) / 2
    needed = group["loggers_for_ten_percent"]
    return Row(
        Name(group["usage_group"] or "all"),
        (
            f"{group['period']} the works",
            say.figure(group["hours"], "h", f"{path}.hours", half=half),
            say.figure(group["low"], "h", f"{path}.low", half=half),
            say.figure(group["high"], "h", f"{path}.high", half=half),
            say.whole(group["loggers"], f"{path}.loggers"),
            say.whole(group["population"], f"{path}.population"),
            say.whole(needed, f"{path}.loggers_for_ten_percent") if needed else NOT_GIVEN,
        ),
        note=Name(group["caveat"]),
    )


def _logger(line: Mapping[str, Any], i: int, say: Say) -> Row:
    path = f"isolation.loggers.{i}"
    return Row(
        Name(line["logger"]),
        (
            Name(line["usage_group"]),
            date(line["first"]),
            date(line["last"]),
            say.figure(line["on_hours"], "h", f"{path}.on_hours"),
            say.figure(line["logged_hours"], "h", f"{path}.logged_hours"),
            say.percent(line["share"], f"{path}.share"),
            Name(line["source"]),
        ),
    )


def drifting_rows(lines: Sequence[Mapping[str, Any]], say: Say) -> list[Row]:
    """Sites off their estimate, the most money first, for the portfolio's page."""
    return [
        Row(
            Name(x["name"]),
            (
                say.whole(x["months"], ""),
                say.figure(x["measured"], x["unit"], ""),
                say.figure(x["estimated"], x["unit"], ""),
                say.money(x["shortfall_money"], ""),
                "outside its range" if x["outside"] else "within its range",
            ),
            note="interim" if x["interim"] else "complete",
        )
        for x in lines
    ]
