"""portfolio.toml and rates.toml: every name known or refused, every problem with its line."""

import pytest

from mv.portfolio.settings import line_numbers, rates, settings


def told(text: str) -> list[str]:
    findings = []
    made, _ = settings(text.encode(), "portfolio.toml", findings)
    assert made is None
    return [str(f) for f in findings]


def test_all_that_can_be_set_is_set():
    findings = []
    made, lines = settings(
        b'name = "H\xc3\xa4fen"\ncurrency = "USD"\nconfidence = 0.8\npaper = "Letter"\n'
        b"[finance]\ndiscount_rate = 0.04\n[limits]\nbills = 10\ncoverage = 1\n"
        b'[[emissions]]\ncarrier = "electricity"\nfactor = 0.2\nsource = "grid 2024"\n'
        b'[incentive]\nanything = {deep = [1, 2]}\n',
        "portfolio.toml",
        findings,
    )  # fmt: skip
    assert findings == []
    assert (made.name, made.currency, made.confidence, made.paper) == (
        "Häfen", "USD", 0.8, "Letter",
    )  # fmt: skip
    assert made.finance.discount_rate == 0.04
    assert (made.limits.bills, made.limits.coverage) == (10, 1.0)
    assert made.emissions[0].source == "grid 2024"
    assert made.incentive == {"anything": {"deep": [1, 2]}}
    assert (lines["finance.discount_rate"], lines["incentive.anything"]) == (6, 15)


@pytest.mark.parametrize(
    ("text", "lines"),
    [
        ("", ['portfolio.toml, column name: the setting is missing; write name = "…"']),
        ('name = ""\n', ['portfolio.toml, line 1, column name: "" has fewer than 1 characters']),
        ('name = "x"\n\n[finanse]\ndiscount_rate = 0.1\n',
         ['portfolio.toml, line 3, column finanse: the setting is not known here; did you mean '
          '"finance"?']),
        ('name = "x"\n[finance]\ndiscount = 0.1\n',
         ['portfolio.toml, line 3, column finance.discount: the setting is not known here; did '
          'you mean "discount_rate"?']),
        ('name = "x"\nfinance.discount_rate = 5\n',
         ['portfolio.toml, line 2, column finance.discount_rate: "5" must be below 1']),
        ('name = "x"\nconfidence = 90\n',
         ['portfolio.toml, line 2, column confidence: "90" must be 0.999 or less']),
        ('name = "x"\nconfidence = "0.9"\n',
         ['portfolio.toml, line 2, column confidence: found "0.9"; it must be a number, without '
          "quotes"]),
        ('name = "x"\nconfidence = true\n',
         ["portfolio.toml, line 2, column confidence: found true; it must be a number, without "
          "quotes"]),
        ('name = "x"\nconfidence = nan\n',
         ["portfolio.toml, line 2, column confidence: found nan; it must be a finite number"]),
        ("name = 5\n", ["portfolio.toml, line 1, column name: found 5; it must be text in quotes"]),
        ('name = "a\\u0007b"\n',
         ['portfolio.toml, line 1, column name: "a\\u0007b" holds the control character U+0007; '
          "remove it"]),
        ('name = "x"\npaper = "letter"\n',
         ['portfolio.toml, line 2, column paper: "letter" is not allowed here; allowed are A4, '
          'Letter; did you mean "Letter"?']),
        ('name = "x"\nfinance = 3\n',
         ["portfolio.toml, line 2, column finance: found 3; it must be a table, [finance]"]),
        ('name = "x"\nemissions = [1]\n',
         ["portfolio.toml, line 2, column emissions: found a list; each factor is a table, "
          "[[emissions]]"]),
        ('name = "x"\n[limits]\nbills = 11.5\ncoverage = 90\n',
         ['portfolio.toml, line 3, column limits.bills: "11.5" must be a whole number',
          'portfolio.toml, line 4, column limits.coverage: "90" must be 1 or less']),
        ('name = "x"\n[[emissions]]\ncarrier = "steam"\nfactor = 1\nsource = "abc"\n'
         '[[emissions]]\ncarrier = "water"\nfactor = 1\n',
         ['portfolio.toml, line 6, column emissions.1.unit: "kWh" measures energy, but an amount '
          "of water is in volume",
          'portfolio.toml, line 6, column emissions.1.source: the setting is missing; write source '
          '= "…"']),
        ('name = "x\n', ["portfolio.toml, line 1: the file is not valid TOML here: illegal "
                         "character '\\n', in \"name = \"x\""]),
        ('name = "x"\nname = "y"\n',
         ["portfolio.toml, line 2: the file is not valid TOML here: cannot overwrite a value, in "
          '"name = "y""']),
        ('name = "x"\n[limits\n',
         ["portfolio.toml, line 2: the file is not valid TOML here: expected ']' at the end of a "
          'table declaration, in "[limits"']),
    ],
)  # fmt: skip
def test_every_problem_has_its_line(text, lines):
    assert told(text) == lines


def test_nesting_without_end_is_refused():
    assert told("a = " + "[" * 20_000)[0].startswith("portfolio.toml")


def test_settings_that_are_too_large_are_not_read():
    assert told("# " + "x" * 5_000_000) == ["portfolio.toml: the file is larger than 5 MB"]


def test_a_rate_stays_as_written_and_knows_its_lines():
    findings = []
    text = (
        "# prices\n[main]\nprice = 0.19\nname = '''two\nprice = 9\nlines'''\n\n"
        "[main.season.summer]\nprice = 0.1\n[[main.block]]\nupto = 1\n[[main.block]]\nupto = 2\n"
        "[gas]\nprice = 0.05\n"
    )
    blocks = rates(text.encode(), "rates.toml", findings)
    assert findings == []
    assert list(blocks) == ["main", "gas"]
    assert blocks["main"].values["block"] == [{"upto": 1}, {"upto": 2}]
    assert (blocks["main"].source.line, blocks["gas"].source.line) == (2, 14)
    assert blocks["main"].lines == {
        "price": 3, "name": 4, "season": 8, "season.summer": 8, "season.summer.price": 9,
        "block": 10, "block.0": 10, "block.0.upto": 11, "block.1": 12, "block.1.upto": 13,
    }  # fmt: skip


def test_what_is_no_rate_is_refused():
    findings = []
    text = b'price = 0.19\n[[main]]\nprice = 1\n["a b"]\nprice = 2\n[gas]\nprice = 3\n'
    assert list(rates(text, "rates.toml", findings)) == ["gas"]
    assert [str(f) for f in findings] == [
        "rates.toml, line 1, column price: a rate is a table of its own; put this setting under "
        "its header [name]",
        "rates.toml, line 2, column main: a rate is a table of its own; put this setting under "
        "its header [name]",
        'rates.toml, line 4, column a b: "a b" is not a key: letters, digits, - and _ alone, at '
        "most 80 of them",
    ]


def test_line_numbers_of_dotted_and_quoted_names():
    assert line_numbers('a.b = 1\n"c d".e = 2\n[f."g.h"]\ni = 3\n') == {
        "a": 1, "a.b": 1, "c d": 2, "c d.e": 2, "f": 3, "f.g.h": 3, "f.g.h.i": 4,
    }  # fmt: skip
