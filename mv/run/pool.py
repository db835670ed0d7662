"""Which worker has which task, and what becomes of it when the worker dies?

Every worker is a process at the other end of a pipe and has one task at a time, so it is known
which task a worker died under: that one is tried again when the others are through, with nobody
beside it to take memory from it, and given up when its worker dies again.  The parent has no
threads, and waits on the pipes alone.
"""

from __future__ import annotations

import contextlib
import multiprocessing
import os
import pickle
import signal
import time
from collections import deque
from collections.abc import Callable, Iterable, Iterator
from multiprocessing.connection import Connection, wait
from typing import Any

from mv.run.engine import Failure, Limits, Task, drop_garbage, garbage_seldom, guarded

TRIES = 2
"""How often a task is tried under which a worker dies."""
GRACE_SECONDS = 30.0
"""How long past its time a worker may take to notice before it's killed."""
LOOK_SECONDS = 5.0
"""How often is looked whether a worker is past its time."""


class Pool:
    """A pool of processes on this machine; use as a context manager."""

    def __init__(self, workers: int, limits: Limits, preload: tuple[str, ...] = ()) -> None:
        self.workers = workers or os.cpu_count() or 1
        self.limits = limits
        self._context = _process_context(preload)
        self._idle: list[_Worker] = []

    def __enter__(self) -> Pool:
        return self

    def __exit__(self, *_: object) -> None:
        for worker in self._idle:
            worker.pipe.close()
        for worker in self._idle:
            worker.process.join()
        self._idle.clear()

    def map(self, function: Callable[..., Any], tasks: Iterable[Task]) -> Iterator[tuple[str, Any]]:
        """See `Engine`.  Each task is made when its turn comes, so that few are in memory."""
        coming = iter(tasks)
        again: deque[Task] = deque()
        busy: dict[Connection, _Worker] = {}

        def give(task: Task, tries: int = 0) -> None:
            worker = self._give(function, task)
            worker.tries = tries + 1
            busy[worker.pipe] = worker

        try:
            while True:
                while len(busy) < self.workers and (task := next(coming, None)) is not None:
                    give(task)
                if not busy:
                    if not again:
                        return
                    give(again.popleft(), 1)
                for pipe in wait(list(busy), LOOK_SECONDS):
                    worker = busy.pop(pipe)
                    done, answer = worker.task, worker.answer()
                    if answer is not None:
                        self._idle.append(worker)
                        if (task := next(coming, None)) is not None:  # no worker waits for us
                            give(task)
                        yield done[0], _opened(answer)
                    elif worker.tries < TRIES:
                        again.append(done)
                    else:
                        words = "its worker process was ended by the system twice"
                        yield done[0], Failure(words)
                for worker in [w for w in busy.values() if self._overdue(w)]:
                    del busy[worker.pipe]
                    worker.kill()
                    if worker.tries < TRIES:
                        again.append(worker.task)
                    else:
                        yield worker.task[0], Failure("its worker process did not answer, twice")
        finally:
            for worker in busy.values():
                worker.kill()

    def _give(self, function: Callable[..., Any], task: Task) -> _Worker:
        """A worker that has the task: an idle one, or a new one."""
        message = pickle.dumps((function, self.limits.seconds, task[1]), protocol=5)
        while True:
            worker = self._idle.pop() if self._idle else _Worker(self._context, self.limits)
            try:
                worker.pipe.send_bytes(message)
            except OSError:  # it was ended while it had nothing to do
                worker.kill()
                continue
            worker.task, worker.since = task, time.monotonic()
            return worker

    def _overdue(self, worker: _Worker) -> bool:
        """Whether a worker is long past its time (deep in code that takes no signal)."""
        return time.monotonic() - worker.since > self.limits.seconds + GRACE_SECONDS


class _Worker:
    """A process, and what it was given to do."""

    task: Task
    tries: int
    """How often the task was tried, this time included."""
    since: float

    def __init__(self, context: Any, limits: Limits) -> None:
        self.pipe, theirs = context.Pipe()
        self.process = context.Process(target=_work, args=(theirs, limits.megabytes), daemon=True)
        self.process.start()
        theirs.close()

    def answer(self) -> bytes | None:
        """What it answers; None where it was ended."""
        try:
            return self.pipe.recv_bytes()
        except (EOFError, OSError):
            self.kill()
            return None

    def kill(self) -> None:
        """End it whatever it does."""
        self.process.kill()
        self.process.join()
        self.pipe.close()


def _opened(answer: bytes) -> Any:
    value = pickle.loads(answer)
    if isinstance(value, BaseException):
        raise value
    return value


def _work(pipe: Connection, megabytes: int | None) -> None:
    """What a worker does: answer one message after the other until the pipe is closed."""
    _keep_to(megabytes)
    ended = (EOFError, BrokenPipeError, ConnectionResetError)
    with contextlib.suppress(*ended), garbage_seldom():
        while True:
            pipe.send_bytes(_answer(pipe.recv_bytes()))
            drop_garbage()


def _answer(message: bytes) -> bytes:
    """The answer, pickled: a value, a Failure, or an error that is no task's fault."""
    function, seconds, arguments = pickle.loads(message)
    try:
        answer = guarded(_pickled, seconds, (function, arguments))
    except Exception as error:
        answer = error
    return answer if isinstance(answer, bytes) else pickle.dumps(answer, protocol=5)


def _pickled(function: Callable[..., Any], arguments: tuple) -> bytes:
    return pickle.dumps(function(*arguments), protocol=5)


def _process_context(preload: tuple[str, ...]):
    """Workers are forked from a clean server that imported the heavy libraries once."""
    methods = multiprocessing.get_all_start_methods()
    if "forkserver" not in methods:
        return multiprocessing.get_context("spawn")
    context = multiprocessing.get_context("forkserver")
    context.set_forkserver_preload(["mv.run.server", *preload])
    return context


def _keep_to(megabytes: int | None) -> None:
    """A worker leaves Ctrl-C to its parent and keeps to its memory."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    if megabytes is None:
        return
    with contextlib.suppress(ImportError, OSError, ValueError):
        import resource

        with open("/proc/self/statm") as statm:
            mapped = int(statm.read().split()[0]) * os.sysconf("SC_PAGE_SIZE")
        limit = mapped + megabytes * 1_000_000
        resource.setrlimit(resource.RLIMIT_AS, (limit, limit))
