"""Several retrofits, carriers and meters of one site: every saving once, every cost once."""

import numpy as np
import pytest

from mv.portfolio.folder import open_portfolio
from mv.run.many import verify_portfolio
from mv.verify.site import verify_site
from mv.wording import number

METERS = (
    "meter,site,carrier,data,file,unit,stamp,rate,boundary,heat_content\n"
    "m1,shop,electricity,interval,meters/m1.csv,kWh,start,flat,whole_facility,\n"
)
GAS = "gas,shop,natural_gas,interval,meters/gas.csv,{unit},start,gas,whole_facility,{heat}\n"
HALL = "hall,shop,electricity,interval,meters/hall.csv,kWh,start,flat,retrofit_isolation,\n"
RATES = "[flat]\nprice = 0.2\n\n[gas]\nprice = 0.08\n"
HEAD = (
    "retrofit,site,carrier,installation_start,installation_end,meters,estimated_savings,"
    "estimated_cost,actual_cost\n"
)
LAMPS = "lamps,shop,electricity,2023-07-01,2023-07-31,,30000,9000,9500\n"


def gas_use(tools, rise=0.0):
    """Daily gas: heating alone, more of it after the works by `rise`."""
    temperature = tools.temperatures().resample("D").mean()
    temperature.index = temperature.index.tz_localize(None)
    use = tools.daily_use()
    random = np.random.default_rng(17)
    heat = 120 + 60 * np.maximum(15 - temperature.loc[use.index].to_numpy(), 0)
    heat = heat + random.normal(0, 15, len(heat))
    use[:] = heat * np.where(use.index > "2023-07-31", 1 + rise, 1.0)
    return use


@pytest.fixture
def site(tmp_path, tools):
    def made(retrofits=LAMPS, meters=METERS, files=None, rates=RATES):
        tables = {"retrofits.csv": HEAD + retrofits, "meters.csv": meters, "rates.toml": rates}
        folder = tools.write_folder(
            tmp_path / str(len(list(tmp_path.iterdir()))), tables=tables, files=files or {}
        )
        return verify_site(open_portfolio(folder), "shop")

    return made


def gas_file(tools, rise=0.0, scale=1.0):
    return {"meters/gas.csv": tools.interval_csv(tools.hourly_use(gas_use(tools, rise) * scale))}


def test_a_shared_saving_is_split_by_estimate(site):
    fans = "fans,shop,electricity,2023-07-10,2023-07-20,,10000,3000,3000\n"
    got = site(LAMPS + fans)
    annual = got.annual.verified_savings
    parts = {r["retrofit"]: r for r in got.retrofits}
    assert parts["lamps"]["share"] == 0.75
    assert parts["fans"]["share"] == 0.25
    for end in ("value", "low", "high"):
        whole = sum(r["verified_savings"][end] for r in got.retrofits)
        assert whole == pytest.approx(getattr(annual, end))
    assert "which no meter shows" in parts["fans"]["words"]
    assert got.money.cost_actual == 12500
    assert [f.rule for f in got.findings].count("retrofits_verified_together") == 1


def test_without_an_estimate_nothing_is_split(site):
    got = site(LAMPS + "fans,shop,electricity,2023-07-10,2023-07-20,,,3000,3000\n")
    assert [r["share"] for r in got.retrofits] == [None, None]
    assert "not split, because fans has no estimate" in got.retrofits[0]["words"]
    assert got.annual.estimated_savings == 30000


def test_one_retrofit_has_the_whole(site):
    got = site()
    (row,) = got.retrofits
    assert row["share"] == 1.0
    assert row["verified_savings"]["value"] == got.annual.verified_savings.value
    assert got.claimed
    assert got.claims == ["lamps"]
    assert got.relation == ""


def stepped(tools):
    """A saving of 10 % from February 2023 and of another 15 % from February 2024."""
    use = tools.daily_use(saving=0.0)
    use.loc["2023-02-01":] *= 0.9
    use.loc["2024-02-15":] *= 0.85
    return use


TWO_WORKS = (
    "lamps,shop,electricity,2023-01-15,2023-01-31,,15000,9000,9500\n"
    "fans,shop,electricity,2024-02-05,2024-02-14,,20000,3000,3000\n"
)


def test_works_apart_are_held_against_what_stood_before_each(site, tools):
    use = stepped(tools)
    got = site(TWO_WORKS, files={"meters/m1.csv": tools.interval_csv(tools.hourly_use(use))})
    (later,) = got.others
    assert (got.claims, later.claims) == (["lamps"], ["fans"])
    assert got.periods.reporting_end == "2024-02-04"
    assert (later.periods.baseline_start, later.periods.baseline_end) == (
        "2023-02-05",
        "2024-02-04",
    )
    for claim, saved in ((got, 0.1), (later, 0.15)):
        assert claim.avoided_energy.fraction == pytest.approx(saved, abs=0.02)
        assert claim.avoided_energy.fraction_low < saved < claim.avoided_energy.fraction_high
    assert (got.money.cost_actual, later.money.cost_actual) == (9500, 3000)
    assert later.money.cost_savings.value == pytest.approx(0.2 * later.avoided_energy.value)
    assert later.relation == "A claim of its own: fans."
    (made,) = [d for d in got.derivations if d.figure == "others[0].money.net_cost"]
    assert made.value == later.money.net_cost == 3000
    (made,) = [d for d in got.derivations if d.figure == "others[0].money.cost_savings.value"]
    assert made.value == later.money.cost_savings.value
    shares = {r["retrofit"]: r for r in got.retrofits}
    assert shares["fans"]["verified_savings"]["value"] == later.annual.verified_savings.value


def test_every_claim_is_in_the_totals_once(write_portfolio, tools):
    folder = write_portfolio(
        tables={"retrofits.csv": HEAD + TWO_WORKS, "meters.csv": METERS, "rates.toml": RATES},
        files={"meters/m1.csv": tools.interval_csv(tools.hourly_use(stepped(tools)))},
    )
    result = verify_portfolio(open_portfolio(folder))
    (site,) = result.sites
    (total,) = result.totals
    claims = [site, *site.others]
    assert total.avoided_energy.value == pytest.approx(sum(c.avoided_energy.value for c in claims))
    assert total.annual_estimated == 35000
    assert total.sites == 1
    assert result.estimated["electricity/entered"] == 35000
    assert result.money["invested"] == 12500
    assert result.money["sites_counted"] == 1
    assert result.money["annual_cost_savings"]["value"] == pytest.approx(
        sum(c.money.annual_cost_savings.value for c in claims)
    )


def test_carriers_are_claimed_apart_with_their_own_cost(site, tools):
    boiler = "boiler,shop,natural_gas,2023-07-01,2023-07-31,,20000,5000,5500\n"
    got = site(
        LAMPS + boiler,
        METERS + GAS.format(unit="kWh", heat=""),
        gas_file(tools, rise=-0.15),
    )
    (gas,) = got.others
    assert gas.claimed
    assert (got.money.cost_actual, gas.money.cost_actual) == (9500, 5500)
    assert got.money.cost_savings.value == pytest.approx(0.2 * got.avoided_energy.value)
    assert gas.money.cost_savings.value == pytest.approx(0.08 * gas.avoided_energy.value)
    assert gas.avoided_energy.fraction == pytest.approx(0.15, abs=0.03)
    assert not [line for line in got.money.cost_lines if not line["claimed"]]


def test_a_heating_penalty_stands_outside_the_claim(site, tools):
    got = site(meters=METERS + GAS.format(unit="kWh", heat=""), files=gas_file(tools, rise=0.25))
    (gas,) = got.others
    assert not gas.claimed
    assert gas.money is None
    assert gas.avoided_energy.value < 0
    assert gas.avoided_energy.high < 0
    assert gas.relation.startswith("Outside the claim: ")
    assert "Its use rose" in gas.relation
    # the claim is electricity alone; gas in money is a line apart, and a sentence
    assert got.money.cost_savings.value == pytest.approx(0.2 * got.avoided_energy.value)
    (line,) = [line for line in got.money.cost_lines if not line["claimed"]]
    assert line["saving"] == pytest.approx(0.08 * gas.avoided_energy.value)
    (note,) = [n for n in got.money.notes if n.startswith("Outside the claim")]
    assert f"natural gas cost {number(-0.08 * gas.avoided_energy.value)} EUR more (" in note
    assert "in no payback" in note


def test_gas_in_volume_is_modelled_and_not_priced_by_energy(site, tools):
    boiler = "boiler,shop,natural_gas,2023-07-01,2023-07-31,,,5000,5500\n"
    files = gas_file(tools, rise=-0.15, scale=0.1)
    got = site(boiler, METERS + GAS.format(unit="m3", heat=""), files)
    assert (got.carrier, got.unit) == ("natural_gas", "m3")
    assert got.avoided_energy.fraction == pytest.approx(0.15, abs=0.03)
    assert got.money.cost_savings is None
    (finding,) = [f for f in got.findings if f.rule == "rate_unit"]
    assert 'unit = "m3"' in finding.message
    assert "heat_content" in finding.message


def test_gas_in_volume_is_priced_by_volume(site, tools):
    boiler = "boiler,shop,natural_gas,2023-07-01,2023-07-31,,,5000,5500\n"
    rates = RATES + 'unit = "m3"\n'
    files = gas_file(tools, rise=-0.15, scale=0.1)
    got = site(boiler, METERS + GAS.format(unit="m3", heat=""), files, rates)
    assert got.money.cost_savings.value == pytest.approx(0.08 * got.avoided_energy.value)


def test_the_whole_facility_checks_an_isolated_claim(site, tools):
    hall = tools.hourly_use(tools.daily_use(saving=0.3, seed=8, base=150.0))
    rest = tools.hourly_use(tools.daily_use(saving=0.0, seed=9, base=200.0))
    files = {
        "meters/m1.csv": tools.interval_csv(hall + rest),
        "meters/hall.csv": tools.interval_csv(hall),
    }
    got = site(LAMPS.replace(",,30000", ",hall,30000"), METERS + HALL, files)
    assert (got.boundary, got.meters) == ("retrofit_isolation", ["hall"])
    (whole,) = got.others
    assert (whole.boundary, whole.claimed) == ("whole_facility", False)
    assert whole.avoided_energy.low < got.avoided_energy.value < whole.avoided_energy.high
    assert "holds the claim's" in whole.relation
    assert "added to nothing" in whole.relation
    assert not [n for n in got.money.notes if n.startswith("Outside the claim")]


def test_own_generation_needs_no_rate_and_is_said_to_be_priced_as_bought(site, tools):
    energy = tools.hourly_use(tools.daily_use())
    sun = energy * 0 + np.where(energy.index.hour == 12, 9.0, 0.0)
    meters = (
        "meter,site,carrier,data,file,unit,stamp,rate,flow\n"
        "m1,shop,electricity,interval,meters/m1.csv,kWh,start,flat,import\n"
        "sun,shop,electricity,interval,meters/sun.csv,kWh,start,,generation\n"
    )
    files = {
        "meters/m1.csv": tools.interval_csv(energy - sun),
        "meters/sun.csv": tools.interval_csv(sun),
    }
    got = site(meters=meters, files=files)
    plain = site()
    assert got.avoided_energy.value == pytest.approx(plain.avoided_energy.value, rel=1e-6)
    assert got.money.cost_savings.value == pytest.approx(0.2 * got.avoided_energy.value)
    (told,) = [f for f in got.findings if f.rule == "saving_priced_as_bought"]
    assert "some may have been fed back for less" in told.message
