"""The savings studies run and say what they should, at a size that takes seconds."""

import importlib.util
import sys
from pathlib import Path

import pytest


def load(name):
    path = Path(__file__).parent / f"{name}.py"
    spec = importlib.util.spec_from_file_location(f"savings_study_{name}", path)
    module = importlib.util.module_from_spec(spec)
    sys.modules[spec.name] = module
    spec.loader.exec_module(module)
    return module


def test_coverage_study():
    """20 sites: a 90 % interval holds at least 14 of 20 (99.8 % of binomial draws)."""
    study = load("coverage")
    for table in study.study(20, kinds=("bills", "daily"), settings=study.SETTINGS[:1]):
        assert set(table["data"]) == {"bills", "daily"}
        assert set(table["saving"]) == {"none", "10%"}
        assert (table["sites"] >= 0.7).all(), table
        assert (table["half-width"] < 0.2).all(), table
        shown = table.set_index(["data", "saving"])["shown"]
        assert (shown.xs("10%", level=1) > shown.xs("none", level=1)).all()


def test_hours_of_the_coverage_study_are_those_of_its_days():
    study = load("coverage")
    setting = study.SETTINGS[0]
    days, hours, _ = study.simulated_site(setting, 5, study.np.zeros(2), hours=True)
    total = hours["energy"].to_numpy().reshape(-1, 24).sum(axis=1)
    assert total == pytest.approx(days["energy"].to_numpy(), rel=1e-9)
    bills = study.as_bills(days)
    assert bills["total"].sum() == pytest.approx(days["energy"].sum(), rel=1e-9)
    both = study.verified(setting, hours, "hourly", (0.0, 0.1), None)
    assert both[0].saving == 0.0
    assert both[1].saving == pytest.approx(0.1 * total[365:].sum(), rel=0.15)


def test_event_study():
    study = load("event_finder")
    found, truth, periods = study.one_site(3, 0.05, 0.3, 0.20, 60)
    assert any(study.is_hit(e, truth, periods) for e in found)
    period, first, last, size = truth
    flipped = (period, first, last, -size)
    assert not any(study.is_hit(e, flipped, periods) for e in found)
    clean = sum(len(study.one_site(i, 0.05, 0.3, 0.0, None)[0]) for i in range(20))
    assert clean <= 0.3 * 40
    best = study.oracle(25, 0.05, 0.3)
    assert min(best.values()) >= 0.8
    assert max(study.oracle(25, 0.10, 0.6).values()) < 1.0


def test_comparison_group_study():
    """A jump on a calendar day, works at dates of their own: the group narrows and covers."""
    study = load("narrower")
    jump = study.Setting("walk", "jump", 0.12, apart=True)
    told = study.study(jump, 2)
    assert told["used"] == 1.0
    assert told["half"] < 0.7 * told["half plain"]
    assert told["covered"] >= 0.75
    found = study.older_years(study.Setting("walk", "none", 0, apart=False), 1)
    assert set(found) == {
        "1 years fitted",
        "2 years fitted",
        "3 years fitted",
        "scaled by own trials",
    }
