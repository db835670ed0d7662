"""A large folder opens quickly; what one site costs doesn't grow with the others."""

import importlib.util
from pathlib import Path

from mv.portfolio.folder import open_portfolio

SCRIPT = Path(__file__).parents[1] / "benchmarks" / "open_folder.py"

OPEN_SECONDS = 6.0 / 10_000
"""CPU a site; 10,000 sites may take 6 s (measured: 2 s on two cores)."""


def script():
    spec = importlib.util.spec_from_file_location("open_folder", SCRIPT)
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


def test_two_thousand_sites_open_in_their_share_of_the_time(tmp_path):
    benchmark = script()
    benchmark.write_folder(tmp_path / "small", 10)
    assert open_portfolio(tmp_path / "small").findings == ()  # units and holidays are loaded now
    benchmark.write_folder(tmp_path / "large", 2_000)
    got = benchmark.measure(tmp_path / "large")
    assert got["sites"] == 2_000
    assert got["open_seconds"] < 2_000 * OPEN_SECONDS
    assert got["describe_seconds"] < 0.5
