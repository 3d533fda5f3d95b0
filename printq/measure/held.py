"""Samples that are still needed while a take goes by."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

__all__ = ["SampleStore", "WhitenedWaves"]

Real = NDArray[np.float32]

SPACE = 3
"""Times what is kept: the more there is, the more rarely it must be moved."""


@dataclass
class _Part:
    """A segment that is held."""

    signals: list[Real]
    power: Real
    has_row: bool
    """Whether samples may have the same power as those before them, several times in a row."""

    def in_a_row(self) -> list[Real]:
        """The signals, shape (n,); put together when somebody asks for them, for few are."""
        self.signals = [signal.reshape(-1) for signal in self.signals]
        return self.signals


class WhitenedWaves:
    """Return and expectation, whitened, and the return's power: the last segment and the end of the one before.

    Segments are held as they come; only what is looked at is put together.
    """

    def __init__(self) -> None:
        self._parts: list[_Part] = []
        self._gone = 0
        """Samples of the first part that are not needed any more."""

    def add(self, returned: Real, expected: Real, power: Real) -> None:
        """A segment: signals in order, of any shape, and the power, shape (n,)."""
        has_row = _has_row(np.flatnonzero(power[1:] == power[:-1]), len(power))
        self._parts.append(_Part([returned, expected], power, has_row))

    def add_silence(self, frames: int) -> None:
        """What is before the first segment, or behind the last."""
        self.add(*np.zeros((3, frames), dtype=np.float32))

    def drop(self, frames: int) -> None:
        """Forget the first ones of those held."""
        self._gone += frames
        while self._parts and self._gone >= len(self._parts[0].power):
            self._gone -= len(self._parts.pop(0).power)

    def has_row(self) -> bool:
        """Whether four samples in a row may be alike, in the segments of which something is held."""
        return any(part.has_row for part in self._parts)

    def power(self) -> Real:
        """Of all that is held."""
        return np.concatenate([part.power for part in self._parts])[self._gone :]

    def piece(self, low: int, high: int) -> tuple[Real, Real]:
        """Return and expectation, from one of the samples held to another."""
        found: tuple[list[Real], list[Real]] = [], []
        first = -self._gone
        for part in self._parts:
            here = slice(max(0, low - first), max(0, high - first))
            if here.start < min(here.stop, len(part.power)):
                for row, signal in zip(found, part.in_a_row(), strict=True):
                    row.append(signal[here])
            first += len(part.power)
        returned, expected = (np.concatenate((np.zeros(0, dtype=np.float32), *row)) for row in found)
        return returned, expected


def _has_row(equal: NDArray[np.intp], frames: int) -> bool:
    """Whether three pairs of equal samples follow each other; at the ends, with what is in the next segment."""
    if not len(equal):
        return False
    at_end = equal[0] == 0 or equal[-1] == frames - 2
    return bool(at_end or (equal[2:] - equal[:-2] == 2).any())


class SampleStore:
    """Samples that are still needed; silence around them."""

    def __init__(self, channels: int) -> None:
        self._data = np.zeros((channels, 1 << 16), dtype=np.float32)
        self._first = 0
        """Frame of the first sample kept, which is at `_low` in the data."""
        self._low = self._high = 0

    def add(self, block: NDArray[np.floating]) -> None:
        if self._high + len(block) > self._data.shape[1]:
            kept = self._high - self._low
            need = SPACE * (kept + len(block))
            moved = self._data
            if need > moved.shape[1]:
                moved = np.zeros((len(moved), need), dtype=np.float32)
            moved[:, :kept] = self._data[:, self._low : self._high]
            self._data, self._low, self._high = moved, 0, kept
        self._data[:, self._high : self._high + len(block)] = block.T
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
            return self._data[:, low + shift : high + shift]
        piece = np.zeros((len(self._data), frames), dtype=np.float32)
        if low < high:
            piece[:, low - first : high - first] = self._data[:, low + shift : high + shift]
        return piece
