"""Plan pages: made from the frozen plan alone, readable, and safe against what names may hold."""

import html.parser
import shutil

import orjson
import pytest

from mv.findings import FolderError
from mv.plan.portfolio import plan_portfolio, sample
from mv.plan.write import checklist_csv, is_filled_in, write_plan
from mv.portfolio.folder import open_portfolio
from mv.report.plan_pages import render_plan
from mv.report.render import RenderOptions
from mv.run.publish import Occupied, staged


@pytest.fixture(scope="module")
def written(baseline_folder, tmp_path_factory):
    out = tmp_path_factory.mktemp("plan")
    plan = plan_portfolio(open_portfolio(baseline_folder))
    return out, write_plan(plan, out)


def frozen(written):
    return orjson.loads((written[0] / "plan.json").read_bytes())


def test_what_is_written(written):
    out, files = written
    names = {f.relative_to(out).as_posix() for f in files}
    assert {"plan.json", "static_factors.csv", "index.html", "sites/mill.html",
            "sites/shed.html", "assets/style.css"} <= names  # fmt: skip
    assert all(f.is_file() for f in files)


def test_pages_are_a_pure_function_of_the_frozen_plan(written, tmp_path):
    render_plan(frozen(written), tmp_path)
    for name in ("index.html", "sites/mill.html", "sites/shed.html"):
        assert (tmp_path / name).read_bytes() == (written[0] / name).read_bytes()


class Figures(html.parser.HTMLParser):
    """Every printed figure that names its place in the plan."""

    def __init__(self):
        super().__init__()
        self.found = []

    def handle_starttag(self, _tag, attrs):
        attrs = dict(attrs)
        if "data-figure" in attrs:
            self.found.append((attrs["data-figure"], float(attrs["data-value"])))


def at(plan, path):
    for part in path.split("."):
        plan = plan[int(part)] if isinstance(plan, list) else plan[part]
    return plan


@pytest.mark.parametrize("number", [0, 1])
def test_every_figure_of_a_site_page_stands_in_the_plan(written, number):
    site = frozen(written)["sites"][number]
    reader = Figures()
    reader.feed((written[0] / "sites" / f"{site['site']}.html").read_text())
    assert len(reader.found) > 20
    for path, value in reader.found:
        if path.startswith("acceptance") and value == 0.0:
            assert abs(at(site, path)) < 1e-9  # rounding noise, printed as zero
        else:
            assert at(site, path) == pytest.approx(value, rel=1e-12), path


def test_every_figure_of_the_portfolio_page_stands_in_the_plan(written):
    reader = Figures()
    reader.feed((written[0] / "index.html").read_text())
    plan = frozen(written)
    assert len(reader.found) > 10
    for path, value in reader.found:
        assert at(plan, path) == pytest.approx(value, rel=1e-12), path


def test_what_the_pages_say(written):
    mill = (written[0] / "sites" / "mill.html").read_text()
    shed = (written[0] / "sites" / "shed.html").read_text()
    assert "Plan, made from baseline data before the works." in mill
    assert "The estimate can be seen from" in mill
    assert "The estimate can never be seen with this meter alone" in shed
    assert "licensed persons" in mill
    for heading in ("Boundary, option and meters", "Placebo trial", "Risk and responsibility",
                    "Treatment of lost data", "Energy prices", "Days of operation"):  # fmt: skip
        assert heading in mill


def test_a_site_that_can_not_be_planned_has_its_page(written, tmp_path):
    plan = frozen(written)
    site = plan["sites"][0]
    plan["sites"] = [
        site
        | {"status": "not plannable", "reason": "no readings", "remedy": "Give readings.",
           "model": {}, "detection": {}, "baseline": {}, "periods": {}, "meters": [],
           "placebo": {}, "acceptance": [], "alternatives": [], "weather": {}, "prices": {},
           "excluded": {}, "option": ""}
    ]  # fmt: skip
    render_plan(plan, tmp_path)
    page = (tmp_path / "sites" / "mill.html").read_text()
    assert "No plan can be made: <bdi>no readings</bdi>." in page
    assert "no readings" in (tmp_path / "index.html").read_text()


def test_names_are_never_markup(written, tmp_path):
    plan = frozen(written)
    evil = '<script>alert("x")</script><marquee>'
    site = plan["sites"][0]
    site["name"] = site["retrofits"][0]["title"] = site["questions"][0] = evil
    site["static_factors"][0]["note"] = site["reason"] = evil
    plan["name"] = evil
    render_plan(plan, tmp_path, options=RenderOptions(single_file=True))
    for name in ("index.html", "sites/mill.html"):
        text = (tmp_path / name).read_text()
        assert "alert(" in text
        assert "<script>alert" not in text
        assert "<marquee>" not in text
    assert not (tmp_path / "assets").exists()


def test_the_checklist_asks_for_what_is_missing_and_opens_no_formula(written):
    plan = frozen(written)
    plan["sites"][0]["static_factors"][0]["note"] = "=1+1"
    lines = checklist_csv(plan).splitlines()
    assert lines[0] == "site,factor,baseline_value,reporting_value,unit,changed_on,note"
    assert lines[1] == "mill,floor area in use,5200,,m2,,'=1+1"
    assert "shed,floor area in use,,,m2,," in lines
    assert sum(line.startswith("mill,") for line in lines) == 7  # each factor once


def test_a_sample_is_drawn_and_shown(baseline_folder, tmp_path):
    portfolio = open_portfolio(baseline_folder)
    asked = portfolio.settings.model_copy(update={"sampling": {"seed": 7, "precision": 0.5}})
    plan = plan_portfolio(portfolio.model_copy(update={"settings": asked}))
    assert plan.sample["frame"] == 2
    assert plan.sample["frame_estimates"] == {"mill": 42000.0, "shed": 3000.0}
    write_plan(plan, tmp_path)
    assert "Strata by estimated saving" in (tmp_path / "index.html").read_text()


@pytest.mark.parametrize(
    ("asked", "message"),
    [
        ({"strata": 3}, "sampling.seed: a sample needs a seed, so that anyone can draw it again."),
        ({"seed": 1, "sead": 2}, "sampling.sead: means nothing here; allowed: seed, strata,"),
        ({"seed": "x"}, "sampling.seed: 'x' is not a int."),
        ({"seed": 1, "allocation": "equal"}, "must be neyman or proportional"),
    ],
)
def test_wrong_sampling_settings(baseline_folder, asked, message):
    portfolio = open_portfolio(baseline_folder)
    settings = portfolio.settings.model_copy(update={"sampling": asked})
    plans = plan_portfolio(portfolio).sites
    with pytest.raises(FolderError) as refused:
        sample(portfolio.model_copy(update={"settings": settings}), plans)
    assert message in str(refused.value)


def test_a_checklist_that_was_filled_in_is_not_replaced(written, tmp_path):
    """By a second plan or by a report; saved by a spreadsheet without a change, it may be."""
    out = tmp_path / "plan"
    shutil.copytree(written[0], out)
    checklist = out / "static_factors.csv"
    text = checklist.read_text(encoding="utf-8")
    saved = "\r\n".join(text.splitlines()) + "\r\n\r\n"
    checklist.write_bytes(b"\xef\xbb\xbf" + saved.encode())
    assert not is_filled_in(out)
    filled = text.replace("occupancy,,", "occupancy,40,", 1)
    assert filled != text
    checklist.write_text(filled, encoding="utf-8")
    assert is_filled_in(out)
    with pytest.raises(Occupied, match=r"static_factors\.csv has been worked on"), staged(out):
        pass
    assert checklist.read_text(encoding="utf-8") == filled
    (out / "plan.json").write_text("{")
    assert is_filled_in(out)
    checklist.unlink()
    assert not is_filled_in(out)
