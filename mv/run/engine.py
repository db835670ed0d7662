"""How many sites are worked on: one after the other, in a pool of processes, or on a cluster.

An engine maps a function over tasks and yields (task, answer) as they finish, with only a few
tasks under way, so that memory doesn't grow with their number.  Whatever goes wrong with one
task (an error, too much time or memory, a killed worker) becomes its `Failure`; the others go
on.
"""

from __future__ import annotations

import contextlib
import gc
import signal
import threading
import traceback
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from itertools import islice
from typing import Any, Protocol

from mv.findings import MvError

AHEAD = 3
"""Tasks under way for each thread of a cluster: enough that none waits, few enough to keep memory
flat."""

GARBAGE_EVERY = 50_000
"""New objects between two searches for garbage while sites are worked on."""

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


@contextlib.contextmanager
def garbage_seldom() -> Iterator[None]:
    """Let Python look for cyclic garbage less often than it does by itself."""
    before = gc.get_threshold()
    gc.set_threshold(GARBAGE_EVERY, 20, 20)
    try:
        yield
    finally:
        gc.set_threshold(*before)


def drop_garbage() -> None:
    """Free what the latest task left behind in cycles: as a rule nothing, but whole arrays hang on
    what an error leaves, and Python does not count these."""
    gc.collect(0)


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
        with garbage_seldom():
            for name, arguments in tasks:
                yield name, guarded(function, self.limits.seconds, arguments)
                drop_garbage()


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
