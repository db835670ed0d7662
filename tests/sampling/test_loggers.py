"""Logger hours: a hand-computed example, coverage in simulation, clocks and refusals."""

import numpy as np
import pytest

from mv.findings import ModelError
from mv.sampling.loggers import (
    HOURS_A_YEAR,
    annual_hours,
    group_hours,
    run_from_power,
    run_from_states,
)

MONDAY = np.datetime64("2025-03-03T00:00:00")


def at(hours):
    return MONDAY + np.round(np.asarray(hours) * 3600).astype("timedelta64[s]")


def share_run(name, share, days=14):
    """A logger that is on for the first `share` of each day."""
    hours = np.sort(np.concatenate([np.arange(days) * 24.0, np.arange(days) * 24.0 + 24 * share]))
    states = np.tile([1, 0], days)
    return run_from_states(name, at(hours), states, end=at(days * 24))


def test_on_hours_by_hand():
    # On 07:00-12:30 and 13:15-18:00, logged for one day: 5.5 + 4.75 = 10.25 h of 24.
    run = run_from_states("a", at([0, 7, 12.5, 13.25, 18]), [0, 1, 0, 1, 0], end=at(24))
    assert run.on_hours == pytest.approx(10.25, rel=1e-12)
    assert run.logged_hours == 24.0
    assert annual_hours(run) == pytest.approx(3741.25, rel=1e-12)  # 8760 · 10.25/24


def test_a_group_by_hand_to_six_digits():
    # Four loggers of 24 circuits, on 8.4, 9.6, 10.2 and 7.8 h a day: 3066, 3504, 3723, 2847 h a
    # year, mean 3285; deviations −219, 219, 438, −438, Σ² = 479 610, s² = 159 870;
    # se² = 159 870/4 · (1 − 4/24) = 33 306.25 = 182.5²; t₃ = 2.353363 (any table) → 429.489.
    runs = [
        share_run(n, h / 24, days=7) for n, h in zip("abcd", (8.4, 9.6, 10.2, 7.8), strict=True)
    ]
    group = group_hours("corridors", runs, population=24)
    assert group.hours == pytest.approx(3285.0, rel=1e-9)
    assert group.sampling_error == pytest.approx(182.5, rel=1e-9)
    assert group.half_width == pytest.approx(429.489, rel=1e-6)
    assert group.period_error is None  # a single week


def test_weights_make_the_hours_of_the_load():
    runs = [share_run("a", 0.5), share_run("b", 0.25)]
    group = group_hours("hall", runs, weights=[3.0, 1.0])
    assert group.hours == pytest.approx(HOURS_A_YEAR * (3 * 0.5 + 0.25) / 4, rel=1e-9)


def test_power_gives_full_load_hours_and_skips_missing_readings():
    power = np.array([0.0, 2.0, 1.0, np.nan, 0.0])
    run = run_from_power("a", at([0, 1, 2, 3, 4]), power, 1.0, full_load=2.0)
    assert run.on_hours == pytest.approx(1.5)
    assert run.logged_hours == pytest.approx(4.0)


def test_state_and_power_loggers_of_one_circuit_agree():
    states = run_from_states("s", at([0, 6, 20]), [0, 1, 0], end=at(24))
    kw = np.where((np.arange(96) / 4 >= 6) & (np.arange(96) / 4 < 20), 1.2, 0.0)
    power = run_from_power("p", at(np.arange(96) / 4), kw, 0.25, full_load=1.2)
    assert power.on_hours == pytest.approx(states.on_hours, rel=1e-12)


def test_year_by_day_type():
    # Two operating days of 10 h, one other day of 2 h; a year of 250 and 115.
    hours = [0, 8, 18, 24, 32, 42, 48, 60, 62]
    kinds = ["operating"] * 6 + ["other"] * 3
    run = run_from_states(
        "a", at(hours), [0, 1, 0, 0, 1, 0, 0, 1, 0], end=at(72), day_type=np.array(kinds)
    )
    assert annual_hours(run, {"operating": 250, "other": 115}) == pytest.approx(2730.0)
    with pytest.raises(ModelError, match="no school holiday day was logged, but the year has 60"):
        annual_hours(run, {"operating": 250, "other": 55, "school holiday": 60})


def test_interval_covers_the_truth():
    # 40 circuits whose yearly hours differ; 12 logged over 6 weeks that differ too.
    rng = np.random.default_rng(11)
    rounds, hits = 600, 0
    for _ in range(rounds):
        truth = rng.normal(0.40, 0.06, 40)
        weeks = rng.normal(0.0, 0.02, 52)
        weeks -= weeks.mean()
        chosen = rng.choice(52, 6, replace=False)
        runs = []
        for c in rng.choice(40, 12, replace=False):
            share = np.repeat(truth[c] + weeks[chosen], 7)
            hours = np.sort(np.concatenate([np.arange(42) * 24.0, (np.arange(42) + share) * 24]))
            runs.append(run_from_states(str(c), at(hours), np.tile([1, 0], 42), end=at(42 * 24)))
        group = group_hours("g", runs, population=40)
        hits += group.low <= HOURS_A_YEAR * truth.mean() <= group.high
    # Binomial standard error 1.2 points.
    assert hits / rounds == pytest.approx(0.90, abs=0.035)


def test_the_caveat_says_what_the_interval_leaves_out():
    three = group_hours("g", [share_run("a", 0.4, 28), share_run("b", 0.5, 28)])
    assert three.period_error == pytest.approx(0.0, abs=1e-6)
    assert three.caveat == (
        "Logged over 28 days (2025-03-03 to 2025-03-31) and carried to a year: the interval holds "
        "the spread between the weeks logged, not seasons, daylight or holidays outside that span."
    )
    year = group_hours("g", [share_run("a", 0.4, 366), share_run("b", 0.5, 366)])
    assert year.caveat == "Logged over a full year (2025-03-03 to 2026-03-04)."


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (lambda: run_from_states("a", [], []), "logger a: no record"),
        (lambda: run_from_states("a", at([0, 1]), [0]), "logger a: 2 times and 1 states"),
        (
            lambda: run_from_states("a", at([0, 1]), [0, 2]),
            "logger a: a state is neither 0 (off) nor 1 (on)",
        ),
        (
            lambda: run_from_states("a", at([0, 5, 3]), [0, 1, 0]),
            "logger a: time runs backwards after record 2",
        ),
        (lambda: run_from_states("a", at([0]), [1]), "logger a: the records span no time"),
        (
            lambda: run_from_power("a", at([0]), [1.0], 1.0, full_load=0.0),
            "logger a: full load is 0.0 kW; it must be above 0",
        ),
        (
            lambda: run_from_power("a", at([0]), [-1.0], 1.0, full_load=1.0),
            "logger a: power below zero",
        ),
        (lambda: group_hours("g", []), "usage group g: no logger"),
        (
            lambda: group_hours("g", [share_run("a", 0.4)], population=9),
            "usage group g: 1 logger; at least 2 are needed to see how its units differ",
        ),
        (
            lambda: group_hours("g", [share_run("a", 0.4)] * 3, population=2),
            "usage group g: 3 loggers on 2 units",
        ),
        (
            lambda: group_hours("g", [share_run("a", 0.4)] * 2, weights=[1.0, 0.0]),
            "usage group g: weights must be 2 numbers above 0",
        ),
    ],
)
def test_refusals(call, message):
    with pytest.raises(ModelError) as refused:
        call()
    assert str(refused.value) == message
