"""Samples that are still needed while a take goes by."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

__all__ = ["SampleStore", "WhitenedWaves"]

Real = NDArray[np.float32]

SPACE = 3
"""Times what is kept: the more there is, the more rarely it must be moved."""


class WhitenedWaves:
    """Return and expectation, whitened, and the return's power: the last segment and the end of the one before.

    Segments are held as they come; only what is looked at is put together.
    """

    def __init__(self) -> None:
        self._parts: list[tuple[Real, Real, Real, int]] = []
        """The last is how often two samples that follow each other have the same power."""
        self._gone = 0
        """Samples of the first part that are not needed any more."""

    def add(self, returned: Real, expected: Real, power: Real) -> None:
        """A segment."""
        self._parts.append((returned, expected, power, int(np.count_nonzero(power[1:] == power[:-1]))))

    def add_silence(self, frames: int) -> None:
        """What is before the first segment, or behind the last."""
        self.add(*np.zeros((3, frames), dtype=np.float32))

    def drop(self, frames: int) -> None:
        """Forget the first ones of those held."""
        self._gone += frames
        while self._parts and self._gone >= len(self._parts[0][0]):
            self._gone -= len(self._parts.pop(0)[0])

    def equal_neighbours(self) -> int:
        """How many samples are like the one before, within the segments of which something is held."""
        return sum(part[3] for part in self._parts)

    def power(self) -> Real:
        """Of all that is held."""
        return np.concatenate([part[2] for part in self._parts])[self._gone :]

    def piece(self, low: int, high: int) -> tuple[Real, Real]:
        """Return and expectation, from one of the samples held to another."""
        found: tuple[list[Real], list[Real]] = [], []
        first = -self._gone
        for part in self._parts:
            here = slice(max(0, low - first), max(0, high - first))
            for row, signal in zip(found, part[:2], strict=True):
                row.append(signal[here])
            first += len(part[0])
        returned, expected = (np.concatenate(row) for row in found)
        return returned, expected


class SampleStore:
    """Samples that are still needed; silence around them."""

    def __init__(self, channels: int) -> None:
        # Channels side by side, as they come: to part them costs more than the filters pay for it.
        self._data = np.zeros((1 << 16, channels), dtype=np.float32)
        self._first = 0
        """Frame of the first sample kept, which is at `_low` in the data."""
        self._low = self._high = 0

    def add(self, block: NDArray[np.floating]) -> None:
        if self._high + len(block) > len(self._data):
            kept = self._high - self._low
            need = SPACE * (kept + len(block))
            moved = self._data
            if need > len(moved):
                moved = np.zeros((need, moved.shape[1]), dtype=np.float32)
            moved[:kept] = self._data[self._low : self._high]
            self._data, self._low, self._high = moved, 0, kept
        self._data[self._high : self._high + len(block)] = block
        self._high += len(block)

    def drop(self, first: int) -> None:
        """Forget what is before a frame."""
        gone = max(0, min(first - self._first, self._high - self._low))
        self._first += gone
        self._low += gone

    def read(self, first: int, frames: int) -> Real:
        """Samples from a frame on, shape (channels, frames), not to be changed."""
        low = max(first, self._first)
        high = min(first + frames, self._first + self._high - self._low)
        shift = self._low - self._first
        if low == first and high == first + frames:
            return self._data[low + shift : high + shift].T
        piece = np.zeros((frames, self._data.shape[1]), dtype=np.float32)
        if low < high:
            piece[low - first : high - first] = self._data[low + shift : high + shift]
        return piece.T
