"""From float samples to the integers of a file: exact where they fit, with dither where they do not.

Dither is non-subtractive TPDF, 2 LSB peak to peak: the error then has a mean of zero and a power of
LSB^2/4, both independent of the signal (Lipshitz, Wannamaker and Vanderkooy, JAES 40(5), 1992).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

__all__ = ["Dither", "Quantised", "fits", "to_integers"]

Signal = NDArray[np.float64]

DITHER_STEP = 4096


class Dither:
    """Triangular noise from -1 to 1 LSB, the same for the same seed, whatever the block sizes.

    The seed is a number from 0 on, or bytes such as a checksum.
    """

    def __init__(self, seed: int | bytes, channels: int) -> None:
        # The raw bits of PCG64 are promised to stay the same in later releases of numpy; what `Generator` makes of
        # them is not (NEP 19).
        self._bits = np.random.PCG64(list(seed) if isinstance(seed, bytes) else seed)
        self._channels = channels
        self._left = np.zeros((0, channels))

    def draw(self, frames: int) -> Signal:
        """The next `frames` frames in LSB, shape (frames, channels), independent between channels."""
        drawn = [self._left]
        have = len(self._left)
        while have < frames:
            raw = self._bits.random_raw(2 * DITHER_STEP * self._channels)
            pair = (raw >> np.uint64(11)).reshape(2, DITHER_STEP, self._channels) * 2.0**-53
            drawn.append(pair[0] - pair[1])
            have += DITHER_STEP
        together = np.concatenate(drawn)
        self._left = together[frames:]
        return together[:frames]


@dataclass(frozen=True)
class Quantised:
    """Integers of a block."""

    samples: NDArray[np.int32]
    """Right-aligned, shape as the block."""
    clipped: int
    """Samples that had no place in the range and were limited to it."""


def fits(block: Signal, bit_depth: int) -> bool:
    """Whether every sample is finite and can be represented exactly at a word length; 32 is float32."""
    if bit_depth == 32:
        with np.errstate(over="ignore"):
            return bool(np.all(block.astype(np.float32) == block) and np.all(np.isfinite(block)))
    steps = block * float(1 << (bit_depth - 1))
    top = float(1 << (bit_depth - 1))
    return bool(np.all(steps == np.rint(steps)) and np.all(steps >= -top) and np.all(steps < top))


def to_integers(block: Signal, bit_depth: int, dither: Dither | None) -> Quantised:
    """Round a block to integers of a word length, after adding dither where given.

    What is no number counts as clipped and becomes silence: as an integer it could be a click at full scale.
    """
    top = 1 << (bit_depth - 1)
    steps = block * float(top)
    if dither is not None:
        steps = steps + dither.draw(len(block))
    rounded = np.rint(steps)
    limited = np.clip(np.nan_to_num(rounded, nan=0.0), -top, top - 1)
    return Quantised(limited.astype(np.int32), int(np.count_nonzero(limited != rounded)))
