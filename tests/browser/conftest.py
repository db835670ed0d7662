"""One Chromium and two rendered portfolios for all tests of this folder."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest

from mv.report.check_page import CheckMeter, CheckResult, render_check
from mv.report.render import RenderOptions, render, render_portfolio
from mv.results import to_json
from tests.report.fabricated import make_portfolio, make_site, make_unverifiable, many

ARGUMENTS = [
    "--no-sandbox",
    "--disable-gpu",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
    "--no-first-run",
]
HOSTILE = "<img src=x onerror=alert(1)></script><script>alert(2)</script> =cmd() ../../x"


@pytest.fixture(scope="session")
def browser():
    from playwright.sync_api import sync_playwright

    program = shutil.which("chromium") or shutil.which("google-chrome")
    with sync_playwright() as playwright:
        chromium = playwright.chromium.launch(executable_path=program, args=ARGUMENTS)
        yield chromium
        chromium.close()


@pytest.fixture(scope="session")
def report(tmp_path_factory):
    """Folder of the invented portfolio's report, with its results beside it."""
    folder = tmp_path_factory.mktemp("report")
    result = make_portfolio()
    render(result, folder)
    (folder / "results.json").write_bytes(to_json(result))
    site = result.sites[0]
    meter = CheckMeter(
        site=site.site,
        site_name=site.name,
        meter=site.meters[0],
        carrier=site.carrier,
        input=site.inputs[0],
        date=site.series.daily["date"],
        value=site.series.daily["measured"],
        status=site.series.daily["status"],
    )
    check = CheckResult(
        name="Harbour", created="", method_version="0", meters=[meter], findings=site.findings
    )
    (folder / "check.html").write_bytes(render_check(check))
    (folder / "many.html").write_bytes(render_portfolio(many(2000), RenderOptions()))
    hostile = make_portfolio([make_site("evil", HOSTILE), make_unverifiable()], name=HOSTILE)
    render(hostile, folder / "hostile")
    single = make_portfolio([make_site()])
    render(single, folder / "single", options=RenderOptions(single_file=True))
    return folder


class Visit:
    """An open page, with everything it complained of or asked for."""

    def __init__(self, context, path) -> None:
        self.page = context.new_page()
        self.complaints: list[str] = []
        self.requests: list[str] = []
        self.page.on("console", self._heard)
        self.page.on("pageerror", lambda error: self.complaints.append(str(error)))
        self.page.on("dialog", lambda dialog: self.complaints.append(f"dialog {dialog.message}"))
        self.page.on("request", lambda request: self.requests.append(request.url))
        self.page.goto(path.as_uri())

    def _heard(self, message) -> None:
        if message.type in ("error", "warning"):
            self.complaints.append(message.text)

    def outside(self) -> list[str]:
        """Requests that left the folder."""
        return [u for u in self.requests if not u.startswith(("file:", "data:", "blob:"))]

    def draw_all(self) -> None:
        """Bring every chart near and wait until all are drawn."""
        plots = self.page.locator(".plot")
        for i in range(plots.count()):
            plots.nth(i).scroll_into_view_if_needed()
            self.page.locator(f"#{plots.nth(i).get_attribute('id')}[data-drawn]").wait_for()


@pytest.fixture
def visit(browser):
    """Opens pages in contexts of their own."""
    contexts = []

    def go(path, *, width=1280, scheme="light", script=True) -> Visit:
        context = browser.new_context(
            viewport={"width": width, "height": 900},
            color_scheme=scheme,
            java_script_enabled=script,
        )
        context.set_default_timeout(15_000)
        contexts.append(context)
        return Visit(context, path)

    yield go
    for context in contexts:
        context.close()


@pytest.fixture(scope="session")
def sample(tmp_path_factory):
    """The sample portfolio's report, made by the main job."""
    from mv.run.many import RunOptions, report_portfolio

    out = tmp_path_factory.mktemp("sample") / "report"
    folder = Path(__file__).parents[2] / "sample_meter_data"
    report_portfolio(str(folder), out, RunOptions(jobs=1, cache=False))
    return out
