"""Bills under rates of the usual public kinds, worked by hand in the remark beside each."""

from __future__ import annotations

import numpy as np
import pytest

from mv.money.load import Load, bill_load
from mv.money.rates import price_load

CENT = 0.005


def day(text: str) -> np.datetime64:
    return np.datetime64(text, "D")


def one_bill(start: str, end: str, energy: float, peak: float | None = None) -> Load:
    peaks = None if peak is None else np.array([peak])
    return bill_load(np.array([day(start)]), np.array([day(end)]), np.array([energy]), peaks)


def test_rising_blocks_a_month(rate):
    r = rate("""
        fixed = [{ amount = 12.50 }]
        energy = [{ blocks = [{ up_to = 500, price = 0.11 }, { up_to = 2000, price = 0.14 },
                              { price = 0.19 }] }]
    """)
    # 500 × 0.11 + 1500 × 0.14 + 600 × 0.19 = 55 + 210 + 114 = 379.00, and 12.50
    assert price_load(r, one_bill("2024-03-01", "2024-04-01", 2600)).total == pytest.approx(
        391.50, abs=CENT
    )
    # 500 × 0.11 + 1400 × 0.14 = 55 + 196 = 251.00, and 12.50
    assert price_load(r, one_bill("2024-03-01", "2024-04-01", 1900)).total == pytest.approx(
        263.50, abs=CENT
    )
    # two months on one bill: blocks and fixed charge twice
    # 1000 × 0.11 + 1600 × 0.14 = 110 + 224 = 334.00, and 25.00
    assert price_load(r, one_bill("2024-03-01", "2024-05-01", 2600)).total == pytest.approx(
        359.00, abs=CENT
    )


def test_seasonal_time_of_use_with_a_holiday(rate, intervals):
    r = rate("""
        holidays = "Sun"
        seasons = { summer = "06-01..09-30", winter = "rest" }
        periods = { peak = "Mon-Fri 12:00-18:00", off_peak = "rest" }
        fixed = [{ amount = 45.00 }]
        energy = [
          { season = "summer", period = "peak", price = 0.285 },
          { season = "summer", period = "off_peak", price = 0.098 },
          { season = "winter", price = 0.110 },
        ]
    """)
    load = intervals("2024-05-01", 61, 15, 4.0)
    holidays = np.array(["2024-06-19"], dtype="datetime64[D]")
    bill = price_load(r, load, holidays=holidays)
    # May: 744 h × 4 kW = 2976 kWh × 0.110 = 327.36, and 45.00
    # June: 20 weekdays less the holiday on a Wednesday = 19 × 6 h × 4 kW = 456 kWh × 0.285
    #       = 129.96; 720 h × 4 kW − 456 = 2424 kWh × 0.098 = 237.552; and 45.00
    assert bill.by_period == pytest.approx([372.36, 412.512], abs=CENT)
    # without the holiday 24 kWh move from 0.098 to 0.285
    assert price_load(r, load).by_period[1] == pytest.approx(412.512 + 24 * 0.187, abs=CENT)


def test_demand_with_a_ratchet(rate):
    r = rate("""
        energy = [{ price = 0.10 }]
        demand = [{ price = 14.50, ratchet = { share = 0.8, months = 11 } }]
    """)
    peaks = np.array([60, 62, 65, 70, 88, 95, 100, 98, 85, 70, 64, 61.0])

    def year(first: str) -> Load:
        months = np.arange(np.datetime64(f"{first}-01", "M"), np.datetime64(f"{first}-12", "M") + 1)
        start, end = (m.astype("datetime64[D]") for m in (months, months + 1))
        return bill_load(start, end, np.full(12, 10_000.0), peaks)

    # the year before was the same: no month is billed for less than 80 kW
    # 80 × 4 + 88 + 95 + 100 + 98 + 85 + 80 × 3 = 1026 kW × 14.50 = 14,877.00
    with_history = price_load(r, year("2024"), history=year("2023"))
    assert with_history.lines[1].amount.sum() == pytest.approx(14_877.00, abs=CENT)
    assert not with_history.use.notes
    # nothing known of the year before: January to April stand as metered
    # 60 + 62 + 65 + 70 + 466 + 240 = 963 kW × 14.50 = 13,963.50
    alone = price_load(r, year("2024"))
    assert alone.lines[1].amount.sum() == pytest.approx(13_963.50, abs=CENT)
    assert [rule for rule, _ in alone.use.notes] == ["ratchet_history_short"]
    assert alone.lines[0].amount.sum() == pytest.approx(12_000.00, abs=CENT)


def test_daily_blocks_with_rider_and_tax(rate):
    r = rate("""
        fixed = [{ amount = 0.31, per = "day" }]
        energy = [{ per = "day", blocks = [{ up_to = 10, price = 0.12 }, { price = 0.30 }] }]
        rider = [{ name = "franchise", percent = 3.5, of = ["energy"] }]
        tax = [{ name = "sales tax", percent = 5 }]
    """)
    # 31 days: 310 × 0.12 + 140 × 0.30 = 37.20 + 42.00 = 79.20; fixed 31 × 0.31 = 9.61;
    # rider 3.5 % of 79.20 = 2.772; tax 5 % of 91.582 = 4.5791; in all 96.1611
    bill = price_load(r, one_bill("2024-01-10", "2024-02-10", 450))
    assert bill.total == pytest.approx(96.1611, abs=CENT)


def test_minimum_bill_and_tax(rate):
    r = rate("""
        fixed = [{ amount = 8.00 }]
        energy = [{ price = 0.12 }]
        minimum = [{ amount = 30.00 }]
        tax = [{ name = "value added tax", percent = 21 },
               { name = "reclaimed", percent = 10, reclaimable = true }]
    """)
    # 8 + 100 × 0.12 = 20, raised to 30; × 1.21 = 36.30
    assert price_load(r, one_bill("2024-03-01", "2024-04-01", 100)).total == pytest.approx(
        36.30, abs=CENT
    )
    # 8 + 300 × 0.12 = 44; × 1.21 = 53.24
    assert price_load(r, one_bill("2024-03-01", "2024-04-01", 300)).total == pytest.approx(
        53.24, abs=CENT
    )


def test_gas_by_the_therm_with_a_change_of_price_within_a_bill(rate):
    r = rate("""
        unit = "therm"
        energy = [{ price = 0.95, until = 2024-03-31 }, { price = 1.10, from = 2024-04-01 }]
    """)
    # 100 therm of International Table Btu over 15 days of March and 15 of April:
    # 50 × 0.95 + 50 × 1.10 = 102.50
    bill = price_load(r, one_bill("2024-03-17", "2024-04-16", 100 * 29.3071070172))
    assert bill.total == pytest.approx(102.50, abs=CENT)


def test_blocks_by_hours_of_use_of_the_demand(rate):
    r = rate("""
        energy = [{ per = "kW", blocks = [{ up_to = 200, price = 0.12 },
                                          { up_to = 400, price = 0.09 },
                                          { price = 0.06 }] }]
    """)
    # 50 kW: 10,000 × 0.12 + 10,000 × 0.09 + 2,000 × 0.06 = 1200 + 900 + 120 = 2220.00
    bill = price_load(r, one_bill("2024-03-01", "2024-04-01", 22_000, peak=50.0))
    assert bill.total == pytest.approx(2220.00, abs=CENT)


def test_seasonal_demand_by_half_hours_in_peak_hours_with_a_least_demand(rate, intervals):
    r = rate("""
        holidays = "none"
        seasons = { summer = "06-01..08-31", winter = "rest" }
        periods = { peak = "Mon-Fri 08:00-20:00", night = "rest" }
        energy = [{ price = 0.0 }]
        demand = [
          { name = "network", season = "summer", period = "peak", price = 9.00, window = 30 },
          { name = "network", season = "winter", price = 5.00, window = 30, least = 45 },
        ]
    """)

    def power(start):
        kw = np.full(len(start), 20.0)
        quarter = start.astype("datetime64[m]")
        kw[quarter == np.datetime64("2024-05-15T10:00")] = 30.0
        kw[quarter == np.datetime64("2024-05-15T10:15")] = 50.0  # half-hour of 40 kW
        kw[quarter == np.datetime64("2024-06-11T10:15")] = 90.0  # half-hour of 55 kW
        kw[quarter == np.datetime64("2024-06-11T10:30")] = 20.0
        kw[quarter == np.datetime64("2024-06-12T03:00")] = 99.0  # at night
        kw[quarter == np.datetime64("2024-06-15T12:00")] = 99.0  # on a Saturday
        return kw

    bill = price_load(r, intervals("2024-05-01", 61, 15, power))
    # May: 40 kW, billed for 45 × 5.00 = 225.00; June: 55 × 9.00 = 495.00
    assert bill.by_period == pytest.approx([225.00, 495.00], abs=CENT)


def test_a_year_s_charge_and_a_part_of_a_month(rate, intervals):
    r = rate("""
        fixed = [{ amount = 365.00, per = "year" }]
        energy = [{ per = "month", blocks = [{ up_to = 300, price = 0.10 }, { price = 0.20 }] }]
        rider = [{ name = "fuel", per_unit = 0.01, from = 2024-06-16 }]
    """)
    # 16 to 30 June, half of the month: blocks of 150; 15 × 24 h × 1 kW = 360 kWh:
    # 150 × 0.10 + 210 × 0.20 = 57.00; 365 / 12 / 2 = 15.2083; rider 3.60
    bill = price_load(r, intervals("2024-06-16", 15, 60, 1.0))
    assert bill.total == pytest.approx(57.00 + 365 / 24 + 3.60, abs=CENT)


def test_export_is_not_priced(rate, intervals):
    r = rate("energy = [{ price = 0.20 }]")
    bill = price_load(
        r, intervals("2024-06-01", 2, 60, lambda s: np.where(np.arange(len(s)) < 24, 5.0, -3.0))
    )
    assert bill.total == pytest.approx(24 * 5 * 0.20, abs=CENT)
    assert bill.use.notes == [
        (
            "export_not_priced",
            "24 intervals, days or bills with energy below zero count as zero; what is fed back is "
            "not priced",
        )
    ]


def test_bills_under_time_of_use_take_the_declared_average_price(rate):
    text = """
        holidays = "none"
        periods = { peak = "Mon-Fri 08:00-20:00", night = "rest" }
        energy = [{ period = "peak", price = 0.30 }, { period = "night", price = 0.12 }]
    """
    load = one_bill("2024-03-01", "2024-04-01", 1000)
    bill = price_load(rate(text + "blended = [{ price = 0.209 }]"), load)
    assert bill.total == pytest.approx(209.00, abs=CENT)
    assert [rule for rule, _ in bill.use.notes] == ["price_blended"]
    with pytest.raises(Exception, match="known by the bill alone, which doesn't say at which"):
        price_load(rate(text), load)
