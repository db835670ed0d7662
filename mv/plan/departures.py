"""In what does a report differ from the plan that was agreed?

Every difference is one line: what, as planned, as it is now.  None is an error, none is silent.
Whatever only time can bring (further readings, a reporting period that still runs) is no
departure.

`departures` takes the frozen plan as it was read, a site's result and its description, and
returns plain mappings for the result's `departures`.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from typing import Any

from mv.plan.frozen import site_of
from mv.portfolio.schema import SiteDescription
from mv.results import PortfolioResult, SiteResult

SAME_RELATIVE = 1e-6
"""Numbers that differ by less, relatively, are the same (a thousandth of the digits printed)."""

PERIODS = {
    "baseline_start": "start of the baseline period",
    "baseline_end": "end of the baseline period",
    "installation_start": "start of the works",
    "installation_end": "end of the works",
}

METER_FIELDS = (
    "carrier",
    "data",
    "file",
    "unit",
    "multiplier",
    "boundary",
    "rate",
    "heat_content",
    "flow",
    "stamp",
    "time_zone",
)

RETROFIT_FIELDS = (
    "title",
    "carrier",
    "estimated_savings",
    "estimated_savings_unit",
    "estimated_demand_savings",
    "estimated_cost",
    "estimated_incentive",
    "measure_life",
    "responsible",
)
"""What was promised; what it came to (actual cost, incentive paid) is no departure."""

FIXTURE_FIELDS = (
    "count_before",
    "watts_before",
    "count_after",
    "watts_after",
    "hours_before",
    "hours_after",
    "control_savings",
    "interactive_factor",
    "heating_penalty",
)

SETTINGS_ASIDE = {"name", "client", "contractor", "reviewer", "prepared_by", "reference", "paper"}
"""Settings that change no figure: names on the title page and the paper."""

NONE = "none"


def departures(
    plan: Mapping[str, Any], result: SiteResult, description: SiteDescription
) -> list[dict[str, Any]]:
    """Differences between a frozen plan and one site's report.

    Keys of each: `kind` (period, model, rate, exclusion, event, settings, meter, calendar,
    weather, estimate, schedule, static factor, version), `what`, `planned`, `now`.
    Empty where the site does as planned; one line where the plan does not hold the site.
    """
    own = site_of(plan, result.site)
    if result.role == "comparison":
        return []  # nothing is planned for it
    if own is None:
        return [_line("plan", "the site", "not in the plan", "in the report")]
    found: list[dict[str, Any]] = []
    if own["status"] != "planned":
        if result.verdict != "not verifiable":
            found.append(
                _line("plan", "the site", f"not plannable: {own['reason']}", result.verdict)
            )
        found += _settings(plan.get("settings", {}), description)
        return found
    found += _periods(own["periods"], result)
    found += _model(own, result)
    found += _exclusions(own, result)
    found += _meters(own["meters"], result, description)
    found += _rates(own, description)
    found += _events(own["events"], description)
    found += _calendar(own["calendar"], result, description)
    found += _fields(
        "weather",
        own["weather"],
        {
            "station": description.weather.station,
            "file": description.weather.file,
            "normal_file": description.weather.normal_file,
        },
        ("station", "file", "normal_file"),
        "weather",
    )
    found += _retrofits(own["retrofits"], description)
    found += _fixtures(own["fixtures"], description)
    found += _static_factors(own["static_factors"], description)
    found += _settings(plan.get("settings", {}), description)
    return found


def portfolio_departures(plan: Mapping[str, Any], result: PortfolioResult) -> list[dict[str, Any]]:
    """Differences that belong to no single site: sites gained or lost, version, title."""
    found = []
    planned = {s["site"] for s in plan.get("sites", ())}
    now = {s.site for s in result.sites if s.role != "comparison"}
    found += [_line("plan", f"site {s}", "planned", NONE) for s in sorted(planned - now)]
    found += [_line("plan", f"site {s}", NONE, "reported") for s in sorted(now - planned)]
    if plan.get("method_version") != result.method_version:
        found.append(
            _line("version", "version of the method", plan.get("method_version"),
                  result.method_version)
        )  # fmt: skip
    if plan.get("currency") != result.currency:
        found.append(_line("settings", "currency", plan.get("currency"), result.currency))
    return found


def _periods(planned: Mapping[str, Any], result: SiteResult) -> list[dict[str, Any]]:
    periods = result.periods
    if periods is None:
        return [_line("period", "periods", "as planned", f"none: {result.reason}")]
    found = [
        _line("period", what, planned[name], getattr(periods, name))
        for name, what in PERIODS.items()
        if planned[name] != getattr(periods, name)
    ]
    end = planned["reporting_end"]
    if not result.interim and result.due and periods.reporting_end != end:
        found.append(_line("period", "end of the reporting period", end, periods.reporting_end))
    return found


def _model(own: Mapping[str, Any], result: SiteResult) -> list[dict[str, Any]]:
    planned, model = own["model"], result.model
    if model is None:
        return [_line("model", "model", planned["formula"], f"none: {result.reason}")]
    found = []
    for name, what in (("granularity", "rows of the model"), ("family", "family of the model"),
                       ("form", "form of the model")):  # fmt: skip
        if planned[name] != getattr(model, name):
            found.append(_line("model", what, planned[name], getattr(model, name)))
    if not found:
        terms = {t["name"]: t["value"] for t in planned["terms"]}
        points = planned["change_points"]
        same = (
            terms.keys() == model.coefficients.keys()
            and all(_close(terms[k], model.coefficients[k]) for k in terms)
            and len(points) == len(model.change_points)
            and all(_close(a, b) for a, b in zip(points, model.change_points, strict=True))
        )
        if not same:
            found.append(_line("model", "coefficients", planned["formula"], model.formula))
    if result.baseline_energy is not None and not _close(
        own["baseline"]["energy"], result.baseline_energy
    ):
        found.append(
            _line(
                "model",
                f"baseline use, {result.unit}",
                own["baseline"]["energy"],
                result.baseline_energy,
            )
        )
    return found


def _exclusions(own: Mapping[str, Any], result: SiteResult) -> list[dict[str, Any]]:
    """Baseline rows left out, by rule where the series is at hand, in days otherwise."""
    rows = None
    if result.series is not None:
        rows = result.series.daily or result.series.bills
    if rows:
        now: dict[str, int] = {}
        for period, status in zip(rows["period"], rows["status"], strict=True):
            if period == "baseline" and status != "used":
                now[status] = now.get(status, 0) + 1
        what = own["baseline"]["of"]
        planned = own["excluded"]
        return [
            _line("exclusion", f"baseline {what} left out: {rule}", planned.get(rule, 0),
                  now.get(rule, 0))
            for rule in sorted({*planned, *now})
            if planned.get(rule, 0) != now.get(rule, 0)
        ]  # fmt: skip
    if result.periods is None:
        return []
    used = own["periods"]["baseline_days_used"]
    if not _close(used, result.periods.baseline_days_used):
        return [_line("exclusion", "baseline days used", used, result.periods.baseline_days_used)]
    return []


def _meters(planned: list, result: SiteResult, description: SiteDescription) -> list[dict]:
    now = {
        m.meter: m.model_dump(mode="json") for m in description.meters if m.meter in result.meters
    }
    return _keyed("meter", planned, now, "meter", METER_FIELDS)


def _rates(own: Mapping[str, Any], description: SiteDescription) -> list[dict[str, Any]]:
    """Rates that the site's meters name: gained, lost, or with other contents."""
    named = {m.rate for m in description.meters if m.rate}
    now = {b.key: b.values for b in description.rates if b.key in named}
    found = []
    for key in sorted({*own["rates"], *now}):
        before, after = own["rates"].get(key), now.get(key)
        if before is None or after is None:
            found.append(_line("rate", f"rate {key}", _there(before), _there(after)))
            continue
        flat_before, flat_after = _flat(before), _flat(after)
        for name in sorted({*flat_before, *flat_after}):
            if not _same(flat_before.get(name), flat_after.get(name)):
                found.append(
                    _line("rate", f"rate {key}, {name}", flat_before.get(name),
                          flat_after.get(name))
                )  # fmt: skip
    return found


def _events(planned: list, description: SiteDescription) -> list[dict[str, Any]]:
    now = [e.model_dump(mode="json", exclude={"source"}) for e in description.events]
    before = {_event_key(e): e for e in planned}
    after = {_event_key(e): e for e in now}
    found = []
    for key in dict.fromkeys([*before, *after]):
        one, other = before.get(key), after.get(key)
        if one is None or other is None:
            found.append(
                _line("event", f"event: {key[1]}, from {key[0]}", _treated(one), _treated(other))
            )
            continue
        found += _fields("event", one, other,
                         ("end", "treatment", "change", "unit", "standard_error"),
                         f"event: {key[1]}, from {key[0]}")  # fmt: skip
    return found


def _event_key(event: Mapping[str, Any]) -> tuple[str, str, str]:
    return (event["start"], event["what"], event.get("meter") or "")


def _treated(event: Mapping[str, Any] | None) -> str:
    return NONE if event is None else f"treatment {event['treatment']}"


def _calendar(planned: Mapping[str, Any], result: SiteResult, description: SiteDescription):
    found = []
    days = result.operating_days
    if days is not None and planned:
        found += _fields("calendar", planned, {"week": days.week, "origin": days.origin},
                         ("week", "origin"), "operating")  # fmt: skip
    found += _fields(
        "calendar",
        planned,
        {"country": description.site.country, "region": description.site.region},
        ("country", "region"),
        "holidays of the",
    )
    before = {_span(e) for e in planned.get("exceptions", ())}
    after = {_span(d.model_dump(mode="json")) for d in description.operating_days}
    found += [
        _line("calendar", f"days {s[0]} to {s[1]}", s[2], NONE) for s in sorted(before - after)
    ]
    found += [
        _line("calendar", f"days {s[0]} to {s[1]}", NONE, s[2]) for s in sorted(after - before)
    ]
    return found


def _span(row: Mapping[str, Any]) -> tuple[str, str, str]:
    return (row["start"], row["end"], row["day"])


def _retrofits(planned: list, description: SiteDescription) -> list[dict[str, Any]]:
    now = {r.retrofit: r.model_dump(mode="json") for r in description.retrofits}
    return _keyed("estimate", planned, now, "retrofit", RETROFIT_FIELDS)


def _fixtures(planned: list, description: SiteDescription) -> list[dict[str, Any]]:
    """Lines of the lighting schedule, matched by retrofit, space and description in order."""
    before, after = (
        _by_line(planned),
        _by_line([f.model_dump(mode="json", exclude={"source"}) for f in description.fixtures]),
    )
    found = []
    for key in dict.fromkeys([*before, *after]):
        where = f"schedule line {key[1] or key[2] or key[0]}"
        one, other = before.get(key), after.get(key)
        if one is None or other is None:
            found.append(_line("schedule", where, _there(one), _there(other)))
        else:
            found += _fields("schedule", one, other, FIXTURE_FIELDS, where)
    return found


def _by_line(lines: Iterable[Mapping[str, Any]]) -> dict[tuple, Mapping[str, Any]]:
    found: dict[tuple, Mapping[str, Any]] = {}
    for line in lines:
        key = (line["retrofit"], line["space"], line["description"])
        number = 0
        while (*key, number) in found:
            number += 1
        found[(*key, number)] = line
    return found


def _static_factors(planned: list, description: SiteDescription) -> list[dict[str, Any]]:
    now = {f.factor: {"factor": f.factor, "baseline_value": f.baseline_value, "unit": f.unit}
           for f in description.static_factors}  # fmt: skip
    return _keyed("static factor", planned, now, "factor", ("baseline_value", "unit"))


def _settings(planned: Mapping[str, Any], description: SiteDescription) -> list[dict[str, Any]]:
    before, after = _flat(planned), _flat(description.settings.model_dump(mode="json"))
    return [
        _line("settings", f"setting {name}", before.get(name), after.get(name))
        for name in sorted({*before, *after})
        if name.split(".")[0] not in SETTINGS_ASIDE and not _same(before.get(name), after.get(name))
    ]


def _keyed(kind: str, planned: list, now: Mapping[str, Mapping], key: str, names) -> list[dict]:
    """Compare rows by their key: gained, lost, and field by field."""
    before = {row[key]: row for row in planned}
    found = []
    for name in dict.fromkeys([*before, *now]):
        one, other = before.get(name), now.get(name)
        if one is None or other is None:
            found.append(_line(kind, f"{key} {name}", _there(one), _there(other)))
        else:
            found += _fields(kind, one, other, names, f"{key} {name}")
    return found


def _fields(kind: str, before: Mapping, after: Mapping, names, where: str) -> list[dict]:
    return [
        _line(kind, f"{where}, {name}".replace("operating, ", "operating "), before.get(name),
              after.get(name))
        for name in names
        if not _same(before.get(name), after.get(name))
    ]  # fmt: skip


def _flat(values: Any, name: str = "") -> dict[str, Any]:
    """Nested mappings and lists as dotted names."""
    if isinstance(values, Mapping) and values:
        parts = values.items()
    elif isinstance(values, list | tuple) and values:
        parts = enumerate(values)
    else:
        return {name: values} if name else {}
    flat: dict[str, Any] = {}
    for key, value in parts:
        flat |= _flat(value, f"{name}.{key}" if name else str(key))
    return flat


def _close(a: float, b: float) -> bool:
    return math.isclose(a, b, rel_tol=SAME_RELATIVE, abs_tol=1e-12)


def _same(a: Any, b: Any) -> bool:
    if isinstance(a, int | float) and isinstance(b, int | float):
        return _close(float(a), float(b))
    blank = (None, "", [], (), {})
    if a in blank and b in blank:
        return True
    return a == b or str(a) == str(b)


def _there(value: Any) -> str:
    return NONE if value is None else "entered"


def _line(kind: str, what: str, planned: Any, now: Any) -> dict[str, Any]:
    def shown(value: Any) -> Any:
        if value is None or value in ("", [], {}):
            return NONE
        return value if isinstance(value, int | float | str) else str(value)

    return {"kind": kind, "what": what, "planned": shown(planned), "now": shown(now)}
