"""Entries are whole or missing, and a second name never lets one report change another."""

import os

import pytest

from mv.run.entries import (
    UNREADABLE,
    fetch_files,
    keep_files,
    read_part,
    read_parts,
    write_file,
    write_parts,
    write_whole,
)

FILES = {"sites/a.html": b"page", "tables/daily/a.csv": b"rows"}


def test_parts_are_read_alone(tmp_path):
    path = tmp_path / "ab" / "entry"
    write_parts(path, b"one", b"", b"three")
    assert read_parts(path, 0, 3) == [b"one", b"", b"three"]
    assert read_part(path, 2) == b"three"
    assert [p.name for p in path.parent.iterdir()] == ["entry"]


@pytest.mark.parametrize("left", [0, 5, 34])
def test_an_entry_cut_short_is_unreadable(tmp_path, left):
    path = tmp_path / "entry"
    write_parts(path, b"one", b"two")
    path.write_bytes(path.read_bytes()[:left])
    with pytest.raises(UNREADABLE):
        read_part(path, 0)


def test_nothing_is_left_of_a_file_that_could_not_be_written(tmp_path):
    (tmp_path / "entry").mkdir()
    with pytest.raises(OSError, match="directory"):
        write_whole(tmp_path / "entry", b"content")
    assert [p.name for p in tmp_path.iterdir()] == ["entry"]


def kept(root, place):
    for name, content in FILES.items():
        write_file(f"{root}/{name}", content)
    return keep_files(root, FILES, place)


def test_kept_files_come_back_as_copies(tmp_path):
    marks = kept(tmp_path / "out", tmp_path / "cache" / "k.pages")
    assert fetch_files(tmp_path / "cache" / "k.pages", marks, tmp_path / "other")
    for name, content in FILES.items():
        one, two = tmp_path / "out" / name, tmp_path / "other" / name
        assert two.read_bytes() == content
        assert not one.samefile(two)


def test_files_changed_in_the_report_are_no_longer_kept(tmp_path):
    marks = kept(tmp_path / "out", tmp_path / "cache" / "k.pages")
    with open(tmp_path / "out" / "sites" / "a.html", "ab") as page:
        page.write(b"changed by hand")
    assert not fetch_files(tmp_path / "cache" / "k.pages", marks, tmp_path / "other")
    assert not fetch_files(tmp_path / "cache" / "another.pages", marks, tmp_path / "other")
    assert not fetch_files(tmp_path / "cache" / "k.pages", {}, tmp_path / "other")


def test_files_are_kept_again_in_the_place_of_others(tmp_path):
    place = tmp_path / "cache" / "k.pages"
    kept(tmp_path / "one", place)
    marks = kept(tmp_path / "two", place)
    assert kept(tmp_path / "two", place).keys() == marks.keys()  # the very same files once more
    assert os.path.samefile(f"{place}.0", tmp_path / "two" / "sites" / "a.html")
    assert sorted(p.name for p in place.parent.iterdir()) == ["k.pages.0", "k.pages.1"]


def test_where_no_second_name_can_be_given_files_are_copied(tmp_path, monkeypatch):
    def refuse(*_):
        raise PermissionError

    monkeypatch.setattr(os, "link", refuse)
    marks = kept(tmp_path / "out", tmp_path / "cache" / "k.pages")
    assert fetch_files(tmp_path / "cache" / "k.pages", marks, tmp_path / "other")
    assert (tmp_path / "other" / "sites" / "a.html").read_bytes() == b"page"
