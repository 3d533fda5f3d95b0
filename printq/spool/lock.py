"""One driver per session."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager

from printq.errors import SessionBusyError, StorageError
from printq.spool.paths import SessionPaths

__all__ = ["hold_session", "is_busy"]


PATIENCE_S = 1.0
"""A command that only looks may hold the lock for a moment."""


@contextmanager
def hold_session(paths: SessionPaths) -> Iterator[None]:
    """Hold the session for writing; the lock goes with the process, however that ends.

    Raises
    ------
    SessionBusyError
        Another process holds it.
    StorageError
        The session folder cannot be written to.
    """
    from filelock import FileLock, Timeout

    try:
        paths.create()
        lock = FileLock(paths.lock, timeout=PATIENCE_S)
        lock.acquire()
    except Timeout as busy:
        raise SessionBusyError(
            f"another printq is working on {paths.session}; wait until it has ended, then try again"
        ) from busy
    except OSError as error:
        raise StorageError(
            f"{paths.own} cannot be written ({error.strerror or error}); make the session folder writable"
        ) from error
    try:
        yield
    finally:
        lock.release()


def is_busy(paths: SessionPaths) -> bool:
    """Whether somebody holds the session now; creates nothing."""
    from filelock import FileLock, Timeout

    if not paths.lock.exists():
        return False
    try:
        with FileLock(paths.lock, timeout=0):
            return False
    except Timeout:
        return True
    except OSError:
        return False
