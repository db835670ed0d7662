"""The manual of the folder names every table, column and setting, with what it means."""

import re
from pathlib import Path

from mv.portfolio.cells import forms
from mv.portfolio.folder import TABLES
from mv.portfolio.reference import reference
from mv.portfolio.schema import Emissions, Meter, Retrofit, Settings
from mv.portfolio.settings import SECTIONS

ROOT = Path(__file__).parents[2]


def test_the_manual_that_is_kept_is_that_of_now():
    kept = (ROOT / "sample_meter_data" / "PORTFOLIO_FOLDER.md").read_text(encoding="utf-8")
    assert kept == reference(), (
        "run python -m mv.portfolio.reference > sample_meter_data/PORTFOLIO_FOLDER.md"
    )
    assert "PORTFOLIO_FOLDER.md)" in (ROOT / "README.md").read_text(encoding="utf-8")


def test_every_name_stands_in_it_under_its_heading():
    parts = re.split(r"^##+ ", reference(), flags=re.MULTILINE)
    sections = {part.split("\n", 1)[0]: part for part in parts[1:]}
    expected = {form.file: form.model for form in TABLES.values()}
    expected |= {f"[{name}]": model for name, model in SECTIONS.items()}
    expected |= {"portfolio.toml": Settings, "[[emissions]]": Emissions}
    assert set(sections) == {*expected, "rates.toml"}
    for heading, model in expected.items():
        names = re.findall(r"^\| `(\w+)` \|", sections[heading], flags=re.MULTILINE)
        assert names == list(forms(model))


def test_every_name_has_a_meaning_that_is_a_sentence():
    for model in (*(form.model for form in TABLES.values()), Settings, *SECTIONS.values()):
        for field in forms(model).values():
            assert field.description.endswith((".", "...")), (model, field.name)


def test_rows_say_what_is_allowed_and_what_is_the_default():
    text = reference()
    assert (
        "| `measure_life` | a number above 0 to 60 |  | Years over which the measure is expected "
        "to last. |"
    ) in text
    assert (
        "| `multiplier` | a number above 0 | 1 | Factor between the file's values and use. |"
        in text
    )
    assert "| `installation_start` | a date | required | First day of the works. |" in text
    assert "| `confidence` | a number from 0.5 to 0.999 | 0.9 |" in text
    assert forms(Meter)["data"].required
    assert not forms(Retrofit)["meters"].required
