"""How many sites are worked on: one after the other, in a pool of processes, or on a cluster.

An engine maps a function over tasks and yields (task, answer) as they finish, with only a few
tasks under way, so that memory doesn't grow with their number.  Whatever goes wrong with one
task (an error, too much time or memory, a killed worker) becomes its `Failure`; the others go
on.
"""

from __future__ import annotations

import contextlib
import gc
import multiprocessing
import os
import signal
import threading
import time
import traceback
from collections import deque
from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import FIRST_COMPLETED, ProcessPoolExecutor, wait
from concurrent.futures.process import BrokenProcessPool
from dataclasses import dataclass
from itertools import islice
from typing import Any, Protocol

from mv.findings import MvError

TRIES = 2
"""How often a task is tried alone once a worker died under it."""
AHEAD = 3
"""Tasks under way for each worker: enough that none waits, few enough to keep memory flat."""
GARBAGE_EVERY = 50_000
"""New objects between two searches for garbage in a worker; what it imported is left out."""
GRACE_SECONDS = 30.0
"""How long past its time a worker may take to notice before it's killed."""

Task = tuple[str, tuple]
"""Name of the task and the function's arguments."""


@dataclass(frozen=True, slots=True)
class Failure:
    """Why a task has no answer: a sentence for people, and the trace for developers."""

    reason: str
    trace: str = ""


class Engine(Protocol):
    """Anything that maps a function over tasks."""

    def map(self, function: Callable[..., Any], tasks: Iterable[Task]) -> Iterator[tuple[str, Any]]:
        """Yield (name, answer or Failure) in the order in which tasks finish."""


@dataclass(frozen=True, slots=True)
class Limits:
    """What one task may use."""

    seconds: float = 300.0
    megabytes: int | None = None


def guarded(function: Callable[..., Any], seconds: float, arguments: tuple) -> Any:
    """Call the function within its time; an error becomes a Failure."""
    try:
        with _alarm(seconds):
            return function(*arguments)
    except _OutOfTime:
        return Failure(f"it took longer than {seconds:g} seconds (--site-seconds)")
    except MemoryError:
        return Failure("it needed more memory than a worker may use (--site-megabytes)")
    except MvError as error:
        return Failure(str(error), traceback.format_exc())
    except OSError as error:
        if error.errno in (28, 122):  # no space, quota: not this site's fault
            raise
        return Failure(f"{error.filename or 'a file'}: {error.strerror}", traceback.format_exc())
    except Exception as error:
        return Failure(
            f"an error in the program ({type(error).__name__}: {error})", traceback.format_exc()
        )


class _OutOfTime(BaseException):
    """Raised by the alarm; not an Exception, so that no handler below swallows it."""


@contextlib.contextmanager
def _alarm(seconds: float) -> Iterator[None]:
    if not hasattr(signal, "setitimer") or (
        threading.current_thread() is not threading.main_thread()
    ):
        yield
        return

    def ring(*_: object) -> None:
        raise _OutOfTime

    before = signal.signal(signal.SIGALRM, ring)
    signal.setitimer(signal.ITIMER_REAL, seconds)
    try:
        yield
    finally:
        signal.setitimer(signal.ITIMER_REAL, 0)
        signal.signal(signal.SIGALRM, before)


class Loop:
    """One after the other, in this process; use as a context manager."""

    def __init__(self, limits: Limits) -> None:
        self.limits = limits

    def __enter__(self) -> Loop:
        return self

    def __exit__(self, *_: object) -> None:
        return None

    def map(self, function: Callable[..., Any], tasks: Iterable[Task]) -> Iterator[tuple[str, Any]]:
        """See `Engine`."""
        for name, arguments in tasks:
            yield name, guarded(function, self.limits.seconds, arguments)


class Pool:
    """A pool of processes on this machine; use as a context manager."""

    def __init__(self, workers: int, limits: Limits, preload: tuple[str, ...] = ()) -> None:
        self.workers = workers or os.cpu_count() or 1
        self.limits = limits
        self._context = _process_context(preload)
        self._pool: ProcessPoolExecutor | None = None

    def __enter__(self) -> Pool:
        return self

    def __exit__(self, kind: object, *_: object) -> None:
        self._stop(kill=kind is not None)

    def _start(self) -> ProcessPoolExecutor:
        if self._pool is None:
            self._pool = ProcessPoolExecutor(
                self.workers, self._context, _prepare_worker, (self.limits.megabytes,)
            )
        return self._pool

    def _stop(self, *, kill: bool) -> None:
        pool, self._pool = self._pool, None
        if pool is None:
            return
        if kill:
            for process in list((pool._processes or {}).values()):
                process.kill()
        pool.shutdown(wait=True, cancel_futures=True)

    def map(self, function: Callable[..., Any], tasks: Iterable[Task]) -> Iterator[tuple[str, Any]]:
        """See `Engine`.

        When a worker is killed the pool can't tell which task it had: all that were under way are
        tried again, one at a time, and only what kills a worker alone is given up.
        """
        coming = iter(tasks)  # each is made when its turn comes, so that few are in memory
        waiting: deque[tuple[Task, int]] = deque()
        suspects: deque[tuple[Task, int]] = deque()
        running: dict[Any, tuple[Task, int, float]] = {}
        while True:
            wanted = self.workers * AHEAD - len(running) - len(waiting)
            waiting.extend((task, 0) for task in islice(coming, max(wanted, 0)))
            if not (waiting or running or suspects):
                return
            alone = not waiting and not running
            source, room = (suspects, 1) if alone else (waiting, self.workers * AHEAD)
            broken = False
            while source and len(running) < room:
                task, tries = source.popleft()
                try:
                    future = self._start().submit(guarded, function, self.limits.seconds, task[1])
                except BrokenProcessPool:
                    source.appendleft((task, tries))
                    broken = True
                    break
                running[future] = (task, tries, time.monotonic())
            done, _ = wait(running, timeout=5.0, return_when=FIRST_COMPLETED)
            for future in done:
                task, tries, _ = running.pop(future)
                try:
                    yield task[0], future.result()
                except BrokenProcessPool:
                    broken = True
                    tries += alone
                    if tries < TRIES:
                        suspects.append((task, tries))
                    else:
                        yield task[0], Failure("its worker process was ended by the system twice")
            if not done and self._stuck(running):
                broken = True
            if broken:
                for task, tries, _ in running.values():
                    if tries + alone < TRIES:
                        suspects.append((task, tries + alone))
                    else:
                        yield task[0], Failure("its worker process did not answer, twice")
                running.clear()
                self._stop(kill=True)

    def _stuck(self, running: dict[Any, tuple[Task, int, float]]) -> bool:
        """Whether every worker is long past its time (deep in code that takes no signal)."""
        longest = self.limits.seconds * (AHEAD + 1) + GRACE_SECONDS
        return any(time.monotonic() - started > longest for _, _, started in running.values())


def _process_context(preload: tuple[str, ...]):
    """Workers are forked from a clean server that imported the heavy libraries once."""
    methods = multiprocessing.get_all_start_methods()
    if "forkserver" not in methods:
        return multiprocessing.get_context("spawn")
    context = multiprocessing.get_context("forkserver")
    context.set_forkserver_preload(["mv.run.server", *preload])
    return context


def _prepare_worker(megabytes: int | None) -> None:
    """A worker leaves Ctrl-C to its parent and keeps to its memory."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    gc.set_threshold(GARBAGE_EVERY, 20, 20)
    if megabytes is None:
        return
    with contextlib.suppress(ImportError, OSError, ValueError):
        import resource

        with open("/proc/self/statm") as statm:
            mapped = int(statm.read().split()[0]) * os.sysconf("SC_PAGE_SIZE")
        limit = mapped + megabytes * 1_000_000
        resource.setrlimit(resource.RLIMIT_AS, (limit, limit))


class Cluster:
    """A Dask cluster reached at an address; needs the extra `cluster`."""

    def __init__(self, address: str, limits: Limits) -> None:
        try:
            from dask.distributed import Client
        except ImportError as error:
            raise MvError(
                "--cluster needs Dask: pip install 'mvreport[cluster]', here and on the workers"
            ) from error
        self.limits = limits
        try:
            self.client = Client(address, set_as_default=False, timeout="20s")
        except OSError as error:
            raise MvError(f"no Dask scheduler answers at {address}: {error}") from error

    def __enter__(self) -> Cluster:
        return self

    def __exit__(self, *_: object) -> None:
        self.client.close()

    def map(self, function: Callable[..., Any], tasks: Iterable[Task]) -> Iterator[tuple[str, Any]]:
        """See `Engine`.  The scheduler itself repeats tasks of a worker that died."""
        from dask.distributed import as_completed

        waiting = iter(tasks)
        names: dict[str, str] = {}

        def submit(task: Task):
            future = self.client.submit(guarded, function, self.limits.seconds, task[1], pure=False)
            names[future.key] = task[0]
            return future

        room = max(sum(self.client.nthreads().values()), 1) * AHEAD
        first = [submit(task) for task in islice(waiting, room)]
        flow = as_completed(first, loop=self.client.loop)
        for future in flow:
            name = names.pop(future.key)
            try:
                answer = future.result()
            except Exception as error:
                answer = Failure(f"the cluster gave it up: {error}", traceback.format_exc())
            future.release()
            following = next(waiting, None)
            if following is not None:
                flow.add(submit(following))
            yield name, answer
