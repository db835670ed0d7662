"""Where the portfolio's figures come from: each a sum over sites that names them."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from mv.quantity import Derivation, Step
from mv.results import CarrierResult, CarrierTotal, PortfolioResult
from mv.rollup import claim_standing, claims_of

SUM = "sum over sites; energies are added, percentages never (common practice, no source)"
OWN = "method page of this report: intervals of a portfolio"
WIDENED = "how much wider than quadrature sums of the placebo trials' false savings lie"
NAMED = 12
"""Sites named one by one; for more, the table of sites holds them."""


def portfolio_derivations(result: PortfolioResult) -> list[Derivation]:
    """Derivations of the totals by carrier and of the yearly cost savings."""
    found: list[Derivation] = []
    for i, total in enumerate(result.totals):
        found += _of_total(f"totals[{i}]", total, _claims(result, total))
    yearly = result.money.get("annual_cost_savings")
    if isinstance(yearly, dict) and yearly.get("value") is not None:
        sites = [
            (s.site, s.money.annual_cost_savings.value)
            for s in result.sites
            if s.money is not None and s.money.annual_cost_savings is not None
        ]
        unit = f"{result.currency}/year"
        found.append(
            Derivation(
                "money.annual_cost_savings.value",
                "A = Σ A_i over the sites that count in money",
                yearly["value"],
                unit,
                SUM,
                tuple(_named("A", "cost saving in a year", sites, unit)),
            )
        )
    return found


def _claims(result: PortfolioResult, total: CarrierTotal) -> list[tuple[str, CarrierResult]]:
    return [
        (site.site, claim)
        for site in result.sites
        if site.role != "comparison"
        for claim in claims_of(site)
        if claim_standing(claim) == "used"
        and (claim.carrier, claim.unit) == (total.carrier, total.unit)
    ]


def _of_total(
    key: str, total: CarrierTotal, claims: Sequence[tuple[str, CarrierResult]]
) -> Iterable[Derivation]:
    unit, saved = total.unit, total.avoided_energy
    parts = [(site, c.avoided_energy.value) for site, c in claims]
    yield Derivation(
        f"{key}.avoided_energy.value",
        "S = Σ S_i over the sites counted",
        saved.value,
        unit,
        SUM,
        tuple(_named("S", "avoided energy", parts, unit)),
    )
    yield Derivation(
        f"{key}.avoided_energy.fraction",
        "F = S ÷ P",
        saved.fraction,
        "",
        SUM,
        (
            Step("S", "avoided energy", saved.value, unit, "", f"{key}.avoided_energy.value"),
            Step("P", "Σ adjusted baselines", total.adjusted_baseline, unit, "tables/sites.csv"),
        ),
    )
    widened = total.widening > 1
    halves = [(site, c.avoided_energy.half_width) for site, c in claims]
    for end, sign in (("low", "−"), ("high", "+")):
        yield Derivation(
            f"{key}.avoided_energy.{end}",
            f"S {sign} H, H = √({'w² · ' * widened}Σ h_i² + C²)",
            getattr(saved, end),
            unit,
            OWN,
            (
                Step("S", "avoided energy", saved.value, unit, "", f"{key}.avoided_energy.value"),
                *([Step("w", WIDENED, total.widening, "", OWN)] if widened else []),
                *_named("h", "half-width", halves, unit),
                Step("C", "part that all sites share", total.common_part, unit, OWN),
            ),
        )
    if total.realisation_rate is not None:
        yield Derivation(
            f"{key}.realisation_rate.value",
            "Σ verified ÷ Σ estimated, a year, over the same sites",
            total.realisation_rate.value,
            "",
            "Uniform Methods Project: verified over estimated savings; from memory",
            (Step("E", "estimated savings", total.annual_estimated, unit, "retrofits.csv"),),
        )


def _named(
    symbol: str, meaning: str, values: Sequence[tuple[str, float | None]], unit: str
) -> Iterable[Step]:
    for site, value in values[:NAMED]:
        yield Step(f"{symbol}_{site}", meaning, value, unit, f"page of {site}")
    rest = values[NAMED:]
    if rest:
        total = sum(v for _, v in rest if v is not None)
        words = f"{meaning}, {len(rest)} further sites"
        yield Step(f"{symbol}_…", words, total, unit, "tables/sites.csv")
