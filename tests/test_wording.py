"""Numbers within sentences, and that pages without settings write the same."""

import re
from pathlib import Path

import pytest

import mv
from mv.report.format import Say
from mv.wording import NARROW, number, percent


@pytest.mark.parametrize(
    ("written", "expected"),
    [
        (number(3200), f"3{NARROW}200"),
        (number(-1234567.86, 1), f"−1{NARROW}234{NARROW}567.9"),
        (number(-0.2), "0"),
        (number(12, sign=True), "+12"),
        (number(-12, sign=True), "−12"),
        (percent(0.259, 1), f"25.9{NARROW}%"),
        (percent(-0.031), f"−3{NARROW}%"),
        (percent(0.031, 1, sign=True), f"+3.1{NARROW}%"),
        (percent(12.5), f"1{NARROW}250{NARROW}%"),
    ],
)
def test_numbers_in_sentences(written, expected):
    assert written == expected


def test_pages_write_alike():
    for value in (3200.0, -1234567.86, -0.2, 0.0, 999.5):
        for decimals in (0, 1, 2):
            assert Say().fixed(value, decimals) == number(value, decimals)
    assert str(Say().percent(0.259, "", half=0.01)) == percent(0.259, 1)
    assert Say(decimal=",", group=".").fixed(-1234.5, 1) == "−1.234,5"


def test_no_sentence_writes_a_percentage_of_its_own():
    house = Path(mv.__file__).parent
    own = re.compile(r":[^{}\n]*%\}|[\d}]%[ .,;)]")
    found = [
        f"{path.relative_to(house)}: {line.strip()}"
        for path in house.rglob("*.py")
        if path.name != "wording.py"
        for line in path.read_text(encoding="utf-8").splitlines()
        if own.search(line) and "width" not in line
    ]
    assert found == []
