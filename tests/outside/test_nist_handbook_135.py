"""Life-cycle figures of NIST Handbook 135 and of the FEMP practice that follows it.

The worked example compares a conventional with an efficient air-conditioning plant over 20 years
at 3 % real (also in a whole-building design guide's article on life-cycle cost analysis).  Inputs
and printed results are from memory of those texts; the arithmetic was done twice by hand with the
handbook's rounded factors 15.13 (electricity), 14.88 (annual), 0.701 and 0.554 (single amounts).
"""

from __future__ import annotations

import numpy as np
import pytest
from scipy.optimize import brentq

from mv.money.payback import simple_payback
from mv.money.worth import savings_by_year, worth

YEARS, RATE = 20, 0.03
UPV_ELECTRICITY, UPV_ANNUAL, SPV_12, SPV_20 = 15.13, 14.88, 0.701, 0.554

EXTRA_INVESTMENT = (110_000 - 103_000) + (12_500 - 12_000) * SPV_12 - (3_700 - 3_500) * SPV_20
OPERATING_SAVINGS = (20_000 - 13_000) * UPV_ELECTRICITY - (8_000 - 7_000) * UPV_ANNUAL


def test_net_savings_and_ratios_of_the_worked_example():
    # a uniform saving with the present value that the handbook's factors give
    annual = OPERATING_SAVINGS / worth(1.0, np.ones(YEARS), RATE).present_value
    made = worth(EXTRA_INVESTMENT, np.full(YEARS, annual), RATE)
    assert made.npv == pytest.approx(83_790, abs=0.5)
    assert made.savings_to_investment == pytest.approx(12.57, abs=0.005)
    assert made.adjusted_irr == pytest.approx(0.1690, abs=0.00005)


def test_the_worked_example_flow_by_flow():
    """The same from yearly flows, with the escalation that makes the electricity factor 15.13."""

    def factor(escalation):
        savings = savings_by_year(1.0, YEARS, escalation=escalation, from_base_date=True)
        return worth(1.0, savings, RATE).present_value

    escalation = brentq(lambda e: factor(e) - UPV_ELECTRICITY, -0.05, 0.05)
    flows = 7_000 * savings_by_year(1.0, YEARS, escalation=escalation, from_base_date=True) - 1_000
    flows[12 - 1] -= 500
    flows[20 - 1] += 200
    made = worth(7_000, flows, RATE)
    # the handbook's annual and single factors are rounded to 4 and 3 digits
    rounding = 1_000 * 0.005 + 500 * 0.0005 + 200 * 0.0005
    assert made.npv == pytest.approx(83_790.3, abs=rounding)


@pytest.mark.parametrize(
    ("rate", "years", "printed"),
    [
        (0.03, 10, 8.53),
        (0.03, 15, 11.94),
        (0.03, 20, 14.88),
        (0.05, 10, 7.72),
        (0.05, 15, 10.38),
        (0.05, 20, 12.46),
        (0.07, 10, 7.02),
        (0.07, 15, 9.11),
        (0.07, 20, 10.59),
    ],
)
def test_uniform_present_value_factors_as_printed(rate, years, printed):
    assert worth(1.0, np.ones(years), rate).present_value == pytest.approx(printed, abs=0.005)


@pytest.mark.parametrize(("rate", "printed"), [(0.03, 0.744), (0.05, 0.614), (0.07, 0.508)])
def test_single_present_value_factors_as_printed(rate, printed):
    amount = np.zeros(10)
    amount[-1] = 1.0
    assert worth(1.0, amount, rate).present_value == pytest.approx(printed, abs=0.0005)


class TestALightingInvestment:
    """48,600 less an incentive of 7,290, 9,800 a year, 15 years, 5 %: closed forms by hand."""

    NET, ANNUAL, YEARS, RATE = 48_600 - 7_290, 9_800.0, 15, 0.05

    def test_simple_payback(self):
        assert simple_payback(self.NET, self.ANNUAL).months / 12 == pytest.approx(4.21531, abs=5e-6)
        assert simple_payback(48_600, self.ANNUAL).months / 12 == pytest.approx(4.95918, abs=5e-6)

    def test_worth(self):
        made = worth(self.NET, savings_by_year(self.ANNUAL, self.YEARS), self.RATE)
        upv = (1 - 1.05**-15) / 0.05
        assert made.npv == pytest.approx(self.ANNUAL * upv - self.NET, rel=1e-12)
        assert made.npv == pytest.approx(60_410.6, abs=0.05)
        assert made.irr == pytest.approx(0.226077, abs=5e-7)
        assert made.savings_to_investment == pytest.approx(2.46237, abs=5e-6)
        assert made.discounted_payback == pytest.approx(4.85429, abs=5e-6)

    def test_irr_is_where_the_closed_form_is_zero(self):
        made = worth(self.NET, savings_by_year(self.ANNUAL, self.YEARS), None)
        root = brentq(lambda r: self.ANNUAL * (1 - (1 + r) ** -15) / r - self.NET, 0.01, 0.9)
        assert made.irr == pytest.approx(root, rel=1e-9)
        assert made.npv is None

    def test_escalation_from_the_second_year(self):
        made = worth(self.NET, savings_by_year(self.ANNUAL, self.YEARS, escalation=0.02), self.RATE)
        assert made.npv == pytest.approx(73_877.3, abs=0.05)
        assert made.irr == pytest.approx(0.245351, abs=5e-7)

    def test_escalation_from_the_base_date(self):
        """UPV* = q (1 − q^N) / (1 − q), q = (1 + e) / (1 + r)."""
        savings = savings_by_year(self.ANNUAL, self.YEARS, escalation=0.02, from_base_date=True)
        made = worth(self.NET, savings, self.RATE)
        q = 1.02 / 1.05
        assert made.present_value == pytest.approx(
            self.ANNUAL * q * (1 - q**15) / (1 - q), rel=1e-12
        )
        assert made.npv == pytest.approx(76_181.1, abs=0.05)
        assert made.savings_to_investment == pytest.approx(2.84413, abs=5e-6)
        assert made.adjusted_irr == pytest.approx(0.125778, abs=5e-7)
