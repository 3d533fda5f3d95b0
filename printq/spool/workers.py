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

from printq.errors import PrintqError

__all__ = ["TaskResult", "WorkerPool"]


@dataclass(frozen=True)
class TaskResult:
    """What became of a task: its value, or the error that it raised."""

    key: Any
    value: Any
    error: Exception | None


@dataclass
class _Worker:
    process: BaseProcess
    pipe: Connection
    key: Any = None
    busy: bool = False


class WorkerPool:
    """Runs functions in a few processes of their own, or right here when `workers` is 0.

    Functions and arguments must be importable and picklable. Results come in the order in which
    they are ready.
    """

    def __init__(self, workers: int) -> None:
        self._size = workers
        self._workers: list[_Worker] = []
        self._waiting: list[tuple[Any, Callable[..., Any], tuple[Any, ...]]] = []
        self._ready: list[TaskResult] = []

    def __enter__(self) -> WorkerPool:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    @property
    def open_tasks(self) -> int:
        """Tasks whose results have not been collected yet."""
        return len(self._waiting) + len(self._ready) + sum(worker.busy for worker in self._workers)

    def submit(self, key: Any, function: Callable[..., Any], *arguments: Any) -> None:
        """Have a function called; `key` comes back with its result."""
        if self._size == 0:
            self._ready.append(_call(key, function, arguments))
            return
        self._waiting.append((key, function, arguments))
        self._hand_out()

    def collect(self, timeout: float = 0.0) -> list[TaskResult]:
        """What is ready now; waits up to `timeout` seconds for the first one."""
        if not self._ready:
            busy = [worker.pipe for worker in self._workers if worker.busy]
            if busy:
                for pipe in wait(busy, timeout):
                    worker = next(each for each in self._workers if each.pipe is pipe)
                    self._ready.append(self._receive(worker))
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
            key, function, arguments = self._waiting.pop(0)
            worker.pipe.send((function, arguments))
            worker.key, worker.busy = key, True

    def _idle_worker(self) -> _Worker | None:
        for worker in self._workers:
            if not worker.busy:
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

    def _receive(self, worker: _Worker) -> TaskResult:
        key = worker.key
        worker.busy = False
        try:
            value, error = worker.pipe.recv()
        except (EOFError, OSError):
            self._workers.remove(worker)
            return TaskResult(key, None, RuntimeError("a worker process ended without an answer"))
        return TaskResult(key, value, error)


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
