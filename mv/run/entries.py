"""How is what's kept written to files: whole, in parts that are read alone, or as second names?

An entry is written beside its place and renamed, so that no reader meets half a file.
"""

from __future__ import annotations

import contextlib
import os
import pickle
import shutil
import struct
import threading
from collections.abc import Mapping
from pathlib import Path

UNREADABLE = (
    OSError,
    pickle.PickleError,
    EOFError,
    AttributeError,
    ImportError,
    IndexError,
    KeyError,
    TypeError,
    ValueError,
    struct.error,
)
"""What reading a damaged entry may raise."""
PARTS_MOST = 4
"""Parts that an entry may have."""
_HEAD = struct.Struct(f"<{PARTS_MOST}Q")
"""The size of each part, in bytes."""

Mark = tuple[int, int]
"""Size and time of a file: whether it's still as it was left."""


Manifest = dict[str, Mark]
"""Marks of files by their names below a folder."""


def mark_of(stat: os.stat_result) -> Mark:
    """Size in bytes and time of the last change in ns."""
    return stat.st_size, stat.st_mtime_ns


def write_file(path: str, content: bytes) -> None:
    """Write a file; folders above it are made where there are none."""
    try:
        Path(path).write_bytes(content)
    except FileNotFoundError:
        os.makedirs(os.path.dirname(path), exist_ok=True)
        Path(path).write_bytes(content)


def write_whole(path: str | Path, content: bytes) -> None:
    """Write beside and rename, so that no reader meets half a file."""
    path = os.fspath(path)
    beside = _beside(path)
    try:
        write_file(beside, content)
        os.replace(beside, path)
    except BaseException:
        with contextlib.suppress(FileNotFoundError):
            os.unlink(beside)
        raise


def write_parts(path: str | Path, *parts: bytes) -> None:
    """Write an entry of up to `PARTS_MOST` parts, as `write_whole` does."""
    sizes = [len(part) for part in parts] + [0] * (PARTS_MOST - len(parts))
    write_whole(path, b"".join([_HEAD.pack(*sizes), *parts]))


def read_parts(path: str | Path, start: int, stop: int) -> list[bytes]:
    """The parts of an entry from one on and before another; those beside them are left unread.

    Raises one of `UNREADABLE` for a damaged entry.
    """
    with open(path, "rb", buffering=0) as file:
        sizes = _HEAD.unpack(file.read(_HEAD.size))
        file.seek(sum(sizes[:start]), os.SEEK_CUR)
        parts = [file.read(size) for size in sizes[start:stop]]
    if [len(part) for part in parts] != list(sizes[start:stop]):
        raise EOFError(f"{path} ends too early")
    return parts


def read_part(path: str | Path, which: int) -> bytes:
    """One part of an entry, as `read_parts`."""
    return read_parts(path, which, which + 1)[0]


def keep_files(root: str | Path, names: Mapping[str, bytes], place: str | Path) -> dict[str, Mark]:
    """Keep files that were just written below `root` at `place` too; returns their marks.

    They get a second name there; where the file system can't give one, their content is copied.
    """
    marks = {}
    for i, (name, content) in enumerate(names.items()):
        file, kept = f"{root}/{name}", f"{place}.{i}"
        try:
            _link(file, kept)
        except OSError:
            write_whole(kept, content)
        marks[name] = mark_of(os.stat(kept))
    return marks


def fetch_files(place: str | Path, marks: Mapping[str, Mark], root: str | Path) -> bool:
    """Copy what `keep_files` kept below `root`; False where one isn't as it was left, or
    none is kept.

    A copy, because a second name would let two reports change each other.
    """
    for i, (name, mark) in enumerate(marks.items()):
        kept, file = f"{place}.{i}", f"{root}/{name}"
        try:
            if mark_of(os.stat(kept)) != mark:
                return False
            os.makedirs(os.path.dirname(file), exist_ok=True)
            shutil.copyfile(kept, file)
        except FileNotFoundError:
            return False
    return bool(marks)


def _link(file: str, name: str) -> None:
    try:
        os.link(file, name)
    except FileNotFoundError:
        os.makedirs(os.path.dirname(name), exist_ok=True)
        os.link(file, name)
    except FileExistsError:  # of an earlier or a concurrent run
        beside = _beside(name)
        os.link(file, beside)
        os.replace(beside, name)
        with contextlib.suppress(FileNotFoundError):
            os.unlink(beside)  # still there where both were the same file already


def _beside(path: str) -> str:
    folder, name = os.path.split(path)
    return os.path.join(folder, f".new-{os.getpid()}-{threading.get_ident()}-{name}")


def manifest(root: str | Path) -> Manifest:
    """Size and time of every file below a folder."""
    above = len(os.path.join(root, ""))
    return {
        path[above:]: mark_of(os.lstat(path))
        for folder, _, names in os.walk(root)
        for path in (os.path.join(folder, name) for name in names)
    }
