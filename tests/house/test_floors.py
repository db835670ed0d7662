"""Imports go downwards only.

Every import statement in `mv/` is parsed, deferred ones inside functions too, and held to the
table of floors: a room imports from lower floors and from itself; rooms of one floor don't know
each other.  Heavy libraries stay inside the functions that need them.
"""

from __future__ import annotations

import ast
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]
PACKAGE = ROOT / "mv"

FLOORS: tuple[tuple[str, ...], ...] = (
    ("units", "findings", "glossary", "registry", "quantity", "wording"),
    ("portfolio",),
    ("readings", "operating_days"),
    ("baseline", "lighting"),
    ("savings", "money", "sampling"),
    ("prepare", "results"),
    ("report",),
    ("verify", "rollup"),
    ("plan",),
    ("run",),
    ("cli",),
    ("__main__",),
)
FLOOR = {room: number for number, rooms in enumerate(FLOORS) for room in rooms}

GROUND = set(FLOORS[0])
REPORT_MAY = GROUND | {"results", "report"}
"""A page is a pure function of results: the room that draws it can reach nothing that computes."""

HEAVY = {
    "statsmodels",
    "pint",
    "plotly",
    "scipy",
    "holidays",
    "openpyxl",
    "xlsxwriter",
    "dask",
    "distributed",
}
"""Slow to import (a tenth of a second to two seconds each): inside functions only."""

NOT_IN_THE_COMMAND_LINE = HEAVY | {"pandas", "numpy", "pydantic", "pyarrow", "jinja2"}


def modules() -> list[Path]:
    return sorted(PACKAGE.rglob("*.py"))


def room_of(path: Path) -> str:
    return path.relative_to(PACKAGE).parts[0].removesuffix(".py")


def imported(path: Path) -> list[tuple[str, int, bool]]:
    """(dotted name, line, whether at module level) of every import in a file."""
    tree = ast.parse(path.read_text(encoding="utf-8"))
    deferred = {
        id(node)
        for function in ast.walk(tree)
        if isinstance(function, ast.FunctionDef | ast.AsyncFunctionDef | ast.Lambda)
        for node in ast.walk(function)
    }
    typing_only = {
        id(node)
        for block in ast.walk(tree)
        if isinstance(block, ast.If) and "TYPE_CHECKING" in ast.unparse(block.test)
        for node in ast.walk(block)
    }
    found = []
    for node in ast.walk(tree):
        top = id(node) not in deferred | typing_only
        if isinstance(node, ast.Import):
            found += [(alias.name, node.lineno, top) for alias in node.names]
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{path}:{node.lineno}: write the whole name of the module"
            name = node.module or ""
            if name == "mv":
                found += [(f"mv.{alias.name}", node.lineno, top) for alias in node.names]
            else:
                found.append((name, node.lineno, top))
    return found


@pytest.mark.parametrize("path", modules(), ids=lambda p: p.relative_to(ROOT).as_posix())
def test_a_room_imports_from_lower_floors_and_itself(path: Path):
    room = room_of(path)
    if room == "__init__":
        assert not [name for name, *_ in imported(path) if name.startswith("mv")]
        return
    assert room in FLOOR, f"{room} stands on no floor: add it to the table"
    for name, line, _ in imported(path):
        if not name.startswith("mv."):
            continue
        other = name.split(".")[1]
        if other == "__version__":
            continue
        where = f"{path.relative_to(ROOT)}:{line} imports {name}"
        assert other in FLOOR, f"{where}, which stands on no floor"
        if other == room:
            continue
        assert FLOOR[other] < FLOOR[room], f"{where}, which isn't below it"
        if room == "report":
            assert other in REPORT_MAY, f"{where}: pages are made of results alone"


@pytest.mark.parametrize("path", modules(), ids=lambda p: p.relative_to(ROOT).as_posix())
def test_heavy_libraries_are_imported_where_they_are_used(path: Path):
    forbidden = NOT_IN_THE_COMMAND_LINE if room_of(path) in ("cli", "__init__") else HEAVY
    for name, line, top in imported(path):
        if top:
            assert name.split(".")[0] not in forbidden, f"{path.relative_to(ROOT)}:{line}: {name}"


def test_every_floor_is_inhabited():
    rooms = {room_of(path) for path in modules()}
    assert {room for room in FLOOR if room not in rooms} == set()


def test_modules_form_no_cycle():
    """Not even within a room: follow module-level imports, each module must come to an end."""
    names = {
        ".".join(p.relative_to(ROOT).with_suffix("").parts).removesuffix(".__init__"): p
        for p in modules()
    }
    edges = {
        name: {
            target
            for target, _, top in imported(path)
            if top and target in names and target != name
        }
        for name, path in names.items()
    }
    done: set[str] = set()

    def visit(name: str, trail: tuple[str, ...]) -> None:
        assert name not in trail, " -> ".join((*trail[trail.index(name) :], name))
        if name not in done:
            for target in sorted(edges[name]):
                visit(target, (*trail, name))
            done.add(name)

    for name in sorted(edges):
        visit(name, ())


def test_importing_the_package_costs_nothing():
    code = (
        "import sys, mv; loaded = {m.split('.')[0] for m in sys.modules};"
        f"print(sorted(loaded & {NOT_IN_THE_COMMAND_LINE!r}))"
    )
    out = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, check=True, cwd=ROOT
    )
    assert out.stdout.strip() == "[]"
