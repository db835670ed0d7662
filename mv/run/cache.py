"""What need not be computed again: results kept by the content that made them.

A key is the digest of everything that a site's result depends on: its description, the bytes
of its files, and the package's own source.  Entries are written beside and renamed, so a crash
or a second run can leave none half-written; an entry that can't be read counts as missing.
"""

from __future__ import annotations

import contextlib
import hashlib
import os
import pickle
import time
from collections.abc import Iterable
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path
from typing import Any

import orjson

from mv.portfolio.schema import SiteDescription
from mv.run.entries import UNREADABLE, Mark, mark_of, read_part, write_whole

UNUSED_DAYS = 30
"""An entry that no run has met for so long is removed."""
_SETTLED_SECONDS = 2.0
"""A file changed less than this before it was digested may change again within the clock's
step; its digest isn't kept."""
_DAY = 86_400.0
FINAL, PAGES = "final", "pages"
"""Kinds of entries: what a finished site left for the report of all, and its own files."""
Manifest = dict[str, Mark]
"""Size and time of files."""


@lru_cache(maxsize=1)
def method_digest() -> str:
    """Digest of the package's own files: another version never meets an older entry."""
    root = Path(__file__).parent.parent
    digest = hashlib.sha256()
    for path in sorted(p for p in root.rglob("*") if p.is_file() and p.suffix != ".pyc"):
        digest.update(str(path.relative_to(root)).encode())
        digest.update(path.read_bytes())
    return digest.hexdigest()


class Cache:
    """Entries under one folder; `folder` None keeps nothing."""

    def __init__(self, folder: Path | None) -> None:
        self.folder = folder
        self._digests: dict[str, list] = {}
        self._met: dict[str, tuple[list, str]] = {}
        self._fresh = False
        if folder is not None:
            folder.mkdir(parents=True, exist_ok=True)
            try:
                self._digests = orjson.loads((folder / "digests.json").read_bytes())
            except (OSError, ValueError):
                self._digests = {}

    def save_digests(self) -> None:
        """Keep the digests of files met in this run."""
        if self.folder is not None and self._fresh:
            write_whole(self.folder / "digests.json", orjson.dumps(self._digests))

    def prune(self) -> None:
        """Remove what no run has met for a month; looked for once a day."""
        if self.folder is None:
            return
        mark, now = self.folder / "pruned", time.time()
        try:
            if now - mark.stat().st_mtime < _DAY:
                return
        except OSError:
            pass
        mark.touch()
        for folder, _, names in os.walk(self.folder):
            for name in names:
                path = os.path.join(folder, name)
                with contextlib.suppress(OSError):  # another run may have removed it
                    if now - _last_met(path) > UNUSED_DAYS * _DAY:
                        os.unlink(path)
        known = {p: d for p, d in self._digests.items() if os.path.exists(p)}
        self._fresh |= len(known) < len(self._digests)
        self._digests = known

    def file_digest(self, path: str) -> str:
        """sha256 of a local file (of every file in a folder), from memory while size, time and
        inode are unchanged."""
        if os.path.isdir(path):
            digest = hashlib.sha256()
            for name in sorted(manifest(Path(path))):
                digest.update(f"{name}={self.file_digest(os.path.join(path, name))};".encode())
            return digest.hexdigest()
        stat = os.stat(path)
        mark = [stat.st_size, stat.st_mtime_ns, stat.st_ino]
        known = self._digests.get(path)
        if known and known[:3] == mark:
            return known[3]
        met = self._met.get(path)
        if met and met[0] == mark:  # many meters of one file
            return met[1]
        with open(path, "rb") as handle:
            digest = hashlib.file_digest(handle, "sha256").hexdigest()
        self._met[path] = (mark, digest)
        if time.time() - stat.st_mtime > _SETTLED_SECONDS:
            self._digests[path] = [*mark, digest]
            self._fresh = True
        return digest

    def key(self, description: SiteDescription) -> str | None:
        """Key of one site; None where nothing can be kept (no cache, remote files)."""
        if self.folder is None or "://" in description.folder:
            return None
        digest = hashlib.sha256(method_digest().encode())
        digest.update(description.model_dump_json().encode())
        names = [m.file for m in description.meters]
        names += [n for n in (description.weather.file, description.weather.normal_file) if n]
        names += [g.file for g in description.loggers if g.file]
        for name in names:
            try:
                digest.update(self.file_digest(os.path.join(description.folder, name)).encode())
            except OSError:
                digest.update(b"missing")
        return digest.hexdigest()

    def path(self, key: str, kind: str) -> str:
        """Where the entry of a key lies."""
        return os.path.join(self.folder, key[:2], f"{key}.{kind}")

    def load(self, key: str | None, kind: str) -> Any:
        """The first part of the entry, or None."""
        if key is None or self.folder is None:
            return None
        path = self.path(key, kind)
        try:
            entry = pickle.loads(read_part(path, 0))
            _meet(path)
            return entry
        except UNREADABLE:
            return None

    # -- whole runs -----------------------------------------------------------------------

    def _run_path(self, out: Path) -> Path:
        digest = hashlib.sha256(method_digest().encode())
        digest.update(os.fsencode(Path(out).absolute()))
        return self.folder / "runs" / f"{digest.hexdigest()}.run"

    def earlier_run(self, out: Path) -> EarlierRun | None:
        """What the latest run of this version to `out` kept, if any did."""
        if self.folder is None:
            return None
        try:
            return pickle.loads(self._run_path(out).read_bytes())
        except UNREADABLE:
            return None

    def store_run(self, run: EarlierRun, out: Path) -> None:
        """Keep what a run wrote that is about to take the place of `out`."""
        if self.folder is not None:
            write_whole(self._run_path(out), pickle.dumps(run, protocol=5))


@dataclass(frozen=True, kw_only=True)
class EarlierRun:
    """A run that wrote a report, and what it left."""

    key: str
    """Of everything that the report was made from."""
    finals: dict[str, str | None]
    """By site, the key of what its own files were made from."""
    manifest: Manifest
    record: Any
    """What it had to say."""

    def stands(self, out: Path) -> bool:
        """Whether every file of `out` is as the run left it, and none is more or less."""
        return manifest(out) == self.manifest

    def link(self, names: Iterable[str], out: Path, stage: Path) -> bool:
        """Give files of `out` a second name in `stage`, where they are as the run left them.

        False, and none has one, where a file was touched or the file system can't.  The first
        name goes when `stage` takes the place of `out`.
        """
        done: list[str] = []
        try:
            for name in names:
                file, path = os.path.join(out, name), os.path.join(stage, name)
                if mark_of(os.lstat(file)) != self.manifest.get(name):
                    break
                try:
                    os.link(file, path)
                except FileNotFoundError:
                    os.makedirs(os.path.dirname(path), exist_ok=True)
                    os.link(file, path)
                done.append(path)
            else:
                return True
        except OSError:
            pass
        for path in done:
            os.unlink(path)
        return False


def _meet(path: str) -> None:
    """Note that an entry is in use."""
    if time.time() - os.stat(path).st_mtime > _DAY:
        os.utime(path)


def _last_met(path: str) -> float:
    """When a run last met an entry.  Files of pages tell by the entry that they belong to: their
    own time is that of a report, too."""
    entry, kind, number = path.rpartition(f".{PAGES}.")
    try:
        return os.stat(f"{entry}.{FINAL}" if kind and number.isdigit() else path).st_mtime
    except FileNotFoundError:
        return os.stat(path).st_mtime


def cache_folder() -> Path:
    """Where results are kept: MVREPORT_CACHE, or the user's cache folder."""
    named = os.environ.get("MVREPORT_CACHE")
    if named:
        return Path(named)
    base = os.environ.get("XDG_CACHE_HOME") or Path.home() / ".cache"
    return Path(base) / "mvreport"


def manifest(root: Path) -> Manifest:
    """Size and time of every file below a folder, by its name there."""
    above = len(os.path.join(root, ""))
    return {
        path[above:]: mark_of(os.lstat(path))
        for folder, _, names in os.walk(root)
        for path in (os.path.join(folder, name) for name in names)
    }
