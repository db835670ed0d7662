"""Reading a rate: what is wrong is said with file, line, setting and remedy, all at once."""

from __future__ import annotations

from importlib import resources

import pytest

from mv.findings import FolderError
from mv.money.component import COMPONENTS
from mv.money.load import daily_load
from mv.money.rates import open_rate, open_rates, price_load
from mv.money.reference import example_rates, rates_reference
from mv.portfolio.described import meanings
from mv.portfolio.settings import rates


def blocks(text: str):
    found = []
    made = rates(text.encode(), "rates.toml", found)
    assert not found
    return made


def problems(text: str) -> list[str]:
    with pytest.raises(FolderError) as raised:
        open_rates(blocks(text).values())
    return [str(f) for f in raised.value.findings]


def test_every_problem_at_once():
    text = """
[harbour]
unit = "kW"
seasons = { summer = "06-01..09-31" }
periods = { peak = "Mon-Fry 12:00-18:00", off = "rest" }
demnd = [{ price = 3 }]
rider = [{ percent = 3, of = ["enrgy"] }]

[[harbour.energy]]
price = 0.1
seson = "summer"

[[harbour.energy]]
price = "a"
"""
    known = (
        "basis, blended, demand, energy, fixed, holidays, minimum, name, of, periods, price, "
        "rider, seasons, source, tax, unit"
    )
    assert problems(text) == [
        'rates.toml, line 6, column harbour.demnd: "demnd" means nothing in a rate; did you mean '
        f'"demand"? (known are {known}).',
        "rates.toml, line 7, column harbour.rider: 'of' names \"enrgy\", which is no part of a "
        'rate; did you mean "energy"? (there are: blended, demand, energy, fixed, minimum, rider, '
        "tax).",
        'rates.toml, line 11, column harbour.energy[1].seson: "seson" means nothing in a rate; did '
        'you mean "season"? (known are blocks, from, name, per, period, price, season, until, '
        "window).",
        'rates.toml, line 14, column harbour.energy[2].price: "a" can\'t be used here (input '
        "should be a valid number, unable to parse string as a number).",
        'rates.toml, line 4, column harbour.seasons.summer: "06-01..09-31" is not a span of days '
        "such as 06-01..09-30, or rest.",
        'rates.toml, line 5, column harbour.periods.peak: "Mon-Fry 12:00-18:00" is not days and '
        "hours such as Mon-Fri 12:00-18:00 (a season may stand before them), or rest.",
        "rates.toml, line 2, column harbour.holidays: the rate has time-of-use periods and doesn't "
        'say how public holidays are priced; add holidays = "Sun" (priced like a Sunday) or '
        'holidays = "none".',
        'rates.toml, line 3, column harbour.unit: "kW" measures power; prices are per energy or '
        "volume.",
    ]


@pytest.mark.parametrize(
    ("body", "message"),
    [
        ('name = "x"', "r.price: the rate has no energy price; add price = 0.145, say."),
        (
            "price = 0.1\nenergy = [{ price = 0.2 }]",
            "r.price: give either a price or an energy list, not both.",
        ),
        ("energy = []", "r.energy: the list is empty; leave the name out, or give an entry."),
        ("energy = 3", "r.energy: found 3 where a table of names and values is expected."),
        ("energy = [{ }]", "r.energy[1]: give either a price or blocks."),
        (
            "energy = [{ blocks = [{ price = 1 }, { price = 2 }] }]",
            "r.energy[1]: every block but the last needs up_to, and the last has none.",
        ),
        (
            "energy = [{ blocks = [{ up_to = 9, price = 1 }, { up_to = 5, price = 2 },"
            " { price = 3 }] }]",
            "r.energy[1]: the blocks' up_to must rise.",
        ),
        (
            "energy = [{ price = 1, from = 2024-02-01, until = 2024-01-01 }]",
            "r.energy[1]: from 2024-02-01 is after until 2024-01-01.",
        ),
        (
            "energy = [{ price = 1 }, { price = 2, until = 2024-01-01 }]",
            "r.energy: entries 1 and 2 apply at the same time; limit them by season, period or "
            "dates, or give them different names if both are to be charged.",
        ),
        (
            'seasons = { summer = "05-01..09-30", winter = "rest" }\n'
            'energy = [{ price = 1, season = "sumer" }]',
            'r.energy[1].season: the rate has no season called "sumer"; did you mean "summer"? '
            "(there are: summer, winter).",
        ),
        (
            'price = 1\ndemand = [{ price = 1, ratchet = { share = 0.8, season = "hot" } }]',
            'r.demand[1].ratchet.season: the rate has no season called "hot" (there are: none; add '
            "[r.seasons]).",
        ),
        (
            'price = 1\nseasons = { a = "01-01..06-30", b = "06-30..12-31" }',
            'r.seasons.b: "06-30..12-31" overlaps another season.',
        ),
        (
            'price = 1\nseasons = { a = "03-01..02-27" }',
            'r.seasons: no season holds 02-28; let the seasons fill the year, or call one of them '
            '"rest".',
        ),
        (
            'price = 1\nholidays = "none"\nperiods = { a = "Mon-Sat 00:00-24:00" }',
            'r.periods: no period holds Sun 00:00; let the periods fill the week, or call one of '
            'them "rest".',
        ),
        (
            'price = 1\nholidays = "none"\n'
            'periods = { a = "daily 00:00-24:00", b = "Mon 01:00-02:00" }',
            'r.periods.b: "Mon 01:00-02:00" overlaps another period.',
        ),
        (
            'price = 1\nholidays = "Holiday"',
            'r.holidays: "Holiday" is not a day of the week (Mon ... Sun) or none.',
        ),
        (
            'price = 1\nholidays = "none"\nperiods = { p = "rest" }\n'
            'fixed = [{ amount = 1, period = "p" }]',
            'r.fixed: entry 1 is limited to the period "p", but this charge knows no hours; leave '
            "the period out.",
        ),
        (
            "price = 1\nrider = [{ percent = 1, per_unit = 2 }]",
            "r.rider[1]: give either percent or per_unit.",
        ),
        (
            "price = 1\ndemand = [{ price = 1, ratchet = { share = 1.5 } }]",
            'r.demand[1].ratchet.share: "1.5" must be 1 or less.',
        ),
        (
            'price = 1\nbasis = "estimate"',
            'r.of: an estimate\'s or contract\'s rate needs of = "key of the actual rate", and the '
            "actual rate has none.",
        ),
        (
            'price = 1\nbasis = "estimate"\nof = "s"',
            'r.of: there is no rate "s".',
        ),
        (
            'price = 1\nunit = "furlong"',
            'r.unit: "furlong" measures neither energy, power nor volume.',
        ),
    ],
)  # fmt: skip
def test_what_is_refused(body, message):
    found = problems(f"[r]\n{body}\n")
    assert [text.split("column ", 1)[1] for text in found] == [message]


def test_the_examples_open_and_price():
    made = open_rates(blocks(example_rates()).values())
    assert {r.head.basis for r in made.values()} == {"actual", "estimate", "contract"}
    used = {name for rate in made.values() for name in rate.parts}
    assert used == set(COMPONENTS.names())
    days = [f"2024-03-{d:02d}" for d in range(1, 32)]
    for rate in made.values():
        unit_bill = price_load(rate, daily_load(days, [100.0] * 31))
        assert unit_bill.total > 0


def test_the_manual_holds_every_setting_and_is_kept():
    text = rates_reference()
    kept = resources.files("mv.money").joinpath("RATES.md").read_text(encoding="utf-8")
    assert kept == text, "run python -m mv.money.reference > mv/money/RATES.md"
    for component in COMPONENTS:
        assert f"### `{component.name}`: {component.label}" in text
        for name, field in component.entry.model_fields.items():
            assert f"| `{field.alias or name}` |" in text
            assert meanings(component.entry)[name] in text


def test_one_price_is_flat_and_needs_no_intervals():
    one = open_rate(blocks("[r]\nprice = 0.2")["r"])
    assert one.flat
    assert not one.needs_intervals
    made = open_rates(blocks(example_rates()).values())
    assert made["general_service"].needs_intervals
    assert not made["small_supply"].flat
    assert not made["gas"].flat
    line = example_rates().splitlines().index("[gas]") + 1
    assert made["gas"].source == f"bills of 2023 and 2024; rates.toml, line {line}"


@pytest.mark.parametrize(
    ("text", "setting"),
    [
        ("[shop]\nprice = -0.2\n", "price"),
        ("[shop]\n[[shop.energy]]\nprice = -0.2\n", "energy"),
        ("[shop]\n[[shop.blended]]\nprice = -0.2\n", "blended"),
    ],
)
def test_a_price_below_zero_is_refused(text, setting):
    (told,) = problems(text)
    assert told.startswith("rates.toml, line ")
    assert setting in told
    assert "-0.2" in told
