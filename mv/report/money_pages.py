"""The money section of a site's page, worded: costs, savings, payback, worth, rate, bridges."""

from __future__ import annotations

from typing import Any

from mv.report import text
from mv.report.charts.bridge import decimals
from mv.report.format import NOT_GIVEN, Figure, Name, Say, sentence, unit_words
from mv.report.outcome import follow
from mv.report.rows import Plain, Row
from mv.results import Bridge, Money, Months, SiteResult


def money(site: SiteResult, say: Say, how: dict[str, Any]) -> dict[str, Any] | None:
    """Everything the money section prints; None where no cost and no rate was given."""
    m = site.money
    if m is None:
        return None
    return {
        "rows": _beside(m, say, how),
        "rate": Name(m.rate or NOT_GIVEN),
        "rate_source": Name(m.rate_source or NOT_GIVEN),
        "price": say.figure(m.price, f"{m.currency} a {m.price_unit}", "money.price"),
        "price_how": follow("money.price", how),
        "cost_lines": _cost_lines(m, say),
        "billed": _plain_table(m.billed_against_computed, "money.billed_against_computed", say),
        "incentive": _mapping_rows(m.incentive, say),
        "emissions": _mapping_rows(m.emissions, say),
        "bridges": [_bridge(i, b, say) for i, b in enumerate(m.bridges)],
        "notes": [Name(n) for n in m.notes],
        "level": text.confidence_words(site.confidence),
    }


def _months(m: Months | None, path: str, say: Say) -> tuple[Any, Any]:
    """Payback and its range, in words where it can't be computed."""
    if m is None:
        return Figure(NOT_GIVEN), ""
    if m.months is None:
        return Name(m.words or "none"), ""
    value = say.years(m.months, f"{path}.months")
    if m.low is None:
        return value, ""
    low = say.years(m.low, f"{path}.low")
    if m.high is None:
        return value, sentence("at least {low}, no upper limit", low=low)
    high = say.years(m.high, f"{path}.high")
    return value, sentence(
        "{low} to {high}", low=Figure(low.text, "", low.path, low.value), high=high
    )


def _beside(m: Money, say: Say, how: dict[str, Any]) -> list[Row]:
    """Estimate beside realised, line by line."""

    def amount(name: str) -> Figure:
        return say.money(getattr(m, name), f"money.{name}")

    def spread(interval, path: str) -> tuple[Any, Any]:
        told = say.money_interval(interval, path)
        if told is None:
            return Figure(NOT_GIVEN), ""
        if told["low"].value is None:
            return told["value"], ""
        low = Figure(told["low"].text, "", told["low"].path, told["low"].value)
        return told["value"], sentence("{low} to {high}", low=low, high=told["high"])

    yearly, yearly_range = spread(m.annual_cost_savings, "money.annual_cost_savings")
    total, total_range = spread(m.cost_savings, "money.cost_savings")
    planned, _ = _months(m.simple_payback_estimated, "money.simple_payback_estimated", say)
    found, found_range = _months(m.simple_payback_realised, "money.simple_payback_realised", say)
    rows = [
        Row("Cost before incentive", (amount("cost_estimated"), amount("cost_actual"), "")),
        Row("Incentive", (amount("incentive_estimated"), amount("incentive_actual"), "")),
        Row(
            "Net cost",
            (amount("net_cost_estimated"), amount("net_cost"), ""),
            follow("money.net_cost", how),
            "",
            "total",
        ),
        Row(
            "Cost savings a year",
            (amount("annual_cost_savings_estimated"), yearly, yearly_range),
            follow("money.annual_cost_savings.value", how),
        ),
        Row(
            "Cost savings in the reporting period",
            ("", total, total_range),
            follow("money.cost_savings.value", how),
        ),
        Row(
            "Simple payback",
            (planned, found, found_range),
            follow("money.simple_payback_realised.months", how),
            "",
            "total",
        ),
    ]
    if m.recovered is not None:
        back, back_range = spread(m.recovered, "money.recovered")
        share = say.percent(m.recovered_fraction, "money.recovered_fraction")
        rows.append(
            Row(
                "Recovered so far",
                ("", sentence("{a} ({b})", a=back, b=share), back_range),
                follow("money.recovered.value", how),
            )
        )
    if m.maintenance_savings is not None:
        rows.append(
            Row(
                "Maintenance saved a year",
                (amount("maintenance_savings"), "", ""),
                note="as stated; no meter shows it, and no total holds it",
            )
        )
    if m.npv is not None or m.npv_estimated is not None:
        worth, worth_range = spread(m.npv, "money.npv")
        rows.append(
            Row(
                "Net present value",
                (
                    say.figure(m.npv_estimated, m.currency, "money.npv_estimated"),
                    worth,
                    worth_range,
                ),
                follow("money.npv.value", how),
            )
        )
    if m.irr is not None or m.irr_estimated is not None:
        rate = say.percent(m.irr.value, "money.irr.value", digits=3) if m.irr else Figure(NOT_GIVEN)
        rows.append(
            Row(
                "Internal rate of return",
                (
                    say.percent(m.irr_estimated, "money.irr_estimated", digits=3),
                    rate,
                    _ends(m.irr, "money.irr", say, percent=True),
                ),
                follow("money.irr.value", how),
            )
        )
    if m.savings_to_investment is not None or m.savings_to_investment_estimated is not None:
        found_sir = m.savings_to_investment
        rows.append(
            Row(
                "Savings-to-investment ratio",
                (
                    say.figure(
                        m.savings_to_investment_estimated,
                        "",
                        "money.savings_to_investment_estimated",
                    ),
                    say.figure(
                        found_sir.value if found_sir else None,
                        "",
                        "money.savings_to_investment.value",
                    ),
                    _ends(found_sir, "money.savings_to_investment", say),
                ),
                follow("money.savings_to_investment.value", how),
            )
        )
    return rows


def _ends(interval, path: str, say: Say, *, percent: bool = False):
    if interval is None or interval.low is None or interval.high is None:
        return ""
    make = say.percent if percent else lambda v, p: say.figure(v, "", p)
    return sentence(
        "{a} to {b}", a=make(interval.low, f"{path}.low"), b=make(interval.high, f"{path}.high")
    )


def _cost_lines(m: Money, say: Say) -> list[Row]:
    """One line per component of the rate: both loads priced."""
    rows = []
    for i, line in enumerate(m.cost_lines):
        path = f"money.cost_lines[{i}]"
        cells = [
            say.money(line.get(key), f"{path}.{key}")
            for key in ("baseline_cost", "measured_cost", "saving")
        ]
        rows.append(Row(Name(str(line.get("name", ""))), (*cells, Name(str(line.get("how", ""))))))
    return rows


def _plain_table(table: list[dict[str, Any]], path: str, say: Say) -> Plain | None:
    if not table:
        return None
    head = list(dict.fromkeys(k for row in table for k in row))
    rows = []
    for i, row in enumerate(table):
        cells = []
        for key in head:
            value = row.get(key)
            if isinstance(value, int | float) and not isinstance(value, bool):
                cells.append(say.figure(float(value), "", f"{path}[{i}].{key}", digits=4))
            else:
                cells.append(Name("" if value is None else str(value)))
        rows.append(tuple(cells))
    return Plain([h.replace("_", " ") for h in head], rows)


def _mapping_rows(mapping: dict[str, Any], say: Say) -> list[Row]:
    rows = []
    for key, value in mapping.items():
        label = Name(key.replace("_", " "))
        if isinstance(value, dict | list):
            continue
        if isinstance(value, int | float) and not isinstance(value, bool):
            rows.append(Row(label, (say.number(float(value), 4),)))
        elif value not in (None, ""):
            rows.append(Row(label, (Name(str(value)),)))
    return rows


def _bridge(i: int, b: Bridge, say: Say) -> dict[str, Any]:
    path = f"money.bridges[{i}]"

    digits = decimals(b)

    def figure(value: float, where: str, unit: str = b.unit) -> Figure:
        return Figure(say.fixed(value, digits), unit_words(unit), where, float(value))

    rows = [Row(Name(b.start_label), (figure(b.start, f"{path}.start"), "", ""), mark="total")]
    for j, s in enumerate(b.steps):
        spread = ""
        if s.low is not None and s.high is not None:
            spread = sentence(
                "{a} to {b}",
                a=figure(s.low, f"{path}.steps[{j}].low", ""),
                b=figure(s.high, f"{path}.steps[{j}].high"),
            )
        rows.append(
            Row(
                Name(s.name),
                (figure(s.amount, f"{path}.steps[{j}].amount"), spread, Name(s.responsible)),
                note=Name(s.note),
            )
        )
    rows.append(Row(Name(b.end_label), (figure(b.end, f"{path}.end"), "", ""), mark="total"))
    return {
        "key": b.name,
        "chart": f"bridge_{b.name}",
        "title": BRIDGE_TITLES.get(b.name, b.name.replace("_", " ")),
        "rows": rows,
        "method": Name(b.method),
        "words": Name(b.words),
    }


BRIDGE_TITLES = {
    "savings": "From the estimated to the realised cost savings",
    "payback": "From the estimated to the realised payback",
    "bill": "From last year's bill to this year's",
}
