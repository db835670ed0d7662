"""The program as a person starts it: another process, words in, exit codes out."""

from __future__ import annotations

import os
import subprocess
import sys
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import orjson
import pytest

ROOT = Path(__file__).parents[2]
SAMPLE = ROOT / "sample_meter_data"

Run = Callable[..., subprocess.CompletedProcess]


def start_program(*words: str | Path, cwd: Path) -> subprocess.CompletedProcess:
    """Run `mvreport words...` in `cwd` and hand back its code and both of its outputs."""
    return subprocess.run(
        [sys.executable, "-m", "mv", *map(str, words)],
        cwd=cwd,
        env=os.environ | {"PYTHONPATH": str(ROOT), "NO_COLOR": "1", "COLUMNS": "200"},
        stdin=subprocess.DEVNULL,
        capture_output=True,
        text=True,
        timeout=240,
        check=False,
    )


@pytest.fixture(scope="session")
def program() -> Run:
    """Start the program: `program("report", folder, cwd=...)`."""
    return start_program


@dataclass(frozen=True)
class Report:
    """One finished run on the sample portfolio."""

    out: Path
    run: subprocess.CompletedProcess
    results: dict

    @property
    def sites(self) -> dict[str, dict]:
        """Results by site key."""
        return {site["site"]: site for site in self.results["sites"]}


@pytest.fixture(scope="session")
def sample(tmp_path_factory: pytest.TempPathFactory) -> Report:
    """The main job on the sample portfolio, done once."""
    out = tmp_path_factory.mktemp("sample") / "report"
    run = start_program("report", SAMPLE, "--out", out, "--no-cache", cwd=out.parent)
    assert run.returncode == 0, run.stderr
    return Report(out, run, orjson.loads((out / "results.json").read_bytes()))
