"""Findings: a closed list of rules, places in words, and errors that carry them."""

import pickle
import re

import pytest

from mv.findings import (
    ACTIONS,
    RULES,
    Finding,
    FolderError,
    ModelError,
    MvError,
    ReadingsError,
    RenderError,
    counted,
    gravest_first,
)


def test_every_rule_says_in_one_sentence_what_it_watches_for():
    assert len(RULES) > 10
    for rule in RULES.values():
        assert rule.action in ACTIONS, rule
        assert re.fullmatch(r"[a-z][a-z0-9_]*", rule.name), rule
        assert re.fullmatch(r"[A-Z].+[.?]", rule.meaning), rule


def test_a_finding_outside_the_closed_list_is_refused():
    with pytest.raises(ValueError, match="carries the rule 'made_up', which is not in the list"):
        Finding("made_up", "x")


@pytest.mark.parametrize(
    ("place", "words"),
    [
        ({}, "is wrong"),
        ({"file": "sites.csv"}, "sites.csv: is wrong"),
        ({"file": "sites.csv", "line": 3}, "sites.csv, line 3: is wrong"),
        (
            {"file": "sites.csv", "line": 3, "column": "site"},
            "sites.csv, line 3, column site: is wrong",
        ),
        ({"column": "site"}, "column site: is wrong"),
    ],
)
def test_place_in_words(place, words):
    assert str(Finding("value_invalid", "is wrong", **place)) == words


def test_at_fills_only_what_is_empty():
    finding = Finding("value_invalid", "is wrong", line=3).at(file="sites.csv", line=9)
    assert (finding.file, finding.line) == ("sites.csv", 3)


def test_gravest_first_keeps_the_order_within_an_action():
    note = Finding("column_unknown", "a")
    first = Finding("value_invalid", "b")
    second = Finding("key_duplicate", "c")
    assert gravest_first([note, first, second]) == [first, second, note]


@pytest.mark.parametrize("kind", [FolderError, ReadingsError])
def test_an_error_carries_every_finding_and_survives_the_way_between_processes(kind):
    findings = (Finding("value_invalid", "a", "x.csv", 2), Finding("file_missing", "b"))
    error = pickle.loads(pickle.dumps(kind(findings)))
    assert type(error) is kind
    assert error.findings == findings
    assert str(error) == "x.csv, line 2: a\nb"
    assert kind(findings[0]).findings == findings[:1]


def test_the_family_has_one_head():
    for kind in (FolderError, ReadingsError, RenderError, ModelError):
        assert issubclass(kind, MvError)


@pytest.mark.parametrize(
    ("n", "said"),
    [
        (1, "1 row of [x] has a time and was left out."),
        (2, "2 rows of [x] have a time and were left out."),
        (0, "0 rows of [x] have a time and were left out."),
    ],
)
def test_a_sentence_agrees_with_its_number(n, said):
    assert counted("{n} row[|s] of [x] ha[s|ve] a time and [was|were] left out.", n) == said
