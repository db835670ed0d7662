"""The tables of a portfolio's page, worded: totals, estimates, money, groups, trials."""

from __future__ import annotations

from typing import Any

from mv.quantity import Interval
from mv.report import text
from mv.report.format import NOT_GIVEN, Figure, Name, Say, Sentence, sentence
from mv.report.rows import Row
from mv.results import CarrierTotal, PortfolioResult

MOST_RANKED = 20
"""Sites listed as below their estimate; all stand in the table of sites."""


def carrier_tables(totals: list[CarrierTotal], say: Say, level: str) -> list[dict[str, Any]]:
    """One table a carrier: from its adjusted baseline to its realisation rate, both bounds."""
    out = []
    for i, t in enumerate(totals):
        path = f"totals[{i}]"
        told = say.interval(t.avoided_energy, f"{path}.avoided_energy")
        half = t.avoided_energy.half_width or 0.0
        bound = {
            k: say.figure(getattr(t.conservative, k), t.unit, f"{path}.conservative.{k}", half=half)
            for k in ("value", "low", "high")
        }

        def energy(name: str, t=t, path=path, half=half) -> Figure:
            return say.figure(getattr(t, name), t.unit, f"{path}.{name}", half=half)

        rows = [
            Row("Sites counted", (say.whole(t.sites, f"{path}.sites"), "")),
            Row("Adjusted baseline", (energy("adjusted_baseline"), "")),
            Row("Measured", (energy("measured"), "")),
            Row("Non-routine adjustments", (energy("non_routine_adjustment"), "")),
            Row(
                "Avoided energy",
                (told["value"], both_ends(told["low"], told["high"])),
                mark="total",
                note=f"at {level}; site ranges in quadrature{_widened(t.widening)}, "
                "and what all share added straight",
            ),
            Row(
                "The same, all errors alike",
                (bound["value"], both_ends(bound["low"], bound["high"])),
                note="the conservative bound: every site's half-width added straight",
            ),
            Row(
                "Part that all sites share",
                (say.figure(t.common_part, t.unit, f"{path}.common_part"), ""),
            ),
        ]
        if t.annual_verified is not None:
            year = say.interval(t.annual_verified, f"{path}.annual_verified")
            rows.append(
                Row(
                    "Verified savings a year", (year["value"], both_ends(year["low"], year["high"]))
                )
            )
        if t.annual_estimated is not None:
            figure = say.figure(t.annual_estimated, t.unit, f"{path}.annual_estimated", digits=4)
            rows.append(Row("Estimated savings a year, same sites", (figure, "")))
        if t.realisation_rate is not None:
            rate = t.realisation_rate
            parts = {
                k: say.percent(
                    getattr(rate, k), f"{path}.realisation_rate.{k}", half=rate.half_width or 0
                )
                for k in ("value", "low", "high")
            }
            rows.append(
                Row("Realisation rate", (parts["value"], both_ends(parts["low"], parts["high"])))
            )
        out.append({"carrier": text.carrier_label(t.carrier), "rows": rows})
    return out


def money_rows(result: PortfolioResult, say: Say) -> list[Row]:
    """Estimate beside realised, for the sites that count."""
    money = result.money

    def amount(key: str) -> Figure:
        return say.money(_float(money.get(key)), f"money.{key}")

    def spread(key: str) -> tuple[Any, Any]:
        interval = as_interval(money.get(key))
        if interval is None:
            return Figure(NOT_GIVEN), ""
        told = say.money_interval(interval, f"money.{key}")
        return told["value"], bare_ends(told["low"], told["high"])

    if not money:
        return []
    found, planned = money.get("payback") or {}, money.get("payback_estimated") or {}
    low, high = (say.years(found.get(k), f"money.payback.{k}") for k in ("low", "high"))
    rows = [
        Row("Invested, before incentives", ("", amount("invested"), "")),
        Row("Net cost", (amount("net_cost_estimated"), amount("net_cost"), "")),
        Row(
            "Cost savings a year",
            (amount("annual_cost_savings_estimated"), *spread("annual_cost_savings")),
        ),
        Row("Cost savings in the reporting periods", ("", *spread("cost_savings"))),
        Row(
            "Simple payback",
            (
                say.years(planned.get("months"), "money.payback_estimated.months"),
                say.years(found.get("months"), "money.payback.months"),
                bare_ends(low, high),
            ),
            mark="total",
        ),
    ]
    if _float(money.get("recovered")) is not None:
        share = say.percent(money.get("recovered_fraction"), "money.recovered_fraction")
        rows.append(
            Row("Recovered so far", ("", sentence("{a} ({b})", a=amount("recovered"), b=share), ""))
        )
    left = _float(money.get("net_cost_left_out"))
    if left:
        rows.append(Row("Net cost of sites left out", ("", amount("net_cost_left_out"), "")))
    return rows


def _widened(factor: float) -> str:
    if factor == 1:
        return ""
    return f" times {factor:.2f}, as sums of the placebo trials' false savings need it"


def _float(value: Any) -> float | None:
    return float(value) if isinstance(value, int | float) and not isinstance(value, bool) else None


def ranked(result: PortfolioResult, say: Say, hrefs: dict[str, str]) -> list[dict[str, Any]]:
    """Sites below their estimate, by the money that is missing."""
    names = {s.site: s.name or s.site for s in result.sites}
    out = []
    for i, entry in enumerate((result.money.get("ranked") or [])[:MOST_RANKED]):
        key = str(entry.get("site", ""))
        short = entry.get("shortfall")
        if short is None or short <= 0:
            continue
        path = f"money.ranked[{i}]"
        low, high = (say.money(entry.get(k), f"{path}.{k}") for k in ("low", "high"))
        out.append(
            {
                "name": names.get(key, key),
                "href": hrefs.get(key, ""),
                "estimated": say.money(entry.get("estimated"), f"{path}.estimated"),
                "verified": say.money(entry.get("verified"), f"{path}.verified"),
                "range": bare_ends(low, high),
                "short": say.money(short, f"{path}.shortfall"),
                "why": "the whole range lies below the estimate"
                if entry.get("clear")
                else "the range holds the estimate",
            }
        )
    return out


def estimated_rows(result: PortfolioResult, say: Say) -> list[Row]:
    """Estimated savings: entered = used + not verifiable + not yet due, by carrier."""
    carriers: dict[str, dict[str, float]] = {}
    for key, value in result.estimated.items():
        carrier, _, which = key.rpartition("/")
        carriers.setdefault(carrier, {})[which] = value
    units = {t.carrier: t.unit for t in result.totals}
    units |= {s.carrier: s.unit for s in result.sites}
    return [
        Row(
            text.carrier_label(carrier),
            tuple(
                Figure("none")
                if which not in parts
                else say.figure(
                    parts[which],
                    units.get(carrier, ""),
                    f"estimated[{carrier}/{which}]",
                    digits=4,
                )
                for which in ("entered", "used", "not_verifiable", "not_yet_due")
            ),
        )
        for carrier, parts in carriers.items()
    ]


def group_rows(groups: list[dict[str, Any]], say: Say) -> list[Row]:
    """One line a group and carrier: pooled saving with its range."""
    rows = []
    for i, row in enumerate(groups):
        path = f"groups[{i}]"
        pooled = as_interval(row.get("avoided_energy"))
        if pooled is None:
            continue
        told = say.interval(pooled, f"{path}.avoided_energy")
        half = pooled.half_width or 0.0
        base = say.figure(
            _float(row.get("adjusted_baseline")),
            pooled.unit,
            f"{path}.adjusted_baseline",
            half=half,
        )
        rows.append(
            Row(
                Name(str(row.get("group", ""))),
                (
                    text.carrier_label(str(row.get("carrier", ""))),
                    say.whole(row.get("sites"), f"{path}.sites"),
                    base,
                    told["value"],
                    bare_ends(told["low"], told["high"]),
                    told["fraction"],
                ),
            )
        )
    return rows


def trial_rows(placebo: dict[str, Any], say: Say) -> list[dict[str, Any]]:
    """How often the range of the placebo trial held zero, by carrier, beside what was claimed."""
    out = []
    for carrier, told in placebo.items():
        if not isinstance(told, dict):
            continue
        path = f"placebo.{carrier}"
        rows = [
            Row(
                say.percent(line.get("claimed"), f"{path}.coverage[{i}].claimed"),
                (
                    say.percent(line.get("achieved"), f"{path}.coverage[{i}].achieved"),
                    say.percent(line.get("false_verdicts"), f"{path}.coverage[{i}].false_verdicts"),
                    say.whole(line.get("trials"), f"{path}.coverage[{i}].trials"),
                ),
            )
            for i, line in enumerate(told.get("coverage") or [])
        ]
        out.append(
            {
                "carrier": text.carrier_label(carrier),
                "words": Name(str(told.get("words") or "")),
                "rows": rows,
            }
        )
    return out


def as_interval(value: Any) -> Interval | None:
    """An interval from itself or from its mapping."""
    if isinstance(value, Interval) or value is None:
        return value
    names = Interval.__dataclass_fields__
    return Interval(**{k: v for k, v in value.items() if k in names})


def both_ends(low: Figure, high: Figure) -> Sentence | str:
    """`low to high`, the unit once; empty where an end is missing."""
    if low.value is None or high.value is None:
        return ""
    return sentence("{a} to {b}", a=Figure(low.text, "", low.path, low.value), b=high)


def bare_ends(low: Figure, high: Figure) -> Sentence | str:
    """Both ends without a unit, for a column beside the value."""
    if low.value is None or high.value is None:
        return ""
    ends = (Figure(f.text, "", f.path, f.value) for f in (low, high))
    return sentence("{a} to {b}", **dict(zip("ab", ends, strict=True)))


def sampling_section(sampling: dict[str, Any], say: Say) -> dict[str, Any] | None:
    """The total of a sampled frame: design, what was verified, precision reached, strata."""
    if not sampling:
        return None
    unit = str(sampling.get("unit") or "")
    rows = []
    total = as_interval(sampling.get("combined"))
    if total is not None:
        told = say.interval(total, "sampling.combined")
        rows.append(
            Row("Total of the frame, a year", (told["value"], bare_ends(told["low"], told["high"])))
        )
    rate = as_interval(sampling.get("realisation_rate"))
    if rate is not None:
        half = rate.half_width or 0.0
        parts = {
            k: say.percent(getattr(rate, k), f"sampling.realisation_rate.{k}", half=half)
            for k in ("value", "low", "high")
        }
        ends = bare_ends(parts["low"], parts["high"])
        rows.append(Row("Realisation rate of the frame", (parts["value"], ends)))
    for label, key in (("Sites in the frame", "frame"), ("Sites verified", "verified")):
        if key in sampling:
            rows.append(Row(label, (say.whole(sampling[key], f"sampling.{key}"), "")))
    for label, key in (
        ("Precision reached", "achieved_precision"),
        ("Precision planned", "planned_precision"),
    ):
        if key in sampling:
            rows.append(Row(label, (say.percent(sampling[key], f"sampling.{key}"), "")))
    if "seed" in sampling:
        rows.append(Row("Seed of the draw", (say.whole(sampling["seed"], "sampling.seed"), "")))
    strata = [
        Row(
            Name(str(line.get("name", ""))),
            (
                say.whole(line.get("size"), f"sampling.strata[{i}].size"),
                say.whole(line.get("verified"), f"sampling.strata[{i}].verified"),
                say.figure(line.get("estimated"), unit, f"sampling.strata[{i}].estimated"),
                say.percent(line.get("ratio"), f"sampling.strata[{i}].ratio"),
            ),
        )
        for i, line in enumerate(sampling.get("strata") or [])
    ]
    return {"words": Name(str(sampling.get("words") or "")), "rows": rows, "strata": strata}
