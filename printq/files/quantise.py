"""From float samples to the integers of a file: exact where they fit, with dither where they do not.

Dither is non-subtractive TPDF, 2 LSB peak to peak: the error then has a mean of zero and a power of
LSB^2/4, both independent of the signal (Lipshitz, Wannamaker and Vanderkooy, JAES 40(5), 1992).
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

__all__ = ["Dither", "Quantised", "fits", "to_integers"]

Signal = NDArray[np.float64]

DITHER_STEP = 4096


class Dither:
    """Triangular noise from -1 to 1 LSB, the same for the same seed, whatever the block sizes."""

    def __init__(self, seed: bytes, channels: int) -> None:
        self._rng = np.random.default_rng(np.frombuffer(seed, dtype=np.uint8).tolist())
        self._channels = channels
        self._left = np.zeros((0, channels))

    def draw(self, frames: int) -> Signal:
        """The next `frames` frames in LSB, shape (frames, channels), independent between channels."""
        drawn = [self._left]
        have = len(self._left)
        while have < frames:
            pair = self._rng.random((2, DITHER_STEP, self._channels))
            drawn.append(pair[0] - pair[1])
            have += DITHER_STEP
        together = np.concatenate(drawn)
        self._left = together[frames:]
        return together[:frames]


class Quantised:
    """Integers of a block, and how many samples had to be limited to the range."""

    def __init__(self, samples: NDArray[np.int32], clipped: int) -> None:
        self.samples = samples
        self.clipped = clipped


def fits(block: Signal, bit_depth: int) -> bool:
    """Whether every sample can be represented exactly at a word length; 32 is float32."""
    if bit_depth == 32:
        return bool(np.all(block.astype(np.float32) == block))
    steps = block * float(1 << (bit_depth - 1))
    top = float(1 << (bit_depth - 1))
    return bool(np.all(steps == np.rint(steps)) and np.all(steps >= -top) and np.all(steps < top))


def to_integers(block: Signal, bit_depth: int, dither: Dither | None) -> Quantised:
    """Round a block to integers of a word length, right-aligned, after adding dither where given."""
    top = 1 << (bit_depth - 1)
    steps = block * float(top)
    if dither is not None:
        steps = steps + dither.draw(len(block))
    rounded = np.rint(steps)
    clipped = int(np.count_nonzero((rounded < -top) | (rounded > top - 1)))
    return Quantised(np.clip(rounded, -top, top - 1).astype(np.int32), clipped)
