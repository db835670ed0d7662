"""A site's account: what each figure is made of, and that a reader can follow it."""

from __future__ import annotations

import datetime as dt

import numpy as np
import pytest
from pydantic import TypeAdapter

from mv.findings import FolderError
from mv.money.account import check_money, choose_rate, site_money
from mv.money.billed import Billed
from mv.money.bridges_of_site import BillYears
from mv.money.cost_saving import Priced
from mv.money.load import bill_load, daily_load
from mv.portfolio.schema import Block, Emissions, Finance, Meter, Settings, Source
from mv.quantity import Interval, around
from mv.results import Money

YEAR = np.arange("2024-01-01", "2024-12-31", dtype="datetime64[D]")
FINANCE = Finance(discount_rate=0.05)


def settings(**values) -> Settings:
    return Settings(**{"name": "harbour", "finance": FINANCE, **values})


def block(key: str, **values) -> Block:
    return Block(key=key, values=values, source=Source(file="rates.toml", line=4))


def meter(number: str, rate: str | None, carrier: str = "electricity") -> Meter:
    return Meter(
        source=Source(file="meters.csv", line=2),
        meter=number,
        site="hall",
        carrier=carrier,
        data="interval",
        file="m.csv",
        unit="kWh",
        rate=rate,
    )


def claim(rate, saved=80_000.0, half=20_000.0, **rest) -> Priced:
    measured = daily_load(YEAR, np.full(len(YEAR), 1000.0))
    return Priced(
        carrier="electricity",
        unit="kWh",
        savings=around(saved, half, "kWh", confidence=0.9),
        annual=around(saved, half, "kWh", confidence=0.9),
        rate=rate,
        measured=measured,
        adjusted=measured.scaled((measured.total + saved) / measured.total),
        **rest,
    )


COSTS = {
    "estimated_cost": 60_000.0,
    "estimated_incentive": 10_000.0,
    "actual_cost": 66_000.0,
    "incentive_paid": 8_000.0,
    "measure_life": 15.0,
}


@pytest.fixture
def whole(flat_rate, retrofit):
    """Estimated 100,000 kWh at 0.125 for 50,000; realised 80,000 at 0.145 for 58,000."""
    estimate = flat_rate(0.125, basis="estimate", of="flat", source="proposal")
    return site_money(
        settings=settings(),
        retrofits=[retrofit(**COSTS, responsible="contractor: count and watts; owner: hours")],
        claim=claim(flat_rate(0.145), beside=(estimate,)),
        estimated_annual=100_000.0,
        reporting_end=dt.date(2024, 12, 30),
    )


def test_estimate_beside_realised(whole):
    money = TypeAdapter(Money).validate_python(whole.fields)
    assert money.simple_payback_estimated.months == pytest.approx(48.0, rel=1e-12)
    assert money.simple_payback_realised.months == pytest.approx(60.0, rel=1e-9)
    assert money.simple_payback_realised.low == pytest.approx(48.0, rel=1e-9)
    assert money.simple_payback_realised.high == pytest.approx(80.0, rel=1e-9)
    assert money.annual_cost_savings_estimated == pytest.approx(12_500.0)
    assert money.annual_cost_savings.value == pytest.approx(11_600.0)
    assert money.recovered_fraction == pytest.approx(0.2)
    assert [(p["basis"], p["price"]) for p in money.prices] == [
        ("actual", 0.145),
        ("estimate", 0.125),
    ]
    # present values by the closed form (1 − 1.05^−15) / 0.05 = 10.379658
    assert money.npv.value == pytest.approx(11_600 * 10.379658 - 58_000, abs=0.1)
    assert money.npv.low == pytest.approx(8_700 * 10.379658 - 58_000, abs=0.1)
    assert money.savings_to_investment_estimated == pytest.approx(12_500 * 10.379658 / 50_000)
    assert money.irr.low < money.irr.value < money.irr.high < money.irr_estimated


def test_bridges_from_the_account(whole):
    savings, payback = whole.fields["bridges"]
    assert (payback.start, payback.end) == pytest.approx((4.0, 5.0), rel=1e-9)
    bars = {s.name: round(s.amount, 2) for s in payback.steps}
    assert bars == {
        "install cost": 0.50,
        "incentive": 0.17,
        "energy price": -0.67,
        "measure performance": 1.00,
    }
    assert savings.start + sum(s.amount for s in savings.steps) == pytest.approx(
        savings.end, abs=0.005
    )
    assert payback.steps[-1].responsible == "nobody"  # the interval just reaches 100,000 kWh


def test_cash_crosses_zero_in_the_month_that_simple_payback_says(whole):
    cash, crosses = whole.fields["cash"], whole.fields["crosses_zero"]
    assert (cash["month"][0], cash["month"][-1]) == ("2023-12", "2038-12")
    assert cash["estimated"][0] == -50_000
    # 48 months from 1 January 2024 end with December 2027
    assert crosses["estimated"] == "2027-12"
    # twelve measured months bring 11,600 (and the last day of the year a day's projection)
    at = cash["month"].index("2024-12")
    assert cash["realised"][at] == pytest.approx(-58_000 + 11_600 + 966.67 / 31, abs=0.01)
    assert cash["measured"][at : at + 2] == [True, False]
    # 60 months at 11,600 a year; 48 at 14,500 and 80 at 8,700
    assert crosses["realised"] == "2028-12"
    assert (crosses["high"], crosses["low"]) == ("2027-12", "2030-08")
    assert crosses["discounted"] > crosses["realised"]
    assert cash["low"][-1] < cash["realised"][-1] < cash["high"][-1]


def test_every_figure_can_be_followed(whole):
    made = {d.figure: d for d in whole.derivations}
    assert set(made) == {
        "money.cost_savings.value",
        "money.price",
        "money.annual_cost_savings.value",
        "money.annual_cost_savings_estimated",
        "money.net_cost",
        "money.simple_payback_estimated.months",
        "money.simple_payback_realised.months",
        "money.npv.value",
        "money.irr.value",
        "money.savings_to_investment.value",
    }
    for derivation in made.values():
        for step in derivation.steps:
            assert step.source or step.ref
            if step.ref.startswith("money."):
                assert step.ref in made
    money = TypeAdapter(Money).validate_python(whole.fields)
    for key, derivation in made.items():
        value = money
        for name in key.split(".")[1:]:
            value = getattr(value, name)
        assert value == derivation.value
    saved = made["money.cost_savings.value"]
    parts = {s.symbol: s.value for s in saved.steps}
    assert parts["B"] - parts["M"] == pytest.approx(saved.value, rel=1e-9)
    assert parts["C_1"] == pytest.approx(saved.value, rel=1e-9)
    net = made["money.net_cost"]
    assert [s.value for s in net.steps] == [66_000.0, 8_000.0]


def test_no_rate_leaves_energy_and_says_why(retrofit):
    choice = choose_rate([meter("007", None)], [])
    assert choice.why == "no rate is named for meter 007; fill the column rate of meters.csv"
    account = site_money(
        settings=settings(),
        retrofits=[retrofit(**COSTS)],
        claim=claim(None, why_no_rate=choice.why),
        estimated_annual=100_000.0,
    )
    money = TypeAdapter(Money).validate_python(account.fields)
    assert money.cost_savings is None
    assert money.net_cost == 58_000
    assert money.notes[0] == f"No money figure: {choice.why}."
    assert money.simple_payback_realised.words == (f"No payback is given, because {choice.why}.")
    assert money.bridges == []
    assert "realised" not in money.cash
    assert [str(f) for f in choice.findings] == [
        f"meters.csv, line 2, column rate: No money figure: {choice.why}."
    ]


def test_choosing_a_rate():
    blocks = [
        block("main", price=0.2),
        block("then", price=0.15, basis="estimate", of="main"),
        block("bad", prize=0.2),
    ]
    choice = choose_rate([meter("1", "main"), meter("2", "main")], blocks)
    assert choice.rate.key == "main"
    assert [r.key for r in choice.beside] == ["then"]
    mixed = choose_rate([meter("1", "main"), meter("2", "other")], blocks)
    assert mixed.rate is None
    assert [f.rule for f in mixed.findings] == ["rate_mixed"]
    assert mixed.why == (
        "the claim's meters name different rates (main, other), and their sum has no price; give "
        "them one rate, or claim them apart"
    )
    unknown = choose_rate([meter("1", "mian")], blocks)
    assert unknown.why == 'rates.toml has no rate "mian"'
    with pytest.raises(FolderError, match='"prize" means nothing in a rate; did you mean "price"'):
        choose_rate([meter("1", "bad")], blocks)


def test_check_finds_everything_that_is_wrong_with_money():
    broken = settings(
        incentive={"source": "agreement", "per_kwh": 0.1, "capp": 3.0},
        emissions=(
            Emissions(carrier="electricity", factor=0.2, unit="kW", source="grid 2024"),
            Emissions(
                carrier="natural_gas",
                factor=0.2,
                source="supplier",
                by_month={"Jam": 0.1},
                by_hour={"7 to 9": 0.2},
            ),
        ),
    )
    found = check_money(broken, [block("r", prise=0.2), block("s", price=0.1, of="t")])
    assert [str(f) for f in found] == [
        'portfolio.toml, column emissions.0: "kWh" can\'t be converted into "kW".',
        'portfolio.toml, column emissions.1: "Jam" is no month; write Jan, Feb ... Dec.',
        'portfolio.toml, column emissions.1: "7 to 9" is no span of hours; write "07-19", or '
        '"22-06" over midnight.',
        'rates.toml, line 4, column r.prise: "prise" means nothing in a rate; did you mean '
        '"price"? (known are basis, blended, demand, energy, fixed, holidays, minimum, name, of, '
        "periods, "
        "price, rider, seasons, source, tax, unit).",
        "rates.toml, line 4, column r.price: the rate has no energy price; add price = 0.145, say.",
        "rates.toml, line 4, column s.of: an estimate's or contract's rate needs of = \"key of the "
        'actual rate", and the actual rate has none.',
        'rates.toml, line 4, column s.of: there is no rate "t".',
        'portfolio.toml, column incentive.capp: "capp" means nothing in [incentive]; did you mean '
        '"cap"? (known are cap, cap_share_of_cost, least_payment, least_share_of_estimate, '
        "lower_bound, per_kw, per_kwh, source, true_up).",
    ]
    assert check_money(settings(), [block("r", price=0.2)]) == []


def test_other_carriers_stand_beside_the_claim(flat_rate, retrofit):
    measured = daily_load(YEAR, np.full(len(YEAR), 50.0))
    gas = Priced(
        carrier="natural_gas",
        unit="kWh",
        savings=around(-3_000, 2_000, "kWh", confidence=0.9),
        rate=flat_rate(0.08),
        measured=measured,
        adjusted=measured.scaled(1 - 3_000 / measured.total),
    )
    account = site_money(
        settings=settings(
            emissions=(
                Emissions(carrier="electricity", factor=0.25, source="grid 2024"),
                Emissions(carrier="natural_gas", factor=0.2, source="supplier"),
            )
        ),
        retrofits=[retrofit(**COSTS)],
        claim=claim(flat_rate(0.145)),
        others=[gas],
        estimated_annual=100_000.0,
    )
    claimed, aside = account.fields["cost_lines"]
    assert (claimed["claimed"], aside["claimed"]) == (True, False)
    assert aside["name"] == "energy, natural_gas, outside the claim"
    assert aside["saving"] == pytest.approx(-240.0)
    assert account.fields["cost_savings"].value == pytest.approx(11_600.0)
    assert account.fields["emissions"]["total, kg CO2e"] == pytest.approx(20_000 - 600)


@pytest.mark.parametrize(
    ("price", "rule"), [(0.145, None), (0.130, "billed_cost_differs"), (0.30, "billed_cost_far")]
)
def test_rate_is_held_against_the_bills(flat_rate, retrofit, price, rule):
    start = np.array(["2023-01-01", "2023-02-01", "2023-03-01"], dtype="datetime64[D]")
    end = np.array(["2023-02-01", "2023-03-01", "2023-04-01"], dtype="datetime64[D]")
    energy = np.array([30_000.0, 28_000.0, 31_000.0])
    cost = energy * 0.145
    cost[1] = np.nan
    account = site_money(
        settings=settings(),
        retrofits=[retrofit(**COSTS)],
        claim=claim(flat_rate(price)),
        billed=Billed(load=bill_load(start, end, energy), cost=cost),
        estimated_annual=100_000.0,
    )
    rows = account.fields["billed_against_computed"]
    assert [r["start"] for r in rows] == ["2023-01-01", "2023-03-01"]
    assert rows[0]["difference"] == pytest.approx(price / 0.145 - 1)
    found = [f for f in account.findings if f.rule.startswith("billed")]
    assert [f.rule for f in found] == ([rule] if rule else [])
    if rule == "billed_cost_differs":
        assert found[0].message == (
            "The rate flat gives 7\u202f930 EUR for 2 bills of 8\u202f845 EUR, −10.3\u202f%; "
            "bills furthest off: 2023-01-01 (−10\u202f%), 2023-03-01 (−10\u202f%). "
            "Check the rate against the bills' own lines."
        )
    assert (account.fields["cost_savings"] is None) == (rule == "billed_cost_far")


def test_bill_bridge_prices_both_years(flat_rate, retrofit):
    last = daily_load(
        np.arange("2023-01-01", "2024-01-01", dtype="datetime64[D]"), np.full(365, 1230.0)
    )
    this = daily_load(YEAR, np.full(len(YEAR), 1000.0))
    account = site_money(
        settings=settings(),
        retrofits=[retrofit(**COSTS)],
        claim=claim(flat_rate(0.145)),
        estimated_annual=100_000.0,
        years=BillYears(last=last, this=this, weather=-2_000.0, days=500.0),
    )
    bill = next(b for b in account.fields["bridges"] if b.name == "bill")
    bars = {s.name: s.amount for s in bill.steps}
    assert bill.start == pytest.approx(365 * 1230 * 0.145)
    assert bars["price"] == 0.0
    assert bars["retrofit"] == pytest.approx(-11_600.0)
    assert bill.start + sum(bars.values()) == pytest.approx(bill.end, abs=0.005)


def test_saving_that_is_none(flat_rate, retrofit):
    account = site_money(
        settings=settings(),
        retrofits=[retrofit(**COSTS)],
        claim=claim(flat_rate(0.145), saved=-5_000.0, half=3_000.0),
        estimated_annual=100_000.0,
    )
    money = TypeAdapter(Money).validate_python(account.fields)
    assert money.simple_payback_realised.months is None
    assert money.simple_payback_realised.words == (
        "There is no payback, because the saving is not above zero."
    )
    assert money.irr is None
    assert money.npv.value < -58_000
    assert money.crosses_zero["realised"] is None
    assert [b.name for b in money.bridges] == ["savings"]
    assert any("No bridge between the paybacks is drawn" in n for n in money.notes)


def test_interval_without_ends_and_no_life_and_no_discount_rate(flat_rate, retrofit):
    bare = claim(flat_rate(0.145))
    bare = Priced(**{**bare.__dict__, "annual": Interval(80_000.0, None, None, "kWh")})
    account = site_money(
        settings=settings(finance=Finance()),
        retrofits=[retrofit(**{**COSTS, "measure_life": None}, maintenance_savings=400.0)],
        claim=bare,
        estimated_annual=None,
    )
    money = TypeAdapter(Money).validate_python(account.fields)
    assert money.notes == [
        "No present value is given, because no measure_life is given.",
        "Maintenance savings of 400 EUR a year are as stated by the owner; no meter verifies them "
        "and no figure here holds them.",
    ]
    assert money.simple_payback_estimated.words == (
        "No payback is given, because no saving was estimated."
    )
    assert money.maintenance_savings == 400.0
    assert [f.rule for f in account.findings] == ["maintenance_not_verified"]
    assert "discounted" not in money.cash


class TestDemand:
    """Energy at 0.10 and 12 a month for each kW: 10 kW promised, 6 claimed, or none."""

    def account(self, rate, retrofit, intervals, claimed):
        r = rate("""
            energy = [{ price = 0.10 }]
            demand = [{ price = 12.0, window = 60 }]
        """)
        measured = intervals("2024-01-01", 366, 60, 50.0)
        part = claim(r)
        part = Priced(
            **{
                **part.__dict__,
                "measured": measured,
                "adjusted": measured.scaled((measured.total + 80_000) / measured.total),
                "demand_savings": claimed,
            }
        )
        account = site_money(
            settings=settings(incentive={"source": "agreement, clause 7", "per_kw": 100.0}),
            retrofits=[retrofit(**COSTS, estimated_demand_savings=10.0)],
            claim=part,
            estimated_annual=100_000.0,
        )
        return account, TypeAdapter(Money).validate_python(account.fields)

    def test_claimed(self, rate, retrofit, intervals):
        claimed = {"": around(6.0, 2.0, "kW", confidence=0.9)}
        account, money = self.account(rate, retrofit, intervals, claimed)
        assert money.price == pytest.approx(0.10)
        # 100,000 × 0.10 + 10 kW × 12 × 12 months; 80,000 × 0.10 + 6 × 144
        assert money.annual_cost_savings_estimated == pytest.approx(11_440.0)
        ends = money.annual_cost_savings
        assert (ends.low, ends.value, ends.high) == pytest.approx((6_576.0, 8_864.0, 11_152.0))
        assert money.cost_savings.value == pytest.approx(8_864.0)
        savings = money.bridges[0]
        bars = {s.name: s.amount for s in savings.steps}
        assert bars["demand charges"] == pytest.approx(-4 * 144.0)
        assert savings.start + sum(bars.values()) == pytest.approx(savings.end, abs=0.005)
        assert money.incentive["earned"] == pytest.approx(600.0)
        differs = [f.message for f in account.findings if f.rule == "incentive_differs"]
        assert differs == [
            "600 EUR earned on the value of the verified saving; 7\u202f400 EUR to be paid back."
        ]
        for d in account.derivations:
            if d.figure.startswith("money.annual_cost_savings"):
                v = {s.symbol: s.value for s in d.steps}
                assert v["E"] * v["p"] + v["D"] == pytest.approx(d.value)
            if d.figure == "money.price":
                v = {s.symbol: s.value for s in d.steps}
                assert (v["C"] - v["D"]) / v["S"] == pytest.approx(d.value)

    def test_none_claimed(self, rate, retrofit, intervals):
        _, money = self.account(rate, retrofit, intervals, {})
        assert money.annual_cost_savings.value == pytest.approx(8_000.0)
        assert money.annual_cost_savings_estimated == pytest.approx(11_440.0)
        bar = next(s for s in money.bridges[0].steps if s.name == "demand charges")
        assert bar.amount == pytest.approx(-1_440.0)
        assert bar.note == "no demand saving is claimed"
        assert money.incentive["earned"] == 0.0
        line = next(ln for ln in money.cost_lines if ln["component"] == "demand")
        assert line["saving"] == 0.0


def test_no_bill_bridge_where_the_rate_asks_for_hours(rate, retrofit, intervals):
    r = rate("""
        holidays = "none"
        periods = { peak = "Mon-Fri 08:00-20:00", night = "rest" }
        energy = [{ period = "peak", price = 0.30 }, { period = "night", price = 0.12 }]
    """)
    measured = intervals("2024-01-01", 366, 60, 50.0)
    part = Priced(**{
        **claim(r).__dict__, "measured": measured, "adjusted": measured.scaled(1.2),
    })  # fmt: skip
    days = daily_load(YEAR, np.full(len(YEAR), 1000.0))
    account = site_money(
        settings=settings(),
        retrofits=[retrofit(**COSTS)],
        claim=part,
        years=BillYears(last=days, this=days),
    )
    assert account.fields["notes"][-1] == (
        "No bridge between two years' bills is drawn: the rate has time-of-use periods (peak, "
        "night) and the energy to be priced is known by the day alone, which doesn't say at which "
        "hours it was used."
    )


def test_wrong_terms_of_an_incentive_are_said_and_the_rest_stands(flat_rate, retrofit):
    account = site_money(
        settings=settings(incentive={"source": "agreement", "per_kwhh": 0.1}),
        retrofits=[retrofit(**COSTS)],
        claim=claim(flat_rate(0.145)),
        estimated_annual=100_000.0,
    )
    assert account.fields["incentive"] == {}
    assert account.fields["cost_savings"].value == pytest.approx(11_600.0)
    assert [f.rule for f in account.findings] == ["setting_unknown"]


def test_bills_without_demand_are_not_held_against_a_rate_that_charges_for_it(rate, retrofit):
    r = rate("energy = [{ price = 0.10 }]\ndemand = [{ price = 12.0 }]")
    start, end = (np.array([d], dtype="datetime64[D]") for d in ("2023-01-01", "2023-02-01"))
    for peak, cost in ((None, 9_000.0), (np.array([50.0]), 3_600.0)):
        load = bill_load(start, end, np.array([30_000.0]), peak)
        account = site_money(
            settings=settings(),
            retrofits=[retrofit(**COSTS)],
            claim=claim(r),
            billed=Billed(load=load, cost=np.array([cost])),
        )
        assert not [f for f in account.findings if f.rule.startswith("billed")]
        assert len(account.fields["billed_against_computed"]) == (0 if peak is None else 1)
