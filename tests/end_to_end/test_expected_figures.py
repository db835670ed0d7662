"""Figures of the sample portfolio stay what they are until somebody means to change them.

`reports/expected/figures.json` is written by the script beside it.  Figures may differ by rounding
between processors and library versions, no more.
"""

from __future__ import annotations

import json
import math
import runpy
from pathlib import Path

EXPECTED = Path(__file__).parents[2] / "reports" / "expected"
ROUNDING = 1e-6
"""Relative difference that another processor or library may make."""


def differences(expected, found, path: str = "") -> list[str]:
    if isinstance(expected, dict) and isinstance(found, dict):
        if set(expected) != set(found):
            return [f"{path}: {sorted(set(expected) ^ set(found))} on one side only"]
        return [d for k in expected for d in differences(expected[k], found[k], f"{path}.{k}")]
    if isinstance(expected, list) and isinstance(found, list):
        if len(expected) != len(found):
            return [f"{path}: {len(expected)} expected, {len(found)} found"]
        pairs = enumerate(zip(expected, found, strict=True))
        return [d for i, (a, b) in pairs for d in differences(a, b, f"{path}[{i}]")]
    numbers = isinstance(expected, int | float) and isinstance(found, int | float)
    if numbers and math.isclose(expected, found, rel_tol=ROUNDING, abs_tol=1e-9):
        return []
    return [] if expected == found else [f"{path}: {expected!r} expected, {found!r} found"]


def test_figures_are_the_expected_ones(sample):
    kept = runpy.run_path(str(EXPECTED / "refresh.py"), run_name="refresh")["figures"]
    expected = json.loads((EXPECTED / "figures.json").read_text(encoding="utf-8"))
    assert differences(expected, kept(sample.results)) == []


def test_a_difference_would_be_seen():
    assert differences({"a": [1.0, 2.0]}, {"a": [1.0, 2.0 + 1e-12]}) == []
    assert differences({"a": [1.0, 2.0]}, {"a": [1.0, 2.001]}) == [
        ".a[1]: 2.0 expected, 2.001 found"
    ]
    assert differences({"a": None}, {"a": 1.0}) == [".a: None expected, 1.0 found"]
    assert differences({"a": 1}, {"b": 1}) == [": ['a', 'b'] on one side only"]
