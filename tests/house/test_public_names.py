"""The public names are the listed ones, and each is there."""

from __future__ import annotations

import ast
from collections.abc import Iterator
from pathlib import Path

import pytest

import mv
from mv.findings import MvError

PACKAGE = Path(mv.__file__).parent

EXPECTED = {
    "__version__",
    "Finding",
    "FolderError",
    "Interval",
    "MvError",
    "PortfolioResult",
    "ReadingsError",
    "SiteResult",
    "from_json",
    "open_portfolio",
    "prepare_site",
    "render",
    "to_json",
    "verify_portfolio",
    "verify_site",
}


def test_the_list_is_this_one():
    assert set(mv.__all__) == EXPECTED
    assert set(dir(mv)) == EXPECTED


@pytest.mark.parametrize("name", sorted(EXPECTED))
def test_each_public_name_can_be_fetched_and_explains_itself(name: str):
    thing = getattr(mv, name)
    if name != "__version__":
        assert thing.__doc__


def test_an_unknown_name_is_refused_as_python_does():
    with pytest.raises(AttributeError, match="no attribute 'payback'"):
        mv.payback  # noqa: B018


def public_functions() -> Iterator[tuple[str, ast.FunctionDef]]:
    for path in sorted(PACKAGE.rglob("*.py")):
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if isinstance(node, ast.FunctionDef) and not node.name.startswith("_"):
                yield f"{path.relative_to(PACKAGE)}:{node.lineno} {node.name}", node


def own_errors() -> set[str]:
    family = {MvError}
    while True:
        wider = family | {sub for kind in family for sub in kind.__subclasses__()}
        if wider == family:
            return {kind.__name__ for kind in family}
        family = wider


def test_public_functions_name_the_errors_of_ours_that_they_raise():
    errors = own_errors()
    silent = {}
    for where, node in public_functions():
        raised = {
            call.exc.func.id
            for call in ast.walk(node)
            if isinstance(call, ast.Raise)
            and isinstance(call.exc, ast.Call)
            and isinstance(call.exc.func, ast.Name)
        }
        missing = {e for e in raised & errors if e not in (ast.get_docstring(node) or "")}
        if missing:
            silent[where] = missing
    assert silent == {}


def test_every_module_opens_with_what_it_is_for():
    bare = [
        path.relative_to(PACKAGE).as_posix()
        for path in PACKAGE.rglob("*.py")
        if not ast.get_docstring(ast.parse(path.read_text(encoding="utf-8")))
    ]
    assert bare == []
