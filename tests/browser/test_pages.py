"""Pages as a reader meets them: drawn, quiet, reachable, readable, and harmless."""

import json
import time

import pypdf
import pytest

from mv.report.pdf import find_browser, print_pdf
from tests.report.follow import figures_of, resolve

pytestmark = pytest.mark.browser

PAGES = (
    "index.html",
    "sites/ferry-hall.html",
    "sites/ice-store.html",
    "sites/office.html",
    "sites/boat-shed.html",
    "sites/pilot-house.html",
    "check.html",
)
SPILL = "document.documentElement.scrollWidth - document.documentElement.clientWidth"
MAIN = ("index.html", "sites/ferry-hall.html")


@pytest.mark.parametrize("name", PAGES)
def test_page(visit, report, name):
    """Charts drawn, nothing on the console, no request, nothing wider than the window."""
    seen = visit(report / name)
    seen.draw_all()
    page = seen.page
    assert page.locator(".plot .still:visible").count() == 0
    assert page.locator(".plot").count() == page.locator(".plot .main-svg:first-child").count()
    for width in (768, 390):
        page.set_viewport_size({"width": width, "height": 900})
        assert page.evaluate(SPILL) <= 0, width
    assert seen.complaints == []
    assert seen.outside() == []


@pytest.mark.parametrize("name", [*MAIN, "check.html"])
def test_no_barrier(visit, report, name):
    """axe finds nothing to object to, in light and in dark."""
    from axe_playwright_python.sync_playwright import Axe

    seen = visit(report / name)
    seen.draw_all()
    for scheme in ("light", "dark"):
        seen.page.emulate_media(color_scheme=scheme)
        found = Axe().run(seen.page)
        assert found.violations_count == 0, (scheme, found.generate_report())


@pytest.mark.parametrize("name", MAIN)
def test_without_script_charts_and_trails_are_there(visit, report, name):
    seen = visit(report / name, script=False)
    stills = seen.page.locator(".plot .still")
    assert stills.count() >= 3
    for i in range(stills.count()):
        assert stills.nth(i).bounding_box()["height"] > 60
    if "sites/" in name:
        fold = seen.page.locator(".headline details").first
        fold.locator("summary").click()
        assert fold.locator(".formula").is_visible()
        seen.page.locator("a.follow[href='#how-adjusted-baseline']").first.click()
        assert seen.page.locator("#how-adjusted-baseline").is_visible()


def test_figures_in_the_page_equal_the_saved_results(visit, report):
    saved = json.loads((report / "results.json").read_bytes())
    for name in MAIN:
        page = visit(report / name).page
        figures = page.evaluate(
            "Array.from(document.querySelectorAll('[data-figure]')).map(e => ["
            "e.closest('[data-root]').dataset.root, e.dataset.figure, e.dataset.value])"
        )
        assert len(figures) > 60
        for root, path, value in figures:
            assert resolve(saved, root, path) == pytest.approx(float(value), rel=1e-12)


def test_every_control_is_reached_by_keyboard(visit, report):
    page = visit(report / "sites" / "boat-shed.html").page
    wanted = page.evaluate(
        "document.querySelectorAll('a[href], button, input, select, summary').length"
    )
    reached = set()
    for _ in range(wanted + 40):
        page.keyboard.press("Tab")
        mark = page.evaluate(
            "(() => { const e = document.activeElement;"
            " const all = 'a[href], button, input, select, summary';"
            " return e.matches(all) ? Array.from(document.querySelectorAll(all)).indexOf(e) : -1;"
            "})()"
        )
        reached.add(mark)
    assert len(reached - {-1}) == wanted


def test_table_sorts_and_filters_by_keyboard(visit, report):
    page = visit(report / "index.html").page
    body = page.locator("#site-table tbody")
    page.locator("#site-table th button", has_text="avoided energy").focus()
    page.keyboard.press("Enter")
    values = body.locator("tr td:nth-child(4) > [data-value]").evaluate_all(
        "all => all.map(e => Number(e.dataset.value))"
    )
    assert len(values) == 5
    assert values == sorted(values, reverse=True)
    head = page.locator("#site-table th", has_text="avoided energy")
    assert head.get_attribute("aria-sort") == "descending"
    page.keyboard.press("Enter")
    assert head.get_attribute("aria-sort") == "ascending"
    page.locator(".filters select").first.select_option("savings shown")
    assert body.locator("tr:visible").count() == 2
    assert page.locator(".filters output").inner_text() == "2 of 6 sites shown"
    page.locator(".filters input").fill("ferry")
    assert body.locator("tr:visible").count() == 1


def test_two_thousand_rows_sort_at_once(visit, report):
    page = visit(report / "many.html").page
    assert page.locator("#site-table tbody tr").count() == 2000
    for column in (0, 3):  # names, numbers
        spent = page.evaluate(
            f"(() => {{ const b = document.querySelectorAll('#site-table th button')[{column}];"
            " const run = () => { const t = performance.now(); b.click();"
            " return performance.now() - t; };"
            " return Math.min(run(), run(), run(), run()); })()"
        )
        assert spent < 200, column


def test_shorter_spans_can_be_shown(visit, report):
    seen = visit(report / "sites" / "ferry-hall.html")
    seen.page.locator("#chart-daily").scroll_into_view_if_needed()
    button = seen.page.locator(".zoom button", has_text="last 28 days")
    button.click()
    assert button.get_attribute("aria-pressed") == "true"
    first, last = seen.page.evaluate(
        "document.querySelector('#chart-daily .live').layout.xaxis.range.map(Number)"
    )
    assert (last - first) / 86_400_000 == 28


def test_page_opens_quickly(visit, report):
    start = time.perf_counter()
    seen = visit(report / "sites" / "ferry-hall.html")
    assert seen.page.locator(".plot .still").first.bounding_box()["height"] > 60
    assert time.perf_counter() - start < 3  # goal 1.5 s on a machine of its own


def test_hostile_names_do_nothing(visit, report):
    for name in ("index.html", "sites/evil.html"):
        seen = visit(report / "hostile" / name)
        seen.draw_all()
        assert seen.complaints == []
        assert seen.page.locator("img").count() == 0
        assert "<img src=x" in seen.page.locator("h1").inner_text()


def test_single_file_needs_nothing_beside_it(visit, report, tmp_path):
    moved = tmp_path / "alone.html"
    moved.write_bytes((report / "single" / "sites" / "ferry-hall.html").read_bytes())
    seen = visit(moved)
    seen.draw_all()
    assert seen.complaints == []
    assert [u for u in seen.requests if not u.startswith(("data:", "blob:"))] == [moved.as_uri()]


def test_paper_holds_every_chart(report):
    (pdf,) = print_pdf([report / "sites" / "ferry-hall.html"], browser=find_browser())
    document = pypdf.PdfReader(pdf)
    words = " ".join(p.extract_text() for p in document.pages)
    assert 8 < len(document.pages) < 40
    for told in ("Ferry hall", "Use ran below the adjusted baseline", "Glossary", "Prepared"):
        assert told in words
    assert "last 28 days" not in words  # no buttons on paper


def test_sample_portfolio(visit, sample):
    """The main job's own pages: in silence, inside the window, every figure the result's."""
    saved = json.loads((sample / "results.json").read_bytes())
    pages = [sample / "index.html", *sorted((sample / "sites").glob("*.html"))]
    assert len(pages) == 1 + len(saved["sites"])
    seen = 0
    for path in pages:
        for root, figure, value in figures_of(path.read_text(encoding="utf-8")):
            assert resolve(saved, root, figure) == pytest.approx(value, rel=1e-12)
            seen += 1
    assert seen > 1000
    for path in pages[:2]:
        opened = visit(path, width=390)
        opened.draw_all()
        assert opened.page.evaluate(SPILL) <= 0
        assert opened.complaints == []
        assert opened.outside() == []
