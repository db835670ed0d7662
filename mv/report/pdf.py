"""Pages on paper: prints a page into PDF through a Chromium that is already installed."""

from __future__ import annotations

import os
import shutil
import subprocess
import tempfile
from collections.abc import Iterable
from pathlib import Path

from mv.findings import RenderError

PROGRAMS = (
    "chromium",
    "chromium-browser",
    "google-chrome",
    "google-chrome-stable",
    "chrome",
    "microsoft-edge",
    "msedge",
)
PLACES = (
    "/Applications/Google Chrome.app/Contents/MacOS/Google Chrome",
    "/Applications/Chromium.app/Contents/MacOS/Chromium",
    r"C:\Program Files\Google\Chrome\Application\chrome.exe",
    r"C:\Program Files (x86)\Microsoft\Edge\Application\msedge.exe",
)
VARIABLE = "MVREPORT_BROWSER"
"""Environment variable that names the browser to print with."""
LONGEST_WAIT = 120
"""Seconds one page may take."""


def find_browser() -> str | None:
    """Path of an installed Chromium, None where there is none."""
    named = os.environ.get(VARIABLE)
    if named:
        return shutil.which(named)
    for name in PROGRAMS:
        found = shutil.which(name)
        if found:
            return found
    return next((place for place in PLACES if Path(place).is_file()), None)


def print_pdf(pages: Iterable[Path], *, browser: str | None = None) -> list[Path]:
    """Print each page beside itself: `index.html` → `index.pdf`.  Returns the files written.

    Raises RenderError, in words for people, when no browser is installed or printing fails.
    """
    program = browser or find_browser()
    if program is None:
        raise RenderError(
            "PDF needs an installed Chromium, Chrome or Edge, and none was found. Install one, or "
            f"name it in the environment variable {VARIABLE}, or print the pages from any browser: "
            "they carry a layout for paper."
        )
    written = []
    with tempfile.TemporaryDirectory() as profile:
        for page in pages:
            target = page.with_suffix(".pdf")
            command = [
                program,
                "--headless",
                "--disable-gpu",
                "--no-first-run",
                "--disable-background-networking",
                "--disable-component-update",
                "--disable-sync",
                "--no-pdf-header-footer",
                f"--user-data-dir={profile}",
                f"--print-to-pdf={target.resolve()}",
                page.resolve().as_uri(),
            ]
            if hasattr(os, "geteuid") and os.geteuid() == 0:
                command.insert(1, "--no-sandbox")  # Chromium's sandbox refuses to run as root
            try:
                done = subprocess.run(
                    command, capture_output=True, text=True, timeout=LONGEST_WAIT, check=False
                )
            except (OSError, subprocess.TimeoutExpired) as error:
                raise RenderError(f"{program} could not print {page.name}: {error}") from error
            if done.returncode != 0 or not target.is_file():
                last = done.stderr.strip().splitlines()[-1:] or ["no message"]
                raise RenderError(f"{program} could not print {page.name}: {last[0]}")
            written.append(target)
    return written
