"""One cell at a time: what numbers, dates and words are taken for, and what is refused."""

import datetime as dt

import pytest
from hypothesis import given
from hypothesis import strategies as st

from mv.portfolio.cells import (
    FIRST_DAY,
    LAST_DAY,
    CellError,
    choice_of,
    date_of,
    did_you_mean,
    forms,
    list_of,
    number_of,
    text_of,
    truth_of,
)
from mv.portfolio.schema import Retrofit, Settings


@pytest.mark.parametrize(
    ("text", "value"),
    [
        ("12", 12.0), ("-3.5", -3.5), ("+7", 7.0), ("1e3", 1000.0), (".5", 0.5), ("5.", 5.0),
        ("−4", -4.0),  # the typographic minus sign
        ("1,234.5", 1234.5), ("1.234,5", 1234.5), ("1,234,567", 1234567.0),
        ("1.234.567", 1234567.0),
        ("1 234,5", 1234.5), ("1\u202f234,5", 1234.5), ("1'234.5", 1234.5), ("12345", 12345.0),
        ("12,5", 12.5), ("0,125", 0.125), ("1,2345", 1.2345), ("12345,678", 12345.678),
        ("-12,5", -12.5), (",5", 0.5), ("1.234", 1.234),
    ],
)  # fmt: skip
def test_numbers_that_can_be_read_in_one_way(text, value):
    assert number_of(text) == value


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("1,234", '"1,234" can be read in two ways; write 1234 or, with a point and one more '
         "digit, 1.2340"),
        ("-9,999", '"-9,999" can be read in two ways; write -9999 or, with a point and one more '
         "digit, -9.9990"),
        ("12 %", '"12 %" is not a number; write a share as a fraction, 0.12 in place of 12 %'),
        ("(12)", '"(12)" is not a number; write a negative number with a minus sign'),
        ("€ 1200", '"€ 1200" is not a number; write digits alone, without unit or currency, with '
         "a point before decimals"),
        ("n/a", '"n/a" is not a number; write digits alone, with a point before decimals'),
        ("1,23,4", '"1,23,4" is not a number; write digits alone, with a point before decimals'),
        ("1e999", '"1e999" is too large for a number'),
        ("nan", '"nan" is not a number; write digits alone, with a point before decimals'),
        ("inf", '"inf" is not a number; write digits alone, with a point before decimals'),
        ("=1+1", '"=1+1" is not a number; write digits alone, without unit or currency, with a '
         "point before decimals"),
        ("١٢", '"١٢" is not a number; write digits alone, with a point before decimals'),
    ],
)  # fmt: skip
def test_numbers_that_are_refused(text, words):
    with pytest.raises(CellError) as refusal:
        number_of(text)
    assert (refusal.value.rule, str(refusal.value)) == ("number_invalid", words)


@given(st.floats(allow_nan=False, allow_infinity=False))
def test_every_number_that_python_writes_comes_back(value):
    assert number_of(repr(value)) == value


@given(st.integers(min_value=-(10**12), max_value=10**12), st.integers(0, 99))
def test_a_number_in_either_national_form_is_the_same(whole, cents):
    plain = float(f"{whole}.{cents:02d}")
    english = f"{whole:,}.{cents:02d}"
    german = english.translate(str.maketrans(",.", ".,"))
    french = german.replace(".", "\u202f")
    assert number_of(english) == number_of(german) == number_of(french) == plain


@pytest.mark.parametrize(
    ("text", "day"),
    [
        ("2024-03-25", dt.date(2024, 3, 25)), ("2024/3/5", dt.date(2024, 3, 5)),
        ("20240325", dt.date(2024, 3, 25)), ("2024-03-25 00:00:00", dt.date(2024, 3, 25)),
        ("2024-03-25T00:00", dt.date(2024, 3, 25)), ("25/03/2024", dt.date(2024, 3, 25)),
        ("03/25/2024", dt.date(2024, 3, 25)), ("4.3.2024", dt.date(2024, 3, 4)),
        ("03/03/2024", dt.date(2024, 3, 3)), ("2024-02-29", dt.date(2024, 2, 29)),
    ],
)  # fmt: skip
def test_dates_that_can_be_read_in_one_way(text, day):
    assert date_of(text) == day


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("03/04/2024",
         '"03/04/2024" can be read in two ways; write 2024-04-03 or 2024-03-04'),
        ("2023-02-29", '"2023-02-29" is not a day of the calendar; write year-month-day'),
        ("13/13/2024", '"13/13/2024" is not a day of the calendar; write year-month-day'),
        ("1924-03-25", '"1924-03-25" lies outside the years 1950 to 2150'),
        ("45292", '"45292" is not a date; it may be a spreadsheet program\'s number for '
         "2024-01-01; give the column the format year-month-day"),
        ("2024-03-25 14:30",
         '"2024-03-25 14:30" is not a date; write year-month-day, such as 2024-03-25'),
        ("March 2024", '"March 2024" is not a date; write year-month-day, such as 2024-03-25'),
        ("24-03-25", '"24-03-25" is not a date; write year-month-day, such as 2024-03-25'),
    ],
)  # fmt: skip
def test_dates_that_are_refused(text, words):
    with pytest.raises(CellError) as refusal:
        date_of(text)
    assert (refusal.value.rule, str(refusal.value)) == ("date_invalid", words)


@given(st.dates(FIRST_DAY, LAST_DAY))
def test_every_day_in_iso_form_comes_back(day):
    assert date_of(day.isoformat()) == day


@given(st.dates(FIRST_DAY, LAST_DAY))
def test_a_national_date_is_right_or_refused_never_wrong(day):
    for text in (f"{day:%d/%m/%Y}", f"{day:%m/%d/%Y}"):
        try:
            read = date_of(text)
        except CellError:
            assert day.day <= 12
        else:
            assert read == day


def test_truth_and_choices_in_whatever_case():
    assert [truth_of(t) for t in ("true", "YES", "1", "False", "n")] == [
        True, True, True, False, False
    ]  # fmt: skip
    with pytest.raises(CellError, match='"maybe" is neither true nor false; write one of them'):
        truth_of("maybe")
    allowed = ("whole_facility", "retrofit_isolation")
    assert choice_of("Whole facility", allowed) == "whole_facility"
    assert choice_of("RETROFIT-ISOLATION", allowed) == "retrofit_isolation"
    with pytest.raises(CellError) as refusal:
        choice_of("retrofit", allowed)
    assert str(refusal.value) == (
        '"retrofit" is not allowed here; allowed are whole_facility, retrofit_isolation; did you '
        'mean "retrofit_isolation"?'
    )


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("bell\x07", '"bell\\u0007" holds the control character U+0007; remove it'),
        ("gro\u202excod.exe", '"gro\\u202excod.exe" holds the control character U+202E; remove it'),
        ("x" * 2001, "the cell holds 2001 characters; at most 2000 are allowed"),
    ],
)
def test_text_that_could_deceive_or_drown_is_refused(text, words):
    with pytest.raises(CellError) as refusal:
        text_of(text)
    assert (refusal.value.rule, str(refusal.value)) == ("text_unsafe", words)


@pytest.mark.parametrize(
    "text",
    ["=cmd|' /C calc'!A0", "+1", "-1", "@SUM(A1)", "<script>alert(1)</script>", "../../x",
     "two\nlines", "a\ttab", "مكتب", "Zürich – Süd", "{{7*7}}", "%s%n"],
)  # fmt: skip
def test_any_other_text_is_kept_as_written(text):
    assert text_of(text) == text


def test_lists_and_near_names():
    assert list_of("a; b ;;c") == ("a", "b", "c")
    assert did_you_mean("electricty", ["electricity", "steam"]) == '; did you mean "electricity"?'
    assert did_you_mean("xyz", ["electricity", "steam"]) == ""


def test_forms_follow_the_schema():
    retrofit = forms(Retrofit)
    assert "source" not in retrofit
    assert retrofit["meters"].kind == "list"
    assert retrofit["measure_life"].kind == "number"
    assert retrofit["installation_start"].required
    assert retrofit["carrier"].default == "electricity"
    assert forms(Settings)["paper"].choices == ("A4", "Letter")
