"""The official interval put together: parts, quantiles, horizon, prior, textbook figures."""

import math
from types import SimpleNamespace

import numpy as np
import pytest
from scipy import stats

from mv.findings import FolderError, ModelError
from mv.savings.avoided import avoided_energy, verdict
from mv.savings.drift import (
    ends_in_autumn,
    horizon_factor,
    judge_calm,
    level_variance,
    load_prior,
    recency_level,
)
from mv.savings.quantiles import normal_quantile, student_quantile
from mv.savings.textbook import guideline_14_factor, guideline_14_fraction
from mv.savings.uncertainty import interval, portfolio_half_width


def settings(**uncertainty):
    return SimpleNamespace(uncertainty=uncertainty)


@pytest.fixture
def case(fit_line, daily_rows):
    base = daily_rows(11, start="2023-06-01")
    after = daily_rows(12, start="2024-06-01", level=90.0)
    fit = fit_line(base)
    level = recency_level(fit, base, "electricity")
    return fit, base, after, avoided_energy(fit, base, after, level_correction=level)


def official(case, **changes):
    fit, base, after, saving = case
    arguments = {
        "carrier": "electricity",
        "granularity": "daily",
        "confidence": 0.9,
        "prior": load_prior(),
        "adjusted_baseline": saving.adjusted_baseline,
        "avoided": saving.avoided,
    } | changes
    return interval(fit, base, after, **arguments)


def test_quantiles_against_scipy():
    for confidence in (0.5, 0.68, 0.9, 0.99):
        expected = stats.norm.ppf((1 + confidence) / 2)
        assert normal_quantile(confidence) == pytest.approx(expected, rel=1e-12)
        for nu in (1.8, 2.0, 10, 361.5):
            expected = stats.t.ppf((1 + confidence) / 2, nu)
            assert student_quantile(confidence, nu) == pytest.approx(expected, rel=1e-9)


def test_quantiles_refuse_nonsense():
    with pytest.raises(ModelError, match="between 0 and 1, found 90"):
        normal_quantile(90)
    with pytest.raises(ModelError, match="must be above zero, found 0"):
        student_quantile(0.9, 0)


def test_half_width_is_put_together_as_stated(case):
    got = official(case)
    q = stats.t.ppf(0.95, 2.3)
    assert got.degrees_of_freedom == 2.3
    assert got.calm.calm
    assert got.drift_tau == pytest.approx(0.037, rel=1e-12)
    assert got.drift_part == pytest.approx(0.037 * case[3].adjusted_baseline, rel=1e-12)
    assert got.half_width == pytest.approx(q * math.hypot(got.model_part, got.drift_part), rel=1e-9)
    assert sum(part.share for part in got.parts) == pytest.approx(1.0, rel=1e-9)
    assert got.minimum_detectable_fraction == pytest.approx(
        got.half_width / case[3].adjusted_baseline, rel=1e-12
    )
    assert got.fractional["0.90"] == pytest.approx(got.half_width / case[3].avoided, rel=1e-12)
    assert got.fractional["0.68"] < got.fractional["0.80"] < got.fractional["0.95"]
    assert "study" in got.drift_source


def test_textbook_figures_are_narrower_than_the_official(case):
    got = official(case)
    assert 0 < got.least_squares < got.guideline_14 < got.half_width


def test_adjustment_and_sampling_add_in_quadrature(case):
    plain, more = official(case), official(case, adjustment_se=900.0, sampling_se=400.0)
    z = stats.norm.ppf(0.95)
    expected = math.sqrt(plain.half_width**2 + z**2 * (900.0**2 + 400.0**2))
    assert more.half_width == pytest.approx(expected, rel=1e-9)
    assert [part.name for part in more.parts] == ["model", "drift", "non-routine", "sampling"]
    assert sum(part.share for part in more.parts) == pytest.approx(1.0, rel=1e-9)


def test_fields_fit_the_results(case):
    from mv.results import Uncertainty, UncertaintyPart

    fields = official(case).as_fields("kWh")
    fields["parts"] = [UncertaintyPart(**part) for part in fields["parts"]]
    assert Uncertainty(**fields).parts[1].name == "drift"


def test_scaling_the_unit_scales_the_interval(case, fit_line):
    _, base, after, saving = case
    factor = 3.6
    base2, after2 = (r.assign(energy=r["energy"] * factor) for r in (base, after))
    fit2 = fit_line(base2)
    level = recency_level(fit2, base2, "electricity")
    saving2 = avoided_energy(fit2, base2, after2, level_correction=level)
    assert saving2.avoided == pytest.approx(factor * saving.avoided, rel=1e-9)
    got = official((fit2, base2, after2, saving2))
    assert got.half_width == pytest.approx(factor * official(case).half_width, rel=1e-9)


def test_prior_as_shipped():
    """Every pair of the study's table, by granularity bills / daily / hourly."""
    prior = load_prior()
    table = {
        ("electricity", "recent", "all"): ((0.039, 0.040, 0.040), (2.2, 2.0, 2.0)),
        ("electricity", "recent", "calm"): ((0.036, 0.037, 0.037), (2.4, 2.3, 2.3)),
        ("electricity", "plain", "all"): ((0.046, 0.051, 0.050), (2.3, 2.1, 2.1)),
        ("electricity", "plain", "calm"): ((0.041, 0.043, 0.042), (2.6, 2.6, 2.6)),
        ("heat", "plain", "all"): ((0.043, 0.040, 0.043), (1.9, 1.8, 1.9)),
        ("heat", "plain", "calm"): ((0.045, 0.046, 0.051), (2.1, 2.1, 2.4)),
    }
    for (kind, level, sites), (taus, nus) in table.items():
        for granularity, tau, nu in zip(("bills", "daily", "hourly"), taus, nus, strict=True):
            size = prior.drift[kind, level, granularity, sites]
            assert (size.tau, size.nu) == (tau, nu)
    for carrier, granularity in (("electricity", "bills"), ("district_heat", "daily")):
        level = "recent" if carrier == "electricity" else "plain"
        size = prior.size(carrier, granularity, level=level, calm=False)
        assert "shipped prior, all sites" in size.source  # these are not told apart from calm ones
    assert (prior.common("electricity"), prior.common("steam")) == (0.008, 0.044)


def test_sites_found_not_calm_have_what_the_calm_ones_leave_of_all():
    """Outside route: scipy.  With half of the sites calm, the two kinds together cover what the
    row of all sites covers, and with that row alone the others would have covered 86 to 87 %."""
    prior = load_prior()
    for level, alone in (("recent", 0.873), ("plain", 0.854)):
        for granularity in ("daily", "hourly"):
            every, calm, rest = (
                prior.drift["electricity", level, granularity, sites]
                for sites in ("all", "calm", "not calm")
            )
            assert prior.size("electricity", granularity, level=level, calm=False) == rest
            assert "derived" in rest.source

            def beyond(half, size):
                return 2 * stats.t.sf(half / size.tau, size.nu)

            for confidence in (0.5, 0.68, 0.8, 0.9, 0.95):
                half = stats.t.ppf((1 + confidence) / 2, rest.nu) * rest.tau
                others = 2 * beyond(half, every) - beyond(half, calm)
                assert others == pytest.approx(1 - confidence, abs=0.004)
            half = stats.t.ppf(0.95, every.nu) * every.tau
            assert 1 - (0.2 - beyond(half, calm)) == pytest.approx(alone, abs=0.001)


def test_user_replaces_the_prior():
    own = load_prior(
        settings(source="county schools 2019-2023", electricity={"tau": 0.02, "nu": 5})
    )
    size = own.size("electricity", "daily", level="recent", calm=True)
    assert (size.tau, size.nu) == (0.02, 5.0)
    assert size.source == "portfolio.toml: county schools 2019-2023"
    assert own.size("natural_gas", "daily", level="plain", calm=False).tau == 0.040


def test_wrong_prior_settings_are_all_named():
    with pytest.raises(FolderError) as caught:
        load_prior(settings(electricity={"tau": 4, "tua": 0.1}, gas={"tau": 0.1}))
    assert [str(f) for f in caught.value.findings] == [
        "portfolio.toml, column uncertainty.source: a replaced prior needs a `source`: say in "
        "words where its figures come from.",
        "portfolio.toml, column uncertainty.electricity.tau: found 4, expected a number from 0 "
        "to 1.",
        "portfolio.toml, column uncertainty.electricity.tua: allowed are tau, nu, sigma_common.",
        "portfolio.toml, column uncertainty.gas: 'gas' means nothing here; allowed are source, "
        "electricity and heat (a table each).",
    ]


def test_law_of_the_horizon_by_simulated_random_walks():
    """Independent route: 4,000 random walks, months cut in ten, for both levels."""
    rng = np.random.default_rng(3)
    per_month, base, gap, report = 10, 12, 2, 18
    n = (base + gap + report) * per_month
    walk = np.cumsum(rng.normal(0, 1 / math.sqrt(per_month), (4000, n)), axis=1)
    b, g = base * per_month, gap * per_month
    after, before = walk[:, b + g :].mean(axis=1), walk[:, :b].mean(axis=1)
    plain = np.var(after - before)
    assert plain == pytest.approx(level_variance(base, gap, report, "plain"), rel=0.06)
    age = (np.arange(b)[::-1] + 0.5) / per_month * 365.25 / 12
    weight = np.exp2(-age / 45.0)
    latest = (walk[:, :b] - before[:, None]) @ weight / weight.sum()
    recent = np.var(after - before - 0.7 * latest)
    assert recent == pytest.approx(level_variance(base, gap, report, "recent"), rel=0.06)


def test_horizon_factor():
    prior = load_prior()

    def factor(base, report, gap=0.0, level="plain"):
        return horizon_factor(
            prior,
            baseline_months=base,
            reporting_months=report,
            gap_months=gap,
            level=level,
        )

    assert factor(12, 12) == 1.0
    assert factor(12, 3) == 1.0
    assert factor(24, 12) == pytest.approx(math.sqrt(12 / 8), rel=1e-12)
    assert factor(12, 24) == pytest.approx(math.sqrt(12 / 8), rel=1e-12)
    assert factor(12, 12, gap=2) == pytest.approx(math.sqrt(10 / 8), rel=1e-12)
    assert factor(12, 24, level="recent") > factor(12, 24)
    with pytest.raises(ModelError):
        factor(0, 12)


def test_part_of_a_year_counts_the_drift_on_mean_use(case):
    fit, base, after, _ = case
    summer = after.iloc[:60]
    low = base.assign(energy=base["energy"])
    saving = avoided_energy(fit, low, summer)
    got = official(
        (fit, base, summer, saving),
        adjusted_baseline=saving.adjusted_baseline / 4,
        reporting_months=2.0,
    )
    assert got.drift_part == pytest.approx(0.037 * base["energy"].mean() * 60, rel=1e-9)
    assert "mean use" in got.words


def test_autumn_by_the_sites_own_seasons(daily_rows, case):
    north = daily_rows(1, start="2022-11-01")
    assert ends_in_autumn(north)
    assert not ends_in_autumn(daily_rows(1, start="2023-06-01"))
    south = north.assign(temperature=24 - north["temperature"])
    assert not ends_in_autumn(south)
    south_autumn = daily_rows(1, start="2022-05-01")
    assert ends_in_autumn(south_autumn.assign(temperature=24 - south_autumn["temperature"]))
    tropics = north.assign(temperature=27.0)
    assert not ends_in_autumn(tropics)


def test_autumn_widens_by_an_eighth(fit_line, daily_rows):
    base, after = daily_rows(1, start="2022-11-01"), daily_rows(2, start="2023-11-01")
    fit = fit_line(base)
    got = official((fit, base, after, avoided_energy(fit, base, after)))
    assert got.drift_tau == pytest.approx(0.037 * 1.125, rel=1e-12)


def test_recency_level_by_hand(fit_line, daily_rows):
    base = daily_rows(1)
    fit = fit_line(base)
    age = np.arange(365)[::-1]
    weight = 2.0 ** (-age / 45)
    expected = 0.7 * (weight @ fit.residuals) / weight.sum()
    assert recency_level(fit, base, "electricity") == pytest.approx(expected, rel=1e-9)
    assert recency_level(fit, base, "natural_gas") == 0.0


def test_recency_of_bills_weighs_as_days_would(fit_line, daily_rows):
    """Bills of one constant residual per bill, against the same residuals spelled out by day."""
    base = daily_rows(1, days=12, start="2023-01-01")
    starts = np.datetime64("2023-01-01") + np.r_[0, np.cumsum(np.full(11, 30))].astype(
        "timedelta64[D]"
    )
    bills = base.assign(days=30.0, start=starts, end=starts + np.timedelta64(30, "D"))
    fit = fit_line(bills)
    by_day = np.repeat(fit.residuals, 30)
    weight = 2.0 ** (-np.arange(360)[::-1] / 45)
    expected = 0.7 * (weight @ by_day) / weight.sum()
    assert recency_level(fit, bills, "electricity") == pytest.approx(expected, rel=1e-9)


def test_calm_or_not(fit_line, daily_rows):
    calm = daily_rows(1)
    assert judge_calm(fit_line(calm), calm, "electricity", "daily").calm
    shifted = calm.assign(energy=calm["energy"] + 25 * (np.arange(365) > 200))
    got = judge_calm(fit_line(shifted), shifted, "electricity", "daily")
    assert not got.calm
    assert "level shift" in got.words
    wild = daily_rows(1, noise=60, rho=0.0)
    assert "CV(RMSE)" in judge_calm(fit_line(wild), wild, "electricity", "daily").words
    gaps = calm.iloc[np.r_[0:150, 180:365]]
    assert "days usable" in judge_calm(fit_line(gaps), gaps, "electricity", "daily").words
    assert judge_calm(fit_line(gaps), gaps, "natural_gas", "daily").calm
    bills = calm.iloc[:12].assign(days=30.0)
    assert not judge_calm(fit_line(bills), bills, "electricity", "bills").calm


def test_verdicts():
    assert verdict(1.0, 2.0) == "savings shown"
    assert verdict(-1.0, 2.0) == "not distinguishable"
    assert verdict(0.0, 2.0) == "not distinguishable"
    assert verdict(-3.0, -1.0) == "use increased"
    with pytest.raises(ModelError):
        verdict(2.0, 1.0)


def test_w10_fractional_savings_uncertainty_of_bills():
    """Worked by hand: n = m = 12, p = 2, CV 0.08, F 0.15, 90 %."""
    case = {"n": 12, "parameters": 2, "rows": 12, "confidence": 0.9}
    assert student_quantile(0.9, 10) == pytest.approx(1.81246, abs=1e-5)
    fraction = guideline_14_fraction(cv_rmse=0.08, **case)
    assert fraction / 0.15 == pytest.approx(0.379770, abs=1e-6)
    factor = guideline_14_factor("bills", 12)
    assert factor == pytest.approx(1.30558, abs=1e-5)
    with_polynomial = guideline_14_fraction(cv_rmse=0.08, factor=factor, **case)
    assert with_polynomial / 0.15 == pytest.approx(0.393508, abs=1e-6)
    assert fraction / 0.5 == pytest.approx(0.113931, abs=1e-6)
    at_68 = guideline_14_fraction(cv_rmse=0.08, **(case | {"confidence": 0.68}))
    assert at_68 / 0.5 == pytest.approx(0.0657780, abs=1e-6)


def test_polynomial_at_other_lengths():
    """Values of aM² + bM + c worked by hand."""
    assert guideline_14_factor("bills", 6) == pytest.approx(1.13098, abs=1e-5)
    assert guideline_14_factor("bills", 24) == pytest.approx(1.60726, abs=1e-5)
    assert guideline_14_factor("daily", 12) == pytest.approx(1.39250, abs=1e-5)


def test_w11_fractional_savings_uncertainty_of_days():
    """Worked by hand: n = m = 365, p = 4, CV 0.15, F 0.10, rho 0.5, 90 %."""
    case = {"cv_rmse": 0.15, "n": 365, "parameters": 4, "rows": 365, "confidence": 0.9}
    near = 365 * (1 - 0.5) / (1 + 0.5)
    assert near == pytest.approx(121.667, abs=1e-3)
    assert student_quantile(0.9, 361) == pytest.approx(1.64909, abs=1e-5)
    assert student_quantile(0.9, near - 4) == pytest.approx(1.65791, abs=1e-5)
    dependent = guideline_14_fraction(**case, effective_n=near)
    assert dependent / 0.1 == pytest.approx(0.284879, abs=1e-6)
    factor = guideline_14_factor("daily", 12)
    with_polynomial = guideline_14_fraction(**case, effective_n=near, factor=factor)
    assert with_polynomial / 0.1 == pytest.approx(0.314836, abs=1e-6)
    assert guideline_14_fraction(**case) / 0.1 == pytest.approx(0.163586, abs=1e-6)


def test_w12_portfolio_by_hand():
    widths = [3000, 4200, 2500, 9000, 1800]
    assert portfolio_half_width(widths, [1] * 5, 0.0, 1.645) == pytest.approx(10822.7, abs=0.05)


def test_portfolio_common_part_adds_straight():
    got = portfolio_half_width([30.0, 40.0], [1000.0, 2000.0], 0.008, 1.6449)
    assert got == pytest.approx(math.hypot(50.0, 1.6449 * 0.008 * 3000), rel=1e-12)
