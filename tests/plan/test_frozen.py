"""The frozen plan: there and back, and every way in which it can be wrong."""

import orjson
import pytest

from mv.plan.frozen import digest_of, freeze, of_folder, site_of, thaw
from mv.portfolio.folder import open_portfolio

PLAN = {"name": "Weir", "sites": [{"site": "mill", "x": 0.1}], "created": "2023-01-01T00:00:00Z"}


def test_there_and_back():
    plan, findings = thaw(freeze(PLAN))
    assert findings == ()
    assert plan["sites"] == PLAN["sites"]
    assert plan["digest"] == digest_of(plan)
    assert site_of(plan, "mill")["x"] == 0.1
    assert site_of(plan, "barn") is None


def test_the_digest_is_of_the_content_and_not_of_the_day():
    later = PLAN | {"created": "2024-01-01T00:00:00Z"}
    assert thaw(freeze(PLAN))[0]["digest"] == thaw(freeze(later))[0]["digest"]
    other = PLAN | {"name": "Lock"}
    assert thaw(freeze(PLAN))[0]["digest"] != thaw(freeze(other))[0]["digest"]


def test_an_edited_plan_is_told_and_used():
    plan = orjson.loads(freeze(PLAN))
    plan["sites"][0]["x"] = 0.2
    read, findings = thaw(orjson.dumps(plan))
    assert read["sites"][0]["x"] == 0.2
    assert [f.rule for f in findings] == ["plan_altered"]
    assert findings[0].message == (
        "the plan's content does not match its digest: it was edited after it was frozen. The "
        "comparison uses it as it is; put the agreed file back."
    )


@pytest.mark.parametrize(
    ("data", "why"),
    [
        (b"{", "it is not whole JSON"),
        (b"[1]", "it is not what `mvreport plan` writes"),
        (b'{"kind": "recipe"}', "it is not what `mvreport plan` writes"),
        (
            b'{"kind": "mvreport plan", "schema_version": 99}',
            "it has schema version 99, and this version reads 1",
        ),
    ],
)
def test_what_is_no_plan(data, why):
    plan, findings = thaw(data)
    assert plan is None
    assert [f.rule for f in findings] == ["plan_unreadable"]
    assert why in findings[0].message
    assert findings[0].message.endswith("Nothing was compared with it.")


def test_a_plan_in_the_folder_is_found_and_digested(baseline_folder, tmp_path):
    import shutil

    folder = shutil.copytree(baseline_folder, tmp_path / "weir")
    assert of_folder(open_portfolio(folder)) == (None, ())
    (folder / "plan.json").write_bytes(freeze(PLAN))
    portfolio = open_portfolio(folder)
    plan, findings = of_folder(portfolio)
    assert findings == ()
    assert plan["sites"] == PLAN["sites"]
    assert "plan.json" in portfolio.digests
    (folder / "plan.json").write_text("not json")
    assert [f.rule for f in of_folder(open_portfolio(folder))[1]] == ["plan_unreadable"]
