"""Acceptance: limits from profiles, with sources; advice is never judged; own profiles."""

import tomllib
from importlib.resources import files

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from mv.baseline.acceptance import RULES, check_profiles, judge, shipped_profiles
from mv.baseline.change_point import fit_change_point
from mv.baseline.terms import LinearTerms
from mv.findings import ModelError

T = [31, 35, 43, 53, 63, 72, 77, 75, 68, 57, 46, 36]
Y = [410, 418, 432, 455, 486, 512, 530, 521, 500, 466, 438, 421]
FIELDS = {"rule", "value", "limit", "unit", "met", "source", "note"}


def line(energy=Y, form="2P"):
    rows = pd.DataFrame(
        {"energy": np.array(energy, dtype=float), "temperature": np.array(T, dtype=float)}
        | {"operating": 1.0, "weight": 1.0, "status": "used"},
        index=pd.date_range("2023-01-01", periods=12, name="date"),
    )
    return fit_change_point(rows, form)


def by_rule(rows):
    return {row["rule"]: row for row in rows}


def test_every_shipped_limit_is_whole():
    raw = tomllib.loads(
        files("mv.baseline").joinpath("acceptance_profiles.toml").read_text(encoding="utf-8")
    )
    assert raw == shipped_profiles()
    for name in raw:
        assert check_profiles(name) == []
        for limit in raw[name]["limit"]:
            assert limit["rule"] in RULES
            assert limit["source"]
            assert raw[name]["title"]


@pytest.mark.parametrize(
    ("months", "limit"), [(6, 0.20), (12, 0.25), (59, 0.25), (60, 0.30), (None, 0.20)]
)
def test_guideline_14_by_length_of_reporting(months, limit):
    """20 / 25 / 30 % under 12, to 60 and beyond 60 months (Guideline 14-2002, from memory)."""
    rows = by_rule(judge("guideline_14", fit=line(), granularity="bills", reporting_months=months))
    row = rows["CV(RMSE), bills"]
    assert set(row) == FIELDS
    assert row["limit"] == limit
    assert row["value"] == pytest.approx(0.0100843, rel=5e-6)
    assert row["met"] is True
    assert row["source"] == "ASHRAE Guideline 14-2002, 5.3.2.1 (from memory)"


def test_a_year_of_365_days_is_twelve_months():
    months = 365 / (365.25 / 12)
    rows = by_rule(
        judge("guideline_14", fit=line(), baseline_months=months, reporting_months=months)
    )
    assert rows["months of baseline"]["met"] is True
    assert rows["CV(RMSE)"]["limit"] == 0.25


def test_demand_has_its_own_limits():
    rows = by_rule(judge("guideline_14", fit=line(), quantity="demand", reporting_months=12))
    assert rows["CV(RMSE)"]["limit"] == 0.35
    assert "net determination bias" not in rows


def test_months_and_coverage_can_fail():
    rows = by_rule(judge("guideline_14", fit=line(), baseline_months=11, baseline_coverage=0.7))
    assert rows["months of baseline"]["met"] is False
    assert rows["share of baseline days used"]["met"] is False
    assert by_rule(judge("guideline_14", fit=line()))["months of baseline"]["met"] is None


def test_advice_is_never_judged():
    rows = by_rule(judge("ipmvp", fit=line(), saving_fraction=0.02))
    assert rows["R²"]["met"] is None
    assert rows["R²"]["note"] == "A guide, no limit."
    assert rows["saving ÷ adjusted baseline"]["met"] is None


def test_flat_load_is_no_bad_model():
    flat = line([500 + d for d in (1, -1, 2, -2, 1, -1, 2, -2, 1, -1, 2, -2)], "1P")
    row = by_rule(judge("nmec_site", fit=flat))["R²"]
    assert row["met"] is False
    assert row["note"] == (
        "A flat load leaves little to explain: low R² with a low CV(RMSE) is no bad model."
    )


def test_p_values_are_those_of_the_t_and_f_tests():
    """scipy's own distributions; F 911.065 of the worked example."""
    rows = by_rule(judge("doe_sep", fit=line()))
    t = line().t_values[1]
    assert rows["largest p of the terms"]["value"] == pytest.approx(2 * stats.t.sf(t, 10), rel=1e-9)
    assert rows["p of the F test"]["value"] == pytest.approx(stats.f.sf(911.065, 1, 10), rel=1e-4)


def test_uncertainty_at_its_confidence_and_for_the_expected_saving():
    given = {"0.68": 0.30, "0.90": 0.52}
    row = by_rule(judge("guideline_14_performance", fit=line(), fractional_uncertainty=given))
    assert row["half-width ÷ saving at 68\u202f%"]["value"] == 0.30
    alone = by_rule(judge("guideline_14_performance", fit=line(), fractional_uncertainty=0.30))
    assert alone["half-width ÷ saving at 68\u202f%"]["met"] is True
    # ± 0.52 · 10 % of the baseline against 8 % expected
    rows = by_rule(
        judge(
            "nmec_site",
            fit=line(),
            fractional_uncertainty=given,
            saving_fraction=0.10,
            expected_fraction=0.08,
        )
    )
    row = rows["half-width ÷ expected saving at 90\u202f%"]
    assert row["value"] == pytest.approx(0.65)
    assert row["met"] is False


def test_no_terms_no_test():
    row = by_rule(judge("ipmvp", fit=line(form="1P")))["smallest |t| of the terms"]
    assert row["value"] is None
    assert row["met"] is None
    assert row["note"] == "The model has no term besides its level."


OWN = {
    "harbour": {
        "title": "Harbour programme",
        "limit": [{"rule": "cv_rmse", "most": 0.005, "source": "Programme manual 2023, 4.2"}],
    }
}


def test_own_profiles():
    (row,) = judge("harbour", fit=line(), own=OWN)
    assert row["met"] is False
    assert row["source"] == "Programme manual 2023, 4.2"
    assert check_profiles("harbour", OWN) == []


def test_unknown_profile():
    with pytest.raises(
        ModelError, match="no acceptance profile is called 'harbor'; there are: bpa,"
    ):
        judge("harbor", fit=line(), own=OWN)
    (finding,) = check_profiles("harbor", OWN)
    assert str(finding) == (
        "portfolio.toml, column acceptance: there is no acceptance profile 'harbor'; there are: "
        "bpa, doe_sep, guideline_14, guideline_14_performance, harbour, ipmvp, nmec_site."
    )


@pytest.mark.parametrize(
    ("limit", "problem"),
    [
        ({"rule": "cv_rms", "most": 1, "source": "x"}, "limit 1: rule 'cv_rms' is not one of r2,"),
        ({"rule": "r2", "source": "x"}, "limit 1: give a number as either least or most."),
        ({"rule": "r2", "least": 0.7}, "limit 1: name the source."),
        (
            {"rule": "r2", "least": 0.7, "source": "x", "mots": 3},
            "limit 1: mots means nothing here.",
        ),
        (
            {"rule": "fractional_uncertainty", "most": 0.5, "source": "x"},
            "limit 1: fractional_uncertainty needs a confidence between 0 and 1.",
        ),
    ],
)
def test_own_profiles_that_are_wrong(limit, problem):
    own = {"harbour": {"limit": [limit]}}
    (finding,) = check_profiles("harbour", own)
    assert finding.message.startswith(problem)
    assert finding.where() == "portfolio.toml, column acceptance_profiles.harbour"
    with pytest.raises(ModelError, match="acceptance profile 'harbour': limit 1"):
        judge("harbour", fit=line(), own=own)


def test_a_profile_without_limits():
    (finding,) = check_profiles("harbour", {"harbour": {}})
    assert finding.message == "a profile needs at least one [[...limit]] table."


def test_a_driver_counts_among_the_terms():
    rows = pd.DataFrame(
        {"energy": np.array(Y, dtype=float), "temperature": 0.0, "operating": 1.0}
        | {"weight": 1.0, "status": "used", "driver:t": np.array(T, dtype=float)},
        index=pd.date_range("2023-01-01", periods=12, name="date"),
    )
    fit = fit_change_point(rows, "1P", LinearTerms(drivers=("t",)))
    row = by_rule(judge("ipmvp", fit=fit))["smallest |t| of the terms"]
    assert row["value"] == pytest.approx(30.1839, rel=5e-6)
