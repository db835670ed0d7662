"""What the portfolio's other sites do to one site's figures, in the main job."""

import pickle

import pytest

from mv.run.many import verify_portfolio
from mv.savings.drift import load_prior
from mv.verify.context import Summary, learn
from mv.verify.draft import measure
from mv.verify.site import conclude
from tests.verify.common_years import SAVING, folder


@pytest.fixture(scope="module")
def together(tmp_path_factory):
    """Sites whose years have most of their drift in common."""
    return folder(tmp_path_factory.mktemp("c") / "p", common=1.0, quiet=10, verified=5)


@pytest.fixture(scope="module")
def result(together):
    return verify_portfolio(together)


def verified(result):
    return [s for s in result.sites if s.role == "retrofit"]


def test_a_common_change_is_taken_off_where_the_trials_adopt_it(result):
    sites = verified(result)
    for site in sites:
        told = site.comparison
        assert told["adopted"]
        assert told["words"].startswith("Adopted (comparison group): ")
        assert 1.0 <= told["widening"] < 2.0
        assert told["controls"] == 10
        assert told["coverage"] >= 0.85
        plain, corrected = told["plain"], told["corrected"]
        # the year before was 4 % low and this one 3 % high, at every site: a seeming increase
        assert told["companion"] < -0.03
        assert corrected["value"] == site.avoided_energy.value
        assert corrected["high"] - corrected["low"] < 0.7 * (plain["high"] - plain["low"])
        assert site.avoided_energy.value == pytest.approx(
            site.adjusted_baseline - site.measured + site.non_routine_adjustment
        )
        assert "comparison group" in site.avoided_energy.method
    truths = [SAVING / (1 - SAVING) * s.measured for s in sites]
    inside = [
        s.avoided_energy.low < t < s.avoided_energy.high for s, t in zip(sites, truths, strict=True)
    ]
    assert sum(inside) >= 4
    off = [abs(s.avoided_energy.value - t) for s, t in zip(sites, truths, strict=True)]
    plainly = [abs(s.comparison["plain"]["value"] - t) for s, t in zip(sites, truths, strict=True)]
    assert sum(off) < 0.5 * sum(plainly)


def test_what_was_taken_off_can_be_followed(result):
    site = verified(result)[0]
    told = site.comparison
    plain = told["plain"]["value"]
    days = site.periods.reporting_days_used
    assert site.avoided_energy.value - plain == pytest.approx(told["per_day"] * days)
    base = site.adjusted_baseline - told["per_day"] * days
    assert told["per_day"] * days == pytest.approx(-told["companion"] * base)
    (made,) = [d for d in site.derivations if d.figure == "adjusted_baseline"]
    steps = {s.symbol: s.value for s in made.steps}
    assert steps["group"] == told["per_day"]
    assert steps["level"] + steps["group"] == site.model.level_correction


def test_the_saving_stands_among_false_ones(result):
    site = verified(result)[0]
    ((kind, told),) = site.placebo.items()
    assert kind == "electricity"
    false = [
        f["fraction"]
        for f in result.placebo["electricity"]["false_savings"]
        if f["site"] != site.site
    ]
    assert told["trials"] == len(false)
    assert told["buildings"] == 14
    assert told["as_large"] == sum(f >= told["fraction"] for f in false)
    assert told["fraction"] == pytest.approx(site.comparison["plain"]["fraction"])
    assert told["words"].startswith(f"{told['as_large']} of {len(false)} pretended retrofits at 14")
    assert [f["fraction"] for f in told["false_savings"]] == sorted(false)
    assert result.sites[0].placebo == {}  # a comparison site claims nothing


def test_a_site_alone_keeps_its_plain_figure(together, result):
    got = conclude(measure(together.describe("v0")), learn(load_prior(), {}).site("v0"))
    assert got.comparison == {}
    assert got.placebo == {}
    plain = verified(result)[0].comparison["plain"]
    assert got.avoided_energy.value == plain["value"]


def test_the_order_of_sites_changes_nothing(together):
    keys = list(together.sites)
    summaries = {k: measure(together.describe(k)).summary for k in keys}
    forth = learn(load_prior(), summaries)
    back = learn(load_prior(), {k: summaries[k] for k in reversed(keys)})
    for key in ("v0", "v4"):
        one, other = forth.site(key), back.site(key)
        assert one.applied["led-" + key].contrast == other.applied["led-" + key].contrast
        assert one.applied["led-" + key].companion == other.applied["led-" + key].companion
        assert one.own["electricity"].factor == other.own["electricity"].factor
        assert pickle.loads(pickle.dumps(one)).applied.keys() == one.applied.keys()


def test_sites_that_drift_alone_keep_their_plain_figures(tmp_path):
    apart = folder(tmp_path / "p", common=0.0, quiet=9, verified=2, seed=9)
    for site in verified(verify_portfolio(apart)):
        assert not site.comparison["adopted"]
        assert site.comparison["words"].startswith("Not adopted (comparison group): ")
        assert site.comparison["corrected"] is None
        assert site.comparison["plain"]["value"] == site.avoided_energy.value


def test_too_few_quiet_sites_are_no_group(tmp_path):
    few = folder(tmp_path / "p", common=1.0, quiet=2, verified=1)
    (site,) = verified(verify_portfolio(few))
    assert site.comparison["words"] == (
        "Not adopted (comparison group): 2 sites without a retrofit have readings of "
        "electricity, 5 are needed."
    )


def test_a_site_that_failed_tells_the_others_nothing():
    assert learn(load_prior(), {"a": Summary(), "b": None}).site("a").applied == {}
