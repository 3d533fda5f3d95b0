"""Takes a signal in blocks of any length and hands it on in pieces of one length.

The meters work on these pieces, so that a figure cannot depend on how the caller cut the signal, not even in
its last bit, and blocks of a few frames cost no more than long ones.
"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
from numpy.typing import NDArray

from printq.errors import UnmeasurableError

__all__ = ["PIECE_FRAMES", "Block", "CheckedBlock", "EvenPieces", "check_block", "checked_peak", "first_bad_sample"]

PIECE_FRAMES = 61_440
"""Of the meters that cost most, or twice theirs: 256 spans of 5 ms at 48 kHz. Blocks of so many frames need not be cut
for them."""
LARGEST_SAMPLE = 1e30
"""Far beyond anything that was ever sound; its square is still a number."""


class CheckedBlock:
    """A block that has been looked at once for all meters: finite samples in float64, each channel in one stretch.

    A meter takes one in place of an array of the shape (frames, channels). What several meters get is checked and laid
    out anew by every one of them otherwise.

    Parameters
    ----------
    block : array
        Shape (frames, channels); copied.

    Raises
    ------
    ValueError, UnmeasurableError
        As `check_block`.
    """

    def __init__(self, block: NDArray[np.floating]) -> None:
        self._peak = checked_peak(block, block.shape[-1])
        by_channel = block.T.astype(np.float64, order="C")
        by_channel.flags.writeable = False
        self._by_channel = by_channel

    def __len__(self) -> int:
        return int(self._by_channel.shape[1])

    @property
    def shape(self) -> tuple[int, int]:
        """Frames and channels, as those of an array."""
        return self._by_channel.shape[1], self._by_channel.shape[0]

    @property
    def by_channel(self) -> NDArray[np.float64]:
        """Shape (channels, frames), read-only."""
        return self._by_channel

    @property
    def samples(self) -> NDArray[np.float64]:
        """Shape (frames, channels), read-only: the same memory."""
        return self._by_channel.T

    @property
    def peak(self) -> float:
        """No sample is larger."""
        return self._peak

    def channel(self, number: int) -> CheckedBlock:
        """One channel alone; nothing is copied."""
        side = object.__new__(CheckedBlock)
        side._peak = self._peak
        side._by_channel = self._by_channel[number : number + 1]
        return side


Block = NDArray[np.floating] | CheckedBlock
"""What a meter takes: samples of the shape (frames, channels), finite or known to be."""


def check_block(block: Block, channels: int) -> None:
    """Refuse what no meter can measure.

    Raises
    ------
    ValueError
        The shape is not (frames, channels).
    UnmeasurableError
        A sample is NaN, infinite, or larger than 1e30.
    """
    if isinstance(block, CheckedBlock) and len(block.by_channel) == channels:
        return
    if isinstance(block, np.ndarray) and block.flags.forc and block.shape[1:] == (channels,):
        # Far quicker than the two extremes: where the energy is a number so small, all samples are.
        flat = block.ravel("K")
        if float(np.dot(flat, flat)) <= LARGEST_SAMPLE:
            return
    checked_peak(block, channels)


def checked_peak(block: Block, channels: int) -> float:
    """What `check_block` does, and the largest magnitude of a block that passes it."""
    if len(block.shape) != 2 or block.shape[1] != channels:
        raise ValueError(f"a block must have the shape (frames, {channels}), this one has {block.shape}")
    if isinstance(block, CheckedBlock):
        return block.peak
    highest, lowest = (float(block.max()), float(block.min())) if block.size else (0.0, 0.0)
    # NaN fails every comparison, so one of each pair is enough for all three.
    if not (highest <= LARGEST_SAMPLE and lowest >= -LARGEST_SAMPLE):
        raise UnmeasurableError("the signal holds samples that are not finite numbers")
    return max(highest, -lowest)


def first_bad_sample(block: NDArray[np.floating]) -> tuple[int, int] | None:
    """Frame and channel, from 0, of the first sample that `check_block` refuses; None where there is none."""
    bad = np.argwhere(~(np.abs(block) <= LARGEST_SAMPLE))
    return (int(bad[0, 0]), int(bad[0, 1])) if len(bad) else None


class EvenPieces:
    """Cuts a signal that comes in blocks into pieces of `frames` frames.

    Parameters
    ----------
    channels : int
    frames : int
        Length of a piece.
    """

    def __init__(self, channels: int, frames: int) -> None:
        self._channels = channels
        self._frames = frames
        # Channel by channel: along the short axis numpy is several times slower.
        self._piece = np.zeros((channels, frames))
        self._filled = 0

    def add(self, block: Block) -> Iterator[NDArray[np.float64]]:
        """Take a block, shape (frames, channels), and yield what has become whole, shape (channels, frames).

        A piece is valid until the next one is asked for, and not to be written to. A block that is refused leaves
        nothing behind.

        Raises
        ------
        ValueError, UnmeasurableError
            As `check_block`.
        """
        for run in self.runs(block):
            for start in range(0, run.shape[1], self._frames):
                yield run[:, start : start + self._frames]

    def runs(self, block: Block) -> Iterator[NDArray[np.float64]]:
        """As `add`, but several pieces that lie side by side in a block are one, shape (channels, n * frames).

        So less is copied. It is for those who look at each piece alone.
        """
        check_block(block, self._channels)
        taken = 0
        while taken < len(block):
            whole = (len(block) - taken) // self._frames * self._frames
            if whole and not self._filled and isinstance(block, CheckedBlock):
                # Laid out as a piece is: nothing need be copied.
                yield block.by_channel[:, taken : taken + whole]
                taken += whole
                continue
            size = min(self._frames - self._filled, len(block) - taken)
            here = slice(taken, taken + size)
            taken += size
            part = block.by_channel[:, here] if isinstance(block, CheckedBlock) else block[here].T
            self._piece[:, self._filled : self._filled + size] = part
            self._filled += size
            if self._filled == self._frames:
                self._filled = 0
                yield self._piece

    def rest(self) -> NDArray[np.float64]:
        """What is not a whole piece yet, shape (channels, n)."""
        return self._piece[:, : self._filled]
