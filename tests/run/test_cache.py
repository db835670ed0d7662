"""The cache meets only what the same content made, and survives whatever is in it."""

import hashlib
import os
import pickle
import time
from pathlib import Path

import pytest

from mv.portfolio.schema import Meter, Settings, Site, SiteDescription, WeatherStation
from mv.run.cache import Cache, EarlierRun, cache_folder
from mv.run.digests import own_files
from mv.run.entries import manifest, write_parts, write_whole


@pytest.fixture
def description(tmp_path):
    folder = tmp_path / "folder"
    folder.mkdir()
    (folder / "m.csv").write_text("time,kWh\n")
    (folder / "w.csv").write_text("time,t\n")
    for path in folder.iterdir():
        os.utime(path, (1_600_000_000, 1_600_000_000))
    row = {"file": "x.csv", "line": 2}
    return SiteDescription(
        folder=str(folder),
        settings=Settings(name="p"),
        site=Site(source=row, site="s", time_zone="UTC", weather="w"),
        meters=(
            Meter(
                source=row,
                meter="m",
                site="s",
                carrier="electricity",
                data="interval",
                file="m.csv",
                unit="kWh",
            ),
        ),
        weather=WeatherStation(source=row, station="w", file="w.csv", temperature_unit="degC"),
    )


@pytest.fixture
def cache(tmp_path):
    return Cache(tmp_path / "cache")


def test_same_content_same_key(cache, description, tmp_path):
    key = cache.key(description)
    assert key == cache.key(description.model_copy())
    assert key == Cache(tmp_path / "other").key(description)


def test_changed_readings_or_settings_change_the_key(cache, description):
    key = cache.key(description)
    changed = description.model_copy(update={"settings": Settings(name="p", confidence=0.8)})
    assert cache.key(changed) != key
    with open(f"{description.folder}/m.csv", "a") as file:
        file.write("2024-01-01 00:00,1\n")
    assert cache.key(description) != key


def test_a_missing_file_has_a_key_of_its_own(cache, description):
    key = cache.key(description)
    os.unlink(f"{description.folder}/m.csv")
    assert cache.key(description) not in (None, key)


def test_digests_are_kept_for_files_that_have_settled(cache, description):
    cache.key(description)
    cache.save_digests()
    again = Cache(cache.folder)
    path = f"{description.folder}/m.csv"
    again.digests.kept[path][3] = "from memory"
    assert again.digests.of(path) == "from memory"
    os.utime(path)  # a newer time: it is read again
    assert again.digests.of(path) != "from memory"


def sha256(path):
    return hashlib.sha256(Path(path).read_bytes()).hexdigest()


def test_a_key_is_left_to_whoever_reads_the_file(cache, description):
    """It is the key that the parent would have made, and what was seen serves later runs."""
    leave = own_files(description.meters)
    assert leave == {"m.csv"}
    assert cache.key(description, leave) is None
    unread = cache.unread(description, leave)
    assert unread.known == {"w.csv": sha256(f"{description.folder}/w.csv")}
    marks = unread.marks(description)
    read = {"m.csv": sha256(f"{description.folder}/m.csv")}
    key, seen = unread.key(description, read, marks)
    assert unread.key(description, {}, marks) == (key, {})  # not read, as it was refused before
    cache.digests.learn(seen)
    assert cache.key(description, leave) == key == Cache(cache.folder).key(description)


def test_a_file_that_changes_while_it_is_read_is_not_remembered(cache, description):
    unread = cache.unread(description, {"m.csv"})
    marks = unread.marks(description)
    read = {"m.csv": sha256(f"{description.folder}/m.csv")}
    with open(f"{description.folder}/m.csv", "a") as file:
        file.write("2024-01-01 00:00,1\n")
    key, seen = unread.key(description, read, marks)
    assert seen == {}
    assert key != cache.key(description)


def test_a_file_that_two_sites_name_is_nobodys_own(description):
    (meter,) = description.meters
    again = meter.model_copy(update={"meter": "n"})
    assert own_files([meter, again]) == {"m.csv"}
    assert own_files([meter, again.model_copy(update={"site": "t"})]) == set()


def test_entries_come_back_and_damaged_ones_count_as_missing(cache, description):
    key = cache.key(description)
    assert cache.load(key, "final") is None
    path = Path(cache.path(key, "final"))
    write_parts(path, pickle.dumps({"answer": 42}))
    assert cache.load(key, "final") == {"answer": 42}
    for damaged in (b"", b"not an entry", path.read_bytes()[:-3], bytes(64)):
        path.write_bytes(damaged)
        assert cache.load(key, "final") is None


def test_no_cache_and_remote_folders_keep_nothing(description, cache):
    assert Cache(None).key(description) is None
    remote = description.model_copy(update={"folder": "memory://folder"})
    assert cache.key(remote) is None
    assert cache.load(None, "final") is None


@pytest.fixture
def report(tmp_path):
    out = tmp_path / "report"
    (out / "sites").mkdir(parents=True)
    for name in ("a", "b"):
        (out / "sites" / f"{name}.html").write_text("one")
    return out


def earlier_run(cache, out):
    cache.store_run(
        EarlierRun(key="key", finals={"a": "1"}, manifest=manifest(out), record={"index": "i"}), out
    )
    return cache.earlier_run(out)


def test_an_earlier_run_stands_only_while_its_files_do(cache, report):
    kept = earlier_run(cache, report)
    assert (kept.key, kept.record) == ("key", {"index": "i"})
    assert cache.earlier_run(report.parent / "elsewhere") is None
    assert kept.stands(report)
    (report / "sites" / "a.html").write_text("changed by hand")
    assert not kept.stands(report)


def test_another_version_never_meets_an_earlier_run(cache, report, monkeypatch):
    """Whatever it kept: other fields, or none at all."""
    monkeypatch.setattr("mv.run.cache.method_digest", lambda: "older")
    earlier_run(cache, report)
    for path in cache.folder.glob("runs/*.run"):
        path.write_bytes(pickle.dumps({"key": "of another shape"}))
    assert cache.earlier_run(report) == {"key": "of another shape"}
    monkeypatch.setattr("mv.run.cache.method_digest", lambda: "newer")
    assert cache.earlier_run(report) is None


def test_files_of_an_earlier_report_get_a_second_name_only_as_the_run_left_them(
    cache, report, tmp_path
):
    kept = earlier_run(cache, report)
    names = ("sites/a.html", "sites/b.html")
    assert kept.link(names, report, tmp_path / "stage")
    assert (tmp_path / "stage" / "sites" / "a.html").samefile(report / "sites" / "a.html")
    (report / "sites" / "b.html").write_text("changed by hand")
    assert not kept.link(names, report, tmp_path / "another")
    assert not any(p.is_file() for p in (tmp_path / "another").rglob("*"))


def test_without_second_names_nothing_is_linked(cache, report, tmp_path, monkeypatch):
    def refuse(*_):
        raise PermissionError

    kept = earlier_run(cache, report)
    monkeypatch.setattr(os, "link", refuse)
    assert not kept.link(("sites/a.html",), report, tmp_path / "stage")


def test_where_the_cache_lies(monkeypatch, tmp_path):
    monkeypatch.setenv("MVREPORT_CACHE", str(tmp_path))
    assert cache_folder() == tmp_path
    monkeypatch.delenv("MVREPORT_CACHE")
    monkeypatch.setenv("XDG_CACHE_HOME", "/elsewhere")
    assert str(cache_folder()) == "/elsewhere/mvreport"


def test_what_no_run_has_met_for_a_month_is_removed(cache):
    """Files of pages go with the entry they belong to: their own time is a report's, too."""
    now = time.time()
    ages = {"ab/used.final": 1, "ab/used.pages.0": 90, "ab/used.draft": 1}
    ages |= {"ab/old.final": 31, "ab/old.pages.0": 2, "ab/old.draft": 31, "ab/lost.pages.0": 31}
    for name, days in ages.items():
        write_whole(cache.folder / name, b"")
        os.utime(cache.folder / name, (now - days * 86_400,) * 2)
    cache.prune()
    left = {str(p.relative_to(cache.folder)) for p in cache.folder.glob("ab/*")}
    assert left == {"ab/used.final", "ab/used.pages.0", "ab/used.draft"}
