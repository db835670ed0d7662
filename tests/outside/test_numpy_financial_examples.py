"""Examples in the documentation of numpy-financial, through this package's own functions.

Source: docstrings of `irr` and `npv`, numpy-financial 1.0.0.
"""

from __future__ import annotations

import numpy as np

from mv.money.worth import worth


def test_irr():
    made = worth(100.0, np.array([39.0, 59.0, 55.0, 20.0]), None)
    assert round(made.irr, 5) == 0.28095
    made = worth(250_000.0, np.array([100_000, 150_000, 200_000, 250_000, 300_000.0]), None)
    assert round(made.irr, 4) == 0.5672


def test_irr_below_zero():
    """`irr([-100, 0, 0, 74])` is printed as -0.0955."""
    assert round(worth(100.0, np.array([0.0, 0.0, 74.0]), None).irr, 4) == -0.0955


def test_npv():
    """`npv(0.08, [-40_000, 5_000, 8_000, 12_000, 30_000])` is printed as 3065.22267."""
    made = worth(40_000.0, np.array([5_000, 8_000, 12_000, 30_000.0]), 0.08)
    assert round(made.npv, 5) == 3065.22267
