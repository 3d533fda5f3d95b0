"""Files that appear whole or not at all."""

from __future__ import annotations

import contextlib
import errno
import os
import shutil
from collections.abc import Iterator
from pathlib import Path

from printq.errors import StorageError

__all__ = ["free_bytes", "publish", "storage_errors", "sync_folder", "write_atomically"]


def write_atomically(path: Path, data: bytes) -> None:
    """Write a small file: to a temporary name beside it, to the disk, then to its name, replacing what was there.

    Raises StorageError; what was there before is then untouched.
    """
    temporary = path.with_name(f"{path.name}.partial")
    with storage_errors(path):
        path.parent.mkdir(parents=True, exist_ok=True)
        try:
            with temporary.open("wb") as file:
                file.write(data)
                file.flush()
                os.fsync(file.fileno())
            temporary.replace(path)
        except BaseException:
            with contextlib.suppress(OSError):
                temporary.unlink(missing_ok=True)
            raise
        sync_folder(path.parent)


def publish(staged: Path, target: Path) -> None:
    """Give a finished file, already on disk, its final name; both must be on one file system.

    Raises StorageError where the target exists (it is never overwritten) or cannot be written.
    """
    with storage_errors(target):
        target.parent.mkdir(parents=True, exist_ok=True)
        try:
            _move_exclusively(staged, target)
        except FileExistsError as error:
            raise StorageError(
                f"{target} exists already and is never overwritten; move it away, then run again"
            ) from error
        sync_folder(target.parent)


def sync_folder(folder: Path) -> None:
    """Have a folder's names written to the disk, where the system can do that."""
    if os.name == "nt":
        return
    handle = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(handle)
    except OSError as error:
        # Some network drives know no such thing for a folder.
        if error.errno not in (errno.EINVAL, errno.ENOTSUP):
            raise
    finally:
        os.close(handle)


def free_bytes(folder: Path) -> int:
    """Room on the file system of a folder, or of its nearest parent that exists."""
    while not folder.exists() and folder != folder.parent:
        folder = folder.parent
    return shutil.disk_usage(folder).free


@contextlib.contextmanager
def storage_errors(path: Path) -> Iterator[None]:
    """Turn the system's errors while writing into one sentence each."""
    try:
        yield
    except OSError as error:
        words = {
            errno.ENOSPC: "the disk is full; make room, then run again",
            errno.EDQUOT: "the disk quota is used up; make room, then run again",
            errno.EROFS: "the disk is read-only; make it writable, then run again",
            errno.EACCES: "permission is denied; make the folder writable, then run again",
            errno.EPERM: "permission is denied; make the folder writable, then run again",
        }
        why = words.get(error.errno or 0, f"{error.strerror or error}; look at the disk, then run again")
        raise StorageError(f"{path} cannot be written: {why}") from error


def _move_exclusively(staged: Path, target: Path) -> None:
    """Rename; raises FileExistsError where the name is taken."""
    try:
        # A link fails where the name is taken, in one step; a rename would replace it.
        target.hardlink_to(staged)
    except FileExistsError:
        raise
    except (OSError, NotImplementedError):
        _rename_exclusively(staged, target)
    else:
        staged.unlink()


def _rename_exclusively(staged: Path, target: Path) -> None:
    """For file systems without links: on Windows a rename refuses a taken name by itself."""
    if os.name == "nt":
        staged.rename(target)
        return
    # Reserves the name, so that two writers cannot both find it free.
    os.close(os.open(target, os.O_CREAT | os.O_EXCL | os.O_WRONLY))
    try:
        staged.replace(target)
    except OSError:
        target.unlink()
        raise
