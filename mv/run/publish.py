"""Writing a report whole or not at all: staging, lock, and the swap.

A run writes into a staging folder beside its destination and exchanges the two at the end, so
that a reader sees either the earlier report or the new one.  An exclusive lock keeps two runs
from writing to one place; the operating system drops it with the process, however that ends.
"""

from __future__ import annotations

import contextlib
import ctypes
import os
import re
import shutil
from collections.abc import Iterator
from pathlib import Path

from mv.findings import MvError

PRODUCTS = frozenset(
    {
        *("index.html", "index.pdf", "assets", "sites", "series", "tables", "results.json"),
        *("plan.json", "static_factors.csv"),
    }
)
"""What reports and plans hold at their top.  A folder that holds anything else is never replaced:
it is somebody's, perhaps the portfolio itself."""
SWEEPINGS = frozenset({".DS_Store", "Thumbs.db", "desktop.ini"})
"""What file managers leave in any folder."""

_AT_FDCWD = -100
_RENAME_EXCHANGE = 2  # linux/fs.h


class Busy(MvError):
    """Another run is writing to the same place."""


class Occupied(MvError):
    """Something that no run wrote stands in the place."""


@contextlib.contextmanager
def staged(out: Path) -> Iterator[Path]:
    """Yield an empty staging folder; on success it takes the place of `out`.

    Raises Busy when another run holds the destination, and Occupied when it is a file, a folder
    that holds anything but an earlier report, or a plan whose checklist somebody has filled in.
    Whatever stops the block, `out` is as it was, and the staging folder is removed now or by the
    next run.
    """
    out = Path(out).resolve()
    _refuse_to_replace(out)
    out.parent.mkdir(parents=True, exist_ok=True)
    with _locked(out):
        _tidy(out)
        stage = out.parent / f".{out.name}.partial-{os.getpid()}"
        stage.mkdir()
        try:
            yield stage
            _swap(stage, out)
        finally:
            shutil.rmtree(stage, ignore_errors=True)


def _refuse_to_replace(out: Path) -> None:
    """Raise Occupied unless `out` is free, empty, or an earlier report or a plan as written."""
    for place in out.parents:
        if place.exists() and not place.is_dir():
            raise Occupied(f"{place} is a file. Give another --out; nothing was written.")
    if not out.exists():
        return
    if not out.is_dir():
        raise Occupied(f"{out} is a file. Give the name of a folder as --out; nothing was written.")
    names = {e.name for e in out.iterdir() if not re.fullmatch(r"\..+\.lock", e.name)} - SWEEPINGS
    strange = sorted(names - PRODUCTS)
    if strange or (names and not names & {"index.html", "results.json"}):
        found = ", ".join(strange[:3] or sorted(names)[:3])
        raise Occupied(
            f"{out} is no earlier report: it holds {found}. A report takes the place of the whole "
            "folder, so give a new or an empty one as --out; nothing was written."
        )
    if "static_factors.csv" in names:
        from mv.plan.write import is_filled_in  # only here: a report needs nothing of it

        if is_filled_in(out):
            raise Occupied(
                f"{out / 'static_factors.csv'} has been worked on since the plan was written. Move "
                "it into the portfolio's folder, where it is read, or give another --out; nothing "
                "was written."
            )


@contextlib.contextmanager
def _locked(out: Path) -> Iterator[None]:
    try:
        import fcntl
    except ImportError:  # a system without it: the swap alone must do
        yield
        return
    path = out.parent / f".{out.name}.lock"
    with open(path, "a+") as handle:
        try:
            fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except OSError as error:
            raise Busy(
                f"another run is writing to {out}. Wait for it to end, or give another --out."
            ) from error
        yield


def _tidy(out: Path) -> None:
    """Remove what killed runs left behind; bring back a report caught between two renames."""
    aside = out.parent / f".{out.name}.earlier"
    if aside.exists():
        if out.exists():
            shutil.rmtree(aside, ignore_errors=True)
        else:
            aside.rename(out)
    for left in out.parent.glob(f".{out.name}.partial-*"):
        shutil.rmtree(left, ignore_errors=True)


def _swap(stage: Path, out: Path) -> None:
    """Put `stage` in the place of `out`, atomically where the system can exchange two names."""
    if not out.exists():
        stage.rename(out)
        return
    if _exchange(stage, out):
        return  # `stage` now names the earlier report; the caller removes it
    aside = out.parent / f".{out.name}.earlier"
    out.rename(aside)
    stage.rename(out)
    shutil.rmtree(aside, ignore_errors=True)


def _exchange(one: Path, other: Path) -> bool:
    try:
        renameat2 = ctypes.CDLL(None, use_errno=True).renameat2
    except (AttributeError, OSError):
        return False
    done = renameat2(
        _AT_FDCWD, os.fsencode(one), _AT_FDCWD, os.fsencode(other), ctypes.c_uint(_RENAME_EXCHANGE)
    )
    return done == 0
