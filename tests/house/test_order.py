"""Small rules of the house: names, sizes, nothing unfinished, no test that can't fail."""

from __future__ import annotations

import ast
import re
import shutil
import subprocess
import sys
from collections.abc import Iterable
from pathlib import Path

import pytest

from mv.findings import RULES

ROOT = Path(__file__).parents[2]
MOST_LINES = 500
"""Lines beyond which a module is split (common practice, no source)."""

LONG_FOR_A_REASON = {"mv/results.py"}
"""The shape of the results: field after field with its meaning, read as a whole."""

TOP_LEVEL = {
    "README.md",
    "DEVELOPERS.md",
    "pyproject.toml",
    "mv",
    "reports",
    "sample_meter_data",
    "tests",
}
SWEEPINGS = {"utils.py", "helpers.py", "common.py", "misc.py"}


def tracked() -> list[Path]:
    """Files of the project: what is committed, or all there are where git doesn't know them."""
    git = shutil.which("git")
    if git and (ROOT / ".git").exists():
        out = subprocess.run(
            [git, "-c", f"safe.directory={ROOT}", "ls-files", "-co", "--exclude-standard"],
            cwd=ROOT, capture_output=True, text=True, check=True,
        )  # fmt: skip
        return [p for p in (ROOT / line for line in out.stdout.splitlines()) if p.is_file()]
    return [p for p in ROOT.rglob("*") if p.is_file() and "__pycache__" not in p.parts]


def python_files() -> list[Path]:
    return [p for p in tracked() if p.suffix == ".py"]


def test_the_top_level_holds_what_it_should():
    seen = {p.relative_to(ROOT).parts[0] for p in tracked()}
    assert {name for name in seen if not name.startswith(".")} <= TOP_LEVEL


def test_file_names_say_what_is_inside():
    assert [p for p in python_files() if p.name in SWEEPINGS] == []


def test_modules_stay_short():
    long = {
        p.relative_to(ROOT).as_posix(): n
        for p in python_files()
        if p.is_relative_to(ROOT / "mv")
        and p.relative_to(ROOT).as_posix() not in LONG_FOR_A_REASON
        and (n := len(p.read_text(encoding="utf-8").splitlines())) > MOST_LINES
    }
    assert long == {}


UNFINISHED = re.compile(
    r"\b(TODO|FIXME|XXX|HACK)\b|raise NotImplementedError|lorem ipsum", re.IGNORECASE
)
MACHINE = re.compile(r"(?<![\w.])/(work|opt|root|home|Users)/\w")


@pytest.mark.parametrize("pattern", [UNFINISHED, MACHINE], ids=["unfinished", "machine paths"])
def test_nothing_is_left_lying_about(pattern: re.Pattern):
    found = [
        f"{p.relative_to(ROOT)}:{number}: {line.strip()}"
        for p in tracked()
        if p.suffix in {".py", ".md", ".toml", ".html", ".css", ".js", ".csv"}
        and p != Path(__file__)
        and p.stat().st_size < 1_000_000
        for number, line in enumerate(p.read_text(encoding="utf-8").splitlines(), 1)
        if pattern.search(line)
    ]
    assert found == []


def test_no_test_is_skipped_reruns_or_sleeps():
    banned = {"skip", "skipif", "xfail", "importorskip", "sleep"}
    found = []
    for path in python_files():
        if not path.name.startswith("test_") or path == Path(__file__):
            continue
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if isinstance(node, ast.Attribute) and node.attr in banned:
                found.append(f"{path.relative_to(ROOT)}:{node.lineno} {node.attr}")
    assert [f for f in found if "benchmarks/" not in f] == []


RAISE_BY_THEMSELVES = {"survive", "strict"}
"""Functions of the tests that end in an error of their own when something is wrong."""


def functions_without_check(tree: ast.Module) -> list[str]:
    """Tests in whose body, and in whose module's own functions, nothing can fail on purpose."""
    own = {n.name: n for n in ast.walk(tree) if isinstance(n, ast.FunctionDef)}

    def can_fail(node: ast.AST, seen: frozenset[str]) -> bool:
        for part in ast.walk(node):
            if isinstance(part, ast.Assert):
                return True
            if isinstance(part, ast.Attribute | ast.Name):
                name = part.attr if isinstance(part, ast.Attribute) else part.id
                if name.startswith("assert") or name in {"raises", "fail", *RAISE_BY_THEMSELVES}:
                    return True
                if name in own and name not in seen and can_fail(own[name], seen | {name}):
                    return True
        return False

    return [
        name
        for name, node in own.items()
        if name.startswith("test_") and not can_fail(node, frozenset({name}))
    ]


def test_every_test_can_fail():
    idle = {
        p.relative_to(ROOT).as_posix(): names
        for p in python_files()
        if p.name.startswith("test_")
        and (names := functions_without_check(ast.parse(p.read_text(encoding="utf-8"))))
    }
    assert idle == {}


def rules_without(paths: Iterable[Path]) -> list[str]:
    """Rules whose name stands in quotes in none of these files."""
    quoted = set()
    for path in paths:
        quoted |= set(re.findall(r"""["']([a-z_0-9]+)["']""", path.read_text(encoding="utf-8")))
    return sorted(set(RULES) - quoted)


def test_every_rule_is_triggered_by_some_test():
    assert rules_without((ROOT / "tests").rglob("*.py")) == []


def test_every_rule_is_used_by_the_package():
    files = (ROOT / "mv").rglob("*.py")
    assert rules_without(p for p in files if p.name != "findings.py") == []


def test_the_code_is_clean_by_ruff():
    words = ["check", "--no-cache", "--output-format=concise", "."]
    out = subprocess.run(
        [sys.executable, "-m", "ruff", *words],
        cwd=ROOT, capture_output=True, text=True, check=False,
    )  # fmt: skip
    assert out.returncode == 0, out.stdout
