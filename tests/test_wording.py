"""Numbers within sentences, and that pages without settings write the same."""

import math
import re
from pathlib import Path

import numpy as np
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


@pytest.mark.parametrize("decimals", [0, 1, 3])
def test_numbers_are_rounded_and_grouped_as_python_does(decimals):
    rng = np.random.default_rng(11)
    values = np.concatenate(
        [
            np.exp(rng.normal(3, 6, 2000)) * rng.choice([-1, 1], 2000),
            rng.integers(-30_000, 30_000, 500) / 8,  # halves and eighths: exact ties
            [998.9996, 999.0, 999.4, 999.5, 999.9996, 999_999.5, 1e15, 1e22, 0.285, 1.005],
        ]
    )
    for value in values.tolist():
        told = format(value, f",.{decimals}f")
        if not told.strip("-0."):
            told = told.removeprefix("-")  # no minus before a zero
        assert number(value, decimals) == told.replace("-", "−").replace(",", NARROW)
    assert number(math.inf, decimals) == "inf"


def test_numbers_are_rounded_to_tens_and_hundreds():
    for value in (*np.exp(np.random.default_rng(2).normal(7, 2, 500)).tolist(), 7095.0, 7105.0):
        for decimals in (-1, -2):
            assert number(value, decimals) == number(round(value, decimals))
