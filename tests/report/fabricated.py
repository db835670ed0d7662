"""An invented portfolio of results, made here and not by the code under test.

Buildings of a small harbour authority: numbers come from a fixed formula with a fixed seed, and
hang together (avoided = adjusted baseline − measured, ranges around values, shares of the
adjusted baseline), so that pages made of them can be checked against them.
"""

from __future__ import annotations

import dataclasses

import numpy as np

from mv.findings import Finding
from mv.quantity import Derivation, Interval, Step, around
from mv.results import (
    SCHEMA_VERSION,
    Acceptance,
    Annual,
    Bridge,
    BridgeStep,
    Candidate,
    CarrierResult,
    CarrierTotal,
    Coefficient,
    Demand,
    EventEntry,
    InputFile,
    Model,
    Money,
    Months,
    OperatingDays,
    Periods,
    PortfolioResult,
    Series,
    SiteResult,
    Uncertainty,
    UncertaintyPart,
)

FIRST, WORKS, AFTER, LAST = (
    np.datetime64(d) for d in ("2022-01-01", "2023-01-01", "2023-02-01", "2024-02-01")
)
CONFIDENCE = 0.9
Z = 2.2


def iso(day: np.datetime64) -> str:
    return str(day.astype("datetime64[D]"))


def _truth(seed: int, base: float, saving: float, heating: float):
    """Days, temperatures, operating flags, measured and modelled energy of three years."""
    rng = np.random.default_rng(seed)
    days = np.arange(FIRST, LAST)
    n = len(days)
    season = np.cos(2 * np.pi * (np.arange(n) - 20) / 365.25)
    temperature = 11 - 9 * season + rng.normal(0, 2.5, n)
    weekday = (days.astype("datetime64[D]").astype(int) + 3) % 7
    operating = (weekday < 5).astype(float)
    model = base * (0.45 + 0.55 * operating) + heating * np.maximum(14 - temperature, 0)
    measured = model * (1 + rng.normal(0, 0.05, n))
    measured[days >= AFTER] -= saving * (0.3 + 0.7 * operating[days >= AFTER])
    return days, temperature, operating, measured, model


def _profiles(base: float, saving: float) -> dict[str, list]:
    hours = np.arange(24)
    busy = np.clip(np.sin((hours - 5) / 15 * np.pi), 0, None)
    night = np.full(24, 0.25)
    scale = base / 10
    before = scale * (night + busy)
    return {
        "hour": hours.tolist(),
        "baseline_operating": before.tolist(),
        "baseline_non_operating": (scale * (night + 0.2 * busy)).tolist(),
        "reporting_operating": (before - saving / 14 * (busy > 0.1)).tolist(),
        "reporting_non_operating": (scale * (night + 0.2 * busy) - saving / 60).tolist(),
    }


def _heat(days: np.ndarray, base: float, saving: float, seed: int) -> dict[str, list]:
    rng = np.random.default_rng(seed + 1)
    mondays = days[(days.astype("datetime64[D]").astype(int) + 3) % 7 == 0]
    profile = _profiles(base, saving)
    before, after = (
        np.array(profile[f"{p}_operating"]) * 5 / 7
        + np.array(profile[f"{p}_non_operating"]) * 2 / 7
        for p in ("baseline", "reporting")
    )
    load = [
        ((before if monday < WORKS else after) * (1 + rng.normal(0, 0.04, 24))).round(3).tolist()
        for monday in mondays
    ]
    load[40] = [None] * 24
    return {"week": [iso(m) for m in mondays], "load": load}


def _series(
    days, temperature, operating, measured, model, status, base, saving, seed, half, estimate
):
    period = np.where(days < WORKS, "baseline", np.where(days < AFTER, "installation", "reporting"))
    used = status == "used"
    after = (period == "reporting") & used
    months = days.astype("datetime64[M]")
    monthly: dict[str, list] = {
        k: [] for k in ("month", "measured", "adjusted_baseline", "avoided", "days_used")
    }
    for m in np.unique(months[period == "reporting"]):
        here = after & (months == m)
        monthly["month"].append(str(m))
        monthly["measured"].append(float(measured[here].sum()))
        monthly["adjusted_baseline"].append(float(model[here].sum()))
        monthly["avoided"].append(float((model - measured)[here].sum()))
        monthly["days_used"].append(int(here.sum()))
    running = np.cumsum((model - measured)[after])
    spread = half * np.sqrt(np.arange(1, len(running) + 1) / len(running))
    share = np.arange(1, len(running) + 1) / 365
    return Series(
        daily={
            "date": [iso(d) for d in days],
            "measured": [
                None if s == "gap_long" else float(v) for v, s in zip(measured, status, strict=True)
            ],
            "modelled": model.tolist(),
            "temperature": temperature.tolist(),
            "operating": operating.astype(int).tolist(),
            "period": period.tolist(),
            "status": status.tolist(),
        },
        monthly=monthly,
        cumulative={
            "date": [iso(d) for d in days[after]],
            "avoided": running.tolist(),
            "low": (running - spread).tolist(),
            "high": (running + spread).tolist(),
            "estimated": (share * estimate).tolist() if estimate else [None] * len(running),
        },
        profiles=_profiles(base, saving),
        heat=_heat(days, base, saving, seed),
    )


def _model(base, heating, temperature, n) -> Model:
    grid = np.linspace(temperature.min(), temperature.max(), 25)
    warm = heating * np.maximum(14 - grid, 0)
    return Model(
        family="change point",
        form="3 parameters, heating, with operating days",
        formula="E = β₀ + β₁·operating + β₂·(14.0 − T)⁺",
        granularity="daily",
        coefficients={"constant": 0.45 * base, "operating": 0.55 * base, "heating": heating},
        standard_errors={"constant": base * 0.006, "operating": base * 0.007, "heating": 0.11},
        terms=[
            Coefficient(
                name="β₀",
                meaning="use of a day without operation at mild weather",
                value=0.45 * base,
                standard_error=base * 0.006,
                t=75.0,
                unit="kWh/day",
            ),
            Coefficient(
                name="β₁",
                meaning="more on an operating day",
                value=0.55 * base,
                standard_error=base * 0.007,
                t=78.6,
                unit="kWh/day",
            ),
            Coefficient(
                name="β₂",
                meaning="for each degree below 14.0 °C",
                value=heating,
                standard_error=heating * 0.02,
                t=50.0,
                unit="kWh/day/degC",
            ),
        ],
        change_points=[14.0],
        n=n,
        parameters=4,
        r2=0.921,
        adjusted_r2=0.9203,
        rmse=0.05 * base,
        cv_rmse=0.0712,
        nmbe=1.2e-16,
        autocorrelation=0.31,
        effective_n=n * 0.53,
        durbin_watson=1.38,
        hold_out_cv_rmse=0.083,
        hold_out_nmbe=-0.011,
        temperature_low=float(temperature.min()),
        temperature_high=float(temperature.max()),
        mean=base,
        selection="Chosen by the smallest value of the corrected information criterion among "
        "plausible forms.",
        level_correction=-0.004 * base,
        curve={
            "temperature": grid.tolist(),
            "operating": (base + warm).tolist(),
            "non_operating": (0.45 * base + warm).tolist(),
        },
    )


def _money(
    avoided: Interval, annual: float | None, estimate: float | None, price: float, cost: float
) -> Money:
    yearly = (
        around(
            annual * price, avoided.half_width * price, "EUR", confidence=CONFIDENCE, kind="money"
        )
        if annual
        else None
    )
    incentive = 0.15 * cost
    net = cost - incentive
    planned = net * 0.9 / (estimate * price) * 12 if estimate else None
    months = 12 * net / yearly.value if yearly and yearly.value > 0 else None
    low = 12 * net / yearly.high if yearly and yearly.high > 0 else None
    high = 12 * net / yearly.low if yearly and yearly.low > 0 else None
    span = 120
    names = [str(np.datetime64("2023-02") + i) for i in range(span)]
    steps = np.arange(span)
    rate = yearly.value / 12 if yearly else 0.0
    half = yearly.half_width / 12 if yearly else 0.0
    cash = {
        "month": names,
        "estimated": (-0.9 * net + steps * (estimate or 0) * price / 12).tolist(),
        "realised": (-net + steps * rate).tolist(),
        "low": (-net + steps * (rate - half)).tolist(),
        "high": (-net + steps * (rate + half)).tolist(),
        "measured": (steps <= 12).tolist(),
    }

    def crossing(key: str) -> str | None:
        reached = np.flatnonzero(np.array(cash[key]) >= 0)
        return names[reached[0]] if reached.size else None

    saved = avoided.scaled(price, "EUR")
    drift = (annual or 0) * price - (estimate or 0) * price
    return Money(
        currency="EUR",
        cost_savings=dataclasses.replace(saved, kind="money"),
        annual_cost_savings_estimated=estimate * price if estimate else None,
        annual_cost_savings=yearly,
        price=price,
        price_unit="kWh",
        rate="harbour-general: Harbour general supply",
        rate_source="rates.toml, block harbour-general, in force from 1 January 2023",
        cost_estimated=cost * 0.9,
        incentive_estimated=0.15 * cost * 0.9,
        net_cost_estimated=net * 0.9,
        cost_actual=cost,
        incentive_actual=incentive,
        net_cost=net,
        simple_payback_estimated=Months(months=planned, low=None, high=None, words="")
        if planned
        else None,
        simple_payback_realised=Months(
            months=months,
            low=low,
            high=high,
            words="" if months else "the saving is not above zero",
        ),
        recovered=dataclasses.replace(saved, kind="money"),
        recovered_fraction=saved.value / net,
        npv=around(rate * 100 - net, half * 100, "EUR", confidence=CONFIDENCE, kind="money"),
        irr=Interval(0.112, 0.031, 0.18, "1", CONFIDENCE, "ratio"),
        savings_to_investment=Interval(1.4, 0.9, 1.9, "1", CONFIDENCE, "ratio"),
        npv_estimated=rate * 110 - net,
        irr_estimated=0.14,
        savings_to_investment_estimated=1.7,
        cash=cash,
        crosses_zero={k: crossing(k) for k in ("estimated", "realised", "low", "high")},
        maintenance_savings=640.0,
        cost_lines=[
            {
                "name": "energy",
                "baseline_cost": 30000.0,
                "measured_cost": 30000.0 - saved.value,
                "saving": saved.value,
                "how": "each unit at its price",
            },
            {
                "name": "fixed charge",
                "baseline_cost": 420.0,
                "measured_cost": 420.0,
                "saving": 0.0,
                "how": "does not fall with use",
            },
        ],
        emissions={"avoided tonnes": 4.31, "factor": "supplier's statement for 2023"},
        bridges=[
            Bridge(
                name="savings",
                unit="EUR",
                start=(estimate or 0) * price,
                start_label="estimated",
                end=(annual or 0) * price,
                end_label="realised",
                steps=[
                    BridgeStep(name="price", amount=0.1 * drift, responsible="nobody"),
                    BridgeStep(name="weather", amount=-0.2 * drift, responsible="nobody"),
                    BridgeStep(
                        name="performance (count, watts, hours not separable)",
                        amount=0.7 * drift,
                        responsible="contractor",
                    ),
                    BridgeStep(
                        name="unexplained",
                        amount=0.4 * drift,
                        low=0.4 * drift - 900,
                        high=0.4 * drift + 900,
                        note="within measurement uncertainty",
                        responsible="nobody",
                    ),
                ],
                method="Each factor's effect is averaged over all orders, so that no order "
                "decides.",
            ),
        ]
        if estimate
        else [],
        notes=["The incentive was received in full."],
    )


def make_site(
    key: str = "ferry-hall",
    name: str = "Ferry hall",
    *,
    seed: int = 1,
    base: float = 900.0,
    saving: float = 120.0,
    heating: float = 11.0,
    estimate: float | None = 42000.0,
    cost: float = 38000.0,
    group: str = "Quay",
    interim: bool = False,
    drift: float = 0.035,
) -> SiteResult:
    """A verified interval site; the verdict follows from `saving` against the range."""
    days, temperature, operating, measured, model = _truth(seed, base, saving, heating)
    if interim:
        keep = days < np.datetime64("2023-07-01")
        days, temperature, operating, measured, model = (
            a[keep] for a in (days, temperature, operating, measured, model)
        )
    status = np.full(len(days), "used", dtype=object)
    status[(days >= np.datetime64("2022-05-03")) & (days < np.datetime64("2022-05-09"))] = (
        "coverage_low"
    )
    status[(days >= np.datetime64("2023-03-10")) & (days < np.datetime64("2023-03-13"))] = (
        "temperature_missing"
    )
    used = status == "used"
    before, after = used & (days < WORKS), used & (days >= AFTER)
    adjusted, seen = float(model[after].sum()), float(measured[after].sum())
    half = Z * np.hypot(drift * adjusted, 0.012 * adjusted)
    avoided = around(
        adjusted - seen,
        half,
        "kWh",
        confidence=CONFIDENCE,
        base=adjusted,
        fraction_of="adjusted baseline",
        method="model part and drift part in quadrature",
    )
    verdict = (
        "savings shown"
        if avoided.low > 0
        else "use increased"
        if avoided.high < 0
        else "not distinguishable"
    )
    yearly = avoided.value / after.sum() * 365
    annual = around(yearly, half, "kWh", confidence=CONFIDENCE)
    rate = annual.scaled(1 / estimate, "1") if estimate else None
    s, d = 0.012 * adjusted, drift * adjusted
    baseline_energy = float(measured[before].sum())
    site = SiteResult(
        carrier="electricity",
        meters=[f"{key}-main"],
        boundary="whole_facility",
        unit="kWh",
        verdict=verdict,
        interim=interim,
        periods=Periods(
            baseline_start=iso(FIRST),
            baseline_end="2022-12-31",
            installation_start=iso(WORKS),
            installation_end="2023-01-31",
            reporting_start=iso(AFTER),
            reporting_end=iso(days[-1]),
            baseline_days=365,
            baseline_days_used=int(before.sum()),
            reporting_days=int((days >= AFTER).sum()),
            reporting_days_used=int(after.sum()),
        ),
        baseline_energy=baseline_energy,
        adjusted_baseline=adjusted,
        measured=seen,
        avoided_energy=avoided,
        routine_adjustment=adjusted - baseline_energy,
        model=_model(base, heating, temperature, int(before.sum())),
        candidates=[
            Candidate(
                form="mean by kind of day",
                criterion=3012.4,
                cv_rmse=0.182,
                parameters=2,
                plausible=True,
                why="larger criterion",
                avoided_energy=avoided.value * 1.13,
            ),
            Candidate(
                form="3 parameters, heating, with operating days",
                criterion=2544.1,
                cv_rmse=0.0712,
                parameters=4,
                plausible=True,
                why="chosen",
                avoided_energy=avoided.value,
            ),
            Candidate(
                form="5 parameters",
                criterion=2549.9,
                cv_rmse=0.0711,
                parameters=7,
                plausible=False,
                why="the cooling slope has the wrong sign",
                avoided_energy=avoided.value * 0.97,
            ),
        ],
        cross_check={
            "granularity": "hourly",
            "avoided_energy": avoided.value * 1.02,
            "words": "The difference lies within the range.",
        },
        acceptance=[
            Acceptance(
                rule="CV(RMSE) of the baseline model",
                value=0.0712,
                limit=0.25,
                unit="fraction",
                met=True,
                source="ASHRAE Guideline 14-2002, whole building (from memory)",
            ),
            Acceptance(
                rule="Days covered in the baseline period",
                value=float(before.sum() / 365),
                limit=0.9,
                unit="fraction",
                met=True,
                source="common practice, no source",
            ),
            Acceptance(
                rule="Length of the reporting period",
                value=5.0 if interim else 12.0,
                limit=12.0,
                unit="months",
                met=not interim,
                source="IPMVP (from memory)",
            ),
            Acceptance(
                rule="R²",
                value=0.921,
                limit=0.75,
                unit="",
                met=None,
                source="IPMVP (from memory)",
                note="advice only; flat loads have a low R²",
            ),
        ],
        uncertainty=Uncertainty(
            half_width=half,
            confidence=CONFIDENCE,
            unit="kWh",
            quantile=Z,
            degrees_of_freedom=2.3,
            model_part=s,
            drift_part=d,
            drift_tau=drift,
            drift_source="shipped prior, electricity, daily, calm sites",
            parts=[
                UncertaintyPart(
                    name="model",
                    value=s,
                    unit="kWh",
                    share=s**2 / (s**2 + d**2),
                    method="Newey–West, 30 days",
                    source="Newey & West 1987 (from memory)",
                ),
                UncertaintyPart(
                    name="drift from year to year",
                    value=d,
                    unit="kWh",
                    share=d**2 / (s**2 + d**2),
                    method="τ · adjusted baseline",
                    source="own study on an open data set (Langtry & Choudhary 2024)",
                ),
            ],
            guideline_14=0.028 * adjusted,
            least_squares=0.006 * adjusted,
            minimum_detectable_fraction=half / adjusted,
            fractional={"0.68": 0.5 * half / abs(avoided.value), "0.9": half / abs(avoided.value)},
        ),
        annual=Annual(
            unit="kWh",
            estimated_savings=estimate,
            verified_savings=annual,
            realisation_rate=rate,
            method="models of both periods at the normal year",
            normal_conditions="mean of the station's years",
        ),
        events=[
            EventEntry(
                what="Half the hall closed for repainting",
                start="2023-05-02",
                end="2023-05-12",
                kind="declared",
                treatment="note",
                change_per_day=-40.0,
                standard_error=15.0,
                effect_on_savings=-440.0,
                unit="kWh",
                evidence="letter of the harbour master",
                reported_by="Owner",
                approved_by="Reviewer",
            ),
            EventEntry(
                what="Level rises in October",
                start="2023-10-03",
                end=None,
                kind="suspected",
                treatment="none",
                change_per_day=22.0,
                standard_error=9.0,
                effect_on_savings=2600.0,
                unit="kWh",
                question="Was a chiller, a kiosk or a charger added in October?",
            ),
        ],
        demand=Demand(
            claimed=False,
            words="No demand saving is claimed: the monthly peaks moved by less than their range.",
        ),
        extrapolation=0.011,
        series=_series(
            days,
            temperature,
            operating,
            measured,
            model,
            status,
            base,
            saving,
            seed,
            half,
            estimate,
        ),
        site=key,
        name=name,
        group=group,
        time_zone="Europe/Lisbon",
        country="PT",
        region="11",
        floor_area=2400.0,
        weather="breakwater",
        confidence=CONFIDENCE,
        retrofits=[
            {
                "retrofit": f"{key}-led",
                "site": key,
                "title": "LED luminaires with daylight control",
                "installation_start": iso(WORKS),
                "installation_end": "2023-01-31",
                "estimated_savings": estimate,
                "estimated_savings_unit": "kWh",
                "estimated_cost": cost * 0.9,
                "estimated_incentive": 0.15 * cost * 0.9,
                "actual_cost": cost,
                "incentive_paid": 0.15 * cost,
                "acceptance_date": "2023-02-01",
                "measure_life": 15.0,
                "responsible": "Contractor",
                "maintenance_savings": 640.0,
            }
        ],
        operating_days=OperatingDays(
            week="Mon-Fri",
            origin="given",
            words="",
            holidays="public holidays of Portugal",
            operating_days_baseline=252,
            operating_days_reporting=254,
            exceptions=3,
        ),
        money=_money(avoided, yearly, estimate, 0.21, cost),
        findings=[
            Finding(
                "column_unknown",
                "The column 'remarks' means nothing here; it was not used.",
                file="meters.csv",
                line=1,
                column="remarks",
                site=key,
            )
        ],
        inputs=[
            InputFile(
                file=f"meters/{key}.csv",
                role=f"readings of meter {key}-main",
                sha256="9f2c" * 16,
                rows_read=73056,
                rows_used=72480,
                excluded={"coverage_low": 576},
                meter=f"{key}-main",
                step="15 min",
                time_basis="Europe/Lisbon, stamps mark the start",
                unit="kWh",
                coverage=0.992,
                first="2022-01-01",
                last=iso(days[-1]),
            ),
            InputFile(
                file="weather/breakwater.csv",
                role="temperatures",
                sha256="07ab" * 16,
                rows_read=18264,
                rows_used=18264,
                step="1 h",
                time_basis="UTC",
                unit="degC",
            ),
        ],
    )
    return dataclasses.replace(site, derivations=_derivations(site))


def _derivations(site: SiteResult) -> list[Derivation]:
    a, m = site.avoided_energy, site.money
    return [
        Derivation(
            "avoided_energy.value",
            "S = Σ(ŷ_t − y_t) = P − M",
            a.value,
            "kWh",
            "IPMVP, avoided energy (from memory)",
            (
                Step(
                    "P", "adjusted baseline", site.adjusted_baseline, "kWh", "", "adjusted_baseline"
                ),
                Step(
                    "M",
                    "measured in the reporting period",
                    site.measured,
                    "kWh",
                    f"meters/{site.site}.csv, lines 37922 to 73057",
                ),
            ),
        ),
        Derivation(
            "adjusted_baseline",
            "P = Σ ŷ_t over used days of the reporting period",
            site.adjusted_baseline,
            "kWh",
            "IPMVP (from memory)",
            (
                Step(
                    "days",
                    "used days",
                    site.periods.reporting_days_used,
                    "days",
                    "calendar of the page",
                ),
            ),
        ),
        Derivation(
            "avoided_energy.fraction",
            "f = S ÷ P",
            a.fraction,
            "1",
            "common practice, no source",
            (
                Step("S", "avoided energy", a.value, "kWh", "", "avoided_energy.value"),
                Step(
                    "P", "adjusted baseline", site.adjusted_baseline, "kWh", "", "adjusted_baseline"
                ),
            ),
        ),
        Derivation(
            "money.cost_savings.value",
            "C = S · p",
            m.cost_savings.value,
            "EUR",
            "common practice, no source",
            (
                Step("S", "avoided energy", a.value, "kWh", "", "avoided_energy.value"),
                Step("p", "price", m.price, "EUR/kWh", "rates.toml, line 4"),
            ),
        ),
        Derivation(
            "money.simple_payback_realised.months",
            "N = 12 · K ÷ C",
            m.simple_payback_realised.months,
            "months",
            "NIST Handbook 135 (from memory)",
            (Step("K", "net cost", m.net_cost, "EUR", "retrofits.csv, line 2"),),
        ),
    ]


def make_bills_site() -> SiteResult:
    """A site with a bill a month and gas beside."""
    site = make_site(
        "ice-store", "Ice store", seed=5, base=1400.0, saving=150.0, heating=0.0, estimate=60000.0
    )
    starts = [np.datetime64("2022-01") + i for i in range(25)]
    daily = site.series.daily
    month_of = np.array([d[:7] for d in daily["date"]])
    rows: dict[str, list] = {
        k: []
        for k in (
            "start",
            "end",
            "days",
            "measured",
            "modelled",
            "temperature",
            "operating",
            "period",
            "status",
        )
    }
    for start in starts:
        here = month_of == str(start)
        rows["start"].append(f"{start}-01")
        rows["end"].append(f"{start + 1}-01")
        rows["days"].append(int(here.sum()))
        for key in ("measured", "modelled"):
            rows[key].append(float(np.array(daily[key], dtype=float)[here].sum()))
        rows["temperature"].append(float(np.array(daily["temperature"])[here].mean()))
        rows["operating"].append(float(np.array(daily["operating"])[here].mean()))
        rows["period"].append(daily["period"][int(np.flatnonzero(here)[-1])])
        rows["status"].append("used")
    series = Series(bills=rows, monthly=site.series.monthly, cumulative=site.series.cumulative)
    gas = CarrierResult(
        carrier="natural_gas",
        meters=["0007"],
        boundary="whole_facility",
        unit="kWh",
        verdict="not distinguishable",
        avoided_energy=Interval(
            -310.0,
            -4200.0,
            3580.0,
            "kWh",
            CONFIDENCE,
            fraction=-0.006,
            fraction_low=-0.08,
            fraction_high=0.07,
        ),
    )
    model = dataclasses.replace(site.model, granularity="bills", n=12)
    return dataclasses.replace(site, series=series, others=[gas], model=model)


def make_unverifiable() -> SiteResult:
    """A site whose readings end before the works."""
    return SiteResult(
        carrier="electricity",
        meters=["00412"],
        boundary="whole_facility",
        unit="kWh",
        verdict="not verifiable",
        reason="the readings end on 3 January 2023, before the works were finished",
        remedy="send the readings from February 2023 on",
        site="boat-shed",
        name="Boat shed",
        group="Basin",
        money=Money(
            currency="EUR",
            cost_savings=None,
            annual_cost_savings_estimated=1900.0,
            annual_cost_savings=None,
            price=None,
            price_unit="kWh",
            rate="",
            rate_source="",
            cost_estimated=8000.0,
            incentive_estimated=None,
            net_cost_estimated=8000.0,
            cost_actual=9000.0,
            incentive_actual=None,
            net_cost=9000.0,
            simple_payback_estimated=Months(months=50.5, low=None, high=None, words=""),
            simple_payback_realised=Months(
                months=None, low=None, high=None, words="there is no verified saving"
            ),
        ),
        annual=Annual(
            unit="kWh",
            estimated_savings=9000.0,
            verified_savings=None,
            realisation_rate=None,
            method="",
            normal_conditions="",
        ),
        retrofits=[
            {
                "retrofit": "shed-led",
                "title": "LED tubes",
                "installation_start": "2023-01-09",
                "installation_end": "2023-01-20",
                "estimated_savings": 9000.0,
            }
        ],
        findings=[
            Finding(
                "file_missing",
                "No readings after 3 January 2023; the reporting period needs them. Send the "
                "missing months.",
                file="meters/shed.csv",
                site="boat-shed",
            )
        ],
    )


def make_comparison() -> SiteResult:
    """A site without a retrofit."""
    site = make_site("pilot-house", "Pilot house", seed=9, base=300.0, saving=0.0, estimate=None)
    return dataclasses.replace(
        site, role="comparison", derivations=[], retrofits=[], money=None, annual=None
    )


def make_portfolio(
    sites: list[SiteResult] | None = None, *, name: str = "Harbour authority"
) -> PortfolioResult:
    """Six sites of all kinds, or those given, added up."""
    if sites is None:
        sites = [
            make_site(),
            make_bills_site(),
            make_site(
                "fish-market",
                "Fish market",
                seed=3,
                base=1100.0,
                saving=25.0,
                estimate=30000.0,
                group="Quay",
            ),
            make_site(
                "office",
                "Harbour office",
                seed=4,
                base=420.0,
                saving=-90.0,
                estimate=12000.0,
                group="Town",
                interim=True,
            ),
            make_unverifiable(),
            make_comparison(),
        ]
    entered = [s for s in sites if s.role == "retrofit"]
    used = [s for s in entered if s.avoided_energy is not None]
    counts = {
        "entered": len(entered),
        "used": len(used),
        "not_verifiable": len(entered) - len(used),
        "not_yet_due": 0,
        "comparison": len(sites) - len(entered),
        **{
            v: sum(s.verdict == v for s in entered)
            for v in ("savings shown", "not distinguishable", "use increased", "not verifiable")
        },
    }
    totals, money = [], {}
    if used:
        adjusted = sum(s.adjusted_baseline for s in used)
        value = sum(s.avoided_energy.value for s in used)
        halves = np.array([s.avoided_energy.half_width for s in used])
        common = 1.645 * 0.008 * adjusted
        half = float(np.hypot(np.sqrt((halves**2).sum()), common))
        with_estimate = [s for s in used if s.annual and s.annual.estimated_savings]
        estimated = sum(s.annual.estimated_savings for s in with_estimate)
        verified = around(
            sum(s.annual.verified_savings.value for s in with_estimate),
            half,
            "kWh",
            confidence=CONFIDENCE,
        )
        totals = [
            CarrierTotal(
                carrier="electricity",
                unit="kWh",
                sites=len(used),
                adjusted_baseline=adjusted,
                measured=adjusted - value,
                avoided_energy=around(value, half, "kWh", base=adjusted, confidence=CONFIDENCE),
                conservative=around(
                    value, float(halves.sum()) + common, "kWh", base=adjusted, confidence=CONFIDENCE
                ),
                common_part=common,
                annual_verified=verified,
                annual_estimated=estimated,
                realisation_rate=verified.scaled(1 / estimated, "1") if estimated else None,
            )
        ]
        yearly = around(
            verified.value * 0.21,
            verified.half_width * 0.21,
            "EUR",
            confidence=CONFIDENCE,
            kind="money",
        )
        net = sum(s.money.net_cost for s in used if s.money)
        cash = {
            k: np.sum([s.money.cash[k] for s in used if s.money], axis=0).tolist()
            for k in ("estimated", "realised", "low", "high")
        }
        first = next((s.money.cash for s in used if s.money), {"month": [], "measured": []})
        money = {
            "invested": net / 0.85,
            "net_cost": net,
            "annual_cost_savings": dataclasses.asdict(yearly),
            "payback": {
                "months": 12 * net / yearly.value,
                "low": 12 * net / yearly.high,
                "high": 12 * net / yearly.low if yearly.low > 0 else None,
                "words": "",
            },
            "cash": {"month": first["month"], "measured": first["measured"], **cash},
            "crosses_zero": {},
            "ranked": [
                {
                    "site": s.site,
                    "name": s.name,
                    "estimated": s.money.annual_cost_savings_estimated,
                    "verified": s.money.annual_cost_savings.value,
                    "low": s.money.annual_cost_savings.low,
                    "high": s.money.annual_cost_savings.high,
                    "shortfall": s.money.annual_cost_savings_estimated
                    - s.money.annual_cost_savings.value,
                    "clear": s.verdict == "use increased",
                }
                for s in used
                if s.money and s.money.annual_cost_savings_estimated
            ],
        }
    rng = np.random.default_rng(7)
    return PortfolioResult(
        schema_version=SCHEMA_VERSION,
        method_version="0.1.0",
        created="2024-03-01T09:00:00Z",
        name=name,
        currency="EUR",
        confidence=CONFIDENCE,
        settings={"client": "Harbour authority", "contractor": "Lamp works", "reviewer": ""},
        sites=sites,
        counts=counts,
        estimated={
            f"electricity/{k}": float(
                sum(s.annual.estimated_savings or 0 for s in group if s.annual)
            )
            for k, group in (
                ("entered", entered),
                ("used", used),
                ("not_verifiable", [s for s in entered if s not in used]),
                ("not_yet_due", []),
            )
        },
        totals=totals,
        money=money,
        placebo={
            "electricity": {
                "false_savings": [
                    {"site": f"s{i}", "start": "2022-01-01", "fraction": float(e)}
                    for i, e in enumerate(rng.normal(0, 0.06, 60))
                ],
                "coverage": [
                    {"claimed": 0.9, "achieved": 0.917, "false_verdicts": 0.083, "trials": 60}
                ],
                "words": "Of 60 retrofits that never happened, 55 had a range that held zero.",
            }
        }
        if used
        else {},
        groups=[{"group": "Quay", "sites": 2, "avoided_energy": around(41000.0, 9000.0, "kWh")}]
        if used
        else [],
    )


def many(n: int) -> PortfolioResult:
    """A portfolio of `n` sites: one site's result under many names, series left out."""
    one = make_site()
    rng = np.random.default_rng(11)
    verdicts = ("savings shown", "not distinguishable", "use increased")
    sites = []
    for i in range(n):
        k = float(rng.uniform(0.2, 3))
        a = one.avoided_energy.scaled(k, "kWh")
        sites.append(
            dataclasses.replace(
                one,
                site=f"site-{i:04d}",
                name=f"Building {i:04d}",
                group=f"Group {i % 12}",
                verdict=verdicts[i % 3],
                avoided_energy=a,
                series=None,
                adjusted_baseline=one.adjusted_baseline * k,
                derivations=[],
            )
        )
    return make_portfolio(sites, name="Many")
