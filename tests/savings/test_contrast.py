"""Companions of drift: adopted where they narrow and cover, refused where they don't."""

import math

import numpy as np
import pandas as pd
import pytest

from mv.savings.contrast import (
    Pair,
    contrast,
    contrasted,
    controls_at,
    group_companion,
    group_companions,
    hour_pairs,
    untouched_hours,
    year_shape,
)
from mv.savings.placebo import Trial, placebo

TAU, NU, MODEL = 0.04, 2.2, 0.015


def trial(i, year, false_saving):
    return Trial(
        site=f"s{i}",
        building=f"s{i}",
        carrier="electricity",
        granularity="daily",
        start=f"{year}-01-01",
        false_saving=float(false_saving),
        model=MODEL,
        drift=TAU,
        nu=NU,
    )


def night_pairs(seed, sites, years, together):
    """`together`: share of the drift's squared scale that night and day have in common; the rest
    changes the shape of the day."""
    rng = np.random.default_rng(seed)
    pairs = []
    for i in range(sites):
        for year in range(2020, 2020 + years):
            both, day, night = TAU * rng.standard_t(NU, 3)
            r = math.sqrt(together) * both + math.sqrt(1 - together) * day
            u = math.sqrt(together) * both + math.sqrt(1 - together) * night
            pairs.append(
                Pair(trial(i, year, r + rng.normal(0, MODEL)), float(u + rng.normal(0, 0.02)))
            )
    return pairs


def share_covered(verdict, pairs):
    own = verdict.own_drift()
    inside = [
        abs(verdict.corrected(p.trial.false_saving, p.companion))
        <= own.quantile(0.9) * math.hypot(p.trial.model, own.factor * p.trial.drift)
        for p in pairs
    ]
    return float(np.mean(inside))


def test_hours_that_drift_together_narrow_and_cover():
    verdict = contrast("night hours", "electricity", night_pairs(1, 60, 2, 0.9))
    assert verdict.adopted
    assert 0.25 < verdict.narrowing < 0.6
    assert 0.7 < verdict.k < 1.1
    assert verdict.words.startswith("Adopted (night hours): 0.")
    covered = share_covered(verdict, night_pairs(2, 1500, 1, 0.9))
    assert covered == pytest.approx(0.90, abs=0.03)


def test_drift_that_changes_the_shape_of_the_day_is_refused():
    verdict = contrast("night hours", "electricity", night_pairs(3, 60, 2, 0.0))
    assert not verdict.adopted
    assert abs(verdict.k) < 0.15
    assert "it doesn't narrow the interval" in verdict.words


def test_coverage_over_many_portfolios_whatever_the_truth():
    """40 portfolios with half of the drift in common: adopted or not, new sites are covered."""
    covered, adopted = [], 0
    for seed in range(40):
        pairs = night_pairs(100 + seed, 30, 2, 0.5)
        verdict = contrast("night hours", "electricity", pairs)
        new = night_pairs(1000 + seed, 40, 1, 0.5)
        if verdict.adopted:
            adopted += 1
            covered.append(share_covered(verdict, new))
            continue
        own = placebo(p.trial for p in pairs).own_drift("electricity")
        inside = [
            abs(p.trial.false_saving)
            <= own.quantile(0.9) * math.hypot(p.trial.model, own.factor * p.trial.drift)
            for p in new
        ]
        covered.append(float(np.mean(inside)))
    assert adopted >= 5
    assert np.mean(covered) == pytest.approx(0.90, abs=0.03)


def test_too_few_trials_are_refused_in_words():
    verdict = contrast("night hours", "electricity", night_pairs(4, 15, 2, 0.9))
    assert not verdict.adopted
    assert verdict.words == (
        "Not adopted (night hours): 30 site-years of placebo trials with a companion, more than "
        "30 of more than 5 buildings are needed to measure how far the two drift together."
    )
    assert verdict.own_drift() is not None
    assert verdict.corrected(0.1, 0.05) == 0.1


def common_year_trials(seed, sites, common):
    rng = np.random.default_rng(seed)
    trials = []
    for year in range(2020, 2024):
        shared = rng.normal(0, common)
        trials += [trial(i, year, shared + 0.015 * rng.standard_t(3.0)) for i in range(sites)]
    return trials


SHAPES = {f"s{i}": np.full(12, 1 / 12) for i in range(200)}


def test_a_comparison_group_takes_off_what_years_share():
    pairs = group_companions(common_year_trials(5, 40, 0.08), SHAPES)
    verdict = contrast("comparison group", "electricity", pairs)
    assert verdict.adopted
    assert verdict.k == pytest.approx(1.0, abs=0.1)
    assert verdict.narrowing > 0.4
    new = group_companions(common_year_trials(6, 150, 0.08), SHAPES)
    assert share_covered(verdict, new) == pytest.approx(0.90, abs=0.04)


def test_a_comparison_group_is_refused_where_sites_drift_alone():
    pairs = group_companions(common_year_trials(7, 40, 0.0), SHAPES)
    assert not contrast("comparison group", "electricity", pairs).adopted


def test_controls_are_matched_on_shape_time_and_building():
    flat, peaky = np.full(12, 1 / 12), np.r_[np.full(6, 0.15), np.full(6, 1 / 60)]
    shapes = {f"flat{i}": flat for i in range(8)} | {f"peaky{i}": peaky for i in range(8)}
    controls = {f"flat{i}": 0.01 for i in range(8)} | {f"peaky{i}": 0.5 for i in range(8)}
    assert group_companion(flat, controls, shapes) == 0.01
    assert group_companion(peaky, controls, shapes) == 0.5
    assert math.isnan(group_companion(flat, {"flat0": 0.1, "flat1": 0.2}, shapes))
    trials = [trial(i, 2020, 0.1 * i) for i in range(4)] + [trial(9, 2021, 9.0)]
    pairs = group_companions(trials, SHAPES)
    assert pairs[0].companion == pytest.approx(0.2)  # median of 0.1, 0.2, 0.3
    assert math.isnan(pairs[4].companion)


class Flat:
    def predict(self, rows):
        return np.full(len(rows), 10.0)


def hour_rows(energy, weeks=2, start="2024-01-01"):
    index = pd.date_range(start, periods=168 * weeks, freq="h", tz="UTC", name="start")
    hour = np.arange(len(index)) % 168
    return pd.DataFrame(
        {
            "energy": energy,
            "temperature": 10.0 + 5 * np.sin(np.arange(len(index)) / 55),
            "hour_of_week": hour,
            "status": "used",
        },
        index=index,
    )


def test_untouched_hours_by_hand():
    base, rows = hour_rows(10.5), hour_rows(9.0)
    rows.loc[rows["hour_of_week"] < 6, "energy"] = 9.8
    got = untouched_hours(Flat(), base, rows, range(6), "natural_gas")
    assert got == pytest.approx(0.02, rel=1e-12)
    # electricity: 0.7 of the baseline's latest residual, 0.5, is added to the level
    got = untouched_hours(Flat(), base, rows, range(6), "electricity")
    assert got == pytest.approx(1 - 9.8 / 10.35, rel=1e-12)
    assert math.isnan(untouched_hours(Flat(), base, rows, [], "electricity"))


def test_hours_follow_the_cuts_of_the_trials():
    rng = np.random.default_rng(2)
    weeks = 104
    rows = hour_rows(10.0 + 0.1 * rng.standard_normal(168 * weeks), weeks, "2022-01-03")
    after = rows.index >= "2023-01-02"
    rows.loc[after & (rows["hour_of_week"] < 6), "energy"] *= 0.9
    rows.loc[after & (rows["hour_of_week"] >= 6), "energy"] *= 0.5
    made = trial(1, 2023, 0.4)
    pairs = hour_pairs([made, trial(1, 2010, 0.0)], rows, range(6))
    assert pairs[0].trial is made
    assert pairs[0].companion == pytest.approx(0.1, abs=0.005)
    assert math.isnan(pairs[1].companion)


def test_year_shape_sums_to_one(daily_rows):
    shape = year_shape(daily_rows(1))
    assert shape.sum() == pytest.approx(1.0, rel=1e-12)
    assert shape.argmax() in (5, 6, 7)  # warm months of the simulated site


def test_contrasted_result_stands_beside_the_plain_one(fit_line, daily_rows):
    from mv.savings.drift import load_prior
    from mv.savings.uncertainty import interval

    base, after = daily_rows(1, start="2023-06-01"), daily_rows(2, start="2024-06-01")
    made = interval(
        fit_line(base),
        base,
        after,
        carrier="electricity",
        granularity="daily",
        confidence=0.9,
        prior=load_prior(),
        adjusted_baseline=45000.0,
        avoided=3000.0,
        adjustment_se=300.0,
    )
    verdict = contrast("night hours", "electricity", night_pairs(1, 60, 2, 0.9))
    arguments = {
        "avoided": 3000.0,
        "adjusted_baseline": 45000.0,
        "uncertainty": made,
        "unit": "kWh",
    }
    got = contrasted(verdict, companion=0.02, **arguments)
    assert got.value == pytest.approx(3000.0 - verdict.k * 0.02 * 45000.0, rel=1e-12)
    own = verdict.own_drift()
    core = own.quantile(0.9) * math.hypot(made.model_part, own.factor * 0.037 * 45000.0)
    assert got.half_width == pytest.approx(math.hypot(core, 1.6448536 * 300.0), rel=1e-6)
    assert got.half_width < made.half_width
    assert contrasted(verdict, companion=math.nan, **arguments) is None
    refused = contrast("night hours", "electricity", night_pairs(3, 60, 2, 0.0))
    assert contrasted(refused, companion=0.02, **arguments) is None


def test_controls_of_the_same_year():
    trials = [trial(1, 2020, 0.1), trial(1, 2021, 0.2), trial(2, 2021, 0.3), trial(3, 2021, 0.4)]
    got = controls_at(trials, ["s1", "s2"], "electricity", "2021-01-20")
    assert got == {"s1": 0.2, "s2": 0.3}
    assert controls_at(trials, ["s1", "s2"], "natural_gas", "2021-01-20") == {}
