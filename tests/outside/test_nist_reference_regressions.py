"""Two certified regressions of the NIST Statistical Reference Datasets, through our own fit.

Norris (lower difficulty: a line over three decades) and Longley (higher difficulty: six columns
that nearly depend on one another).  Certified values: NIST StRD, linear least squares, as printed
in the files `Norris.dat` and `Longley.dat`; the data ship with scipy's tests and with statsmodels.
Both solvers, ours and statsmodels through our door, must agree to nine digits.
"""

from pathlib import Path

import numpy as np
import pandas as pd
import pytest
import scipy.stats

from mv.baseline.change_point import fit_change_point
from mv.baseline.rows import DRIVER
from mv.baseline.terms import LinearTerms

NINE_DIGITS = 1e-9
NORRIS = Path(scipy.stats.__file__).parent / "tests/data/nist_linregress/Norris.dat"


def table(y, temperature, **drivers):
    return pd.DataFrame(
        {"energy": y, "temperature": temperature, "operating": 1.0, "status": "used"}
        | {DRIVER + name: values for name, values in drivers.items()}
        | {"weight": 1.0},
        index=pd.date_range("2000-01-01", periods=len(y), name="date"),
    )


@pytest.mark.parametrize("official", [False, True])
def test_norris(official):
    text = NORRIS.read_text().splitlines()[60:96]
    y, x = np.array([line.split() for line in text], dtype=float).T
    assert len(y) == 36
    fit = fit_change_point(table(y, x), "2P", official=official)
    assert fit.coefficients == pytest.approx(
        [-0.262323073774029, 1.00211681802045], rel=NINE_DIGITS
    )
    assert fit.standard_errors == pytest.approx(
        [0.232818234301152, 0.429796848199937e-3], rel=NINE_DIGITS
    )
    assert fit.statistics.rmse == pytest.approx(0.884796396144373, rel=NINE_DIGITS)
    assert fit.statistics.r2 == pytest.approx(0.999993745883712, rel=NINE_DIGITS)


@pytest.mark.parametrize("official", [False, True])
def test_longley(official):
    from statsmodels.datasets import longley

    data = longley.load_pandas().data
    names = ["GNPDEFL", "GNP", "UNEMP", "ARMED", "POP", "YEAR"]
    rows = table(data["TOTEMP"].to_numpy(), np.zeros(16), **{n: data[n].to_numpy() for n in names})
    fit = fit_change_point(rows, "1P", LinearTerms(drivers=tuple(names)), official=official)
    assert fit.coefficients == pytest.approx(
        [
            -3482258.63459582,
            15.0618722713733,
            -0.358191792925910e-01,
            -2.02022980381683,
            -1.03322686717359,
            -0.511041056535807e-01,
            1829.15146461355,
        ],
        rel=NINE_DIGITS,
    )
    assert fit.standard_errors == pytest.approx(
        [
            890420.383607373,
            84.9149257747669,
            0.334910077722432e-01,
            0.488399681651699,
            0.214274163161675,
            0.226073200069370,
            455.478499142212,
        ],
        rel=NINE_DIGITS,
    )
    assert fit.statistics.rmse == pytest.approx(304.854073561965, rel=NINE_DIGITS)
    assert fit.statistics.r2 == pytest.approx(0.995479004577296, rel=NINE_DIGITS)
