"""Pictures on disk: whole or not at all, and never in the place of something else."""

from __future__ import annotations

from pathlib import Path

from printq.errors import StorageError, UsageError
from printq.files.atomic import storage_errors, write_atomically
from printq.pictures.svg import MAKER

__all__ = ["save_picture"]

LOOKED_AT = 2_000
"""Bytes of a file that are read to see whether it is an earlier picture: the mark is in its first element."""


def save_picture(path: Path, picture: str) -> None:
    """Write a picture; an earlier one of ours under that name is replaced.

    Raises
    ------
    UsageError
        The name does not end in `.svg`.
    StorageError
        Something else has that name, or it cannot be written. What was there is untouched.
    """
    if path.suffix.lower() != ".svg":
        raise UsageError(f"{path}: pictures are drawn as SVG; give a name that ends in .svg")
    with storage_errors(path):
        if path.is_dir():
            raise StorageError(f"{path} is a folder; name a file in it, such as {path / 'plan.svg'}")
        if (path.exists() or path.is_symlink()) and not _is_ours(path):
            raise StorageError(f"{path} exists and is no picture of printq's; choose another name, or move it away")
    write_atomically(path, picture.encode())


def _is_ours(path: Path) -> bool:
    if not path.is_file() or path.is_symlink():
        return False
    with path.open("rb") as file:
        return MAKER.encode() in file.read(LOOKED_AT)
