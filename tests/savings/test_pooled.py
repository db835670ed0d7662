"""Sums over sites and what chance alone would say among many."""

import numpy as np
import pytest
from scipy import stats

from mv.findings import ModelError
from mv.savings.pooled import false_verdicts, portfolio_half_width


def test_totals_lie_between_independence_and_plain_addition():
    rng = np.random.default_rng(1)
    widths, bases = rng.uniform(1, 9, 20), rng.uniform(50, 90, 20)
    got = portfolio_half_width(widths, bases, 0.01, 1.645)
    assert np.sqrt(np.sum(widths**2)) < got < widths.sum() + 1.645 * 0.01 * bases.sum()
    assert portfolio_half_width([4.0], [100.0], 0.0, 1.645) == 4.0


def test_false_verdicts_are_binomial():
    """Against scipy's binomial distribution."""
    got = false_verdicts(40, 10, 0.90)
    chance = stats.binom(40, 0.05)
    assert got.expected == pytest.approx(chance.mean(), rel=1e-12)
    assert got.at_least_one == pytest.approx(chance.sf(0), rel=1e-12)
    assert got.share_of_shown == pytest.approx(0.2, rel=1e-12)
    assert got.words == (
        "If none of the 40 sites saved anything, 2.0 would still be expected to show savings at "
        "90\u202f% confidence, and one or more with a chance of 87\u202f%. 10 did."
    )


def test_false_verdicts_at_the_edges():
    assert false_verdicts(0, 0, 0.9).at_least_one == 0.0
    assert false_verdicts(100, 0, 0.9).share_of_shown is None
    assert false_verdicts(100, 2, 0.9).share_of_shown == 1.0
    with pytest.raises(ModelError, match="3 of 2 sites"):
        false_verdicts(2, 3, 0.9)
