"""Does a comparison group narrow the interval in the main job, and keep its coverage?

Portfolios of 20 sites without a retrofit and 20 with one, six years of daily readings; each site's
level wanders by itself, and all of them share what the years do, or a rise of 8 % on one calendar
day while works begin at each site on a date of its own.  Printed by the kind of drift: coverage of
the true saving by the plain and by the official interval at a claimed 90 %, the typical
half-widths, and how often the group was used.

    python tests/benchmarks/comparison_group.py [portfolios]
"""

from __future__ import annotations

import runpy
import sys
import tempfile
from pathlib import Path

import numpy as np

from mv.run.many import verify_portfolio

MADE = runpy.run_path(str(Path(__file__).parents[1] / "verify" / "common_years.py"))
folder, SAVING = MADE["folder"], MADE["SAVING"]
KINDS = (
    {"common": 0.0},
    {"common": 0.3},
    {"common": 1.0},
    {"common": 0.0, "jump": 0.08, "apart": True},
)


def study(kind: dict, portfolios: int, *, quiet: int = 20, verified: int = 20) -> dict:
    """Coverage and half-width over several portfolios."""
    lines = []
    for seed in range(portfolios):
        with tempfile.TemporaryDirectory() as place:
            where = Path(place) / "portfolio"
            made = folder(where, **kind, quiet=quiet, verified=verified, seed=100 + seed)
            for site in verify_portfolio(made).sites:
                if site.role == "retrofit":
                    lines.append(_line(site))
    inside, plainly, half, plain, adopted = np.array(lines, dtype=float).T
    return {
        **kind,
        "sites": len(lines),
        "coverage, plain": plainly.mean(),
        "coverage, official": inside.mean(),
        "half-width, plain": np.median(plain),
        "half-width, official": np.median(half),
        "used": adopted.mean(),
    }


def _line(site) -> tuple:
    truth = SAVING / (1 - SAVING) * site.measured
    official, plain, base = site.avoided_energy, site.comparison["plain"], site.adjusted_baseline
    return (
        official.low < truth < official.high,
        plain["low"] < truth < plain["high"],
        official.half_width / base,
        (plain["high"] - plain["low"]) / 2 / base,
        site.comparison["adopted"],
    )


if __name__ == "__main__":
    number = int(sys.argv[1]) if len(sys.argv) > 1 else 5
    for one in KINDS:
        told = study(one, number).items()
        print(*(f"{name} {value:.3g}" for name, value in told), sep="; ", flush=True)
