"""The benchmark of pricing runs, and keeps to its limit."""

from __future__ import annotations

import runpy
from pathlib import Path

SCRIPT = Path(__file__).parents[1] / "benchmarks" / "rate_speed.py"
MOST_MS = 50.0
"""Processor time for three years of quarter-hours under time of use and demand, both loads."""


def test_three_years_of_quarter_hours_are_priced_in_time(capsys):
    found = runpy.run_path(str(SCRIPT))["main"]()
    best, _ = found["two loads, same clock"]
    assert best < MOST_MS
    best, _ = found["a site's saving with its interval"]
    assert best < MOST_MS
    assert "105,216 quarter-hours" in capsys.readouterr().out
