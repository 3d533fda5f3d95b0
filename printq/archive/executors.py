"""Where the files of a bag are read: here, in processes of this machine, or on a cluster."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import contextmanager
from typing import Any, Protocol, TypeVar

from printq.errors import UsageError

__all__ = ["Executor", "open_executor"]

Job = TypeVar("Job")
Result = TypeVar("Result")


class Executor(Protocol):
    """Applies a function of a module to jobs; results come in the order of the jobs."""

    def map(self, function: Callable[[Job], Result], jobs: Sequence[Job]) -> Iterable[Result]: ...


class Here:
    """In this process, one after the other."""

    def map(self, function: Callable[[Job], Result], jobs: Sequence[Job]) -> Iterable[Result]:
        """See `Executor`."""
        return map(function, jobs)


class _Pool:
    def __init__(self, pool: Any) -> None:
        self._pool = pool

    def map(self, function: Callable[[Job], Result], jobs: Sequence[Job]) -> Iterable[Result]:
        """See `Executor`."""
        results: Iterator[Result] = self._pool.map(function, jobs, chunksize=max(1, min(16, len(jobs) // 64)))
        return results


class _Cluster:
    def __init__(self, client: Any) -> None:
        self._client = client

    def map(self, function: Callable[[Job], Result], jobs: Sequence[Job]) -> Iterable[Result]:
        """See `Executor`."""
        results: list[Result] = self._client.gather(self._client.map(function, jobs, pure=False))
        return results


@contextmanager
def open_executor(workers: int | None = None, dask: str | None = None) -> Iterator[Executor]:
    """What runs the jobs: a dask scheduler where an address is given, or else so many processes (as there are cores).

    Raises UsageError where the scheduler cannot be reached or its package is not installed.
    """
    if dask is not None:
        with _connected(dask) as client:
            yield _Cluster(client)
        return
    count = workers if workers is not None else os.cpu_count() or 1
    if count <= 1:
        yield Here()
        return
    from concurrent.futures import ProcessPoolExecutor
    from multiprocessing import get_context

    with ProcessPoolExecutor(count, mp_context=get_context("spawn")) as pool:
        yield _Pool(pool)


@contextmanager
def _connected(address: str) -> Iterator[Any]:
    try:
        from distributed import Client
    except ImportError as error:
        raise UsageError("--dask needs the extra 'cluster'; install it with: pip install 'printq[cluster]'") from error
    try:
        connect: Any = Client  # has no types
        client = connect(address, timeout="10s", set_as_default=False)
    except (OSError, ValueError) as error:
        raise UsageError(
            f"no dask scheduler answers at {address} ({error}); start it or correct the address"
        ) from error
    with client:
        yield client
