"""The placebo trial: cuts, posterior, conformal quantile, building-disjointness, coverage."""

import math
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from mv.savings.drift import level_variance, load_prior
from mv.savings.own_drift import FirstMonths, OwnDrift, Trial
from mv.savings.placebo import Placebo, placebo, trials_of_site
from mv.savings.uncertainty import interval


def simulated(seed, sites, tau, nu, model=0.01, prior_tau=0.04, carrier="electricity"):
    rng = np.random.default_rng(seed)
    return [
        Trial(
            site=f"s{i}",
            building=f"s{i}",
            carrier=carrier,
            granularity="daily",
            start="2022-01-01",
            false_saving=float(rng.standard_t(nu) * math.hypot(tau, model)),
            model=model,
            drift=prior_tau,
            nu=2.0,
        )
        for i in range(sites)
    ]


def test_cuts_predict_each_day_once_and_never_their_own_baseline(fit_line, daily_rows):
    rows = daily_rows(3, days=4 * 365 + 10, start="2019-01-01")
    got = trials_of_site(
        rows,
        site="hall",
        carrier="electricity",
        granularity="daily",
        prior=load_prior(),
        fit=fit_line,
    )
    # 12 months are 365.25 days, and 2020 was a leap year; four years hold three predictions
    assert [t.start for t in got] == ["2022-01-10", "2021-01-09", "2020-01-10"]
    assert all(abs(t.false_saving) < 0.05 for t in got)
    assert all(t.building == "hall" for t in got)


def test_a_trial_is_what_the_main_job_would_have_reported(fit_line, daily_rows):
    """The false saving against sums by hand, its parts against the official interval."""
    rows = daily_rows(4, days=731, start="2021-01-01")
    (got,) = trials_of_site(
        rows,
        site="a",
        carrier="natural_gas",
        granularity="daily",
        prior=load_prior(),
        fit=fit_line,
    )
    base, after = rows.iloc[: 731 - 365], rows.iloc[731 - 365 :]
    fit = fit_line(base)
    modelled = fit.predict(after).sum()
    assert got.false_saving == pytest.approx(1 - after["energy"].sum() / modelled, rel=1e-9)
    made = interval(
        fit,
        base,
        after,
        carrier="natural_gas",
        granularity="daily",
        confidence=0.9,
        prior=load_prior(),
        adjusted_baseline=modelled,
        avoided=got.false_saving * modelled,
    )
    assert got.model == pytest.approx(made.model_part / modelled, rel=1e-9)
    assert got.drift == pytest.approx(made.drift_tau, rel=1e-9)


def test_history_with_holes_gives_no_trial(fit_line, daily_rows):
    rows = daily_rows(5, days=731, start="2021-01-01")
    holes = rows.assign(status=np.where(np.arange(731) % 2, "used", "coverage_low"))
    common = {
        "site": "a",
        "carrier": "electricity",
        "granularity": "daily",
        "prior": load_prior(),
        "fit": fit_line,
    }
    assert trials_of_site(holes, **common) == []
    assert trials_of_site(rows.iloc[:700], **common) == []
    assert trials_of_site(rows.iloc[:0], **common) == []


def test_a_month_of_bills_may_be_missing_at_the_edge(fit_line, daily_rows):
    starts = pd.date_range("2020-01-01", periods=24, freq="MS")
    ends = pd.date_range("2020-02-01", periods=24, freq="MS")
    days = (ends - starts).days.to_numpy().astype(float)
    bills = daily_rows(6, days=24).assign(start=starts, end=ends, days=days)
    got = trials_of_site(
        bills,
        site="a",
        carrier="electricity",
        granularity="bills",
        prior=load_prior(),
        fit=fit_line,
    )
    assert [t.start for t in got] == ["2021-01-01"]


def one_of_few(tau, buildings=4):
    return [
        Trial(**(vars(t) | {"building": f"b{i % buildings}"}))
        for i, t in enumerate(simulated(1, 80, tau, 2.0))
    ]


@pytest.mark.parametrize(
    "quiet", [simulated(1, 29, 0.01, 2.0), one_of_few(0.01)], ids=["trials", "buildings"]
)
def test_few_quiet_trials_leave_the_prior_alone(quiet):
    own = placebo(quiet).own_drift("electricity")
    assert not own.decides
    assert own.factor == 1.0
    assert own.quantile(0.9) == stats.t.ppf(0.95, 2.0)
    assert own.quantile(0.9, 1.8) == stats.t.ppf(0.95, 1.8)  # of a site whose prior says so
    assert "can only widen" in own.source


@pytest.mark.parametrize(
    "restless", [simulated(1, 12, 0.12, 2.0), one_of_few(0.12)], ids=["trials", "buildings"]
)
def test_few_restless_trials_widen_the_interval(restless):
    own = placebo(restless).own_drift("electricity")
    assert not own.decides
    assert own.factor > 1.3
    assert own.quantile(0.9) >= stats.t.ppf(0.95, 2.0)


def test_trial_decides_from_thirty_site_years_on():
    assert placebo(simulated(1, 30, 0.01, 2.0)).own_drift("electricity").factor < 0.6
    assert placebo(simulated(1, 30, 0.04, 2.0)).own_drift("natural_gas") is None
    alone = placebo(simulated(1, 1, 0.04, 2.0))
    assert alone.own_drift("electricity", "s0") is None


def test_predictive_quantile_counts_what_is_not_known():
    """Outside route: drawing k and ν from their posterior and an error from Student's."""
    own = placebo(simulated(12, 40, 0.06, 2.0)).own_drift("electricity")
    scale, nu, weight = np.array(own.known).T
    rng = np.random.default_rng(1)
    drawn = rng.choice(len(weight), 400_000, p=weight)
    error = np.abs(scale[drawn] * rng.standard_t(nu[drawn]))
    for confidence in (0.68, 0.9, 0.95):
        assert own.quantile(confidence) == pytest.approx(np.quantile(error, confidence), rel=0.02)
    assert own.quantile(0.9) > stats.t.ppf(0.95, own.nu)


@pytest.mark.parametrize(("tau", "low", "high"), [(0.04, 0.88, 0.93), (0.08, 0.84, 0.91)])
def test_coverage_with_few_trials(tau, low, high):
    """Twelve site-years: 150 portfolios, 20 new errors each, of the prior's size and of twice."""
    rng = np.random.default_rng(2)
    held = []
    for portfolio in range(150):
        own = placebo(simulated(100 + portfolio, 12, tau, 2.0)).own_drift("electricity")
        error = np.abs(rng.standard_t(2.0, 20)) * math.hypot(tau, 0.01)
        held += list(error <= own.quantile(0.9) * math.hypot(0.01, own.factor * 0.04))
    assert low <= np.mean(held) <= high


@pytest.mark.parametrize(("tau", "low", "high"), [(0.04, 0.8, 1.25), (0.10, 2.0, 3.0)])
def test_own_drift_finds_the_size_that_was_simulated(tau, low, high):
    own = placebo(simulated(2, 200, tau, 2.0)).own_drift("electricity")
    assert low < own.factor < high
    assert 1.5 < own.nu < 3.0


def test_posterior_is_the_maximum_likelihood_where_evidence_is_plenty():
    """Outside route: scipy's fit of a Student scale to 3,000 trials without model part."""
    trials = simulated(3, 3000, 0.06, 3.0, model=1e-9)
    own = placebo(trials).own_drift("electricity")
    nu, _, scale = stats.t.fit([t.false_saving for t in trials], floc=0)
    assert own.factor * 0.04 == pytest.approx(scale, rel=0.03)
    assert own.nu == pytest.approx(nu, rel=0.06)


def test_weight_of_evidence_grows():
    """Few trials stay nearer to the prior than many of the same size."""
    few = placebo(simulated(4, 30, 0.16, 2.0)).own_drift("electricity").factor
    many = placebo(simulated(4, 300, 0.16, 2.0)).own_drift("electricity").factor
    assert 1.0 < few < many < 4.6


def test_conformal_quantile_is_its_order_statistic():
    scores = np.arange(1.0, 101.0)
    own = OwnDrift(1.0, 2.0, 100, 100, scores)
    assert own.quantile(0.9) == 91.0  # ceil(101 * 0.9)
    assert own.quantile(0.68) == 69.0
    beyond = own.quantile(0.999)  # more than 100 trials can tell
    assert beyond == pytest.approx(stats.t.ppf(0.9995, 2.0), rel=1e-9)


def test_conformal_starts_at_sixty():
    assert not placebo(simulated(5, 59, 0.04, 2.0)).own_drift("electricity").conformal
    assert placebo(simulated(5, 60, 0.04, 2.0)).own_drift("electricity").conformal


def test_a_building_never_measures_itself():
    trials = simulated(6, 40, 0.02, 4.0)
    wild = Trial(**(vars(trials[0]) | {"site": "wild", "building": "wild", "false_saving": 3.0}))
    calm = placebo(trials).own_drift("electricity", "elsewhere")
    with_wild = placebo([*trials, wild])
    assert with_wild.own_drift("electricity", "wild").factor == pytest.approx(calm.factor)
    assert with_wild.own_drift("electricity", "wild").nu == pytest.approx(calm.nu)
    assert with_wild.own_drift("electricity").nu < calm.nu


def test_claimed_against_achieved_coverage_of_a_restless_portfolio():
    """Three times the prior's drift: the prior covers too little, the own trial what it claims."""
    trials = simulated(7, 300, 0.12, 2.0)
    own = {line.claimed: line for line in placebo(trials).coverage("electricity")}
    for claimed, slack in ((0.68, 0.06), (0.80, 0.05), (0.90, 0.04), (0.95, 0.03)):
        assert own[claimed].achieved == pytest.approx(claimed, abs=slack)
    assert own[0.90].false_verdicts < 0.08
    prior = [
        abs(t.false_saving) <= stats.t.ppf(0.95, 2.0) * math.hypot(t.model, t.drift) for t in trials
    ]
    assert np.mean(prior) < 0.8


def test_fields_for_the_report():
    few = placebo(simulated(8, 10, 0.04, 2.0)).as_fields()
    assert few["electricity"]["used"] is False
    assert "until then the shipped prior does" in few["electricity"]["words"]
    assert "can only widen it" in few["electricity"]["words"]
    assert len(few["electricity"]["false_savings"]) == 10
    many = placebo(simulated(8, 80, 0.04, 2.0)).as_fields()["electricity"]
    assert many["used"] is True
    assert [line["claimed"] for line in many["coverage"]] == [0.68, 0.80, 0.90, 0.95]
    assert many["words"].startswith("80 site-years of 80 buildings; weighed with")
    assert Placebo(()).as_fields() == {}
    assert Placebo(()).coverage("electricity") == []


def test_order_of_sites_does_not_matter():
    trials = simulated(9, 50, 0.04, 2.0)
    assert placebo(trials) == placebo(trials[::-1])


def test_own_drift_takes_the_priors_place_in_the_interval(fit_line, daily_rows):
    base, after = daily_rows(11, start="2023-06-01"), daily_rows(12, start="2024-06-01")
    fit = fit_line(base)
    own = placebo(simulated(10, 100, 0.12, 2.0)).own_drift("electricity")
    got = interval(
        fit,
        base,
        after,
        carrier="electricity",
        granularity="daily",
        confidence=0.9,
        prior=load_prior(),
        adjusted_baseline=40000.0,
        avoided=1000.0,
        own=own,
    )
    assert got.drift_tau == pytest.approx(0.037 * own.factor, rel=1e-12)
    assert got.quantile == own.quantile(0.9)
    assert got.degrees_of_freedom is None
    assert "100 site-years of 100 other buildings" in got.drift_source
    expected = got.quantile * math.hypot(got.model_part, got.drift_part)
    assert got.half_width == pytest.approx(expected, rel=1e-9)


def with_first_months(trials, months, share):
    """Trials whose first months moved `share` times as far as the year."""
    return [
        replace(t, parts=(FirstMonths(months, share * t.false_saving, share * t.model, t.drift),))
        for t in trials
    ]


def test_first_months_of_a_trial_are_a_shorter_trial(fit_line, daily_rows):
    """The false saving against sums by hand, its parts against the official interval."""
    rows = daily_rows(4, days=731, start="2021-01-01")
    (got,) = trials_of_site(
        rows,
        site="a",
        carrier="natural_gas",
        granularity="daily",
        prior=load_prior(),
        fit=fit_line,
        first_months=(3, 6),
    )
    base, after = rows.iloc[: 731 - 365], rows.iloc[731 - 365 :]
    fit = fit_line(base)
    assert [part.months for part in got.parts] == [3, 6]
    for part, days in zip(got.parts, (91, 183), strict=True):
        first = after.iloc[:days]
        modelled = fit.predict(first).sum()
        assert part.false_saving == pytest.approx(1 - first["energy"].sum() / modelled, rel=1e-9)
        made = interval(
            fit,
            base,
            first,
            carrier="natural_gas",
            granularity="daily",
            confidence=0.9,
            prior=load_prior(),
            adjusted_baseline=modelled,
            avoided=1.0,
            reporting_months=part.months,
        )
        assert part.model == pytest.approx(made.model_part / modelled, rel=1e-9)
        assert part.drift == pytest.approx(made.drift_part / modelled, rel=1e-9)


def test_short_periods_are_judged_by_first_months_where_there_are_enough():
    year = simulated(13, 100, 0.06, 3.0)
    whole = placebo(with_first_months(year, 3, 0.5))
    own = whole.own_drift("electricity", first_months=True)
    plain = whole.own_drift("electricity")
    assert own.over(12.0) is own
    assert own.over(2.0) is own  # none of the lengths fits
    assert not plain.parts
    for months in (2.96, 3.0):  # a quarter has 90 to 92 days
        part = own.over(months)
        width, full = (
            drift.quantile(0.9) * math.hypot(model, drift.factor * 0.04)
            for drift, model in ((part, 0.005), (own, 0.01))
        )
        assert width == pytest.approx(0.5 * full, rel=0.05)
        assert "the first 3 months of each" in part.source
    at_five = level_variance(12, 0, 5, "recent") / level_variance(12, 0, 3, "recent")
    assert own.over(5.0).factor == pytest.approx(own.over(3.0).factor * math.sqrt(at_five))
    few = placebo(with_first_months(year[:29], 3, 0.5))
    assert not few.own_drift("electricity", first_months=True).parts


def test_interval_of_a_quarter_takes_the_quarters_drift(fit_line, daily_rows):
    base, after = daily_rows(11, start="2023-06-01"), daily_rows(12, start="2024-06-01").iloc[:91]
    fit = fit_line(base)
    trials = placebo(with_first_months(simulated(10, 100, 0.12, 2.0), 3, 0.5))
    own = trials.own_drift("electricity", first_months=True)
    got, long = (
        interval(
            fit,
            base,
            after,
            carrier="electricity",
            granularity="daily",
            confidence=0.9,
            prior=load_prior(),
            adjusted_baseline=10000.0,
            avoided=1000.0,
            reporting_months=3,
            own=which,
        )
        for which in (own, trials.own_drift("electricity"))
    )
    assert got.quantile == own.over(3).quantile(0.9)
    assert got.drift_tau == pytest.approx(0.037 * own.over(3).factor, rel=1e-12)
    assert got.half_width < 0.75 * long.half_width
