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
from collections.abc import Collection, Iterable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import orjson

from mv.portfolio.schema import SiteDescription
from mv.run.digests import Digests, Unread, files_of, key_of, method_digest
from mv.run.entries import UNREADABLE, Manifest, manifest, mark_of, read_part, write_whole

UNUSED_DAYS = 30
"""An entry that no run has met for so long is removed."""
_DAY = 86_400.0
DRAFT, FINAL, PAGES = "draft", "final", "pages"
"""Kinds of entries: a site's draft, what it left for the report of all sites, its own files."""


class Cache:
    """Entries under one folder; `folder` None keeps nothing."""

    def __init__(self, folder: Path | None) -> None:
        self.folder = folder
        self.digests = Digests()
        if folder is not None:
            folder.mkdir(parents=True, exist_ok=True)
            with contextlib.suppress(OSError, ValueError):
                self.digests = Digests(orjson.loads((folder / "digests.json").read_bytes()))

    def save_digests(self) -> None:
        """Keep the digests of files met in this run."""
        if self.folder is not None and self.digests.fresh:
            write_whole(self.folder / "digests.json", orjson.dumps(self.digests.kept))

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
        known = {p: d for p, d in self.digests.kept.items() if os.path.exists(p)}
        self.digests.fresh |= len(known) < len(self.digests.kept)
        self.digests.kept = known

    def keeps(self, description: SiteDescription) -> bool:
        """Whether anything can be kept of a site: there is a cache, and its files are local."""
        return self.folder is not None and "://" not in description.folder

    def key(self, description: SiteDescription, leave: Collection[str] = frozenset()) -> str | None:
        """Key of one site; None where nothing can be kept.

        `leave`: names of files that aren't read for it; None too where the digest of one of them
        is not known.
        """
        if not self.keeps(description):
            return None

        def digest(name: str) -> str | None:
            path = os.path.join(description.folder, name)
            known = self.digests.known(path)
            if known is None and not (name in leave and os.path.isfile(path)):
                known = self.digests.of(path)
            return known

        return key_of(description, digest)

    def unread(self, description: SiteDescription, leave: Collection[str]) -> Unread:
        """What a worker has to know that reads the files of `leave` and tells the site's key."""
        known = {}
        for name in files_of(description):
            if name not in leave:
                with contextlib.suppress(OSError):
                    known[name] = self.digests.of(os.path.join(description.folder, name))
        return Unread(str(self.folder), known)

    def path(self, key: str, kind: str) -> str:
        """Where the entry of a key lies."""
        return entry_path(self.folder, key, kind)

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


def entry_path(folder: str | Path, key: str, kind: str) -> str:
    """Where the entry of a key lies in a cache."""
    return os.path.join(folder, key[:2], f"{key}.{kind}")


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
