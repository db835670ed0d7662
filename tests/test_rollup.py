"""Sites added up: totals, their intervals, and nothing dropped."""

from dataclasses import replace

import pytest

from mv.portfolio.folder import open_portfolio
from mv.portfolio.schema import Portfolio, Settings
from mv.quantity import Interval, around
from mv.results import (
    Annual,
    Periods,
    PortfolioResult,
    Series,
    SiteResult,
    from_json,
    to_json,
)
from mv.rollup import carrier_total, files_shared, roll_up, standing
from mv.savings.drift import load_prior

PERIODS = Periods(
    baseline_start="2022-01-01",
    baseline_end="2022-12-31",
    installation_start="2023-01-01",
    installation_end="2023-01-31",
    reporting_start="2023-02-01",
    reporting_end="2024-01-31",
    baseline_days=365,
    baseline_days_used=365,
    reporting_days=365,
    reporting_days_used=365,
)


def site(key, saving=None, half=1.0, base=1000.0, estimate=None, **more):
    fields = {
        "site": key,
        "name": key,
        "carrier": "electricity",
        "meters": [key],
        "boundary": "whole_facility",
        "unit": "kWh",
        "verdict": "not verifiable",
    }
    annual = Annual(
        unit="kWh",
        estimated_savings=estimate,
        verified_savings=None,
        realisation_rate=None,
        method="",
        normal_conditions="",
    )
    if saving is not None:
        value = around(saving, half, "kWh", confidence=0.9, base=base)
        annual = replace(annual, verified_savings=value)
        fields |= {
            "verdict": "savings shown" if value.low > 0 else "not distinguishable",
            "avoided_energy": value,
            "adjusted_baseline": base,
            "measured": base - saving,
            "periods": PERIODS,
        }
    return SiteResult(**(fields | {"annual": annual} | more))


def portfolio(**settings):
    return Portfolio(
        folder="f", settings=Settings(name="P", **settings), sites={}, meters=(), weather={}
    )


def prior(sigma):
    given = {"source": "test", "electricity": {"sigma_common": sigma}}
    return load_prior(Settings(name="p", uncertainty=given))


def rolled(sites, **more):
    return roll_up(
        portfolio(), sites, prior=load_prior(), money={}, placebo={}, version="0", **more
    )


def test_half_widths_add_in_quadrature_and_straight():
    """Worked case: independent 10 822.7 (20.3052 %), plain sum 20 500 (38.4615 %); computed by
    numpy and by hand for a sheet of check values."""
    savings = [12000, 8500, -1500, 30200, 4100]
    halves = [3000, 4200, 2500, 9000, 1800]
    sites = [
        site(f"s{i}", s, h, 100_000.0) for i, (s, h) in enumerate(zip(savings, halves, strict=True))
    ]
    total = carrier_total(sites, prior=prior(0.0), confidence=0.9)
    assert total.avoided_energy.value == 53300
    assert total.avoided_energy.half_width == pytest.approx(10822.7, abs=0.05)
    assert total.avoided_energy.half_width / 53300 == pytest.approx(0.203052, abs=5e-7)
    assert total.conservative.half_width == pytest.approx(20500)
    assert total.conservative.half_width / 53300 == pytest.approx(0.384615, abs=5e-7)


def test_the_common_part_adds_to_both():
    sites = [site(f"s{i}", 100.0, 30.0, 1000.0) for i in range(4)]
    total = carrier_total(sites, prior=prior(0.01), confidence=0.9)
    common = 1.6448536 * 0.01 * 4000
    assert total.common_part == pytest.approx(common, rel=1e-6)
    assert total.avoided_energy.half_width == pytest.approx((60**2 + common**2) ** 0.5)
    assert total.conservative.half_width == pytest.approx(120 + common)
    assert total.avoided_energy.fraction == pytest.approx(0.1)


def test_trials_of_sums_widen_the_quadrature_and_not_the_common_part():
    sites = [site(f"s{i}", 100.0, 30.0, 1000.0) for i in range(4)]
    asked = []

    def widening(carrier, number):
        asked.append((carrier, number))
        return 1.2

    plain = carrier_total(sites, prior=prior(0.01), confidence=0.9)
    total = carrier_total(sites, prior=prior(0.01), confidence=0.9, sites=3, widening=widening)
    common = 1.6448536 * 0.01 * 4000
    assert asked == [("electricity", 3)]
    assert total.widening == pytest.approx(1.2)
    assert total.avoided_energy.half_width == pytest.approx(((1.2 * 60) ** 2 + common**2) ** 0.5)
    assert (plain.conservative, plain.common_part) == (total.conservative, total.common_part)
    assert total.annual_verified.half_width > plain.annual_verified.half_width
    assert "times 1.20" in total.avoided_energy.method
    assert "times" not in plain.avoided_energy.method


def test_a_widened_total_never_passes_plain_addition():
    sites = [site("a", 100.0, 100.0, 1000.0), site("b", 100.0, 1.0, 1000.0)]
    total = carrier_total(sites, prior=prior(0.0), confidence=0.9, widening=lambda *_: 1.5)
    assert total.avoided_energy.half_width == pytest.approx(101)
    assert total.widening == pytest.approx(101 / 10001**0.5)


def test_the_realisation_rate_is_over_the_same_sites():
    sites = [
        site("a", 100.0, 10.0, estimate=200.0),
        site("b", 300.0, 10.0, estimate=None),
        site("c", 50.0, 10.0, estimate=100.0),
    ]
    total = carrier_total(sites, prior=prior(0.0), confidence=0.9)
    assert total.annual_estimated == 300
    assert total.realisation_rate.value == pytest.approx(0.5)
    assert (total.realisation_rate.kind, total.realisation_rate.fraction) == ("ratio", None)
    assert total.annual_verified.value == pytest.approx(450)


def test_entered_is_used_and_not_verifiable_and_not_yet_due():
    sites = [
        site("a", 100.0, 10.0, estimate=120.0),
        site("b", estimate=80.0, reason="too short"),
        site("c", due=False, estimate=40.0),
        site("d", 5.0, 10.0),
        site("e", role="comparison"),
    ]
    assert [standing(s) for s in sites] == [
        "used",
        "not_verifiable",
        "not_yet_due",
        "used",
        "comparison",
    ]
    result = rolled(sites)
    c = result.counts
    assert c["entered"] == c["used"] + c["not_verifiable"] + c["not_yet_due"] == 4
    assert c["comparison"] == 1
    assert (c["savings shown"], c["not distinguishable"], c["not verifiable"]) == (1, 1, 1)
    e = result.estimated
    assert e["electricity/entered"] == 240
    assert e["electricity/used"] == 120
    assert e["electricity/not_verifiable"] == 80
    assert e["electricity/not_yet_due"] == 40
    assert len(result.sites) == 5
    (total,) = result.totals
    assert total.sites == 2
    assert total.avoided_energy.value == 105


def test_carriers_are_never_added_to_one_another():
    gas = {"carrier": "natural_gas"}
    result = rolled([site("a", 1.0), site("b", 2.0, **gas), site("c", 3.0, unit="m3", **gas)])
    assert [(t.carrier, t.unit, t.avoided_energy.value) for t in result.totals] == [
        ("electricity", "kWh", 1.0),
        ("natural_gas", "kWh", 2.0),
        ("natural_gas", "m3", 3.0),
    ]


def test_a_portfolio_without_a_single_used_site_has_no_total():
    for sites in ([], [site("a", reason="too short")]):
        result = rolled(sites)
        assert result.totals == []
        assert result.counts["used"] == 0
        assert result.words == {}


def test_groups_are_pooled():
    result = rolled([site("a", 1.0, group="x"), site("b", 2.0, group="x"), site("c", 9.0)])
    (group,) = result.groups
    assert (group["group"], group["sites"]) == ("x", 2)
    assert group["avoided_energy"]["value"] == 3.0
    assert from_json(to_json(result)) == result


def test_chance_is_told():
    sites = [site(f"s{i}", 100.0 if i < 3 else 1.0, 10.0) for i in range(20)]
    assert rolled(sites).words["chance"] == (
        "If none of the 20 sites saved anything, 1.0 would still be expected to show savings at "
        "90\u202f% confidence, and one or more with a chance of 64\u202f%. 3 did."
    )


def test_results_come_back_from_json():
    result = rolled([site("a", 100.0, 10.0, estimate=120.0), site("b")])
    again = from_json(to_json(result))
    assert isinstance(again, PortfolioResult)
    assert again == result
    assert isinstance(again.sites[0].avoided_energy, Interval)


def test_one_saving_at_two_sites_is_told_and_counted_once():
    sites = [site("a", 10.0, baseline_energy=900.0), site("b", 10.0, baseline_energy=900.0)]
    result = rolled(sites)
    (finding,) = result.findings
    assert finding.rule == "site_counted_twice"
    assert str(finding) == (
        "meters.csv: b and a have the same electricity readings to the last digit. a alone is in "
        "the totals: take one of the two out of meters.csv, or give each its own meter."
    )
    assert result.totals[0].avoided_energy.value == 10.0
    assert result.totals[0].sites == 1
    apart = rolled([sites[0], site("b", 10.0, baseline_energy=901.0)])
    assert not apart.findings
    assert apart.totals[0].avoided_energy.value == 20.0


def test_further_claims_are_added_and_their_site_counts_once():
    first = site("a", 100.0, 10.0, estimate=120.0, group="north")
    later = site("a", 50.0, 10.0, estimate=40.0, claimed=True)
    gas = site("a", 30.0, 3.0, estimate=40.0, claimed=True, carrier="natural_gas")
    beside = site("a", 500.0, 3.0, estimate=40.0)
    late = site("a", estimate=7.0, claimed=True, due=False)
    result = rolled([replace(first, others=[later, gas, beside, late]), site("b", 10.0, 5.0)])
    power, heat = result.totals
    assert (power.carrier, power.sites, power.avoided_energy.value) == ("electricity", 2, 160.0)
    assert (heat.carrier, heat.sites, heat.avoided_energy.value) == ("natural_gas", 1, 30.0)
    assert result.counts["entered"] == result.counts["used"] == 2
    assert result.estimated == {
        "electricity/entered": 167.0,
        "electricity/used": 160.0,
        "electricity/not_yet_due": 7.0,
        "natural_gas/entered": 40.0,
        "natural_gas/used": 40.0,
    }
    assert [(g["group"], g["carrier"], g["sites"]) for g in result.groups] == [
        ("north", "electricity", 1),
        ("north", "natural_gas", 1),
    ]


def months(*values):
    names = [f"2023-{i + 1:02d}" for i in range(len(values))]
    return Series(monthly={"month": names, "measured": list(values)})


def test_nearly_equal_months_are_told():
    use = [100.0, 90.0, 80.0, 70.0, 80.0, 95.0]
    near = [v * 1.001 for v in use]
    far = [v * 1.02 for v in use]
    sites = [
        site("c", 11.0, series=months(*far)),
        site("a", 10.0, series=months(*use)),
        site("b", 10.5, series=months(*near)),
    ]
    (finding,) = rolled(sites).findings
    assert finding.rule == "sites_nearly_equal"
    assert finding.message.startswith("a and b use the same energy in every month, to 0.2\u202f%.")
    assert rolled(sites).totals[0].sites == 3
    # too few months to say so
    assert not rolled([replace(s, series=months(*use[:5])) for s in sites[:2]]).findings


def test_two_sites_that_name_the_same_values_of_a_file_are_told(write_portfolio):
    folder = write_portfolio(
        tables={
            "sites.csv": "site,time_zone,weather\nshop,UTC,hill\nkiosk,UTC,hill\n",
            "meters.csv": "meter,site,carrier,data,file,unit,value_column,meter_column\n"
            "m1,shop,electricity,interval,meters/m1.csv,kWh,,\n"
            "m2,kiosk,electricity,interval,meters/m1.csv,kWh,,\n"
            "m3,kiosk,electricity,interval,meters/m1.csv,kWh,kWh,\n"
            "m4,kiosk,electricity,interval,meters/m1.csv,kWh,,meter\n",
        }
    )
    (finding,) = files_shared(open_portfolio(folder))
    assert finding.rule == "file_shared"
    assert (finding.line, finding.site, finding.meter) == (3, "kiosk", "m2")
    assert "meter m2 of kiosk reads the same values of meters/m1.csv as meter m1" in str(finding)
