"""The benchmark of a year's baseline runs, and the exact search is no worse than the naive grid."""

import importlib.util
from pathlib import Path


def test_it_runs(capsys):
    path = Path(__file__).parent / "baseline_speed.py"
    spec = importlib.util.spec_from_file_location("baseline_speed", path)
    benchmark = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(benchmark)
    out = benchmark.main(repeats=1, step=2.0)
    assert {"daily", "bills", "hourly"} <= set(out)
    assert out["excess"] >= -1e-12
    printed = capsys.readouterr().out
    assert printed.startswith("a year of")
    assert "exact:" in printed
