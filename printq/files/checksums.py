"""Checksums: of a file as it lies on disk, and of the audio in it, whatever it is packed in."""

from __future__ import annotations

import hashlib
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from printq.errors import FileError

__all__ = ["AudioHasher", "file_sha256"]


def file_sha256(path: Path) -> str:
    """SHA-256 of a file, in hexadecimal. Raises FileError where it cannot be read."""
    try:
        with path.open("rb") as file:
            return hashlib.file_digest(file, "sha256").hexdigest()
    except OSError as error:
        raise FileError(f"{path} cannot be read ({error.strerror or error})") from error


class AudioHasher:
    """SHA-256 over rate, channels and decoded samples.

    Samples count as little-endian float64, interleaved: the same audio has the same checksum as WAV and
    as FLAC, at 24 bits and as float, and however it is cut into blocks.
    """

    def __init__(self, rate: int, channels: int) -> None:
        self._hash = hashlib.sha256(f"{rate} Hz, {channels} channels\n".encode())

    def add(self, block: NDArray[np.floating]) -> None:
        """Add samples, shape (frames, channels)."""
        # Adding zero turns -0.0 into 0.0: the two sound the same and differ in their bits.
        self._hash.update(np.add(block, 0.0, dtype="<f8", order="C").data)

    def hexdigest(self) -> str:
        """The checksum so far."""
        return self._hash.hexdigest()
