"""A folder that appears whole or not at all: made as NAME.partial, under a lock beside it, and renamed at the end."""

from __future__ import annotations

import contextlib
import os
import shutil
from collections import deque
from collections.abc import Iterator
from concurrent.futures import Future, ThreadPoolExecutor
from pathlib import Path
from types import TracebackType
from typing import BinaryIO, Self

from printq.errors import SessionBusyError, StorageError
from printq.files.atomic import storage_errors, sync_folder

__all__ = ["DiskSync", "staged_folder", "write_synced"]

MOST_WAITING = 4
"""Files that wait for the disk at a time: it is soon known when it is full."""


@contextlib.contextmanager
def staged_folder(target: Path) -> Iterator[Path]:
    """A new folder that gets its final name when the block ends without an error, and is removed otherwise.

    What a killed attempt left is known by its lock file and replaced; an empty folder is taken over.

    Raises
    ------
    StorageError
        The target exists with something in it, somebody's own folder has the temporary name, or the disk says no.
    SessionBusyError
        Another process is writing the same folder.
    """
    from filelock import FileLock, Timeout

    partial = target.with_name(f"{target.name}.partial")
    mark = target.with_name(f"{target.name}.partial.lock")
    with storage_errors(target):
        target.parent.mkdir(parents=True, exist_ok=True)
        _refuse_taken(target)
        ours = mark.is_file() and not mark.is_symlink()
        if os.path.lexists(partial) and not ours:
            raise StorageError(f"{partial} exists and was not made by this program; move it away, then try again")
        lock = FileLock(mark, timeout=0)
        try:
            lock.acquire()
        except Timeout as busy:
            raise SessionBusyError(f"another printq is writing {target}; wait until it has ended") from busy
        try:
            if os.path.lexists(partial):
                _remove(partial)
            partial.mkdir()
            try:
                yield partial
                _sync_folders(partial)
                _refuse_taken(target)
                partial.rename(target)
            except BaseException:
                with contextlib.suppress(OSError):
                    _remove(partial)
                raise
            sync_folder(target.parent)
        finally:
            lock.release()
            with contextlib.suppress(OSError):
                if not os.path.lexists(partial):
                    mark.unlink(missing_ok=True)


class DiskSync:
    """Has finished files written to the disk while the next ones are made; at its end all of them are there.

    Use it as a context manager inside `staged_folder`. Raises OSError, at the latest at its end.
    """

    def __init__(self) -> None:
        self._thread = ThreadPoolExecutor(1)
        self._waiting: deque[Future[None]] = deque()

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, value: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._thread.shutdown(wait=True)
        if kind is None:
            for each in self._waiting:
                each.result()

    def add(self, file: BinaryIO) -> None:
        """A file that is written to its end; it may be closed."""
        file.flush()
        self._waiting.append(self._thread.submit(_sync_handle, os.dup(file.fileno())))
        if len(self._waiting) > MOST_WAITING:
            self._waiting.popleft().result()


def _sync_handle(handle: int) -> None:
    try:
        os.fsync(handle)
    finally:
        os.close(handle)


def write_synced(path: Path, data: bytes) -> None:
    """Write a new small file and have it on the disk. Raises OSError, also where the name is taken."""
    with path.open("xb") as file:
        file.write(data)
        file.flush()
        os.fsync(file.fileno())


def _refuse_taken(target: Path) -> None:
    if os.path.lexists(target) and (target.is_symlink() or not target.is_dir() or any(target.iterdir())):
        raise StorageError(f"{target} exists already and is never overwritten; choose another name")


def _remove(folder: Path) -> None:
    if folder.is_symlink() or not folder.is_dir():
        folder.unlink()
    else:
        shutil.rmtree(folder)


def _sync_folders(folder: Path) -> None:
    for path, _, _ in os.walk(folder):
        sync_folder(Path(path))
