"""One file of many meters gives what a file a meter gives, and is split once for all workers."""

import orjson
import pytest

from mv.readings import many as split
from mv.readings import read
from mv.run.checking import check_portfolio
from mv.run.many import RunOptions, report_portfolio

KEYS = ("a", "b", "c")


def write(tools, place, *, shared: bool):
    folder = tools.write_folder(place)
    sites = ["site,name,time_zone,weather,operating_week"]
    meters = ["meter,site,carrier,data,file,unit,stamp,rate"]
    retrofits = ["retrofit,site,installation_start,installation_end,estimated_savings,actual_cost"]
    long = ["meter,date,kWh"]
    for i, key in enumerate(KEYS):
        rows = [f"{d:%Y-%m-%d},{v:.3f}" for d, v in tools.daily_use(saving=0.1 * i, seed=i).items()]
        long += [f"{key},{row}" for row in rows]
        (folder / "meters" / f"{key}.csv").write_text("\n".join(["date,kWh", *rows]) + "\n")
        file = "meters/all.csv" if shared else f"meters/{key}.csv"
        sites.append(f"s{key},Site {key},UTC,hill,Mon-Fri")
        meters.append(f"{key},s{key},electricity,interval,{file},kWh,start,flat")
        retrofits.append(f"r{key},s{key},2023-07-01,2023-07-31,20000,9000")
    (folder / "meters" / "all.csv").write_text("\n".join(long) + "\n")
    for name, lines in (("sites", sites), ("meters", meters), ("retrofits", retrofits)):
        (folder / f"{name}.csv").write_text("\n".join(lines) + "\n")
    return folder


def savings(out):
    sites = orjson.loads((out / "results.json").read_bytes())["sites"]
    return [(s["site"], s["avoided_energy"], s["adjusted_baseline"]) for s in sites]


@pytest.fixture
def opened(monkeypatch):
    """File, meter and whether its rows came from the store, of every meter that was read."""
    monkeypatch.setattr(split, "SPLIT_FROM", 0)
    opened = []
    real = read.from_store

    def noted(folder, name, meter):
        found = real(folder, name, meter)
        opened.append((name, meter, found is not None))
        return found

    monkeypatch.setattr(read, "from_store", noted)
    yield opened
    split.use_store(None)


def test_one_long_file_is_split_once_and_gives_the_same_savings(tools, tmp_path, opened):
    got = []
    for shared in (False, True):
        folder = write(tools, tmp_path / f"folder-{shared}", shared=shared)
        out = tmp_path / f"out-{shared}"
        report_portfolio(str(folder), out, RunOptions(jobs=1, cache=False))
        got.append(savings(out))
    assert got[0] == got[1]
    assert got[0][1][1]["value"] != got[0][2][1]["value"]
    assert [found for name, _, found in opened if name == "meters/all.csv"] == [True] * len(KEYS)


def test_the_check_splits_it_as_well_and_says_the_same(tools, tmp_path, opened, capsys):
    told = []
    for shared in (False, True):
        folder = write(tools, tmp_path / f"folder-{shared}", shared=shared)
        check_portfolio(str(folder), tmp_path / "out", jobs=1)
        told.append(capsys.readouterr().out)
    assert told[0] == told[1]
    assert [found for name, _, found in opened if name == "meters/all.csv"] == [True] * len(KEYS)
