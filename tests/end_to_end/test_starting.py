"""Starting the program: quick, and the starter folder is a folder that it accepts."""

from __future__ import annotations

import resource
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]
MOST_SECONDS = 0.5
"""CPU time of a help screen, user and system."""
TRIES = 12
"""Runs of which one must keep to it: what else a machine does only adds to a run's time."""


def cpu_seconds(code: str) -> float:
    """CPU time of one new interpreter that runs `code`."""
    before = resource.getrusage(resource.RUSAGE_CHILDREN)
    subprocess.run(
        [sys.executable, "-c", code], cwd=ROOT, check=True, stdout=subprocess.DEVNULL, timeout=60
    )
    after = resource.getrusage(resource.RUSAGE_CHILDREN)
    return after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime


@pytest.mark.parametrize("words", [["--help"], ["report", "--help"], ["render", "--help"]])
def test_help_is_quick(words: list[str]):
    code = f"import sys; sys.argv = ['mvreport', *{words!r}]; import mv.cli; mv.cli.main()"
    assert any(cpu_seconds(code) < MOST_SECONDS for _ in range(TRIES))


def test_the_package_can_be_run_as_a_module_and_names_its_commands(program, tmp_path: Path):
    run = program("--help", cwd=tmp_path)
    assert run.returncode == 0
    for command in ("start", "check", "plan", "report", "render"):
        assert command in run.stdout


def test_the_starter_folder_is_accepted(program, tmp_path: Path):
    folder = tmp_path / "mine"
    run = program("start", folder, cwd=tmp_path)
    assert run.returncode == 0, run.stderr
    names = {Path(line).name for line in run.stdout.split()}
    assert {"portfolio.toml", "sites.csv", "meters.csv", "weather.csv", "retrofits.csv"} <= names
    checked = program("check", folder, cwd=tmp_path)
    assert checked.returncode == 0, checked.stderr


def test_a_folder_in_use_is_not_overwritten(program, tmp_path: Path):
    (tmp_path / "mine").mkdir()
    (tmp_path / "mine" / "sites.csv").write_text("mine\n", encoding="utf-8")
    run = program("start", tmp_path / "mine", cwd=tmp_path)
    assert run.returncode == 2
    assert (tmp_path / "mine" / "sites.csv").read_text(encoding="utf-8") == "mine\n"
