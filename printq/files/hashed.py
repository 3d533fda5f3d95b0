"""A file that is hashed as it is read: whoever reads it, each byte comes from the disk once."""

from __future__ import annotations

import hashlib
import io
import os
from collections.abc import Iterable
from typing import TYPE_CHECKING, BinaryIO

if TYPE_CHECKING:
    from _typeshed import WriteableBuffer

__all__ = ["HashedFile"]

BLOCK = 1 << 20


class HashedFile(io.BufferedIOBase):
    """Reads an open file from its beginning to its end, and hashes on the way.

    A reader may jump. The first block and the last one read are kept, so that a header, and what was just read, can be
    read again from memory. Only what lies further back, or more than a block ahead, is read by itself: readers of wave
    files look there for small chunks after the samples.

    Parameters
    ----------
    file : BinaryIO
        At its beginning, and left to this object.
    algorithms : iterable of str
        Names that hashlib knows.
    """

    def __init__(self, file: BinaryIO, algorithms: Iterable[str]) -> None:
        super().__init__()
        self._file = file
        self._hashes = {name: hashlib.new(name, usedforsecurity=False) for name in algorithms}
        self._length = os.fstat(file.fileno()).st_size
        self._first = b""
        self._block = b""
        self._start = 0
        self._position = 0
        self._ended = False

    @property
    def octets(self) -> int:
        """Bytes that were read and hashed so far."""
        return self._start + len(self._block)

    def finish(self) -> dict[str, str]:
        """Read what is left, and give the checksums of the whole file, by algorithm. Raises OSError."""
        while self._advance():
            pass
        return {name: one.hexdigest() for name, one in self._hashes.items()}

    def readable(self) -> bool:
        """Always."""
        return True

    def seekable(self) -> bool:
        """Always, at a price."""
        return True

    def tell(self) -> int:
        """Where the next byte is read."""
        return self._position

    def seek(self, offset: int, whence: int = os.SEEK_SET) -> int:
        """Go elsewhere; nothing is read yet. The end is where it was when the file was opened."""
        start = {os.SEEK_SET: 0, os.SEEK_CUR: self._position, os.SEEK_END: self._length}[whence]
        self._position = max(0, start + offset)
        return self._position

    def read(self, size: int | None = -1, /) -> bytes:
        """So many bytes, fewer at the end; all that is left for None or a negative size."""
        pieces = []
        left = size if size is not None and size >= 0 else None
        while left != 0 and (piece := self._piece(left)):
            pieces.append(piece)
            left = left - len(piece) if left is not None else None
        return b"".join(pieces)

    def read1(self, size: int = -1, /) -> bytes:
        """At most so many bytes, at least one before the end."""
        return self._piece(size if size >= 0 else None) if size else b""

    def readinto(self, buffer: WriteableBuffer, /) -> int:
        """Fill a buffer; returns how many bytes there were."""
        view = memoryview(buffer).cast("B")
        data = self.read(len(view))
        view[: len(data)] = data
        return len(data)

    def _piece(self, most: int | None) -> bytes:
        """What one block holds from the present position on; empty at the end."""
        if self._position < self.octets + BLOCK:
            while self._position >= self.octets and self._advance():
                pass
        if self._start <= self._position < self.octets:
            block, start = self._block, self._start
        elif self._position < len(self._first):
            block, start = self._first, 0
        else:
            block, start = self._elsewhere(BLOCK if most is None else min(most, BLOCK)), self._position
        begin = self._position - start
        piece = block[begin : None if most is None else begin + most]
        self._position += len(piece)
        return piece

    def _advance(self) -> bool:
        """Read and hash one more block; False at the end."""
        if self._ended:
            return False
        data = self._file.read(BLOCK)
        if not data:
            self._ended = True
            return False
        for one in self._hashes.values():
            one.update(data)
        self._start, self._block = self.octets, data
        if not self._start:
            self._first = data
        return True

    def _elsewhere(self, size: int) -> bytes:
        self._file.seek(self._position)
        data = self._file.read(size)
        self._file.seek(self.octets)
        return data
