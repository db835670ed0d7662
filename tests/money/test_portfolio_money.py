"""Money of the whole portfolio: what is added, what is left out and said, what comes back when."""

from __future__ import annotations

import pytest

from mv.money.portfolio_money import SiteMoney, portfolio_money
from mv.quantity import around


def site(key, saved, half, net, estimated, net_estimated=None, **rest):
    months = [f"2024-{m:02d}" for m in range(1, 13)]
    return SiteMoney(
        site=key,
        name=key.title(),
        counts=True,
        cost_savings=around(saved, half, "EUR", confidence=0.9),
        annual=around(saved, half, "EUR/year", confidence=0.9),
        annual_estimated=estimated,
        cost=net + 1_000,
        net_cost=net,
        net_cost_estimated=net if net_estimated is None else net_estimated,
        cash={
            "month": months,
            "realised": [-net + saved / 12 * i for i in range(12)],
            "estimated": [-net + estimated / 12 * i for i in range(12)],
            "measured": [i < 6 for i in range(12)],
        },
        **rest,
    )


SITES = [
    site("hall", 12_000.0, 3_000.0, 15_000.0, 15_000.0),
    site("sheds", 8_500.0, 4_000.0, 10_000.0, 8_000.0),
    SiteMoney(site="office", name="Office", counts=False, why_not="not verifiable: no bills",
              net_cost=9_000.0),
]  # fmt: skip


def test_sums_and_payback():
    money, (made,) = portfolio_money(SITES, currency="EUR", confidence=0.9, half_width=5_500.0)
    assert money["net_cost"] == 25_000.0
    assert money["invested"] == 27_000.0
    assert money["annual_cost_savings"]["value"] == 20_500.0
    assert money["annual_cost_savings"]["low"] == 15_000.0
    assert money["payback"]["months"] == pytest.approx(12 * 25_000 / 20_500)
    assert money["payback"]["high"] == pytest.approx(20.0)
    assert money["payback_estimated"]["months"] == pytest.approx(12 * 25_000 / 23_000)
    assert money["recovered_fraction"] == pytest.approx(0.82)
    assert made.figure == "money.payback.months"
    # without a total's half-width the sites' own go in quadrature: 3, 4 and 5
    money, _ = portfolio_money(SITES, currency="EUR", confidence=0.9)
    assert money["annual_cost_savings"]["high"] == pytest.approx(25_500.0)


def test_what_is_left_out_is_said_with_its_cost():
    money, _ = portfolio_money(SITES, currency="EUR", confidence=0.9)
    assert money["sites_counted"] == 2
    assert money["left_out"] == [
        {
            "site": "office",
            "name": "Office",
            "net_cost": 9_000.0,
            "why": "not verifiable: no bills",
        }
    ]
    assert money["net_cost_left_out"] == 9_000.0
    unknown = SiteMoney(site="shed", name="Shed", counts=False, why_not="not verifiable: no meter")
    money, _ = portfolio_money([*SITES, unknown], currency="EUR", confidence=0.9)
    assert money["net_cost_left_out"] is None


def test_ranked_by_shortfall():
    money, _ = portfolio_money(SITES, currency="EUR", confidence=0.9)
    assert [(r["site"], r["shortfall"], r["clear"]) for r in money["ranked"]] == [
        ("hall", 3_000.0, False),
        ("sheds", -500.0, False),
    ]
    worse = [site("a", 5_000.0, 1_000.0, 1.0, 9_000.0), *SITES]
    money, _ = portfolio_money(worse, currency="EUR", confidence=0.9)
    assert (money["ranked"][0]["site"], money["ranked"][0]["clear"]) == ("a", True)


def test_cash_is_added_by_calendar_month():
    later = site("sheds", 8_400.0, 1_000.0, 600.0, 8_400.0)
    later.cash["month"][:] = [f"2024-{m:02d}" for m in range(7, 13)] + [
        f"2025-{m:02d}" for m in range(1, 7)
    ]
    money, _ = portfolio_money([SITES[0], later], currency="EUR", confidence=0.9)
    cash = money["cash"]
    assert (cash["month"][0], cash["month"][-1], len(cash["month"])) == ("2024-01", "2025-06", 18)
    assert cash["realised"][0] == -15_000.0
    assert cash["realised"][6] == pytest.approx(-15_000 + 6_000 - 600)
    # the first site's line stays where its life ended
    assert cash["realised"][-1] == pytest.approx(-15_000 + 11_000 - 600 + 7_700)
    # the last month that every site has measured is June of 2024 for the first
    assert cash["measured"] == [i < 6 for i in range(18)]
    assert (
        money["crosses_zero"]["realised"]
        == cash["month"][next(i for i, v in enumerate(cash["realised"]) if v >= 0)]
    )


def test_no_estimate_for_one_site_makes_the_portfolio_s_unknown():
    bare = SiteMoney(**{**SITES[1].__dict__, "annual_estimated": None})
    money, _ = portfolio_money([SITES[0], bare], currency="EUR", confidence=0.9)
    assert money["payback_estimated"]["words"] == (
        "No payback is given, because not every site was estimated."
    )
    assert money["annual_cost_savings_estimated"] == 15_000.0


def test_nothing_counts():
    money, _ = portfolio_money([SITES[2]], currency="EUR", confidence=0.9)
    assert money["net_cost"] is None
    assert money["annual_cost_savings"] is None
    assert money["payback"]["words"] == ("No payback is given, because the cost is not known.")
    assert money["cash"] == {}


def test_the_band_of_the_cash_takes_sites_in_quadrature():
    one, other = (site(k, 12_000.0, 1.0, 6_000.0, 12_000.0) for k in ("a", "b"))
    for s, apart in ((one, 300.0), (other, 400.0)):
        s.cash["low"] = [v - apart for v in s.cash["realised"]]
        s.cash["high"] = [v + apart for v in s.cash["realised"]]
    money, _ = portfolio_money([one, other], currency="EUR", confidence=0.9)
    cash = money["cash"]
    assert cash["high"][3] - cash["realised"][3] == pytest.approx(500.0)
    assert cash["realised"][3] - cash["low"][3] == pytest.approx(500.0)
    # 2,000 a month from −12,000: zero after six months, half a thousand lower a month later
    assert money["crosses_zero"] == {
        "estimated": "2024-07",
        "realised": "2024-07",
        "low": "2024-08",
        "high": "2024-07",
    }
