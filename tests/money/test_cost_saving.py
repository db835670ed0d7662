"""Cost saved: two bills under one rate, the energy interval carried through it."""

from __future__ import annotations

import numpy as np
import pytest

from mv.findings import ModelError
from mv.money.cost_saving import Priced, cost_saving
from mv.money.load import Load, bill_load, daily_load, shaped, together
from mv.quantity import Interval, around

DAYS = np.arange("2024-01-01", "2024-12-31", dtype="datetime64[D]")


def part(rate, saved=20_000.0, half=5_000.0, *, measured=None, adjusted=None, **rest):
    measured = daily_load(DAYS, np.full(len(DAYS), 200.0)) if measured is None else measured
    if adjusted is None:
        adjusted = measured.scaled((measured.total + saved) / measured.total)
    savings = around(saved, half, "kWh", confidence=0.9)
    return Priced(
        carrier="electricity",
        unit="kWh",
        savings=savings,
        rate=rate,
        measured=measured,
        adjusted=adjusted,
        **rest,
    )


def test_one_price(flat_rate):
    found = cost_saving(part(flat_rate(0.20)), "EUR")
    ends = found.savings.low, found.savings.value, found.savings.high
    assert ends == pytest.approx((3_000.0, 4_000.0, 5_000.0), rel=1e-12)
    assert found.price == 0.20
    assert found.price_how == "the rate's one price"
    assert found.findings == ()
    assert found.lines == [
        {
            "name": "energy",
            "component": "energy",
            "baseline_cost": pytest.approx(18_600.0),
            "measured_cost": pytest.approx(14_600.0),
            "saving": pytest.approx(4_000.0),
            "how": "energy × 0.2",
        }
    ]


def test_savings_come_off_the_last_block(rate):
    """500 at 0.11, to 2,000 at 0.14, the rest at 0.19 a month: 2,600 kWh cost 379.00, 1,900 kWh
    251.00; the saving of 700 kWh is worth 128.00, where the average price would say 102.04."""
    r = rate("""
        energy = [{ blocks = [{ up_to = 500, price = 0.11 }, { up_to = 2000, price = 0.14 },
                              { price = 0.19 }] }]
    """)
    start, end = (np.array([d], dtype="datetime64[D]") for d in ("2024-03-01", "2024-04-01"))
    measured = bill_load(start, end, np.array([1900.0]))
    found = cost_saving(part(r, 700.0, 200.0, measured=measured), "EUR")
    assert found.savings.value == pytest.approx(128.00, abs=0.005)
    assert found.price == pytest.approx(128.00 / 700, rel=1e-12)
    # at 500 kWh saved 400 come off at 0.19 and 100 at 0.14: 90.00; at 900 kWh: 166.00
    assert found.savings.low == pytest.approx(90.00, abs=0.005)
    assert found.savings.high == pytest.approx(166.00, abs=0.005)


def test_an_unclear_saving_is_valued_at_the_last_hundredth(rate):
    r = rate("""
        fixed = [{ amount = 100.0 }]
        energy = [{ price = 0.25 }]
    """)
    found = cost_saving(part(r, 500.0, 4_000.0), "EUR")
    assert found.price == pytest.approx(0.25, rel=1e-9)
    assert [(f.rule, f.message) for f in found.findings] == [
        ("price_marginal", "A saved unit is valued at the cost of the last hundredth of the load.")
    ]
    # a clear saving: fixed charges don't count in its value
    assert cost_saving(part(r), "EUR").price == pytest.approx(0.25, rel=1e-9)


def test_saving_of_less_than_nothing_is_a_cost(flat_rate):
    found = cost_saving(part(flat_rate(0.20), -3_000.0, 1_000.0), "EUR")
    ends = found.savings.low, found.savings.value, found.savings.high
    assert ends == pytest.approx((-800.0, -600.0, -400.0), rel=1e-12)


def test_non_routine_adjustment_counts_in_proportion(flat_rate):
    """The saving is 1,000 kWh more than the loads differ: the adjusted baseline is raised by it."""
    measured = daily_load(DAYS, np.full(len(DAYS), 200.0))
    adjusted = measured.scaled((measured.total + 20_000) / measured.total)
    found = cost_saving(
        part(flat_rate(0.20), 21_000.0, 1_000.0, measured=measured, adjusted=adjusted), "EUR"
    )
    assert found.savings.value == pytest.approx(4_200.0, rel=1e-12)


def test_why_there_is_no_figure(rate, flat_rate, intervals):
    def why(p):
        found = cost_saving(p, "EUR")
        assert found.savings is None
        assert found.price is None
        return [(f.rule, f.message) for f in found.findings]

    assert why(part(None, why_no_rate="no rate is named for meter 7")) == [
        ("rate_missing", "No money figure: no rate is named for meter 7.")
    ]
    assert why(part(flat_rate(0.2, unit="m3"))) == [
        ("rate_unit", 'No money figure: "kWh" can\'t be converted into "m3".')
    ]
    hours = rate("""
        holidays = "none"
        periods = { peak = "Mon-Fri 08:00-20:00", night = "rest" }
        energy = [{ period = "peak", price = 0.30 }, { period = "night", price = 0.12 }]
    """)
    assert why(part(hours)) == [
        (
            "rate_needs_intervals",
            "No money figure: the rate has time-of-use periods (peak, night) and the energy to "
            "be priced is known by the day alone, which doesn't say at which hours it was used.",
        )
    ]
    bare = part(flat_rate(0.2))
    assert why(Priced(**{**bare.__dict__, "adjusted": None})) == [
        ("loads_missing", "No money figure: the loads of electricity are not known.")
    ]
    nothing = bare.measured.with_energy(np.full(len(DAYS), np.nan))
    assert why(part(flat_rate(0.2), measured=nothing, adjusted=bare.adjusted)) == [
        (
            "loads_missing",
            "No money figure: no day of the reporting period is known on both sides.",
        )
    ]
    assert why(part(rate("blended = [{ price = 0.2, until = 2024-06-30 }]")))[0][0] == "rate_gap"
    gap = rate("energy = [{ price = 0.2, from = 2024-03-01 }]")
    assert why(part(gap)) == [
        (
            "rate_gap",
            "the rate has no energy price at 2024-01-01T00:00:00 and 60 intervals, days or bills "
            "in all (its prices apply: from 2024-03-01); add the price that was in force.",
        )
    ]
    gap_by_hour = rate("energy = [{ price = 0.2, until = 2024-06-02 }]")
    load = intervals("2024-06-01", 4, 60, 10.0)
    assert why(part(gap_by_hour, 100.0, 50.0, measured=load))[0][1].startswith(
        "the rate has no energy price at 2024-06-03T00:00:00 and 48 intervals"
    )


def test_daily_readings_can_carry_a_weekend_price(rate):
    r = rate("""
        holidays = "Sun"
        periods = { weekend = "Sat,Sun 00:00-24:00", week = "rest" }
        energy = [{ period = "weekend", price = 0.10 }, { period = "week", price = 0.20 }]
    """)
    measured = daily_load(DAYS[:7], np.full(7, 100.0))  # Monday to Sunday, a holiday on Monday
    found = cost_saving(
        part(r, 70.0, 7.0, measured=measured),
        "EUR",
        np.array(["2024-01-01"], dtype="datetime64[D]"),
    )
    assert found.measured.total == pytest.approx(100 * (4 * 0.20 + 3 * 0.10), rel=1e-12)


def test_demand_readings_coarser_than_the_window_and_none_at_all_are_told(rate, intervals):
    r = rate("energy = [{ price = 0.1 }]\ndemand = [{ price = 10.0 }]")
    coarse = cost_saving(
        part(r, 100.0, 50.0, measured=intervals("2024-06-01", 30, 60, 10.0)), "EUR"
    )
    assert [(f.rule, f.message) for f in coarse.findings] == [
        (
            "demand_window_coarse",
            "the demand charge is by 15 minutes and the readings are by 60; peaks are understated "
            "in both loads.",
        )
    ]
    none = cost_saving(part(r), "EUR")
    assert [(f.rule, f.message) for f in none.findings] == [
        (
            "demand_not_priced",
            "12 billing periods have no demand reading; their demand charge is left out of both "
            "loads.",
        )
    ]
    assert none.savings.value == pytest.approx(2_000.0, rel=1e-9)


def test_days_are_spread_over_hours_by_the_given_shape(intervals):
    measured = intervals("2024-06-01", 3, 60, lambda s: np.arange(len(s), dtype=float))
    dates = np.array(["2024-06-01", "2024-06-03"], dtype="datetime64[D]")
    shape = np.tile([0.0] * 12 + [2.0] * 12, 3)
    made = shaped(measured, shape, dates, np.array([240.0, 120.0]))
    by_day = made.energy.reshape(3, 24)
    assert by_day[0].tolist() == [0.0] * 12 + [20.0] * 12
    assert np.isnan(by_day[1]).all()
    assert by_day[2].sum() == pytest.approx(120.0)
    own = shaped(measured, None, dates, np.array([240.0, 120.0]))
    assert own.energy[:24] == pytest.approx(np.arange(24) * 240 / 276)


def test_loads_that_are_compared_leave_out_the_same_pieces():
    one = daily_load(DAYS[:3], np.array([1.0, np.nan, 3.0]))
    other = daily_load(DAYS[:3], np.array([5.0, 5.0, np.nan]))
    both = together(one, other)
    assert [np.isfinite(x.energy).tolist() for x in both] == [[True, False, False]] * 2
    assert together(one, one)[0].total == 4.0
    with pytest.raises(ModelError, match="the same pieces"):
        together(one, daily_load(DAYS[1:4], np.ones(3)))
    with pytest.raises(ModelError, match="3 starts and 2 values of energy"):
        Load(one.start, one.hours, np.ones(2), "day")


def test_clocks_go_back_and_forth_with_the_local_day(rate):
    """A day of 25 hours is priced for 25 hours, its repeated hour in the same period twice."""
    import pandas as pd

    from mv.money.load import interval_load
    from mv.money.rates import price_load
    from mv.readings.clock import epoch_seconds

    r = rate("""
        holidays = "none"
        periods = { night = "daily 00:00-06:00", day = "rest" }
        energy = [{ period = "night", price = 0.10 }, { period = "day", price = 0.30 }]
    """)
    first, last = (pd.Timestamp(d, tz="Europe/Berlin") for d in ("2024-10-27", "2024-10-28"))
    index = pd.date_range(first, last, freq="h", inclusive="left").tz_convert("UTC")
    assert len(index) == 25
    bill = price_load(r, interval_load(epoch_seconds(index), np.ones(25), 3600, "Europe/Berlin"))
    assert bill.total == pytest.approx(7 * 0.10 + 18 * 0.30, rel=1e-12)


def test_interval_savings_without_an_end(flat_rate):
    base = part(flat_rate(0.2))
    bare = Interval(20_000.0, None, None, "kWh")
    found = cost_saving(
        Priced(
            carrier="electricity",
            unit="kWh",
            savings=bare,
            rate=base.rate,
            measured=base.measured,
            adjusted=base.adjusted,
        ),
        "EUR",
    )
    assert (found.savings.low, found.savings.high) == (None, None)
    assert found.savings.value == pytest.approx(4_000.0)
