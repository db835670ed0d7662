"""Writes what stands in this folder anew: figures of the sample portfolio, pictures of its pages.

    python reports/expected/refresh.py [--pictures]

`figures.json` is what a test holds every run to; look at its difference before committing it.
Pictures need playwright and a Chromium or Chrome.
"""

from __future__ import annotations

import json
import shutil
import subprocess
import sys
import tempfile
from pathlib import Path
from typing import Any

HERE = Path(__file__).parent
ROOT = HERE.parents[1]
BROWSERS = ("chromium", "chromium-browser", "google-chrome")
WIDTH, HEIGHT, SHOWN = 1280, 1600, 0.5
"""Size of the window in CSS pixels, and the scale at which a picture is kept."""

PICTURES = {
    "portfolio": "index.html",
    "portfolio_sites": "index.html#sites",
    "site": "sites/ferry_hall.html",
    "site_savings": "sites/ferry_hall.html#savings",
}
"""Name of a picture, and the page and section it shows."""

KEPT = {
    "verdict": None,
    "unit": None,
    "adjusted_baseline": None,
    "measured": None,
    "avoided_energy": ("value", "low", "high", "fraction"),
    "model": ("form", "n", "parameters", "r2", "cv_rmse", "autocorrelation", "coefficients"),
    "uncertainty": ("half_width", "model_part", "drift_part", "guideline_14", "least_squares"),
    "annual": ("estimated_savings", "verified_savings", "realisation_rate"),
    "money": ("cost_savings", "net_cost", "simple_payback_estimated", "simple_payback_realised"),
}
"""What is kept of a site; None for the whole field."""


def figures(results: dict[str, Any]) -> dict[str, Any]:
    """The figures of a results.json that are held: per site, and the totals."""
    sites = {}
    for site in results["sites"]:
        kept: dict[str, Any] = {}
        for field, parts in KEPT.items():
            value = site[field]
            kept[field] = value if parts is None or value is None else {p: value[p] for p in parts}
        sites[site["site"]] = kept
    return {"counts": results["counts"], "totals": results["totals"], "sites": sites}


def rounded(value: Any) -> Any:
    """Nine significant digits: more than is held, and no noise in a difference."""
    if isinstance(value, dict):
        return {k: rounded(v) for k, v in value.items()}
    if isinstance(value, list):
        return [rounded(v) for v in value]
    return float(f"{value:.9g}") if isinstance(value, float) else value


def report(out: Path) -> dict[str, Any]:
    """Run the main job on the sample and read its results."""
    words = ["report", str(ROOT / "sample_meter_data"), "--out", str(out), "--no-cache"]
    subprocess.run([sys.executable, "-m", "mv", *words], cwd=ROOT, check=True)
    return json.loads((out / "results.json").read_text(encoding="utf-8"))


def pictures(out: Path) -> None:
    """The head of each page, as a small picture."""
    from playwright.sync_api import sync_playwright

    browser_path = next(p for p in map(shutil.which, BROWSERS) if p)
    with sync_playwright() as play:
        browser = play.chromium.launch(executable_path=browser_path, args=["--no-sandbox"])
        page = browser.new_page(
            viewport={"width": WIDTH, "height": HEIGHT}, device_scale_factor=SHOWN
        )
        for name, address in PICTURES.items():
            path, _, section = address.partition("#")
            page.goto((out / path).absolute().as_uri())
            page.wait_for_load_state("networkidle")
            if section:
                page.locator(f"#{section}").evaluate("part => part.scrollIntoView()")
                page.wait_for_timeout(500)
            page.screenshot(path=str(HERE / f"{name}.png"))
        browser.close()


if __name__ == "__main__":
    with tempfile.TemporaryDirectory() as place:
        out = Path(place) / "report"
        text = json.dumps(rounded(figures(report(out))), indent=1, ensure_ascii=False)
        (HERE / "figures.json").write_text(text + "\n", encoding="utf-8")
        if "--pictures" in sys.argv:
            pictures(out)
