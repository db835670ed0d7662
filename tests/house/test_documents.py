"""The documents keep step with the code: commands run, the map is whole, snippets work."""

from __future__ import annotations

import re
import runpy
import shlex
import shutil
import subprocess
import sys
from pathlib import Path

import pytest
import typer
from typer.testing import CliRunner

from mv.cli import app

ROOT = Path(__file__).parents[2]
README = (ROOT / "README.md").read_text(encoding="utf-8")
DEVELOPERS = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")


def blocks(text: str, language: str) -> list[str]:
    return re.findall(rf"```{language}\n(.*?)```", text, flags=re.DOTALL)


def commands(text: str) -> list[str]:
    """Lines of shell blocks that call the program by its own name."""
    return [
        line.split("#")[0].strip()
        for block in blocks(text, "sh")
        for line in block.splitlines()
        if line.startswith("mvreport ")
    ]


def test_the_job_stands_first():
    assert README.startswith("# mvreport\n\nmvreport takes a folder of pre- and post-retrofit")


def test_the_two_lines_follow_each_other_and_name_what_is_there():
    first, second = (b.strip() for b in blocks(README, "sh")[:2])
    assert "\n" not in first
    assert "\n" not in second
    assert first.startswith("python3 -m venv .venv && .venv/bin/pip install ")
    assert first.endswith(".venv/bin/mvreport report sample_meter_data")
    assert second.startswith("python3 -m venv .venv && .venv/bin/pip install ")
    assert second.endswith(".venv/bin/python -m pytest")
    assert "[test]" in second


def test_ci_runs_the_second_line_of_the_readme():
    script = (ROOT / ".ci" / "run").read_text(encoding="utf-8")
    assert "README.md" in script, "the line is taken from the README, not repeated"


def test_commands_of_the_readme_run(tmp_path: Path, monkeypatch: pytest.MonkeyPatch):
    shutil.copytree(ROOT / "sample_meter_data", tmp_path / "sample_meter_data")
    monkeypatch.chdir(tmp_path)
    lines = commands(README)
    assert len(lines) >= 4
    for line in lines:
        outcome = CliRunner().invoke(app, shlex.split(line)[1:], catch_exceptions=False)
        assert outcome.exit_code == 0, f"{line}: {outcome.output}"


def test_every_command_is_described_in_the_readme():
    names = set(typer.main.get_command(app).commands)
    assert {n for n in names if f"mvreport {n}" not in README} == set()


def test_pictures_of_the_readme_are_there():
    pictures = re.findall(r"!\[[^\]]+\]\(([^)]+)\)", README)
    assert len(pictures) >= 2
    for picture in pictures:
        path = ROOT / picture
        assert path.is_file(), picture
        assert path.stat().st_size < 400_000, f"{picture} is too heavy for a repository"


def test_links_inside_the_documents_lead_somewhere():
    for text in (README, DEVELOPERS):
        for target in re.findall(r"\]\((?!https?:|#)([^)#]+)", text):
            assert (ROOT / target).exists(), target


def test_the_map_is_that_of_now():
    with_map = runpy.run_path(str(ROOT / "tests" / "house" / "write_map.py"))["with_map"]
    assert with_map(DEVELOPERS) == DEVELOPERS, "run python tests/house/write_map.py"


def run_snippet(code: str) -> str:
    """Run in a process of its own: what a snippet registers must not be met by other tests."""
    run = subprocess.run(
        [sys.executable, "-W", "error", "-c", code],
        cwd=ROOT, capture_output=True, text=True, check=False,
    )  # fmt: skip
    assert run.returncode == 0, run.stderr
    return run.stdout


@pytest.mark.parametrize("number", range(len(blocks(DEVELOPERS, "python"))))
def test_snippets_of_the_walk_throughs_run(number: int):
    code = blocks(DEVELOPERS, "python")[number]
    assert "assert" in code, "a walk-through ends by showing that it works"
    run_snippet(code)


def test_the_lines_for_python_run():
    (code,) = blocks(README, "python")
    assert run_snippet(code).startswith("savings shown")


def test_release_notes_open_with_the_version():
    from mv import __version__

    pyproject = (ROOT / "pyproject.toml").read_text(encoding="utf-8")
    assert f'version = "{__version__}"' in pyproject
    notes = DEVELOPERS.split("## Release notes", 1)[1]
    assert re.search(r"^### (\S+)", notes, flags=re.MULTILINE)[1] == __version__
