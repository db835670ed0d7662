"""One bad task never stops the others: errors, time, memory, a killed worker."""

import signal
import time

import pytest
from engine_tasks import act, double

from mv.run.engine import Failure, Limits, Loop, guarded
from mv.run.pool import Pool


def test_loop_goes_on_after_an_error():
    tasks = [("a", ("fine", 1)), ("b", ("error", 2)), ("c", ("fine", 3))]
    answers = dict(Loop(Limits()).map(act, tasks))
    assert answers["a"] == 1
    assert answers["c"] == 3
    assert answers["b"].reason == "an error in the program (ValueError: odd)"
    assert "odd" in answers["b"].trace


def test_a_users_mistake_keeps_its_own_words():
    answer = guarded(act, 10, ("user error", 0))
    assert answer.reason == "m.csv: the file is empty."


def test_time_out():
    started = time.monotonic()
    answer = guarded(act, 0.2, ("slow", 0))
    assert answer == Failure("it took longer than 0.2 seconds (--site-seconds)")
    assert time.monotonic() - started < 10
    assert signal.getitimer(signal.ITIMER_REAL) == (0.0, 0.0)


def test_a_full_disk_is_not_one_sites_fault():
    def full():
        raise OSError(28, "No space left on device")

    with pytest.raises(OSError, match="No space left"):
        guarded(full, 10, ())


@pytest.fixture(scope="module")
def pool():
    with Pool(2, Limits(seconds=20, megabytes=1500)) as made:
        yield made


def test_pool_answers_every_task_with_its_own_name(pool):
    tasks = [(str(i), (i,)) for i in range(50)]
    assert dict(pool.map(double, tasks)) == {str(i): 2 * i for i in range(50)}


def test_pool_survives_errors_memory_and_killed_workers(pool, tmp_path):
    tasks = [
        ("fine", ("fine", 1)),
        ("dies", ("dies", 2)),
        ("dies once", ("dies once", 3, str(tmp_path / "mark"))),
        ("error", ("error", 4)),
        ("hungry", ("hungry", 5)),
        *((f"more {i}", ("fine", i)) for i in range(10)),
    ]
    answers = dict(pool.map(act, tasks))
    assert set(answers) == {name for name, _ in tasks}
    assert answers["fine"] == 1
    assert answers["dies once"] == 3
    assert answers["dies"] == Failure("its worker process was ended by the system twice")
    assert answers["error"].reason.startswith("an error in the program")
    assert answers["hungry"].reason.startswith("it needed more memory")
    assert [answers[f"more {i}"] for i in range(10)] == list(range(10))
    # and the pool still works
    assert dict(pool.map(double, [("x", (4,))])) == {"x": 8}


def test_a_worker_that_ends_while_idle_is_replaced(pool):
    assert dict(pool.map(double, [("x", (4,))])) == {"x": 8}
    for worker in pool._idle:
        worker.process.kill()
        worker.process.join()
    assert dict(pool.map(double, [("x", (4,)), ("y", (5,))])) == {"x": 8, "y": 10}


def test_a_worker_deaf_to_its_time_is_ended(monkeypatch):
    monkeypatch.setattr("mv.run.pool.GRACE_SECONDS", 0.1)
    monkeypatch.setattr("mv.run.pool.LOOK_SECONDS", 0.1)
    with Pool(1, Limits(seconds=0.2)) as alone:
        answers = dict(alone.map(act, [("deaf", ("deaf", 1)), ("fine", ("fine", 2))]))
    assert answers == {"deaf": Failure("its worker process did not answer, twice"), "fine": 2}


def test_a_full_disk_in_a_worker_ends_the_run(pool):
    with pytest.raises(OSError, match="No space left"):
        list(pool.map(act, [("a", ("full", 1))]))
    assert dict(pool.map(double, [("x", (4,))])) == {"x": 8}


def test_an_answer_that_cannot_be_sent_is_a_failure(pool):
    (answer,) = dict(pool.map(act, [("a", ("no pickle", 1))])).values()
    assert answer.reason.startswith("an error in the program")
