"""Checking beside printing: worker processes that measure and render while takes roll.

Spawned, never forked: a fork would copy the driver's stream and locks. A worker ends when its pipe
closes, so none outlives a driver that was killed. Workers return records; they write nothing but staged
files, and neither journal nor deliveries.
"""

from __future__ import annotations

import os
import signal
from collections.abc import Callable
from dataclasses import dataclass
from multiprocessing import get_context
from multiprocessing.connection import Connection, wait
from multiprocessing.process import BaseProcess
from typing import Any

from printq.errors import PrintqError, StoppedError

__all__ = ["TaskResult", "WorkerPool"]

MOST_TRIES = 3


@dataclass(frozen=True)
class TaskResult:
    """What became of a task: its value, or the error that it raised."""

    key: Any
    value: Any
    error: Exception | None


@dataclass
class _Task:
    key: Any
    function: Callable[..., Any]
    arguments: tuple[Any, ...]
    tries: int = 0


@dataclass
class _Worker:
    process: BaseProcess
    pipe: Connection
    task: _Task | None = None


class WorkerPool:
    """Runs functions in a few processes of their own, or right here when `workers` is 0.

    Functions and arguments must be importable and picklable. Results come in the order in which
    they are ready.
    """

    def __init__(self, workers: int) -> None:
        self._size = workers
        self._workers: list[_Worker] = []
        self._waiting: list[_Task] = []
        self._ready: list[TaskResult] = []

    def __enter__(self) -> WorkerPool:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    @property
    def open_tasks(self) -> int:
        """Tasks whose results have not been collected yet."""
        return len(self._waiting) + len(self._ready) + sum(worker.task is not None for worker in self._workers)

    def submit(self, key: Any, function: Callable[..., Any], *arguments: Any) -> None:
        """Have a function called; `key` comes back with its result."""
        if self._size == 0:
            self._ready.append(_call(key, function, arguments))
            return
        self._waiting.append(_Task(key, function, arguments))
        self._hand_out()

    def collect(self, timeout: float = 0.0) -> list[TaskResult]:
        """What is ready now; waits up to `timeout` seconds for the first one."""
        if not self._ready:
            busy = [worker.pipe for worker in self._workers if worker.task is not None]
            if busy:
                for pipe in wait(busy, timeout):
                    worker = next(each for each in self._workers if each.pipe is pipe)
                    self._receive(worker)
        self._hand_out()
        ready, self._ready = self._ready, []
        return ready

    def close(self) -> None:
        """End the workers; tasks that have not been started are dropped."""
        for worker in self._workers:
            worker.pipe.close()
        for worker in self._workers:
            worker.process.join(5.0)
            if worker.process.is_alive():
                worker.process.kill()
                worker.process.join()
        self._workers = []
        self._waiting = []

    def _hand_out(self) -> None:
        while self._waiting:
            worker = self._idle_worker()
            if worker is None:
                return
            task = self._waiting.pop(0)
            try:
                worker.pipe.send((task.function, task.arguments))
            except OSError:
                self._lose(worker, task)
            else:
                worker.task = task

    def _idle_worker(self) -> _Worker | None:
        for worker in self._workers:
            if worker.task is None:
                return worker
        if len(self._workers) >= self._size:
            return None
        context = get_context("spawn")
        ours, theirs = context.Pipe()
        process = context.Process(target=_serve, args=(theirs,), daemon=True, name="printq-worker")
        process.start()
        # Without this the worker would hold its own pipe open through us and never see it close.
        theirs.close()
        self._workers.append(_Worker(process, ours))
        return self._workers[-1]

    def _receive(self, worker: _Worker) -> None:
        task = worker.task
        assert task is not None
        worker.task = None
        try:
            value, error = worker.pipe.recv()
        except (EOFError, OSError):
            self._lose(worker, task)
        else:
            self._ready.append(TaskResult(task.key, value, error))

    def _lose(self, worker: _Worker, task: _Task) -> None:
        """A worker has died: its task goes to another one, but not for ever."""
        self._workers.remove(worker)
        worker.pipe.close()
        task.tries += 1
        if task.tries < MOST_TRIES:
            self._waiting.insert(0, task)
        else:
            why = "a measuring process ended without an answer, again and again; is there enough memory?"
            self._ready.append(TaskResult(task.key, None, StoppedError(why)))


def _call(key: Any, function: Callable[..., Any], arguments: tuple[Any, ...]) -> TaskResult:
    try:
        return TaskResult(key, function(*arguments), None)
    except (PrintqError, OSError) as error:
        return TaskResult(key, None, error)


def _serve(pipe: Connection) -> None:
    """The life of a worker: call what comes, until the pipe closes."""
    # Set before a task brings numpy in: on busy cores its own threads only get in each other's way.
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    # Ctrl-C reaches the whole group of processes; only the driver decides what it means.
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    while True:
        try:
            function, arguments = pipe.recv()
        except (EOFError, OSError):
            return
        answer: tuple[Any, Exception | None]
        try:
            answer = (function(*arguments), None)
        except Exception as error:
            answer = (None, error)
        try:
            pipe.send(answer)
        except (EOFError, OSError):
            return
        except Exception as error:  # an answer that cannot be pickled
            pipe.send((None, RuntimeError(f"{error}: {answer!r}")))
