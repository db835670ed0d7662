"""What several tests of pages need."""

import re

import pytest

from mv.report.render import asset


def palette(scheme: str) -> dict[str, str]:
    """Roles of the stylesheet → colour, for `light` or `dark`."""
    css = asset("style.css").decode()
    light = css[css.index(":root {") : css.index("@media")]
    dark = css[css.index("prefers-color-scheme: dark") :]
    block = light if scheme == "light" else dark[: dark.index("* {")]
    return dict(re.findall(r"--([a-z-]+): (#[0-9a-f]{6,8});", block))


@pytest.fixture(scope="session")
def stylesheet_roles() -> set[str]:
    return set(palette("light"))
