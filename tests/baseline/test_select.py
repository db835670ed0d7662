"""The choice of the official baseline: what it takes, what it refuses, what it tells."""

import pickle

import numpy as np
import pandas as pd
import pytest

from mv.baseline.change_point import fit_change_point
from mv.baseline.select import STRONG, T_LEAST, bic, implausible, select
from mv.baseline.terms import LinearTerms
from mv.findings import ModelError


def days(use, n=365, seed=0, noise=5.0, closed=True):
    rng = np.random.default_rng(seed)
    dates = pd.date_range("2023-01-01", periods=n, name="date")
    t = 12 - 12 * np.cos(2 * np.pi * np.arange(n) / 365) + rng.normal(0, 3, n)
    operating = (dates.day_of_week < 5).astype(float) if closed else np.ones(n)
    return pd.DataFrame(
        {"energy": use(t, operating) + rng.normal(0, noise, n), "temperature": t}
        | {"operating": operating, "weight": 1.0, "status": "used"},
        index=dates,
    )


def bills(use, n=12, seed=0, noise=1.0, share=None):
    rng = np.random.default_rng(seed)
    starts = pd.date_range("2021-01-04", periods=n, freq="30D")
    season = 12 - 12 * np.cos(2 * np.pi * np.arange(30 * n) / 365)
    daily = (season + rng.normal(0, 3, 30 * n)).reshape(n, 30)
    operating = rng.uniform(0.55, 0.8, n) if share is None else np.full(n, share)
    energy = np.array([use(t, s).mean() for t, s in zip(daily, operating, strict=True)])
    return pd.DataFrame(
        {
            "start": starts,
            "end": starts + pd.Timedelta(days=30),
            "days": 30.0,
            "energy": energy + rng.normal(0, noise, n),
            "temperature": daily.mean(axis=1),
            "operating": operating,
            "weight": 30.0,
            "status": "used",
            "daily_temperatures": list(daily),
        }
    )


SHAPES = {
    "1P": lambda t, o: 300 + 0 * t,
    "3PH": lambda t, o: 300 + 9 * np.maximum(14 - t, 0),
    "3PC": lambda t, o: 300 + 9 * np.maximum(t - 15, 0),
    "4P": lambda t, o: 300 + 9 * np.maximum(13 - t, 0) + 12 * np.maximum(t - 13, 0),
    "5P": lambda t, o: 300 + 9 * np.maximum(8 - t, 0) + 12 * np.maximum(t - 18, 0),
}


@pytest.mark.parametrize("form", SHAPES)
@pytest.mark.parametrize("step", [0.0, 120.0])
def test_the_true_form_is_found(form, step):
    """Daily rows: form and operating days as they were made."""
    for seed in range(4):
        rows = days(lambda t, o: SHAPES[form](t, o) + step * o, seed=seed)
        selection = select(rows, "daily")
        assert selection.fit.form == form
        assert selection.fit.terms.days == ("operating" if step else "none")


def test_constant_use_is_a_good_baseline():
    rows = days(lambda t, o: 300 + 0 * t, noise=3.0)
    fit = select(rows, "daily").fit
    assert fit.form == "1P"
    assert fit.statistics.r2 == pytest.approx(0, abs=1e-9)
    assert fit.statistics.cv_rmse < 0.02
    exact = select(rows.assign(energy=300.0), "daily").fit
    assert exact.form == "1P"
    assert exact.statistics.r2 is None
    assert exact.statistics.cv_rmse == pytest.approx(0, abs=1e-12)


def test_no_use_at_all():
    fit = select(days(lambda t, o: 0 * t, noise=0.0), "daily").fit
    assert fit.form == "1P"
    assert fit.statistics.cv_rmse is None
    assert fit.hold_out_cv_rmse is None


def test_a_slope_of_the_wrong_sign_is_not_official():
    """Use that falls as it gets colder below 10 °C and nowhere else: no heating form is taken."""
    rows = days(lambda t, o: 300 - 4 * np.maximum(10 - t, 0), closed=False)
    selection = select(rows, "daily")
    assert selection.fit.form not in {"3PH", "4P", "5P"}
    free = fit_change_point(rows, "3PH")
    assert implausible(free, "daily") == "use would fall beyond the heating change point"


def test_slopes_within_the_noise_are_refused():
    rows = days(lambda t, o: 300 + 0 * t, noise=30.0)
    line = fit_change_point(rows, "2P")
    assert abs(line.t_values[1]) < T_LEAST
    assert implausible(line, "daily").startswith("slope does not differ from zero (t = ")


def test_few_rows_beyond_a_change_point_are_refused():
    rows = days(lambda t, o: 300 + 0 * t, closed=False, noise=1.0)
    hottest = np.sort(rows["temperature"].to_numpy())[-5]
    rows["energy"] += 50 * np.maximum(rows["temperature"] - hottest, 0)
    fit = fit_change_point(rows, "3PC", change_points=(hottest,))
    assert implausible(fit, "daily") == "only 4 rows lie beyond the cooling change point"


def test_everything_is_told():
    selection = select(days(lambda t, o: SHAPES["5P"](t, o) + 120 * o), "daily")
    told = {c.form: c for c in selection.candidates}
    for form in ("1P", "2P", "3PH", "3PC", "4P"):
        assert form in told
        assert f"{form} with operating days" in told
    assert [form for form in told if form.startswith("5P") and "by kind" not in form] == [
        "5P with operating days"
    ]
    chosen = [c for c in selection.candidates if c.why == "chosen"]
    assert len(chosen) == 1
    assert chosen[0].fit is selection.fit
    assert all(c.why for c in selection.candidates)
    ranked = sorted((c for c in selection.candidates if c.plausible), key=lambda c: c.criterion)
    assert ranked[0].fit is selection.fit
    assert ranked[1].fit is selection.runner_up
    assert ranked[1].why == f"BIC larger by {ranked[1].criterion - ranked[0].criterion:.1f}"
    assert "at least 10 rows and a tenth of the temperature range beyond them" in selection.rule
    assert selection.fit.solver == "statsmodels"
    assert selection.fit.hold_out_cv_rmse == pytest.approx(
        selection.fit.statistics.cv_rmse, rel=0.1
    )
    assert abs(selection.fit.hold_out_nmbe) < 0.01


def test_criterion_is_bic_with_independent_rows():
    selection = select(days(SHAPES["3PH"]), "daily")
    c = next(c for c in selection.candidates if c.why == "chosen")
    n, s = selection.effective_n, c.fit.statistics
    assert n <= 365
    assert c.criterion == pytest.approx(n * np.log(s.sse / 365) + s.parameters * np.log(n))
    assert bic(c.fit, n) == pytest.approx(c.criterion, rel=1e-12)


def test_official_fit_is_the_same_by_both_solvers():
    rows = days(lambda t, o: SHAPES["5P"](t, o) + 120 * o)
    fit = select(rows, "daily").fit
    ours = fit_change_point(rows, fit.form, LinearTerms("operating"))
    assert ours.solver == "numpy"
    assert fit.coefficients == pytest.approx(ours.coefficients, rel=1e-10)
    assert fit.covariance == pytest.approx(ours.covariance, rel=1e-8, abs=1e-12)
    import statsmodels.api as sm

    theirs = sm.OLS(rows["energy"].to_numpy(), fit.design(rows)).fit()
    assert fit.coefficients == pytest.approx(theirs.params, rel=1e-10)
    # statsmodels does not know that the change points were fitted too.
    assert fit.standard_errors == pytest.approx(
        theirs.bse * np.sqrt(theirs.df_resid / (fit.n - fit.parameters)), rel=1e-9
    )


def test_learned_types_must_be_strongly_better():
    """With a Saturday only a little above a Sunday the type is tried and refused, and it says so,
    or is not worth trying."""
    refused = 0
    for seed in range(10):
        rows = days(lambda t, o: 300 + 120 * o, seed=seed, noise=12)
        saturday = rows.index.day_of_week == 5
        rows.loc[saturday, "energy"] += 9
        selection = select(rows, "daily")
        for c in selection.candidates:
            if "not defended" in c.why:
                refused += 1
                assert not c.plausible
                assert f"it takes more than {STRONG:.0f}" in c.why
    assert refused > 0


# -- bills ----------------------------------------------------------------------------------


def test_bills_find_degree_days_or_the_change_point():
    selection = select(bills(lambda t, s: 40 + 3 * np.maximum(15 - t, 0)), "bills")
    assert selection.fit.form in {"3PH", "HDD"}
    assert selection.effective_n == 12
    assert "held-out bills" in selection.rule
    base = selection.fit.change_points[0]
    assert base == pytest.approx(15, abs=2)


def test_operating_share_of_bills_where_it_varies():
    rows = bills(lambda t, s: 100 + 200 * s + 0 * t, n=24, noise=2.0)
    fit = select(rows, "bills").fit
    assert fit.terms.days == "operating"
    assert fit.coefficients[1] == pytest.approx(200, abs=25)
    # one curve, at the bills' mix of days, through the bills
    share = rows["operating"].mean()
    (label,) = set(fit.curve(np.array([5.0]))) - {"temperature"}
    assert label == f"{100 * share:.0f}\u202f% operating days"
    assert fit.curve(np.array([5.0]))[label][0] == pytest.approx(rows["energy"].mean(), rel=1e-9)


def test_operating_share_of_bills_is_not_tried_where_it_hardly_varies():
    rows = bills(lambda t, s: 100 + 0 * t, share=0.71)
    selection = select(rows, "bills")
    assert not any("operating" in c.form for c in selection.candidates)


def test_bills_never_make_a_day_use_less_than_nothing():
    rows = bills(lambda t, s: 1000 * (s - 0.5) + 0 * t, n=24, noise=2.0)
    fit = fit_change_point(rows, "1P", LinearTerms("operating"))
    assert fit.coefficients[0] < 0
    assert implausible(fit, "bills") == "a non-operating day would use less than nothing"
    assert select(rows, "bills").fit.terms.days == "none"


def test_modelled_bills_add_up_to_what_was_billed():
    rows = bills(lambda t, s: 40 + 3 * np.maximum(15 - t, 0), noise=4.0)
    rows["days"] = rows["weight"] = np.arange(26.0, 38.0)
    fit = select(rows, "bills").fit
    billed = float(rows["days"] @ rows["energy"])
    assert rows["days"] @ fit.predict(rows) == pytest.approx(billed, rel=1e-12)


def test_bills_without_daily_temperatures_keep_the_other_forms():
    rows = bills(lambda t, s: 40 + 3 * np.maximum(15 - t, 0)).drop(columns="daily_temperatures")
    selection = select(rows, "bills")
    assert selection.fit.form == "3PH"
    reasons = {c.form: c.why for c in selection.candidates}
    assert reasons["HDD"] == "degree days of bills need the temperature of each of their days"


# -- refusals -------------------------------------------------------------------------------


def test_too_few_rows():
    rows = days(lambda t, o: 300 + 0 * t).iloc[:3]
    with pytest.raises(ModelError, match="no form can be fitted to 3 rows"):
        select(rows, "daily")


def test_no_row_can_be_used():
    rows = days(lambda t, o: 300 + 0 * t).assign(status="coverage_low")
    with pytest.raises(ModelError, match="no row can be used"):
        select(rows, "daily")


def test_hours_have_a_model_of_their_own():
    with pytest.raises(ModelError, match="rows are daily or bills, not 'hourly'"):
        select(days(lambda t, o: 300 + 0 * t), "hourly")


def test_a_used_row_that_is_not_complete():
    rows = days(lambda t, o: 300 + 0 * t)
    rows.iloc[7, 0] = np.nan
    with pytest.raises(ModelError, match=r"1 rows with status used have no energy.*2023-01-08"):
        select(rows, "daily")


def test_a_fit_travels_between_processes():
    rows = days(lambda t, o: SHAPES["5P"](t, o) + 120 * o)
    fit = select(rows, "daily").fit
    again = pickle.loads(pickle.dumps(fit))
    assert (again.predict(rows) == fit.predict(rows)).all()
    assert again.formula() == fit.formula()


def test_formula_names_every_term():
    rows = days(lambda t, o: SHAPES["5P"](t, o) + 120 * o)
    formula = select(rows, "daily", unit="m3").fit.formula()
    assert formula.startswith("energy (m3/day) = ")
    for piece in ("·operating", "− T)⁺", "(T − "):
        assert piece in formula


@pytest.mark.parametrize("seed", range(3))
def test_heating_on_operating_days_alone_is_plausible(seed):
    """A place that is left cold on other days has no slope on them."""
    rows = days(lambda t, o: 80 + o * (260 + 4 * np.maximum(14 - t, 0)), seed=seed)
    chosen = select(rows, "daily", "electricity").fit
    slopes = dict(zip(chosen.term_names, chosen.coefficients, strict=True))
    assert "heating" not in slopes
    assert slopes["heating on operating days"] == pytest.approx(4.0, abs=0.5)
    cold = rows.assign(temperature=0.0)
    used_more = chosen.predict(cold) - chosen.predict(rows.assign(temperature=20.0))
    assert (used_more[rows["operating"] == 0] == 0).all()
    assert used_more[rows["operating"] == 1] == pytest.approx(4.0 * 14, rel=0.1)


def test_a_slope_over_a_sliver_of_temperatures_is_not_plausible():
    """Where a few coldest bills differ by chance, a change point just above them is refused."""
    rows = bills(lambda t, s: 300 + 0 * t, n=36, noise=3.0, share=0.7)
    coldest = np.sort(rows["temperature"].to_numpy())
    point = float(coldest[0] + 0.05 * (coldest[-1] - coldest[0]))
    rows.loc[rows["temperature"] < point, "energy"] += 60.0
    fit = fit_change_point(rows, "3PH", LinearTerms("none"), change_points=(point,))
    assert (rows["temperature"] < point).sum() >= 3
    assert implausible(fit, "bills").startswith("the heating side spans only ")
