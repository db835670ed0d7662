"""Reads figures back from a page, and finds them in saved results: the outside view of a page."""

import re
from typing import Any

import html5lib

HTML = "{http://www.w3.org/1999/xhtml}"


def figures_of(page: str) -> list[tuple[str, str, float]]:
    """(root, path, value) of every element that carries a figure."""
    out = []

    def walk(element, root: str) -> None:
        root = element.get("data-root", root)
        if element.get("data-figure"):
            out.append((root, element.get("data-figure"), float(element.get("data-value"))))
        for child in element:
            walk(child, root)

    walk(html5lib.parse(page), "")
    return out


def resolve(saved: dict[str, Any], root: str, path: str) -> float:
    """The number at `path`: below the site `root`, or below the portfolio where that is empty."""
    at: Any = saved
    if root:
        at = next(s for s in saved["sites"] if s["site"] == root)
    for name, index in re.findall(r"([^.\[\]]+)|\[([^\]]+)\]", path):
        step = name or index
        at = at[int(step)] if isinstance(at, list) else at[step]
    return float(at)
