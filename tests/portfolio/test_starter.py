"""The starter folder: valid as it stands, explained by itself, never written over anything."""

import datetime as dt
import statistics
import tomllib
from itertools import pairwise

import pytest

from mv.findings import FolderError
from mv.portfolio.cells import date_of, forms
from mv.portfolio.folder import TABLES, open_portfolio
from mv.portfolio.schema import Settings
from mv.portfolio.settings import SECTIONS
from mv.portfolio.starter import starter_files, write_starter
from mv.portfolio.starter.readings import DAYS, FIRST, WORKSHOP_SAVING, operating


def test_it_is_valid_and_nothing_in_it_is_odd(tmp_path):
    written = write_starter(tmp_path / "new")
    assert sorted(written) == sorted(p for p in (tmp_path / "new").rglob("*") if p.is_file())
    portfolio = open_portfolio(tmp_path / "new")
    assert portfolio.findings == ()
    assert list(portfolio.sites) == ["workshop", "library"]
    assert {r.site for r in portfolio.retrofits} == set(portfolio.sites)
    assert portfolio.settings.name == "Example portfolio"
    assert all(m.rate in portfolio.rates for m in portfolio.meters)


def test_every_column_stands_in_its_table_with_what_it_means():
    files = starter_files("new")
    for form in TABLES.values():
        text = files[form.file]
        remarks = " ".join(line[2:] for line in text.split("\n") if line.startswith("# "))
        header = next(line for line in text.split("\n") if not line.startswith("#"))
        fields = forms(form.model)
        assert header == ",".join(fields)
        for field in fields.values():
            assert f"{field.name} (" in remarks
            assert field.description in remarks


def test_every_setting_stands_in_portfolio_toml_and_its_remarks_are_settings():
    text = starter_files("new")["portfolio.toml"]
    for model in (Settings, *SECTIONS.values()):
        for field in forms(model).values():
            if field.kind != "other":
                assert f"{field.name} = " in text
    # With the # taken from every line that sets something, it is a valid file with the defaults.
    plain = "\n".join(
        line.removeprefix("# ") if line.startswith("# ") and (" = " in line or "[[" in line)
        else line
        for line in text.split("\n")
    )  # fmt: skip
    made = Settings.model_validate(tomllib.loads(plain))
    given = {"name": "Example portfolio", "emissions": made.emissions}
    finance = made.finance
    assert made == Settings(**given, finance=finance)
    assert finance.discount_rate == 0.05


def test_files_are_small_and_the_same_every_time():
    files = starter_files("new")
    assert files == starter_files("new")
    assert sum(len(text.encode()) for text in files.values()) < 300_000
    for name, text in files.items():
        assert text.endswith("\n"), name
        if name != "README.md":
            assert text.isascii(), f"{name}: a spreadsheet program may read it as Windows-1252"


def test_the_truth_that_the_readings_hold():
    """Operating days before against after, cool enough for no cooling: the lighting that left."""
    files = starter_files("new")
    warm = dict(line.split(",") for line in files["weather/town.csv"].split("\n")[1:-1])
    use = dict(line.split(",") for line in files["meters/workshop.csv"].split("\n")[1:-1])
    days = [FIRST + dt.timedelta(days=i) for i in range(DAYS)]
    assert list(use) == [d.isoformat() for d in days]
    works = dict(zip(use, operating(days, "workshop", 5), strict=True))
    assert not works["2023-12-25"]
    assert not works["2024-12-24"]

    def cool(first: str, last: str) -> list[float]:
        return [
            float(use[d]) for d in use if first <= d <= last and works[d] and float(warm[d]) < 17
        ]

    before, after = cool("2023-01-01", "2024-01-07"), cool("2024-01-27", "2025-01-31")
    saved = statistics.mean(before) - statistics.mean(after)
    # The wander (0.5 a day) makes a mean's variance three times that of independent days.
    error = (3 * sum(statistics.variance(x) / len(x) for x in (before, after))) ** 0.5
    assert error < 2.5
    assert saved == pytest.approx(WORKSHOP_SAVING, abs=2 * error)


def test_the_event_of_the_example_is_in_its_readings():
    files = starter_files("new")
    warm = dict(line.split(",") for line in files["weather/town.csv"].split("\n")[1:-1])
    use = dict(line.split(",") for line in files["meters/workshop.csv"].split("\n")[1:-1])

    def week(monday: int) -> float:
        days = [f"2024-05-{d:02}" for d in range(monday, monday + 5)]
        return statistics.mean(float(use[d]) - 9 * max(0, float(warm[d]) - 17) for d in days)

    usual = (week(6) + week(20)) / 2
    assert week(13) - usual == pytest.approx(70, abs=15)  # two standard errors of three weeks


def test_bills_follow_each_other_and_begin_with_the_readings():
    lines = starter_files("new")["meters/library_bills.csv"].split("\n")
    assert lines[0] == "start,end,kWh"
    bills = [line.split(",") for line in lines[1:-1]]
    assert len(bills) >= 24
    assert all(a[1] == b[0] for a, b in pairwise(bills))
    assert all(27 <= (date_of(b[1]) - date_of(b[0])).days <= 34 for b in bills)


def test_nothing_is_ever_written_over(tmp_path):
    (tmp_path / "kept.txt").write_text("kept")
    for place in (tmp_path, tmp_path / "kept.txt"):
        with pytest.raises(FolderError) as refusal:
            write_starter(place)
        assert str(refusal.value) == (
            f"{place} holds something already; name a new or an empty folder"
        )
    assert [p.name for p in tmp_path.iterdir()] == ["kept.txt"]
    (tmp_path / "empty").mkdir()
    assert write_starter(tmp_path / "empty")


def test_a_place_that_can_t_be_written_is_said(tmp_path):
    (tmp_path / "file").write_text("")
    with pytest.raises(FolderError) as refusal:
        write_starter(tmp_path / "file" / "below")
    assert refusal.value.findings[0].rule == "folder_unwritable"
    assert str(refusal.value) == f"{tmp_path / 'file' / 'below'} can't be written: Not a directory"
