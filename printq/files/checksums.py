"""Checksums: of a file as it lies on disk, and of the audio in it, whatever it is packed in."""

from __future__ import annotations

import hashlib
import os
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from types import TracebackType
from typing import Self

import numpy as np
from numpy.typing import NDArray

from printq.errors import FileError

__all__ = ["AudioHasher", "FileHasher", "file_sha256"]

BYTES_AT_ONCE, READS = 1 << 18, 4
FRAMES_AT_ONCE = 1 << 13
"""What is read or made anew for a checksum stays in a processor's cache until it is taken."""


def file_sha256(path: Path) -> str:
    """SHA-256 of a file, in hexadecimal. Raises FileError where it cannot be read."""
    with FileHasher(path) as hasher:
        return hasher.hexdigest()


def _identity(found: os.stat_result) -> tuple[int, ...]:
    return found.st_dev, found.st_ino, found.st_size, found.st_mtime_ns


class FileHasher:
    """SHA-256 of a file, a megabyte at a time; use it as a context manager.

    Raises FileError where the file cannot be read.
    """

    def __init__(self, path: Path) -> None:
        self._path = path
        self._hash = hashlib.sha256()
        self._buffer = memoryview(bytearray(BYTES_AT_ONCE))
        with self._errors():
            self._file = path.open("rb", buffering=0)
            self._opened = _identity(os.fstat(self._file.fileno()))

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, value: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._file.close()

    def go_on(self) -> bool:
        """Look at the next megabyte; whether something may follow."""
        for _ in range(READS):
            with self._errors():
                got = self._file.readinto(self._buffer)
            if not got:
                return False
            self._hash.update(self._buffer[:got])
        return True

    def hexdigest(self) -> str:
        """Of the whole file, in hexadecimal."""
        while self.go_on():
            pass
        return self._hash.hexdigest()

    def is_untouched(self) -> bool:
        """Whether the path still leads to the file that was opened, and nobody has written to it since."""
        with self._errors():
            return _identity(self._path.stat()) == self._opened

    @contextmanager
    def _errors(self) -> Iterator[None]:
        try:
            yield
        except OSError as error:
            raise FileError(f"{self._path} cannot be read ({error.strerror or error})") from error


class AudioHasher:
    """SHA-256 over rate, channels and decoded samples.

    Samples count as little-endian float64, interleaved: the same audio has the same checksum as WAV and
    as FLAC, at 24 bits and as float, and however it is cut into blocks.
    """

    def __init__(self, rate: int, channels: int) -> None:
        self._hash = hashlib.sha256(f"{rate} Hz, {channels} channels\n".encode())
        self._samples = np.empty((FRAMES_AT_ONCE, channels), dtype="<f8")

    def add(self, block: NDArray[np.floating]) -> None:
        """Add samples, shape (frames, channels). Raises ValueError for another number of channels."""
        if block.shape[1] != self._samples.shape[1]:
            raise ValueError(f"a checksum of {self._samples.shape[1]} channels cannot take a block of {block.shape[1]}")
        for start in range(0, len(block), FRAMES_AT_ONCE):
            part = block[start : start + FRAMES_AT_ONCE]
            # Adding zero turns -0.0 into 0.0: the two sound the same and differ in their bits.
            self._hash.update(np.add(part, 0.0, out=self._samples[: len(part)]).data)

    def digest(self) -> bytes:
        """The checksum so far."""
        return self._hash.digest()

    def hexdigest(self) -> str:
        """The same in hexadecimal."""
        return self._hash.hexdigest()
