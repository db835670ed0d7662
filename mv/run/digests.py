"""Which bytes does a site's result depend on, and which key do they give it?

A file is read once, by whoever verifies its site.  So where no earlier run has left a file's
digest, the worker that reads it tells the key of its site: the key then describes the very bytes
that were read.
"""

from __future__ import annotations

import hashlib
import os
import time
from collections import Counter
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path

from mv.portfolio.schema import Meter, SiteDescription
from mv.run.entries import manifest

_SETTLED_SECONDS = 2.0
"""A file changed less than this before it was digested may change again within the clock's
step; its digest isn't kept."""
_MISSING = "missing"
"""Stands for the digest of a file that can't be read."""

Seen = list
"""Size, time of the last change in ns and inode of a file, and its sha256."""


@lru_cache(maxsize=1)
def method_digest() -> str:
    """Digest of the package's own files: another version never meets an older entry."""
    root = Path(__file__).parent.parent
    digest = hashlib.sha256()
    for path in sorted(p for p in root.rglob("*") if p.is_file() and p.suffix != ".pyc"):
        digest.update(str(path.relative_to(root)).encode())
        digest.update(path.read_bytes())
    return digest.hexdigest()


def own_files(meters: Iterable[Meter]) -> frozenset[str]:
    """Files of meters that one site alone names."""
    sites = Counter(file for file, _ in {(m.file, m.site) for m in meters})
    return frozenset(file for file, number in sites.items() if number == 1)


def files_of(description: SiteDescription) -> list[str]:
    """Names of the files that a site's result depends on, in the order of its key."""
    weather = description.weather
    names = [m.file for m in description.meters]
    names += [n for n in (weather.file, weather.normal_file) if n]
    names += [g.file for g in description.loggers if g.file]
    return names


def key_of(description: SiteDescription, digest: Callable[[str], str | None]) -> str | None:
    """Key of a site by the digests of its files, asked by name; None where one isn't known."""
    total = hashlib.sha256(method_digest().encode())
    total.update(description.model_dump_json().encode())
    for name in files_of(description):
        try:
            known = digest(name)
        except OSError:
            known = _MISSING
        if known is None:
            return None
        total.update(known.encode())
    return total.hexdigest()


class Digests:
    """sha256 of local files, remembered while their size, time and inode are unchanged."""

    def __init__(self, kept: Mapping[str, Seen] | None = None) -> None:
        self.kept: dict[str, Seen] = dict(kept or {})
        """By path, what may be kept for later runs."""
        self.fresh = False
        """Whether it holds more than it was given."""
        self._met: dict[str, Seen] = {}

    def known(self, path: str) -> str | None:
        """Of a file that needn't be read for it; None for any other.  OSError without a file."""
        mark = _mark(path)
        for memory in (self.kept, self._met):  # the latter for many meters of one file
            seen = memory.get(path)
            if seen is not None and seen[:3] == mark:
                return seen[3]
        return None

    def of(self, path: str) -> str:
        """Of a file, or of every file in a folder."""
        if os.path.isdir(path):
            digest = hashlib.sha256()
            for name in sorted(manifest(Path(path))):
                digest.update(f"{name}={self.of(os.path.join(path, name))};".encode())
            return digest.hexdigest()
        if (known := self.known(path)) is not None:
            return known
        mark = _mark(path)
        with open(path, "rb") as handle:
            seen = [*mark, hashlib.file_digest(handle, "sha256").hexdigest()]
        self._met[path] = seen
        if _settled(mark):
            self.learn({path: seen})
        return seen[3]

    def learn(self, seen: Mapping[str, Seen]) -> None:
        """Take over what others have seen."""
        self.kept |= seen
        self.fresh |= bool(seen)


@dataclass(frozen=True, slots=True)
class Unread:
    """Goes to a worker with a site that has files whose digests nobody knows yet."""

    folder: str
    """Of the cache."""
    known: Mapping[str, str]
    """Digests of the site's other files by name."""

    def marks(self, description: SiteDescription) -> dict[str, list]:
        """By name, how the files stand before they are read."""
        found = {}
        for name in files_of(description):
            path = os.path.join(description.folder, name)
            if name not in self.known and os.path.isfile(path):
                found[name] = _mark(path)
        return found

    def key(
        self, description: SiteDescription, read: Mapping[str, str], marks: Mapping[str, list]
    ) -> tuple[str | None, dict[str, Seen]]:
        """Key of the site and, by path, what was seen that later runs may rely on.

        `read`: digests of files that were read, by name; the others are read for it.  `marks`: as
        `marks` found them before.
        """
        folder, rest = description.folder, Digests()

        def digest(name: str) -> str:
            known = self.known.get(name) or read.get(name)
            return known or rest.of(os.path.join(folder, name))

        seen = {}
        for name, mark in marks.items():
            path = os.path.join(folder, name)
            if name in read and _settled(mark) and _mark(path) == mark:
                seen[path] = [*mark, read[name]]
        return key_of(description, digest), seen


def _mark(path: str) -> list:
    stat = os.stat(path)
    return [stat.st_size, stat.st_mtime_ns, stat.st_ino]


def _settled(mark: list) -> bool:
    return time.time() - mark[1] / 1e9 > _SETTLED_SECONDS
