"""A ring buffer between the audio callback and the disk: one side writes, the other reads.

The callback must not wait, lock or allocate. Each side moves a counter of its own and only reads the
other's, so no lock is needed as long as there is one writer and one reader.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

__all__ = ["RingBuffer"]

Block = NDArray[np.float32]


class RingBuffer:
    """Room for `frames` frames of `channels` channels, float32."""

    def __init__(self, frames: int, channels: int) -> None:
        self._samples = np.zeros((frames, channels), dtype=np.float32)
        self._size = frames
        self._written = 0
        self._read = 0

    @property
    def available(self) -> int:
        """Frames that can be read."""
        return self._written - self._read

    @property
    def room(self) -> int:
        """Frames that can be written."""
        return self._size - self.available

    def write(self, block: Block) -> int:
        """Copy as much of `block` (frames, channels) in as fits; returns the frames taken."""
        frames = min(len(block), self.room)
        start = self._written % self._size
        head = min(frames, self._size - start)
        self._samples[start : start + head] = block[:head]
        if head < frames:
            self._samples[: frames - head] = block[head:frames]
        self._written += frames
        return frames

    def read_into(self, out: Block) -> int:
        """Copy what is there into `out` (frames, channels), as far as it goes; returns the frames copied."""
        frames = min(len(out), self.available)
        start = self._read % self._size
        head = min(frames, self._size - start)
        out[:head] = self._samples[start : start + head]
        if head < frames:
            out[head:frames] = self._samples[: frames - head]
        self._read += frames
        return frames

    def read(self, frames: int) -> Block:
        """Up to so many frames as an array of their own."""
        out = np.empty((min(frames, self.available), self._samples.shape[1]), dtype=np.float32)
        self.read_into(out)
        return out
