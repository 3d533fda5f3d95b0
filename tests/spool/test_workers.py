"""Worker processes: what they bring back, and what happens when one dies."""

from __future__ import annotations

import os
import signal
import sys
from pathlib import Path

import pytest

from printq.errors import FileError, StoppedError
from printq.spool.workers import TaskResult, WorkerPool


def double(number: int) -> int:
    return 2 * number


def refuse() -> None:
    raise FileError("it is not there")


def die_once(marker: str) -> str:
    path = Path(marker)
    if not path.exists():
        path.touch()
        os.kill(os.getpid(), signal.SIGKILL)
    return "done"


def die() -> None:
    os.kill(os.getpid(), signal.SIGKILL)


def finish(pool: WorkerPool) -> list[TaskResult]:
    results = []
    while pool.open_tasks:
        results += pool.collect(timeout=10.0)
    return results


@pytest.mark.parametrize("workers", [0, 1, 2])
def test_every_task_comes_back_with_its_key(workers: int) -> None:
    with WorkerPool(workers) as pool:
        for number in range(5):
            pool.submit(number, double, number)
        assert {result.key: result.value for result in finish(pool)} == {n: 2 * n for n in range(5)}


@pytest.mark.parametrize("workers", [0, 1])
def test_an_expected_error_comes_back_as_one(workers: int) -> None:
    with WorkerPool(workers) as pool:
        pool.submit("a", refuse)
        (result,) = finish(pool)
    assert isinstance(result.error, FileError)


@pytest.mark.skipif(sys.platform == "win32", reason="kills by signal")
def test_the_task_of_a_worker_that_dies_goes_to_another(tmp_path: Path) -> None:
    with WorkerPool(1) as pool:
        pool.submit("a", die_once, str(tmp_path / "died"))
        (result,) = finish(pool)
    assert result.value == "done"


@pytest.mark.skipif(sys.platform == "win32", reason="kills by signal")
def test_a_task_that_kills_every_worker_ends_with_a_plain_error() -> None:
    with WorkerPool(1) as pool:
        pool.submit("a", die)
        (result,) = finish(pool)
        assert isinstance(result.error, StoppedError)
        pool.submit("b", double, 4)
        assert [r.value for r in finish(pool)] == [8]


@pytest.mark.skipif(sys.platform == "win32", reason="kills by signal")
def test_an_idle_worker_that_was_killed_is_replaced() -> None:
    with WorkerPool(1) as pool:
        pool.submit("a", double, 1)
        finish(pool)
        process = pool._workers[0].process
        assert process.pid is not None
        os.kill(process.pid, signal.SIGKILL)
        process.join()
        pool.submit("b", double, 2)
        assert [result.value for result in finish(pool)] == [4]
