"""The rules that pick the sentences of the summary."""

import dataclasses
import re
from importlib import resources

import pytest

from mv.quantity import Interval, around
from mv.report import text
from mv.report.charts.base import CHARTS
from mv.report.format import Say
from mv.report.pages import headlines
from mv.report.portfolio_page import lead, site_row
from mv.results import Months
from tests.report.fabricated import (
    make_bills_site,
    make_comparison,
    make_portfolio,
    make_site,
    make_unverifiable,
)

SAY = Say("EUR")
AVOIDED = (
    "guarantee", "proven", "proves", "exact ", "up to ", "certif", "fault of", "significant",
)  # fmt: skip


def plain(told) -> str:
    return str(told).replace("\u202f", " ")


def with_saving(value: float, low: float | None, high: float | None, verdict: str):
    site = make_site()
    fractions = [None if v is None else v / site.adjusted_baseline for v in (value, low, high)]
    interval = Interval(value, low, high, "kWh", 0.9, "sum", "", *fractions, "adjusted baseline")
    return dataclasses.replace(site, avoided_energy=interval, verdict=verdict)


def test_savings_shown():
    site = with_saving(35_000.0, 11_000.0, 59_000.0, "savings shown")
    assert plain(text.verdict_sentence(site, SAY)).startswith(
        "Between 1 February 2023 and 31 January 2024, Ferry hall used about 35 000 kWh of "
        "electricity ("
    )
    assert plain(text.range_sentence(site, SAY)) == (
        "With 90 % confidence the true figure lies between 11 000 kWh and 59 000 kWh."
    )


def test_not_distinguishable_says_what_could_be_seen():
    site = with_saving(3_000.0, -9_000.0, 15_000.0, "not distinguishable")
    told = plain(text.verdict_sentence(site, SAY)) + plain(text.range_sentence(site, SAY))
    assert "can't tell the retrofit's effect from ordinary variation" in told
    assert "doesn't show that the retrofit failed" in told
    assert "a saving below about 8.1 % can't be seen" in told


def test_use_increased_turns_the_sign_and_lists_what_to_check():
    site = with_saving(-8_000.0, -14_000.0, -2_000.0, "use increased")
    first = text.verdict_sentence(site, SAY)
    assert "used about 8 000 kWh of electricity more" in plain(first)
    figure = next(p for p in first.parts if getattr(p, "path", "") == "avoided_energy.value")
    assert figure.value == -8_000.0  # what the page carries is the result's own value
    told = plain(text.range_sentence(site, SAY))
    assert told.startswith("With 90 % confidence use was between 2 000 kWh and 14 000 kWh higher.")
    assert "may still have worked" in told
    assert "Check first: hours of use," in told


def test_not_verifiable_gives_reason_and_remedy():
    site = make_unverifiable()
    assert plain(text.verdict_sentence(site, SAY)) == (
        "No figure is given for Boat shed, because the readings end on 3 January 2023, before the "
        "works were finished."
    )
    assert plain(text.range_sentence(site, SAY)) == (
        "To obtain one: send the readings from February 2023 on."
    )
    bare = dataclasses.replace(site, money=None, remedy="Send them.")
    assert plain(text.money_sentence(bare, SAY)) == (
        "Nothing is said about money, because there is no verified saving."
    )
    assert plain(text.range_sentence(bare, SAY)) == "To obtain one: send them."
    assert "no verified saving" in plain(text.money_sentence(site, SAY))


def test_comparison_site_has_no_verdict():
    site = make_comparison()
    assert text.standing(site).words == "comparison site"
    assert headlines(site, SAY) == []
    assert "counts in no total" in plain(text.verdict_sentence(site, SAY))


def test_every_standing_has_a_shape_of_its_own():
    """Whoever sees no colours, or prints in grey, tells them apart all the same."""
    others = [make_comparison(), dataclasses.replace(make_site(), due=False)]
    marks = [*text.VERDICT_MARKS.values(), *(text.standing(site).mark for site in others)]
    sheet = (resources.files("mv.report") / "assets" / "style.css").read_text(encoding="utf-8")
    shapes = re.findall(r'\.v-([a-z]+)::before \{ content: "(.)"', sheet)
    assert sorted(marks) == sorted(name for name, _ in shapes)
    assert len({shape for _, shape in shapes}) == len(marks) == 6


@pytest.mark.parametrize(
    ("months", "low", "high", "told"),
    [
        (48.0, 30.0, 96.0, "in about 4.0 years (between 2.5 and 8.0 years)"),
        (48.0, 30.0, None, "in about 4.0 years (at least 2.5 years, with no upper limit)"),
    ],
)
def test_payback_in_words(months, low, high, told):
    site = make_site()
    payback = Months(months=months, low=low, high=high, words="")
    money = dataclasses.replace(site.money, simple_payback_realised=payback)
    assert told in plain(text.money_sentence(dataclasses.replace(site, money=money), SAY))


def test_payback_that_cannot_be_computed_is_said():
    site = make_site()
    payback = Months(months=None, low=None, high=None, words="the saving is not above zero.")
    money = dataclasses.replace(site.money, simple_payback_realised=payback)
    told = plain(text.money_sentence(dataclasses.replace(site, money=money), SAY))
    assert told.startswith("No realised payback is given: the saving is not above zero.")
    assert "The estimate was 3.3 years." in told


def test_where_the_range_holds_zero_payback_and_year_are_no_statements_of_fact():
    site = with_saving(3_000.0, -9_000.0, 15_000.0, "not distinguishable")
    payback = Months(months=20.0, low=6.0, high=None, words="")
    money = dataclasses.replace(site.money, simple_payback_realised=payback)
    site = dataclasses.replace(site, money=money)
    told = plain(text.money_sentence(site, SAY))
    assert told.startswith("If the best figure is the true one, the net cost of")
    assert "at least 0.5 years, with no upper limit" in told
    assert "has come back" not in told
    year = plain(text.realisation_sentence(site, SAY))
    assert year.startswith("The best figure for a year at normal conditions is")
    under = plain(headlines(site, SAY)[3].under)
    assert under.startswith("at least 0.5 years at 90 %, no upper limit; estimated")
    assert plain(site_row(site, SAY, "").payback) == "at least 0.5 years"


def test_no_money_is_said():
    told = plain(text.money_sentence(dataclasses.replace(make_site(), money=None), SAY))
    assert told == "Nothing is said about money, because no cost or no rate was given."


def test_interim_tells_months_measured_and_left():
    site = make_site(interim=True)
    assert text.interim_words(site) == (
        "Interim: 5 months measured; 7 months remain before it can be final."
    )
    assert text.interim_words(make_site()) == ""


@pytest.mark.parametrize("site", [make_site(), make_bills_site(), make_unverifiable()])
def test_four_figures(site):
    assert len(headlines(site, SAY)) == 4


def test_no_word_that_promises_or_blames():
    told = [plain(c).lower() for c in text.CAUTIONS]
    for site in make_portfolio().sites:
        for make in (text.verdict_sentence, text.range_sentence, text.money_sentence):
            told.append(plain(make(site, SAY)).lower())
    for words in told:
        for avoided in AVOIDED:
            assert avoided not in words, (avoided, words)


@pytest.mark.parametrize(
    ("value", "half", "told", "never"),
    [
        (20_000.0, 5_000.0, "together they used about 20 000 kWh of electricity", "can't tell"),
        (20_000.0, 25_000.0, "the best figure is 20 000 kWh of electricity less", "they used"),
        (-3_000.0, 9_000.0, "the best figure is 3 000 kWh of electricity more", "they used"),
        (-20_000.0, 5_000.0, "used about 20 000 kWh of electricity (20.0 %) more", "saving"),
        (20_000.0, None, "No range can be given for this total", "confidence"),
    ],
)
def test_a_total_that_may_be_none_is_said_to_be_open(value, half, told, never):
    result = make_portfolio()
    saved = (
        Interval(value, None, None, "kWh", fraction=value / 100_000)
        if half is None
        else around(value, half, "kWh", base=100_000.0)
    )
    total = dataclasses.replace(result.totals[0], avoided_energy=saved)
    result = dataclasses.replace(result, totals=[total])
    first, second = (str(s).replace("\u202f", " ") for s in lead(result, SAY)[:2])
    assert told in f"{first} {second}"
    assert never not in f"{first} {second}"
    assert ("can't tell" in first) == (half is not None and abs(value) <= half)


def test_a_saving_that_may_be_none_reaches_no_estimate():
    sites = [make_site(key, key) for key in ("a", "b", "c")]
    yearly = sites[0].annual.verified_savings.value
    small, large = (dataclasses.replace(sites[0].annual, estimated_savings=yearly * f)
                    for f in (0.5, 2.0))  # fmt: skip
    sites = [
        dataclasses.replace(s, annual=annual, verdict=verdict)
        for s, annual, verdict in zip(
            sites,
            (small, small, large),
            ("savings shown", "not distinguishable", "savings shown"),
            strict=True,
        )
    ]
    title = CHARTS["estimated"].build(make_portfolio(sites), SAY).title
    assert title == (
        "1 of 3 sites reached their estimate; at 1 more the best figure did, and its range "
        "holds zero"
    )
    title = CHARTS["estimated"].build(make_portfolio([sites[0], sites[2]]), SAY).title
    assert title == "1 of 2 sites reached their estimate"
