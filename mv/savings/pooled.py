"""How uncertain is the sum over sites?

Drift is nearly independent between sites, so site half-widths add in quadrature; what all sites of
one year share (`sigma_common`) adds straight.  The plain sum of half-widths is the bound that
holds whatever the dependence.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np


def portfolio_half_width(
    half_widths: Sequence[float],
    baselines: Sequence[float],
    sigma_common: float,
    z: float,
) -> float:
    """Half-width of a sum over sites: √(Σh² + (z·σ_common·ΣP)²).

    Half-widths must share one confidence, that of z.  Their plain sum is the conservative bound.
    """
    own = float(np.sum(np.square(np.asarray(half_widths, dtype=float))))
    common = z * sigma_common * float(np.sum(np.asarray(baselines, dtype=float)))
    return math.sqrt(own + common**2)


def correlated_half_width(half_widths: Sequence[float], correlation: float) -> float:
    """Half-width of a sum whose parts share one correlation: √((1−r)ΣU² + r(ΣU)²)."""
    widths = np.asarray(half_widths, dtype=float)
    return math.sqrt((1 - correlation) * float(widths @ widths) + correlation * widths.sum() ** 2)
