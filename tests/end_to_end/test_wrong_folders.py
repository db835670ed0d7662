"""A wrong folder: every problem at once, with file and line, exit code 2, and nothing written."""

from __future__ import annotations

import re
import shutil
from pathlib import Path

import pytest

SAMPLE = Path(__file__).parents[2] / "sample_meter_data"


def spoil(path: Path, old: str, new: str) -> int:
    """Put an error into a table; return the line it stands on."""
    text = path.read_text(encoding="utf-8")
    assert text.count(old) >= 1, f"{path.name} holds no {old!r}"
    path.write_text(text.replace(old, new, 1), encoding="utf-8")
    return text[: text.index(old)].count("\n") + 1


ERRORS = {
    "portfolio.toml": ("confidence = 0.90", "confidence = 90"),
    "sites.csv": (
        "net_loft,Net loft and workshops,Europe/Lisbon",
        "net_loft,Net loft,Europe/Lisboa",
    ),
    "meters.csv": ("QH-0401,ice_store,electricity", "QH-0401,ice_store,electrons"),
    "weather.csv": ("weather/island.csv,degC", "weather/island.csv,degK"),
    "retrofits.csv": ("2024-02-12,2024-03-22", "2024-02-12,2024-03-36"),
    "fixtures.csv": ("60,140,60,45,3100", "60,140,sixty,45,3100"),
    "rates.toml": ("price = 0.205", "prize = 0.205"),
    "operating_days.csv": ("2024-08-05,2024-08-16,non_operating", "2024-08-05,2024-08-16,closed"),
    "events.csv": ("ice_store,QH-0401,2024-10-01", "ice_shop,QH-0401,2024-10-01"),
    "static_factors.csv": ("harbour_office,people", "harbor_office,people"),
}
"""One deliberate error in each table of the sample."""

DRIVERS = "site,start,end,driver,value,unit\nferry_hall,2024-01-01,2024-01-31,passengers,many,\n"


@pytest.fixture(scope="module")
def wrong(program, tmp_path_factory: pytest.TempPathFactory):
    """Run the main job on a folder with one error in each table."""
    place = tmp_path_factory.mktemp("wrong")
    folder = place / "portfolio"
    shutil.copytree(SAMPLE, folder)
    lines = {name: spoil(folder / name, *change) for name, change in ERRORS.items()}
    (folder / "drivers.csv").write_text(DRIVERS, encoding="utf-8")
    lines["drivers.csv"] = 2
    run = program("report", folder, cwd=place)
    return place, run, lines


def test_it_ends_with_two_and_no_traceback(wrong):
    _, run, _ = wrong
    assert run.returncode == 2, run.stderr
    assert "Traceback" not in run.stderr
    assert run.stdout == ""


@pytest.mark.parametrize("table", [*ERRORS, "drivers.csv"])
def test_each_problem_is_named_with_its_line(wrong, table: str):
    _, run, lines = wrong
    said = re.split(r"^(?=\S)", run.stderr, flags=re.MULTILINE)
    own = [part for part in said if part.startswith(table)]
    assert own, f"{table} isn't named in:\n{run.stderr}"
    assert f"line {lines[table]}" in own[0] or f"line {lines[table]}" in "".join(own), own


def test_the_nearest_valid_name_is_offered(wrong):
    _, run, _ = wrong
    for name in ("ice_store", "harbour_office", "Europe/Lisbon", "electricity", "price"):
        assert name in run.stderr


def test_nothing_is_written(wrong):
    place, _, _ = wrong
    assert {p.name for p in place.iterdir()} == {"portfolio"}


@pytest.mark.parametrize(
    ("words", "part"),
    [
        (("report", "no_such_folder"), "no_such_folder"),
        (("report",), "folder"),
        (("check", "no_such_folder"), "no_such_folder"),
        (("render", "no_such_results"), "no_such_results"),
        (("audit", "x"), "audit"),
        (("report", str(SAMPLE), "--site", "ferry_hal"), "ferry_hall"),
    ],
)
def test_wrong_words_end_with_two(program, tmp_path: Path, words, part: str):
    run = program(*words, cwd=tmp_path)
    assert run.returncode == 2, run.stderr
    assert part in run.stderr.lower()
    assert "Traceback" not in run.stderr
    assert list(tmp_path.iterdir()) == []


def test_an_earlier_report_survives_a_wrong_folder(program, tmp_path: Path):
    kept = tmp_path / "reports" / "portfolio"
    kept.mkdir(parents=True)
    (kept / "index.html").write_text("earlier", encoding="utf-8")
    folder = tmp_path / "portfolio"
    shutil.copytree(SAMPLE, folder)
    spoil(folder / "sites.csv", "Europe/Lisbon", "Lisbon")
    assert program("report", folder, cwd=tmp_path).returncode == 2
    assert (kept / "index.html").read_text(encoding="utf-8") == "earlier"
