"""Where each printed figure of a site comes from: formula, values put in, and their source.

A pure function of a site's result.  Every step names another figure by its key, or ends at a
file, a table's line or a published document; so a reader can follow a saving down to the rows
of the file that was read.
"""

from __future__ import annotations

from collections.abc import Iterable

from mv.quantity import Derivation, Step
from mv.results import SiteResult
from mv.wording import percent

IPMVP_AVOIDED = "IPMVP Core Concepts (EVO 10000-1:2016), avoided energy use; from memory"
G14_FRACTION = "ASHRAE Guideline 14-2014, Annex B: savings over the adjusted baseline; from memory"
G14_STATISTICS = "ASHRAE Guideline 14-2014, fit statistics; from memory"
OWN_INTERVAL = "method page of this report: calibrated interval"
UMP_RATE = "Uniform Methods Project: verified over estimated savings; from memory"


def site_derivations(result: SiteResult) -> list[Derivation]:
    """Derivations of a site's energy figures (money brings its own); [] where nothing was
    computed."""
    found: list[Derivation] = []
    if result.avoided_energy is not None:
        found += _energy(result)
        found += _interval(result)
    if result.model is not None:
        found += _model(result)
    if result.annual is not None:
        found += _annual(result)
    return found


def _files(result: SiteResult) -> str:
    """The claimed meters' files with the rows that were used."""
    own = [i for i in result.inputs if i.meter in result.meters]
    return "; ".join(f"{i.file}: {i.rows_used} of {i.rows_read} rows" for i in own)


def _table(result: SiteResult) -> str:
    """The table in which the rows behind a sum stand."""
    kind = "daily" if result.model is None or result.model.granularity != "bills" else "bills"
    return f"tables/{kind}/{result.site}.csv"


def _energy(result: SiteResult) -> Iterable[Derivation]:
    saving, unit, periods = result.avoided_energy, result.unit, result.periods
    rows = f"{periods.reporting_days_used} of {periods.reporting_days}"
    span = f"{periods.reporting_start} to {periods.reporting_end}"
    by_group = result.comparison.get("per_day") or 0.0
    yield Derivation(
        "avoided_energy.value",
        "S = P − M + A",
        saving.value,
        unit,
        IPMVP_AVOIDED,
        (
            Step("P", "adjusted baseline", result.adjusted_baseline, unit, "", "adjusted_baseline"),
            Step("M", "measured use", result.measured, unit, "", "measured"),
            Step(
                "A",
                "non-routine adjustment",
                result.non_routine_adjustment,
                unit,
                "events.csv, treatment adjust; 0 where none is declared",
            ),
        ),
    )
    yield Derivation(
        "adjusted_baseline",
        "P = Σ ŷ(x_t) over the used rows of the reporting period",
        result.adjusted_baseline,
        unit,
        IPMVP_AVOIDED,
        (
            Step("ŷ", "baseline model", result.model.formula, result.model.unit, "", "model"),
            Step("rows", "days used, of all days", rows, "", f"{_table(result)}, {span}"),
            Step(
                "level",
                "recency correction of the level, in ŷ",
                result.model.level_correction - by_group,
                result.model.unit,
                "weighted mean residual at the end of the baseline period",
            ),
            *(
                [
                    Step(
                        "group",
                        "comparison group's change taken off, −u·P ÷ days, in ŷ",
                        by_group,
                        result.model.unit,
                        f"{result.comparison['controls']} sites without a retrofit over the same "
                        f"months: u {result.comparison['companion']:.4f}",
                    )
                ]
                if by_group
                else []
            ),
        ),
    )
    yield Derivation(
        "measured",
        "M = Σ y_t over the same rows",
        result.measured,
        unit,
        IPMVP_AVOIDED,
        (
            Step("y", "readings", _files(result), unit, "files as listed under inputs"),
            Step("rows", "days used, of all days", rows, "", f"{_table(result)}, {span}"),
        ),
    )
    if saving.fraction is not None:
        yield Derivation(
            "avoided_energy.fraction",
            "F = S ÷ P",
            saving.fraction,
            "",
            G14_FRACTION,
            (
                Step("S", "avoided energy", saving.value, unit, "", "avoided_energy.value"),
                Step(
                    "P",
                    "adjusted baseline",
                    result.adjusted_baseline,
                    unit,
                    "",
                    "adjusted_baseline",
                ),
            ),
        )


def _interval(result: SiteResult) -> Iterable[Derivation]:
    how, saving, unit = result.uncertainty, result.avoided_energy, result.unit
    if how is None:
        return
    for end, sign in (("low", "−"), ("high", "+")):
        yield Derivation(
            f"avoided_energy.{end}",
            f"S {sign} H",
            getattr(saving, end),
            unit,
            OWN_INTERVAL,
            (
                Step("S", "avoided energy", saving.value, unit, "", "avoided_energy.value"),
                Step("H", "half-width", how.half_width, unit, "", "uncertainty.half_width"),
            ),
        )
    yield Derivation(
        "uncertainty.half_width",
        "H = q · √(s² + (τ·P)² + other parts²)",
        how.half_width,
        unit,
        OWN_INTERVAL,
        (
            Step(
                "q",
                f"quantile at {percent(how.confidence)} confidence",
                how.quantile,
                "",
                f"Student, {how.degrees_of_freedom:.3g} degrees of freedom, two-sided"
                if how.degrees_of_freedom
                else "from this portfolio's own trial, weighed with the shipped prior",
            ),
            Step("s", "model part", how.model_part, unit, "", "uncertainty.model_part"),
            Step("τ·P", "drift part", how.drift_part, unit, "", "uncertainty.drift_part"),
            *(
                Step(part.name, part.name, part.value, unit, part.source)
                for part in how.parts
                if part.name not in ("model", "drift")
            ),
        ),
    )
    yield Derivation(
        "uncertainty.model_part",
        "s² = NW(a_t·e_t)·n/(n−p) + m·NW(e_t)/(n−p), a = X(XᵀX)⁻¹g, NW Newey-West",
        how.model_part,
        unit,
        next((p.source for p in how.parts if p.name == "model"), OWN_INTERVAL),
        (
            Step("n", "rows of the fit", result.model.n, "", _table(result)),
            Step(
                "p",
                "parameters, change points among them",
                result.model.parameters,
                "",
                "",
                "model",
            ),
            Step(
                "m",
                "rows of the reporting period",
                result.periods.reporting_days_used,
                "days",
                _table(result),
            ),
        ),
    )
    yield Derivation(
        "uncertainty.drift_part",
        "τ · P",
        how.drift_part,
        unit,
        how.drift_source,
        (
            Step("τ", "drift of buildings from year to year", how.drift_tau, "", how.drift_source),
            Step("P", "adjusted baseline", result.adjusted_baseline, unit, "", "adjusted_baseline"),
        ),
    )
    if how.guideline_14 is not None:
        yield Derivation(
            "uncertainty.guideline_14",
            "U = k·t·CV·P·√[(n/n′)(1 + 2/n′)/m], k = aM² + bM + c, M months of reporting",
            how.guideline_14,
            unit,
            "ASHRAE Guideline 14-2014; Reddy & Claridge 2000; k: Sun & Baltazar 2013; from memory",
            (
                Step("n", "rows of the fit", result.model.n, "", _table(result)),
                Step(
                    "m",
                    "rows of the reporting period, days or bills",
                    "all that were used",
                    "",
                    _table(result),
                ),
                Step("CV", "CV(RMSE)", result.model.cv_rmse, "", "", "model.cv_rmse"),
                Step(
                    "n′",
                    "effective number of rows",
                    result.model.effective_n,
                    "",
                    "n(1 − ρ)/(1 + ρ)",
                ),
                Step(
                    "P",
                    "adjusted baseline",
                    result.adjusted_baseline,
                    unit,
                    "",
                    "adjusted_baseline",
                ),
            ),
        )


def _model(result: SiteResult) -> Iterable[Derivation]:
    model, files, table = result.model, _files(result), _table(result)
    yield Derivation(
        "model",
        model.formula,
        model.form,
        model.unit,
        model.selection,
        tuple(Step(t.name, t.meaning, t.value, t.unit, files) for t in model.terms),
    )
    figures = (
        ("cv_rmse", "CV(RMSE) = √[Σe²/(n − p)] ÷ ȳ"),
        ("r2", "R² = 1 − Σe² ÷ Σ(y − ȳ)²"),
        ("nmbe", "NMBE = Σe ÷ [(n − p)·ȳ], e = measured − modelled"),
        ("autocorrelation", "ρ = correlation of e_t with e_(t−1)"),
    )
    for name, formula in figures:
        value = getattr(model, name)
        if value is not None:
            yield Derivation(
                f"model.{name}",
                formula,
                value,
                "",
                G14_STATISTICS,
                (
                    Step("n", "rows of the fit", model.n, "", table),
                    Step("p", "parameters", model.parameters, "", "", "model"),
                    Step("ȳ", "mean", model.mean, model.unit, table),
                ),
            )


def _annual(result: SiteResult) -> Iterable[Derivation]:
    annual = result.annual
    lines = "; ".join(f"retrofits.csv, line {r['line']}" for r in result.retrofits if r.get("line"))
    if annual.estimated_savings is not None:
        yield Derivation(
            "annual.estimated_savings",
            "Σ of the estimates of the site's retrofits",
            annual.estimated_savings,
            f"{annual.unit}/year",
            "as declared",
            (Step("E", "estimated saving", annual.estimated_savings, annual.unit, lines),),
        )
    if annual.verified_savings is not None:
        yield Derivation(
            "annual.verified_savings.value",
            annual.method,
            annual.verified_savings.value,
            f"{annual.unit}/year",
            "IPMVP, normalised savings; from memory",
            (
                Step("x", "normal conditions", annual.normal_conditions, "", "weather.csv"),
                Step("ŷ", "baseline model", result.model.formula, result.model.unit, "", "model"),
            ),
        )
    if annual.realisation_rate is not None:
        yield Derivation(
            "annual.realisation_rate.value",
            "verified ÷ estimated, both a year",
            annual.realisation_rate.value,
            "",
            UMP_RATE,
            (
                Step(
                    "V",
                    "verified",
                    annual.verified_savings.value,
                    annual.unit,
                    "",
                    "annual.verified_savings.value",
                ),
                Step(
                    "E",
                    "estimated",
                    annual.estimated_savings,
                    annual.unit,
                    "",
                    "annual.estimated_savings",
                ),
            ),
        )
