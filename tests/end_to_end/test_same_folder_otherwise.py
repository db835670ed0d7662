"""The same portfolio written otherwise gives the same figures.

No outside reference is needed: two ways of writing one thing are each other's check.
"""

from __future__ import annotations

import csv
import random
import shutil
from pathlib import Path

import openpyxl
import orjson
import pytest

SAMPLE = Path(__file__).parents[2] / "sample_meter_data"
SITE = "harbour_office"
TABLES = sorted(p.stem for p in SAMPLE.glob("*.csv"))


def rows_of(table: str) -> list[list[str]]:
    with (SAMPLE / f"{table}.csv").open(encoding="utf-8", newline="") as handle:
        return list(csv.reader(handle))


def as_workbook(folder: Path) -> None:
    """All tables as sheets of one workbook."""
    book = openpyxl.Workbook()
    book.remove(book.active)
    for table in TABLES:
        sheet = book.create_sheet(table)
        for row in rows_of(table):
            sheet.append(row)
        (folder / f"{table}.csv").unlink()
    book.save(folder / "portfolio.xlsx")


def shuffled(folder: Path) -> None:
    """Columns and rows in another order, semicolons between the cells, a byte-order mark."""
    chance = random.Random(3)
    for table in TABLES:
        header, *rows = rows_of(table)
        order = chance.sample(range(len(header)), len(header))
        chance.shuffle(rows)
        lines = [[row[i] for i in order] for row in (header, *rows)]
        with (folder / f"{table}.csv").open("w", encoding="utf-8-sig", newline="") as handle:
            csv.writer(handle, delimiter=";").writerows(lines)


def other_units(folder: Path) -> None:
    """The bills in MWh, the temperatures in degrees Fahrenheit."""
    bills = folder / "meters" / f"{SITE}.csv"
    header, *lines = bills.read_text(encoding="utf-8").splitlines()
    column = header.split(",").index("kWh")
    out = [header]
    for line in lines:
        cells = line.split(",")
        cells[column] = f"{float(cells[column]) / 1000:.6f}"
        out.append(",".join(cells))
    bills.write_text("\n".join([*out, ""]), encoding="utf-8")
    weather = folder / "weather" / "quay.csv"
    header, *lines = weather.read_text(encoding="utf-8").splitlines()
    pairs = [line.split(",") for line in lines]
    out = [header, *(f"{t},{float(v) * 1.8 + 32:.4f}" for t, v in pairs)]
    weather.write_text("\n".join([*out, ""]), encoding="utf-8")
    for name, old, new in (
        ("meters.csv", f"meters/{SITE}.csv,kWh", f"meters/{SITE}.csv,MWh"),
        ("weather.csv", "weather/quay.csv,degC", "weather/quay.csv,degF"),
    ):
        path = folder / name
        text = path.read_text(encoding="utf-8")
        assert old in text
        path.write_text(text.replace(old, new), encoding="utf-8")


def figures(site: dict) -> dict[str, float]:
    """The figures that must not depend on how the folder is written."""
    money = site["money"]
    return {
        "avoided": site["avoided_energy"]["value"],
        "low": site["avoided_energy"]["low"],
        "adjusted": site["adjusted_baseline"],
        "cv_rmse": site["model"]["cv_rmse"],
        "annual": site["annual"]["verified_savings"]["value"],
        "payback": money["simple_payback_realised"]["months"],
        "cost": money["cost_savings"]["value"],
        **site["model"]["coefficients"],
    }


@pytest.mark.parametrize("rewrite", [as_workbook, shuffled, other_units])
def test_figures_stay(sample, program, tmp_path: Path, rewrite):
    folder = tmp_path / "portfolio"
    shutil.copytree(SAMPLE, folder)
    rewrite(folder)
    out = tmp_path / "report"
    run = program("report", folder, "--out", out, "--site", SITE, "--no-cache", cwd=tmp_path)
    assert run.returncode == 0, run.stderr
    (site,) = orjson.loads((out / "results.json").read_bytes())["sites"]
    assert figures(site) == pytest.approx(figures(sample.sites[SITE]), rel=1e-6)
