"""Where the files of a bag are read: here, in processes of this machine, or on a cluster."""

from __future__ import annotations

import os
from collections import deque
from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager
from functools import partial
from typing import Any, Protocol, TypeVar

from printq.errors import UsageError

__all__ = ["HERE", "Executor", "open_executor"]

CONNECT_S = 10.0
"""How long a scheduler is tried."""
JOBS_EACH = 4
"""That wait for a worker at a time: enough that it never waits itself."""
Job = TypeVar("Job")
Result = TypeVar("Result")


class Executor(Protocol):
    """Applies a function of a module to jobs; results come in the order of the jobs.

    Jobs are taken as they can be done: neither they nor results pile up.
    """

    def map(self, function: Callable[[Job], Result], jobs: Iterable[Job]) -> Iterable[Result]: ...


class Here:
    """In this process, one after the other."""

    def map(self, function: Callable[[Job], Result], jobs: Iterable[Job]) -> Iterable[Result]:
        """See `Executor`."""
        return map(function, jobs)


HERE: Executor = Here()


class _Workers:
    """Processes or a cluster: anything that hands out futures."""

    def __init__(self, submit: Callable[..., Any], count: int) -> None:
        self._submit = submit
        self._most = JOBS_EACH * count

    def map(self, function: Callable[[Job], Result], jobs: Iterable[Job]) -> Iterator[Result]:
        """See `Executor`."""
        waiting: deque[Any] = deque()
        try:
            for job in jobs:
                waiting.append(self._submit(function, job))
                if len(waiting) >= self._most:
                    yield waiting.popleft().result()
            while waiting:
                yield waiting.popleft().result()
        finally:
            for future in waiting:
                future.cancel()


@contextmanager
def open_executor(workers: int | None = None, dask: str | None = None) -> Iterator[Executor]:
    """What runs the jobs: a dask scheduler where an address is given, or else so many processes (as there are cores).

    Raises UsageError where the scheduler cannot be reached or its package is not installed.
    """
    if dask is not None:
        with _connected(dask) as client:
            yield _Workers(partial(client.submit, pure=False), sum(client.nthreads().values()) or 1)
        return
    count = workers if workers is not None else os.cpu_count() or 1
    if count <= 1:
        yield HERE
        return
    from concurrent.futures import ProcessPoolExecutor
    from multiprocessing import get_context

    with ProcessPoolExecutor(count, mp_context=get_context("spawn")) as pool:
        yield _Workers(pool.submit, count)


@contextmanager
def _connected(address: str) -> Iterator[Any]:
    try:
        from distributed import Client
    except ImportError as error:
        raise UsageError("--dask needs the extra 'cluster'; install it with: pip install 'printq[cluster]'") from error
    try:
        connect: Any = Client  # has no types
        client = connect(address, timeout=CONNECT_S, set_as_default=False)
    except (OSError, ValueError) as error:
        raise UsageError(
            f"no dask scheduler answers at {address} ({error}); start it or correct the address"
        ) from error
    with client:
        yield client
