"""Files stay inside the folder, whatever a table calls them; folders may be URLs."""

import os

import fsspec
import pytest

from mv.findings import FolderError, ReadingsError
from mv.portfolio.folder import input_size, open_input, open_portfolio

from .conftest import FILES

OUTSIDE = {
    "../secret.csv": '"../secret.csv" leads out of the portfolio folder; .. is not allowed',
    "meters/../../secret.csv":
        '"meters/../../secret.csv" leads out of the portfolio folder; .. is not allowed',
    "meters/../meters/hall.csv":
        '"meters/../meters/hall.csv" leads out of the portfolio folder; .. is not allowed',
    "/etc/hostname":
        '"/etc/hostname" is an absolute path; write it relative to the portfolio folder',
    "~/secret.csv": '"~/secret.csv" is an absolute path; write it relative to the portfolio folder',
    "C:/secret.csv":
        '"C:/secret.csv" is an absolute path; write it relative to the portfolio folder',
    "\\\\server\\share.csv":
        '"\\\\server\\share.csv" is an absolute path; write it relative to the portfolio folder',
    "meters\\hall.csv": '"meters\\hall.csv" holds a backslash; write / between the parts of a path',
    "http://example.com/x.csv":
        '"http://example.com/x.csv" is a URL; name a file of the portfolio folder',
    "file:///etc/hostname": '"file:///etc/hostname" is a URL; name a file of the portfolio folder',
    "simplecache::memory": '"simplecache::memory" is a URL; name a file of the portfolio folder',
    "link_out.csv": '"link_out.csv" leads out of the portfolio folder',
    "linked_folder/secret.csv": '"linked_folder/secret.csv" leads out of the portfolio folder',
    "dangling.csv": '"dangling.csv" leads out of the portfolio folder',
}  # fmt: skip

NOT_FILES = {
    "meters": '"meters" is not a file',
    "nowhere.csv": '"nowhere.csv" is a link that leads nowhere',
    "loop.csv": '"loop.csv" is a link that leads nowhere',
    "pipe.csv": '"pipe.csv" is not a file',
    "meters/halls.csv":
        'there is no file "meters/halls.csv" in the folder; did you mean "meters/hall.csv"?',
    "a/b/c.csv": 'there is no file "a/b/c.csv" in the folder',
}  # fmt: skip


@pytest.fixture
def folder(write):
    """The valid folder with traps laid in and beside it."""
    made = write()
    secret = made.parent / "secret.csv"
    secret.write_text("secret\n")
    (made.parent / "beside").mkdir()
    (made.parent / "beside" / "secret.csv").write_text("secret\n")
    (made / "link_out.csv").symlink_to(secret)
    (made / "linked_folder").symlink_to(made.parent / "beside")
    (made / "dangling.csv").symlink_to(made.parent / "nowhere.csv")
    (made / "inside.csv").symlink_to(made / "meters" / "hall.csv")
    (made / "nowhere.csv").symlink_to(made / "meters" / "nowhere.csv")
    (made / "loop.csv").symlink_to(made / "loop.csv")
    os.mkfifo(made / "pipe.csv")
    return made


def refused(error):
    """Rule and text of the findings for which a folder is refused (the traps are noted too)."""
    return [(f.rule, str(f)) for f in error.findings if f.action == "refuse"]


@pytest.mark.parametrize("name", OUTSIDE)
def test_a_name_that_leads_out_is_refused_by_the_folder_and_by_the_door(folder, name):
    told = f"meters.csv, line 2, column file: {OUTSIDE[name]}"
    table = FILES["meters.csv"].replace("meters/hall.csv", name)
    (folder / "meters.csv").write_text(table)
    with pytest.raises(FolderError) as refusal:
        open_portfolio(folder)
    assert refused(refusal.value) == [("path_outside", told)]
    with pytest.raises(ReadingsError) as refusal:
        open_input(str(folder), name)
    assert refusal.value.findings[0].rule == "path_outside"


@pytest.mark.parametrize("name", NOT_FILES)
def test_what_is_no_regular_file_is_refused_and_never_opened(folder, name):
    (folder / "meters.csv").write_text(FILES["meters.csv"].replace("meters/hall.csv", name))
    with pytest.raises(FolderError) as refusal:
        open_portfolio(folder)
    told = f"meters.csv, line 2, column file: {NOT_FILES[name]}"
    assert refused(refusal.value) == [("file_missing", told)]
    with pytest.raises(ReadingsError):
        open_input(str(folder), name)


def test_a_table_may_not_be_a_link_that_leads_out_either(folder):
    (folder / "events.csv").symlink_to(folder.parent / "secret.csv")
    with pytest.raises(FolderError) as refusal:
        open_portfolio(folder)
    told = 'events.csv: "events.csv" leads out of the portfolio folder'
    assert refused(refusal.value) == [("path_outside", told)]


def test_a_link_that_stays_inside_is_followed(folder):
    with open_input(str(folder), "inside.csv") as stream:
        assert stream.read() == FILES["meters/hall.csv"].encode()
    assert input_size(str(folder), "inside.csv") == len(FILES["meters/hall.csv"])
    assert input_size(str(folder), "meters") is None
    assert input_size(str(folder), "not_there.csv") is None
    assert input_size(str(folder), "../secret.csv") is None
    assert input_size(str(folder), "a\x00b") is None


@pytest.fixture
def store():
    """The valid folder in a store that is not a directory."""
    store = fsspec.filesystem("memory")
    for name, text in FILES.items():
        store.pipe(f"/bucket/harbour/{name}", text.encode())
    store.pipe("/bucket/secret.csv", b"secret\n")
    yield store
    store.rm("/bucket", recursive=True)


def test_a_folder_may_be_a_url(store, write):
    portfolio = open_portfolio("memory://bucket/harbour")
    assert portfolio.folder == "memory://bucket/harbour"
    local = open_portfolio(write())
    same = {"folder": local.folder}
    assert portfolio.model_copy(update=same) == local
    hall = portfolio.describe("hall")
    with open_input(hall.folder, hall.meters[0].file) as stream:
        assert stream.read() == FILES["meters/hall.csv"].encode()
    assert input_size(hall.folder, "meters/hall.csv") == len(FILES["meters/hall.csv"])


def test_a_name_can_t_lead_out_of_a_url_either(store):
    for name in ("../secret.csv", "memory://bucket/secret.csv", "/bucket/secret.csv"):
        with pytest.raises(ReadingsError) as refusal:
            open_input("memory://bucket/harbour", name)
        assert refusal.value.findings[0].rule == "path_outside"
    with pytest.raises(ReadingsError) as refusal:
        open_input("memory://bucket/harbour", "meters/hal.csv")
    assert str(refusal.value) == (
        'meters/hal.csv: there is no file "meters/hal.csv" in the folder; did you mean '
        '"meters/hall.csv"?'
    )


def test_a_directory_named_by_a_url_is_a_directory_and_its_links_are_watched(folder):
    portfolio = open_portfolio(f"file://{folder}")
    assert portfolio.folder == str(folder)
    with pytest.raises(ReadingsError):
        open_input(portfolio.folder, "link_out.csv")


@pytest.mark.parametrize(
    ("url", "words"),
    [
        ("memory://nowhere", "memory://nowhere is not there; give the folder that holds "
         "portfolio.toml"),
        ("gopher://x/y", "gopher://x/y: gopher:// is not known (Protocol not known: gopher)"),
    ],
)  # fmt: skip
def test_a_url_that_is_no_folder(url, words):
    with pytest.raises(FolderError) as refusal:
        open_portfolio(url)
    assert str(refusal.value) == words


def test_a_password_in_a_url_is_not_repeated():
    with pytest.raises(FolderError) as refusal:
        open_portfolio("gopher://me:hidden@x/y")
    assert "hidden" not in str(refusal.value)
    assert "gopher://x/y" in str(refusal.value)
