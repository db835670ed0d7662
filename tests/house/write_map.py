"""Writes the map of files into DEVELOPERS.md: floor, file, and what the file says it answers.

python tests/house/write_map.py
"""

from __future__ import annotations

import ast
import re
import runpy
from pathlib import Path

ROOT = Path(__file__).parents[2]
DOCUMENT = ROOT / "DEVELOPERS.md"
FIRST, LAST = "<!-- map -->\n", "<!-- /map -->"


def first_sentence(path: Path) -> str:
    """First sentence of a module's docstring."""
    docstring = ast.get_docstring(ast.parse(path.read_text(encoding="utf-8"))) or ""
    paragraph = " ".join(re.split(r"\n\s*\n", docstring)[0].split())
    sentence = re.match(r"(.+?[.?!])(\s|$)", paragraph)
    return (sentence[1] if sentence else paragraph).replace("|", "\\|")


def map_text() -> str:
    """The table of all files, ground floor first."""
    floors = runpy.run_path(str(Path(__file__).with_name("test_floors.py")))
    lines = ["| floor | file | what it answers |", "|---|---|---|"]
    for number, rooms in enumerate(floors["FLOORS"]):
        for room in rooms:
            for path in floors["modules"]():
                if floors["room_of"](path) != room or path.name == "__init__.py":
                    continue
                name = path.relative_to(ROOT / "mv").as_posix()
                lines.append(f"| {number} | `{name}` | {first_sentence(path)} |")
    return "\n".join([*lines, ""])


def with_map(text: str) -> str:
    """The document with the map of now in its place."""
    before, rest = text.split(FIRST)
    return before + FIRST + map_text() + LAST + rest.split(LAST)[1]


if __name__ == "__main__":
    DOCUMENT.write_text(with_map(DOCUMENT.read_text(encoding="utf-8")), encoding="utf-8")
