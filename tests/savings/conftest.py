"""A least-squares line as small as can be, so that savings are tested apart from baselines."""

from dataclasses import dataclass
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest


@dataclass(frozen=True)
class Line:
    """Weighted least squares on temperature (and operating days), by the normal equations."""

    terms: tuple[str, ...]
    coefficients: np.ndarray
    covariance: np.ndarray
    residuals: np.ndarray
    index: pd.Index
    weights: np.ndarray
    parameters: int
    statistics: SimpleNamespace

    def design(self, rows):
        columns = [np.ones(len(rows))]
        columns += [np.asarray(rows[term], float) for term in self.terms]
        return np.column_stack(columns)

    def predict(self, rows):
        return self.design(rows) @ self.coefficients


@pytest.fixture(scope="session")
def fit_line():
    """Function rows, terms -> Line."""

    def fit(rows, terms=("temperature",)):
        weight = rows["days"].to_numpy(float) if "days" in rows else np.ones(len(rows))
        y = rows["energy"].to_numpy(float)
        x = np.column_stack([np.ones(len(rows)), *(rows[t].to_numpy(float) for t in terms)])
        inverse = np.linalg.inv(x.T @ (weight[:, None] * x))
        b = inverse @ (x.T @ (weight * y))
        e = y - x @ b
        n, p = x.shape
        scale = weight @ e**2 / (n - p)
        mean = weight @ y / weight.sum()
        rho = np.corrcoef(e[1:], e[:-1])[0, 1]
        statistics = SimpleNamespace(
            cv_rmse=np.sqrt(weight @ e**2 / weight.mean() / (n - p)) / mean,
            effective_n=n * (1 - rho) / (1 + rho) if rho > 0 else float(n),
            autocorrelation=rho,
        )
        return Line(terms, b, scale * inverse, e, rows.index, weight, p, statistics)

    return fit


@pytest.fixture(scope="session")
def daily_rows():
    """Function seed, days ... -> daily rows with dependent noise around a temperature line."""

    def make(
        seed=1,
        days=365,
        start="2023-01-01",
        level=100.0,
        slope=2.0,
        noise=8.0,
        rho=0.5,
        operating_effect=0.0,
    ):
        rng = np.random.default_rng(seed)
        index = pd.date_range(start, periods=days, freq="D", name="date")
        season = 12 - 10 * np.cos(2 * np.pi * (index.day_of_year.to_numpy() - 15) / 365)
        temperature = season + rng.normal(0, 3, days)
        shocks = rng.normal(0, noise * np.sqrt(1 - rho**2), days)
        e = np.zeros(days)
        e[0] = rng.normal(0, noise)
        for t in range(1, days):
            e[t] = rho * e[t - 1] + shocks[t]
        operating = (index.day_of_week < 5).astype(float)
        energy = level + slope * temperature + operating_effect * operating + e
        return pd.DataFrame(
            {
                "energy": energy,
                "temperature": temperature,
                "operating": operating,
                "weight": 1.0,
                "status": "used",
            },
            index=index,
        )

    return make
