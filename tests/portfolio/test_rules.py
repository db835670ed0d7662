"""Each rule of the folder, triggered by one small change, with its action and its sentence."""

from pathlib import Path

import pytest

from mv.findings import RULES, FolderError
from mv.portfolio.folder import open_portfolio
from mv.portfolio.starter import write_starter

from .conftest import FILES

SITES, METERS = FILES["sites.csv"], FILES["meters.csv"]
RETROFITS = "retrofit,site,installation_start,installation_end\n"


def csv_and_sheet() -> bytes:
    import io

    import openpyxl

    book = openpyxl.Workbook()
    book.active.title = "sites"
    book.active.append(["site", "time_zone", "weather"])
    stream = io.BytesIO()
    book.save(stream)
    return stream.getvalue()


REFUSED = {
    "folder_missing": {"weather.csv": None},
    "table_unreadable": {"sites.csv": b"\x00\x01\x02\x03\xff"},
    "table_twice": {"portfolio.xlsx": csv_and_sheet()},
    "column_missing": {"weather.csv": "station,file\nquay,weather/quay.csv\n"},
    "column_duplicate": {"sites.csv": SITES.replace("name", "site", 1)},
    "row_ragged": {"sites.csv": SITES.replace("Ferry hall", "Ferry, hall")},
    "value_missing": {"sites.csv": SITES.replace("Europe/Lisbon", "", 1)},
    "value_invalid": {"sites.csv": SITES.replace("Europe/Lisbon", "Mars", 1)},
    "text_unsafe": {"sites.csv": SITES.replace("Ferry", "Fer\x07ry")},
    "number_invalid": {"meters.csv": METERS.replace("rate", "multiplier").replace("main", "x")},
    "date_invalid": {"retrofits.csv": RETROFITS + "r,hall,2024-13-01,2024-01-26\n"},
    "key_unknown": {"meters.csv": METERS.replace("00418,shed", "00418,shop")},
    "key_duplicate": {"meters.csv": METERS.replace("00418", "00417")},
    "setting_unknown": {"portfolio.toml": 'name = "x"\nnaem = "y"\n'},
    "settings_unreadable": {"portfolio.toml": "name = \n"},
    "path_outside": {"meters.csv": METERS.replace("meters/hall.csv", "../hall.csv")},
    "file_missing": {"meters.csv": METERS.replace("meters/hall.csv", "meters/hill.csv")},
    "periods_overlap": {"retrofits.csv": RETROFITS + "r,hall,2024-01-08,2024-01-01\n"},
    "problems_more": {"retrofits.csv": RETROFITS + "r,hall,,\n" * 30},
}

NOTED = {
    "column_unknown": {"sites.csv": SITES.replace("region", "colour")},
    "table_empty": {"retrofits.csv": RETROFITS},
    "table_encoding": {"sites.csv": SITES.replace("Ferry", "Fährhaus").encode("cp1252")},
    "table_unknown": {"driver.csv": "site\n"},
    "decimal_comma": {
        "sites.csv": SITES.replace("region", "floor_area").replace("PT,", 'PT,"9,5"')
    },
    "retrofits_overlap": {
        "retrofits.csv": RETROFITS + "a,hall,2024-01-08,2024-02-01\nb,hall,2024-01-20,2024-03-01\n"
    },
    "clock_fixed": {"sites.csv": SITES.replace("Europe/Lisbon", "EST", 1)},
    "currency_assumed": {"portfolio.toml": 'name = "x"\n'},
    "value_unused": {
        "events.csv": "site,start,what,treatment,change\nhall,2024-03-01,fair,exclude,12\n",
        "meters.csv": METERS.replace("rate", "heat_content")
        .replace("main", "38 MJ/m3", 1)
        .replace("main", ""),
    },
    "notes_more": {"sites.csv": SITES + "".join(f"s{i},,EST,,,quay\n" for i in range(30))},
}


@pytest.mark.parametrize("rule", REFUSED)
def test_a_wrong_folder_is_refused_under_its_rule(write, rule):
    assert RULES[rule].action == "refuse"
    with pytest.raises(FolderError) as refusal:
        open_portfolio(write(REFUSED[rule]))
    assert rule in {f.rule for f in refusal.value.findings}


@pytest.mark.parametrize("rule", NOTED)
def test_an_odd_folder_is_accepted_with_a_note(write, rule):
    assert RULES[rule].action == "note"
    portfolio = open_portfolio(write(NOTED[rule]))
    assert rule in {f.rule for f in portfolio.findings}


def test_the_starter_s_own_rules(tmp_path):
    (tmp_path / "file").write_text("")
    for place, rule in (("", "folder_not_empty"), ("file/below", "folder_unwritable")):
        with pytest.raises(FolderError) as refusal:
            write_starter(tmp_path / place)
        assert [f.rule for f in refusal.value.findings] == [rule]


def test_no_rule_of_the_folder_is_left_out():
    """Every rule that the room's code names is in one of the lists above."""
    code = "".join(
        path.read_text(encoding="utf-8")
        for path in (Path(__file__).parents[2] / "mv" / "portfolio").rglob("*.py")
    )
    named = {rule for rule in RULES if f'"{rule}"' in code}
    assert named - REFUSED.keys() - NOTED.keys() == {"folder_not_empty", "folder_unwritable"}
