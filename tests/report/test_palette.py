"""Colours hold their contrast, in greyscale and for colour-blind readers too.

Contrast: WCAG 2.2, relative luminance and contrast ratio (1.4.3 text 4.5:1, 1.4.11 graphics 3:1).
Colour blindness: matrices of Machado, Oliveira & Fernandes 2009 for full severity, in linear RGB
(IEEE Transactions on Visualization and Computer Graphics 15, table 1; from memory).
"""

import itertools

import numpy as np
import pytest

from mv.report.charts.heat import RAMP
from tests.report.conftest import palette

MACHADO = {
    "none": np.eye(3),
    "protan": np.array(
        [
            [0.152286, 1.052583, -0.204868],
            [0.114503, 0.786281, 0.099216],
            [-0.003882, -0.048116, 1.051998],
        ]
    ),
    "deutan": np.array(
        [
            [0.367322, 0.860646, -0.227968],
            [0.280085, 0.672501, 0.047413],
            [-0.011820, 0.042940, 0.968881],
        ]
    ),
    "tritan": np.array(
        [
            [1.255528, -0.076749, -0.178779],
            [-0.078411, 0.930809, 0.147602],
            [0.004733, 0.691367, 0.303900],
        ]
    ),
}
XYZ = np.array(
    [
        [0.4124564, 0.3575761, 0.1804375],
        [0.2126729, 0.7151522, 0.0721750],
        [0.0193339, 0.1191920, 0.9503041],
    ]
)
"""Linear sRGB to XYZ, D65 (IEC 61966-2-1; from memory)."""
GRAPHIC = ("after", "before", "estimate", "ink", "muted")
TEXT = ("text", "muted", "link", "before", "after", "estimate")


def linear(colour: str) -> np.ndarray:
    value = np.array([int(colour[i : i + 2], 16) for i in (1, 3, 5)]) / 255
    return np.where(value <= 0.04045, value / 12.92, ((value + 0.055) / 1.055) ** 2.4)


def luminance(colour: str) -> float:
    return float(linear(colour) @ [0.2126, 0.7152, 0.0722])


def contrast(one: str, other: str) -> float:
    a, b = sorted((luminance(one), luminance(other)), reverse=True)
    return (a + 0.05) / (b + 0.05)


def lab(rgb: np.ndarray) -> np.ndarray:
    """CIE L*a*b* (D65) of linear RGB."""
    t = XYZ @ np.clip(rgb, 0, 1) / np.array([0.95047, 1.0, 1.08883])
    f = np.where(t > (6 / 29) ** 3, np.cbrt(t), t / (3 * (6 / 29) ** 2) + 4 / 29)
    return np.array([116 * f[1] - 16, 500 * (f[0] - f[1]), 200 * (f[1] - f[2])])


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_contrast(scheme):
    colours = palette("light") | palette(scheme)
    for role in GRAPHIC:
        assert contrast(colours[role], colours["paper"]) >= 3, role
    for ground in ("paper", "card"):
        for role in TEXT:
            assert contrast(colours[role], colours[ground]) >= 4.5, (role, ground)
    assert contrast(colours["ribbon"], colours["ribbon-text"]) >= 4.5


@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("sight", list(MACHADO))
def test_roles_stay_apart(scheme, sight):
    """CIE76 distance of at least 20 between the three roles that meet in one chart."""
    colours = palette("light") | palette(scheme)
    seen = {r: lab(MACHADO[sight] @ linear(colours[r])) for r in ("after", "before", "estimate")}
    for one, other in itertools.combinations(seen, 2):
        assert np.linalg.norm(seen[one] - seen[other]) >= 20, (one, other)


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_before_and_after_differ_in_grey(scheme):
    colours = palette("light") | palette(scheme)
    grey = {r: lab(np.full(3, luminance(colours[r])))[0] for r in ("after", "before")}
    assert abs(grey["after"] - grey["before"]) >= 4


def test_shade_scale_only_darkens():
    light = [lab(linear(colour))[0] for _, colour in RAMP]
    assert all(a - b > 15 for a, b in itertools.pairwise(light))
