"""Where a file of the folder lies, and whether it stays inside.

A portfolio folder is a directory, or a URL of any store that fsspec knows (`s3://bucket/x`).
Names in tables are relative to it, with `/` between the parts.  A name can't lead out: not by
`..`, not as an absolute path or a URL, not through a symbolic link; and only regular files are
opened, never a device or a pipe.
"""

from __future__ import annotations

import os
import re
import stat
from functools import lru_cache
from typing import BinaryIO

from mv.findings import Finding, FolderError, ReadingsError
from mv.portfolio.cells import did_you_mean
from mv.portfolio.tables import shown

MOST_SEARCHES = 20
"""Missing files for which a file of a like name is looked for (a search takes its time)."""


def is_url(folder: str) -> bool:
    """Whether a folder is named by a URL."""
    return "://" in folder


def plain(folder: str) -> str:
    """A folder's name with `file://` taken off: a directory is a directory, links and all."""
    return re.sub(r"^(?:file|local)://", "", folder)


def shown_folder(folder: str) -> str:
    """The folder as messages name it: a URL without user name and password."""
    return re.sub(r"://[^/@]*@", "://", folder)


class Folder:
    """Read access to one folder; `names` of files are as tables write them."""

    def __init__(self, folder: str) -> None:
        self.folder = folder
        self._parents: dict[str, str | None] = {}
        self._listing: dict[str, int] | None = None
        self._searches = 0
        if is_url(folder):
            self._fs, self._root = _store(folder)
        else:
            self._fs = None
            self._root = os.path.realpath(folder)

    def exists(self) -> bool:
        """Whether the folder itself is there."""
        if self._fs is None:
            return os.path.isdir(self._root)
        return bool(self._files())

    def size(self, name: str) -> int | None:
        """Bytes of a file; None where there is none."""
        if self._fs is not None:
            return self._files().get(self._inside(name))
        try:
            status = os.stat(os.path.join(self._root, name))
        except (OSError, ValueError):
            return None
        return status.st_size if stat.S_ISREG(status.st_mode) else None

    def top(self) -> list[str]:
        """Names of the files that lie in the folder itself, sorted."""
        if self._fs is not None:
            names = (n.removeprefix(self._root + "/") for n in self._files())
            return sorted(n for n in names if "/" not in n)
        return sorted(n for n in os.listdir(self._root) if self.size(n) is not None)

    def problem(self, name: str) -> tuple[str, str] | None:
        """What is wrong with a file's name: rule and sentence; None where it can be read."""
        if words := name_problem(name):
            return "path_outside", words
        if self._fs is not None:
            if self._inside(name) in self._files():
                return None
        else:
            path = os.path.join(self._root, name)
            try:
                status = os.lstat(path)
            except (OSError, ValueError):
                status = None
            if status is not None:
                link = stat.S_ISLNK(status.st_mode)
                if not self._stays(path, link):
                    return "path_outside", f"{shown(name)} leads out of the portfolio folder"
                try:
                    mode = os.stat(path).st_mode
                except OSError:
                    return "file_missing", f"{shown(name)} is a link that leads nowhere"
                if stat.S_ISREG(mode):
                    return None
                return "file_missing", f"{shown(name)} is not a file"
        return "file_missing", f"there is no file {shown(name)} in the folder{self._near(name)}"

    def open(self, name: str) -> BinaryIO:
        """Open a file for reading; ReadingsError where it leads out or isn't there."""
        if problem := self.problem(name):
            raise ReadingsError(Finding(problem[0], problem[1], name))
        if self._fs is not None:
            return self._fs.open(self._inside(name), "rb")
        return open(os.path.join(self._root, name), "rb")

    def read(self, name: str) -> bytes:
        """All bytes of a file."""
        with self.open(name) as stream:
            return stream.read()

    def _inside(self, name: str) -> str:
        return f"{self._root}/{os.path.normpath(name)}"

    def _stays(self, path: str, link: bool) -> bool:
        if link:
            return self._holds(os.path.realpath(path))
        parent = os.path.dirname(path)
        if parent not in self._parents:
            self._parents[parent] = os.path.realpath(parent)
        return self._holds(self._parents[parent])

    def _holds(self, real: str | None) -> bool:
        return real is not None and (
            real == self._root or real.startswith(self._root.rstrip(os.sep) + os.sep)
        )

    def _files(self) -> dict[str, int]:
        if self._listing is None:
            try:
                found = self._fs.find(self._root, detail=True)
            except FileNotFoundError:
                found = {}
            self._listing = {k.rstrip("/"): v.get("size") or 0 for k, v in found.items()}
        return self._listing

    def _near(self, name: str) -> str:
        self._searches += 1
        if self._searches > MOST_SEARCHES:
            return ""
        directory, base = os.path.split(os.path.normpath(name))
        if self._fs is not None:
            lead = self._inside(directory) + "/" if directory else self._root + "/"
            names = [n.removeprefix(lead) for n in self._files() if n.startswith(lead)]
        else:
            try:
                names = os.listdir(os.path.join(self._root, directory))[:2000]
            except OSError:
                return ""
        near = did_you_mean(base, [n for n in names if "/" not in n])
        lead = f"{directory}/" if directory else ""
        return near.replace('mean "', f'mean "{lead}')


def name_problem(name: str) -> str | None:
    """Why a file's name could lead out of the folder, as a sentence; None where it can't."""
    if not name or "\x00" in name:
        return f"{shown(name)} is not the name of a file"
    if "://" in name or "::" in name:
        return f"{shown(name)} is a URL; name a file of the portfolio folder"
    if name.startswith(("/", "\\", "~")) or re.match(r"[A-Za-z]:", name):
        return f"{shown(name)} is an absolute path; write it relative to the portfolio folder"
    if "\\" in name:
        return f"{shown(name)} holds a backslash; write / between the parts of a path"
    if ".." in name.split("/"):
        return f"{shown(name)} leads out of the portfolio folder; .. is not allowed"
    return None


def open_input(folder: str, name: str) -> BinaryIO:
    """Open one file of a portfolio folder for reading bytes.

    Parameters
    ----------
    folder : directory or URL, as in `Portfolio.folder`.
    name : the file's name as a table writes it, relative to the folder.

    Raises ReadingsError when the name leads out of the folder or no such file is there.
    """
    return opened(folder).open(name)


def input_size(folder: str, name: str) -> int | None:
    """Bytes of one file of a portfolio folder; None where there is no such file."""
    if name_problem(name):
        return None
    return opened(folder).size(name)


def opened(folder: str) -> Folder:
    """The folder of a name; the listing of a URL is kept until `forget`.

    Connections to a store don't survive a fork, so every process opens its own.
    """
    return _opened(folder, os.getpid())


def forget() -> None:
    """Look anew at folders that were opened before."""
    _opened.cache_clear()


@lru_cache(maxsize=8)
def _opened(folder: str, process: int) -> Folder:
    return Folder(folder)


def _store(url: str):
    """The fsspec file system of a URL, and the root inside it."""
    import fsspec

    scheme = url.split("://", 1)[0]
    try:
        fs, root = fsspec.core.url_to_fs(url)
    except ImportError as error:
        raise FolderError(
            Finding(
                "folder_missing",
                f"{shown_folder(url)}: to read {scheme}:// a further package must be installed "
                f"({error})",
            )
        ) from error
    except ValueError as error:
        raise FolderError(
            Finding("folder_missing", f"{shown_folder(url)}: {scheme}:// is not known ({error})")
        ) from error
    return fs, root.rstrip("/")
