"""Demand savings: peaks by hand, claimed where shown, not claimed in words otherwise."""

from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest

from mv.readings.clock import epoch_seconds, local_hours
from mv.readings.series import Intervals
from mv.savings.demand import demand_savings

ZONE = "Europe/Lisbon"


def load_of(index):
    """What the site uses, and what a model that knows its profile exactly says."""
    local = index.tz_convert(ZONE)
    day = np.where(local.day_of_week < 5, 1.0, 0.4)
    return 50 + 50 * day * np.exp(-(((local.hour.to_numpy() - 14.5) / 4) ** 2))


def hours_and_quarters(start, end, factor, seed, spike=0.05):
    rng = np.random.default_rng(seed)
    index = pd.date_range(start, end, freq="15min", tz=ZONE, inclusive="left").tz_convert("UTC")
    power = load_of(index.floor("h")) * factor * (1 + spike * rng.standard_normal(len(index)))
    quarters = pd.DataFrame({"energy": power / 4, "flag": "measured"}, index=index.rename("start"))
    hourly = quarters["energy"].to_numpy().reshape(-1, 4).sum(axis=1)
    hour_index = index[::4].rename("start")
    local = hour_index.tz_convert(ZONE)
    hours = pd.DataFrame(
        {
            "energy": hourly,
            "modelled": load_of(hour_index),
            "local_hour": local_hours(epoch_seconds(hour_index), ZONE),
            "operating": (local.day_of_week < 5).astype(float),
            "status": "used",
        },
        index=hour_index,
    )
    return hours, quarters


UNCERTAINTY = SimpleNamespace(confidence=0.9, quantile=2.6, drift_tau=0.037)


def verified(factor, months_after=6, **changes):
    base, quarters = hours_and_quarters("2023-01-01", "2024-01-01", 1.0, 1)
    end = pd.Timestamp("2024-02-01") + pd.DateOffset(months=months_after)
    after, more = hours_and_quarters("2024-02-01", str(end.date()), factor, 2)
    arguments = {
        "step_seconds": 900,
        "time_zone": ZONE,
        "uncertainty": UNCERTAINTY,
    } | changes
    return demand_savings(base, after, Intervals.of(pd.concat([quarters, more])), **arguments)


def test_a_quarter_off_the_peak_is_claimed():
    got = verified(0.75)
    assert got.claimed
    truth = 0.25 * np.mean([m["adjusted_peak"] for m in got.months])
    assert got.peak.value == pytest.approx(truth, rel=0.1)
    assert got.peak.low < truth < got.peak.high
    assert got.peak.unit == "kW"
    assert got.words.startswith("The monthly billing peak fell by")
    assert len(got.months) == 6


def test_peaks_are_those_of_the_quarter_hours():
    """Highest quarter of a month by a plain loop over local months."""
    _, quarters = hours_and_quarters("2024-02-01", "2024-08-01", 0.75, 2)
    local = quarters.index.tz_convert(ZONE)
    by_hand = {}
    for month in range(2, 8):
        by_hand[f"2024-{month:02d}"] = quarters["energy"][local.month == month].max() * 4
    got = {m["month"]: m["measured_peak"] for m in verified(0.75).months}
    assert got == pytest.approx(by_hand, rel=1e-12)


def test_half_hour_billing_averages_two_quarters():
    _, quarters = hours_and_quarters("2024-02-01", "2024-08-01", 0.75, 2)
    halves = quarters["energy"].to_numpy().reshape(-1, 2).sum(axis=1) * 2
    local = quarters.index[::2].tz_convert(ZONE)
    got = verified(0.75, billing_seconds=1800)
    assert got.months[0]["measured_peak"] == pytest.approx(
        halves[local.month == 2].max(), rel=1e-12
    )


def test_no_change_is_not_claimed():
    got = verified(1.0)
    assert not got.claimed
    assert got.peak.low < 0 < got.peak.high
    assert got.words.startswith("Not claimed: the change of the monthly billing peak")


def test_the_model_part_is_the_scatter_of_the_ratios():
    got = verified(0.75, uncertainty=SimpleNamespace(confidence=0.9, quantile=1.0, drift_tau=0.0))
    base, quarters = hours_and_quarters("2023-01-01", "2024-01-01", 1.0, 1)
    local = quarters.index.tz_convert(ZONE)
    hour_local = base.index.tz_convert(ZONE)
    ratios = []
    for month in range(1, 13):
        measured = quarters["energy"][local.month == month].max() * 4
        ratios.append(measured / load_of(base.index)[hour_local.month == month].max())
    modelled = np.mean([m["adjusted_peak"] for m in got.months]) / np.mean(ratios)
    from scipy import stats

    widen = stats.t.ppf(0.95, 11) / stats.norm.ppf(0.95)
    s = modelled * np.std(ratios, ddof=1) * np.sqrt(1 / 12 + 1 / 6) * widen
    assert got.peak.half_width == pytest.approx(s, rel=1e-9)


def test_window_saving():
    got = verified(0.8, window_hours=(13, 14, 15), window_months=(6, 7))
    assert (
        got.window_words == "operating days, 13:00 to 16:00, months 6, 7: not claimed, 43 and "
        "43 days are too few"
    )
    assert got.window is None
    got = verified(0.8, window_hours=(13, 14, 15))
    truth = 0.2 * np.mean(50 + 50 * np.exp(-(((np.array([13, 14, 15]) - 14.5) / 4) ** 2)))
    assert got.window.low < truth < got.window.high
    assert got.window.value == pytest.approx(truth, rel=0.03)


def test_missing_hours_lose_the_month():
    base, quarters = hours_and_quarters("2023-01-01", "2024-01-01", 1.0, 1)
    after, more = hours_and_quarters("2024-02-01", "2024-08-01", 0.75, 2)
    march = after.index.tz_convert(ZONE).month == 3
    status = np.where(march & (np.arange(len(after)) % 10 == 0), "coverage_low", "used")
    got = demand_savings(
        base,
        after.assign(status=status),
        Intervals.of(pd.concat([quarters, more])),
        step_seconds=900,
        time_zone=ZONE,
        uncertainty=UNCERTAINTY,
    )
    assert [m["month"] for m in got.months] == [f"2024-{m:02d}" for m in (2, 4, 5, 6, 7)]


def test_reasons_not_to_claim():
    assert verified(0.75, step_seconds=7200).words == (
        "Not claimed: readings are coarser than an hour, so no peak is known."
    )
    assert verified(0.75, months_after=2).words == (
        "Not claimed: 12 whole months of baseline and 2 of reporting have a peak that was "
        "measured; 9 and 3 are needed."
    )
