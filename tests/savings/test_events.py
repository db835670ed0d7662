"""Events: shifts found and not found, effects on savings by refitting, the declared ledger."""

import datetime as dt
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest

from mv.readings.clock import epoch_seconds
from mv.savings.avoided import avoided_energy
from mv.savings.drift import recency_level
from mv.savings.events import (
    declared_events,
    effect_of_change,
    night_energy,
    suspected_events,
)
from mv.savings.shifts import find_shifts
from mv.savings.windows import DAYS, day_to_day


def noise(seed, n=365, sd=5.0, rho=0.4):
    from scipy.signal import lfilter

    shocks = np.random.default_rng(seed).normal(0, sd * np.sqrt(1 - rho**2), n)
    return lfilter([1.0], [1.0, -rho], shocks)


def test_a_step_is_found_where_it_is():
    values = noise(1)
    values[200:] += 12.0
    (shift,) = find_shifts(values, least=3.0)
    assert shift.open_end
    assert abs(shift.first - 200) <= 3
    assert shift.size == pytest.approx(12.0, abs=3 * shift.standard_error)


def test_standard_error_of_a_step_is_that_of_two_dependent_means():
    """sd √((1+ρ)/(1−ρ) (1/n + 1/m)), any text on first-order autoregression; mean of 20 series."""
    errors = []
    for seed in range(20):
        values = noise(500 + seed)
        values[200:] += 12.0
        errors.append(find_shifts(values, least=3.0)[0].standard_error)
    expected = 5 * np.sqrt((1.4 / 0.6) * (1 / 200 + 1 / 165))
    assert np.mean(errors) == pytest.approx(expected, rel=0.06)


def test_two_pulses_are_found_apart():
    values = noise(2)
    values[60:90] -= 15.0
    values[250:280] += 15.0
    found = sorted(find_shifts(values, least=3.0), key=lambda s: s.first)
    assert [(abs(s.first - t) <= 5, s.open_end) for s, t in zip(found, (60, 250), strict=True)] == [
        (True, False)
    ] * 2
    assert found[0].size < 0 < found[1].size


def test_clean_series_stay_clean():
    """At most 0.2 alarms a series in 100 (the benchmark holds the whole finder to 0.3)."""
    alarms = sum(len(find_shifts(noise(100 + i), least=0.0)) for i in range(100))
    assert alarms <= 25


def test_single_odd_days_and_short_series_are_no_shift():
    values = noise(3)
    values[[50, 120, 121, 300]] += 60.0
    assert find_shifts(values, least=3.0) == []
    assert find_shifts(noise(3, n=DAYS.rows - 1), least=0.0) == []
    assert find_shifts(np.zeros(365), least=0.0) == []


def test_a_series_without_scatter_gives_no_verdict():
    values = np.zeros(365)
    values[100:] = 5.0
    assert find_shifts(values, least=1.0) == []


def test_dependence_is_estimated_beside_a_shift():
    plain = noise(4, n=3000)
    shifted = plain + 40.0 * (np.arange(3000) > 1500)
    for values in (plain, shifted):
        rho, sigma = day_to_day(values)
        assert rho == pytest.approx(0.4, abs=0.06)
        assert sigma == pytest.approx(5 * np.sqrt(1 - 0.16), rel=0.06)


@pytest.fixture
def years(daily_rows):
    return (
        daily_rows(31, start="2022-06-01", noise=5.0, rho=0.4, operating_effect=20.0),
        daily_rows(33, start="2023-07-01", noise=5.0, rho=0.4, operating_effect=20.0, level=85.0),
    )


TERMS = ("temperature", "operating")


def shifted(rows, first, last, change):
    inside = (rows.index >= first) & (rows.index <= last)
    return rows.assign(energy=rows["energy"] + change * inside), inside


def test_the_saving_itself_is_no_event(years, fit_line):
    base, after = years
    assert suspected_events(fit_line(base, TERMS), base, after, level_corrected=True) == []


def test_a_season_that_comes_back_is_no_event_and_hides_none(daily_rows, fit_line):
    """Use that follows the night's length, 8 % of the mean, in 10 pairs of years; then a shift."""
    alarms = hits = 0
    for seed in range(10):
        base = daily_rows(300 + seed, start="2022-06-01", noise=5.0, rho=0.4)
        after = daily_rows(400 + seed, start="2023-07-01", noise=5.0, rho=0.4, level=85.0)
        base, after = (
            rows.assign(
                energy=rows["energy"]
                + 10 * np.cos(2 * np.pi * (rows.index.day_of_year - 80) / 365.25)
            )
            for rows in (base, after)
        )
        fit = fit_line(base)
        alarms += len(suspected_events(fit, base, after, level_corrected=True))
        after, _ = shifted(after, "2023-11-01", "2024-01-31", 20.0)
        found = suspected_events(fit, base, after, level_corrected=True)
        hits += any(abs(e.change_per_day - 20) < 8 and e.period == "reporting" for e in found)
    assert alarms <= 0.5 * 20  # without the season more than one a year
    assert hits >= 8


def test_long_series_are_searched_to_the_row():
    values = noise(8, n=1100)
    values[700:820] += 12.0
    shift = find_shifts(values, least=3.0)[0]
    assert abs(shift.first - 700) <= 3
    assert abs(shift.last - 819) <= 3


def test_a_deep_week_is_found():
    values = noise(9)
    values[150:157] -= 40.0
    (shift,) = find_shifts(values, least=3.0)
    assert (shift.first, shift.last) == (150, 156)


def test_size_is_that_of_generalised_least_squares():
    """One step in normal noise, against statsmodels' GLSAR with the correlation it finds."""
    from statsmodels.regression.linear_model import GLSAR

    values = noise(6, n=700)
    values[300:] += 10.0
    (shift,) = find_shifts(values, least=3.0)
    x = np.column_stack([np.ones(700), np.arange(700) >= shift.first])
    fit = GLSAR(values, x, rho=1).iterative_fit(10)
    assert shift.size == pytest.approx(fit.params[1], abs=0.25 * fit.bse[1])
    assert shift.standard_error == pytest.approx(fit.bse[1], rel=0.12)


def test_a_reporting_pulse_is_named_with_its_effect(years, fit_line):
    base, after = years
    after, inside = shifted(after, "2023-11-01", "2023-12-31", 25.0)
    found = suspected_events(fit_line(base, TERMS), base, after, level_corrected=True)
    (event,) = [e for e in found if e.kind == "pulse"]
    assert event.period == "reporting"
    assert abs((pd.Timestamp(event.start) - pd.Timestamp("2023-11-01")).days) <= 3
    assert abs((pd.Timestamp(event.end) - pd.Timestamp("2023-12-31")).days) <= 3
    assert event.change_per_day == pytest.approx(25.0, abs=4 * event.standard_error)
    days = (pd.Timestamp(event.end) - pd.Timestamp(event.start)).days + 1
    assert event.effect_on_savings == pytest.approx(event.change_per_day * days, rel=1e-9)
    assert inside.sum() == 61
    assert event.what.startswith("use rose by")
    assert event.question.endswith("?")


def test_a_baseline_step_is_found_and_its_effect_is_that_of_refitting(years, fit_line):
    base, after = years
    base, _ = shifted(base, "2022-12-01", "2023-05-31", 20.0)
    fit = fit_line(base, TERMS)
    found = suspected_events(fit, base, after, level_corrected=True)
    event = next(e for e in found if e.kind == "level shift")
    assert (event.period, event.end) == ("baseline", None)
    start = pd.Timestamp(event.start)
    mended = base.assign(energy=base["energy"] - event.change_per_day * (base.index >= start))
    assert event.effect_on_savings == pytest.approx(
        total(mended, after, fit_line) - total(base, after, fit_line), rel=1e-9
    )


def total(base, after, fit_line):
    """The whole job again: fit, level correction, avoided energy."""
    fit = fit_line(base, TERMS)
    level = recency_level(fit, base, "electricity")
    return avoided_energy(fit, base, after, level_correction=level).avoided


def test_effect_of_bills_is_that_of_refitting(daily_rows, fit_line):
    edges = pd.date_range("2022-01-01", periods=25, freq="MS")
    days = np.diff(edges.to_numpy()).astype("timedelta64[D]").astype(float)
    bills = daily_rows(5, days=24).assign(start=edges[:-1], end=edges[1:], days=days)
    base, after = bills.iloc[:12], bills.iloc[12:]
    change = np.linspace(0, 3, 12)
    got = effect_of_change(
        fit_line(base),
        base,
        after,
        baseline_change=change,
        reporting_change=np.full(12, 2.0),
        level_corrected=True,
    )

    def avoided(base, after):
        fit = fit_line(base)
        level = recency_level(fit, base, "electricity")
        return avoided_energy(fit, base, after, level_correction=level).avoided

    mended = avoided(
        base.assign(energy=base["energy"] - change), after.assign(energy=after["energy"] - 2.0)
    )
    assert got == pytest.approx(mended - avoided(base, after), rel=1e-9)


def test_weekend_work_is_found(years, fit_line):
    base, after = years
    inside = (after.index >= "2023-12-01") & (after["operating"] == 0.0)
    after = after.assign(energy=after["energy"] + 30.0 * inside)
    found = suspected_events(fit_line(base, TERMS), base, after, level_corrected=True)
    event = next(e for e in found if e.kind == "non-operating days")
    assert event.period == "reporting"
    assert event.change_per_day == pytest.approx(30.0, abs=8.0)
    assert event.effect_on_savings is None
    assert "on non-operating days rose" in event.what


def test_night_base_is_found_where_days_hide_it(years, fit_line):
    base, after = years
    rng = np.random.default_rng(4)
    dates = base.index.append(after.index)
    night = pd.Series(8.0 + rng.normal(0, 0.4, len(dates)), index=dates)
    night[night.index >= "2023-12-15"] += 1.5
    found = suspected_events(fit_line(base, TERMS), base, after, level_corrected=True, night=night)
    (event,) = [e for e in found if e.kind == "night base"]
    assert event.period == "reporting"
    assert abs((pd.Timestamp(event.start) - pd.Timestamp("2023-12-15")).days) <= 3
    assert event.end is None


def test_a_site_without_one_whole_night_has_no_night_base(years, fit_line):
    base, after = years
    hours = np.arange(24 * 365) + 24 * 19000
    energy = np.where(hours % 24 < 6, np.nan, 5.0)
    night = night_energy(energy, hours)
    assert not len(night)
    found = suspected_events(fit_line(base, TERMS), base, after, level_corrected=True, night=night)
    assert not [e for e in found if e.kind == "night base"]


def test_night_energy_sums_whole_local_nights():
    index = pd.date_range("2024-01-01", periods=72, freq="h", tz="UTC", name="start")
    energy = np.arange(72.0)
    energy[25] = np.nan
    an_hour_ahead = epoch_seconds(index) // 3600 + 1
    got = night_energy(energy, an_hour_ahead)
    assert got.index.strftime("%Y-%m-%d").tolist() == ["2024-01-01", "2024-01-03", "2024-01-04"][:2]
    assert got.tolist() == [0 + 1 + 2 + 3, 48 + 49 + 50 + 51]


def test_bills_are_too_few(daily_rows, fit_line):
    bills = daily_rows(5, days=12).assign(days=30.0)
    assert suspected_events(fit_line(bills), bills, bills, level_corrected=True) == []


def event_row(**values):
    return SimpleNamespace(
        **(
            {
                "start": dt.date(2023, 11, 1),
                "end": dt.date(2023, 11, 30),
                "treatment": "adjust",
                "change": 0.01,
                "unit": "MWh",
                "standard_error": 0.002,
                "what": "trade fair",
            }
            | values
        )
    )


def test_declared_events_with_their_effect(years, fit_line):
    base, after = years
    fit = fit_line(base, TERMS)
    events = [
        event_row(),
        event_row(start=dt.date(2023, 7, 11), end=None, standard_error=None, change=0.004),
        event_row(treatment="exclude", change=None),
        event_row(treatment="note", change=None),
    ]
    ledger, error = declared_events(fit, base, after, events, unit="kWh", level_corrected=True)
    assert [e.effect_on_savings for e in ledger] == [300.0, 4.0 * 355, None, None]
    assert [e.effect_error for e in ledger] == [60.0, 2.0 * 355, 0.0, 0.0]
    assert error == pytest.approx(np.hypot(60.0, 710.0), rel=1e-12)
    assert ledger[1].note == "no standard error was given; 50\u202f% of the change is taken"
    assert [e.note for e in ledger[2:]] == ["days left out of fit and sum", "only noted"]


def test_a_declared_baseline_event_lowers_the_saving(years, fit_line):
    base, after = years
    fit = fit_line(base, TERMS)
    event = event_row(start=dt.date(2022, 9, 1), end=dt.date(2022, 9, 30))
    (line,), _ = declared_events(fit, base, after, [event], unit="kWh", level_corrected=False)
    mended, _ = shifted(base, "2022-09-01", "2022-09-30", -10.0)
    by_hand = (
        avoided_energy(fit_line(mended, TERMS), mended, after).avoided
        - avoided_energy(fit, base, after).avoided
    )
    assert line.effect_on_savings == pytest.approx(by_hand, rel=1e-9)
    assert line.effect_on_savings < 0
