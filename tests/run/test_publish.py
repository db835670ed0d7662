"""A report stands whole or not at all, whatever happens while it is written."""

import os
import subprocess
import sys
import textwrap

import pytest

from mv.run.publish import Busy, Occupied, staged


def fill(stage, text):
    (stage / "index.html").write_text(text)
    (stage / "sites").mkdir()
    (stage / "sites" / "a.html").write_text(text)


def contents(folder):
    return {str(p.relative_to(folder)): p.read_text() for p in folder.rglob("*") if p.is_file()}


def test_first_report_appears_whole(tmp_path):
    out = tmp_path / "deep" / "report"
    with staged(out) as stage:
        fill(stage, "one")
        assert not out.exists()
    assert contents(out) == {"index.html": "one", "sites/a.html": "one"}


def test_new_report_takes_the_place_of_the_earlier_one(tmp_path):
    out = tmp_path / "report"
    with staged(out) as stage:
        fill(stage, "one")
        (stage / "results.json").write_text("x")
    with staged(out) as stage:
        fill(stage, "two")
        assert contents(out)["index.html"] == "one"
    assert contents(out) == {"index.html": "two", "sites/a.html": "two"}
    assert [p.name for p in tmp_path.iterdir() if p.is_dir()] == ["report"]


def test_an_error_leaves_the_earlier_report_as_it_was(tmp_path):
    out = tmp_path / "report"
    with staged(out) as stage:
        fill(stage, "one")
    with pytest.raises(RuntimeError), staged(out) as stage:
        fill(stage, "two")
        raise RuntimeError
    assert contents(out) == {"index.html": "one", "sites/a.html": "one"}
    assert [p.name for p in tmp_path.iterdir() if p.is_dir()] == ["report"]


def test_what_a_killed_run_left_is_removed_by_the_next(tmp_path):
    out = tmp_path / "report"
    with staged(out) as stage:
        fill(stage, "one")
    program = textwrap.dedent(
        f"""
        import os, pathlib, signal
        from mv.run.publish import staged
        with staged(pathlib.Path({str(out)!r})) as stage:
            (stage / "index.html").write_text("half")
            os.kill(os.getpid(), signal.SIGKILL)
        """
    )
    ended = subprocess.run([sys.executable, "-c", program], check=False)
    assert ended.returncode != 0
    assert contents(out)["index.html"] == "one"
    assert len([p for p in tmp_path.iterdir() if ".partial-" in p.name]) == 1
    with staged(out) as stage:
        fill(stage, "two")
    assert contents(out)["index.html"] == "two"
    assert not [p for p in tmp_path.iterdir() if ".partial-" in p.name]


def test_a_report_caught_between_two_renames_comes_back(tmp_path):
    out = tmp_path / "report"
    with staged(out) as stage:
        fill(stage, "one")
    os.rename(out, tmp_path / ".report.earlier")
    with pytest.raises(RuntimeError), staged(out):
        assert contents(out)["index.html"] == "one"
        raise RuntimeError
    assert contents(out)["index.html"] == "one"


def test_two_runs_into_one_folder_are_kept_apart(tmp_path):
    out = tmp_path / "report"
    with staged(out) as stage:
        fill(stage, "one")
        with pytest.raises(Busy, match="another run is writing to"), staged(out):
            pass
    assert contents(out)["index.html"] == "one"


def test_without_an_atomic_exchange_two_renames_do(tmp_path, monkeypatch):
    monkeypatch.setattr("mv.run.publish._exchange", lambda one, other: False)
    out = tmp_path / "report"
    for text in ("one", "two"):
        with staged(out) as stage:
            fill(stage, text)
    assert contents(out)["index.html"] == "two"
    assert [p.name for p in tmp_path.iterdir() if p.is_dir()] == ["report"]


@pytest.mark.parametrize("name", ["portfolio.toml", "letter.odt", ".git"])
def test_a_folder_that_is_no_report_is_never_replaced(tmp_path, name):
    out = tmp_path / "mine"
    out.mkdir()
    fill(out, "one")
    (out / name).write_text("mine")
    with pytest.raises(Occupied, match=f"holds {name}"), staged(out) as stage:
        fill(stage, "two")
    assert contents(out) == {"index.html": "one", "sites/a.html": "one", name: "mine"}
    assert [p.name for p in tmp_path.iterdir()] == ["mine"]


def test_a_folder_with_a_report_s_names_and_no_page_is_none(tmp_path):
    (tmp_path / "mine" / "sites").mkdir(parents=True)
    with pytest.raises(Occupied, match="holds sites"), staged(tmp_path / "mine"):
        pass


def test_an_empty_folder_is_free(tmp_path):
    (tmp_path / ".report.lock").touch()
    with staged(tmp_path) as stage:
        fill(stage, "one")
    assert contents(tmp_path)["index.html"] == "one"


@pytest.mark.parametrize("below", ["", "deep/report"])
def test_a_file_is_never_replaced(tmp_path, below):
    file = tmp_path / "file"
    file.write_text("mine")
    with pytest.raises(Occupied, match="is a file"), staged(file / below):
        pass
    assert file.read_text() == "mine"


def test_a_link_to_a_report_stays_a_link(tmp_path):
    (tmp_path / "there").mkdir()
    (tmp_path / "link").symlink_to("there")
    for text in ("one", "two"):
        with staged(tmp_path / "link") as stage:
            fill(stage, text)
    assert (tmp_path / "link").is_symlink()
    assert contents(tmp_path / "there") == {"index.html": "two", "sites/a.html": "two"}
