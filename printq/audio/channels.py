"""How a stem's channels go onto the wires of an insert, and how the returns become a print.

`mid-side` sends M = (L+R)/2 and S = (L-R)/2 and makes L = M+S and R = M-S of what comes back. With the
half on the way out it cannot overload, and for 24-bit audio it is exact in float64.
"""

from __future__ import annotations

from typing import TypeVar

import numpy as np
from numpy.typing import NDArray

from printq.models.rig import ChannelMode

__all__ = ["from_returns", "to_sends", "widen"]

Signal = NDArray[np.float64]
Sample = TypeVar("Sample", bound=np.floating)


def widen(block: NDArray[Sample], channels: int) -> NDArray[Sample]:
    """A block with that many channels: a mono one feeds every side, others must fit already.

    Shape (frames, 1 or channels) in, (frames, channels) out. Raises ValueError where it does not fit.
    """
    if block.shape[1] == channels:
        return block
    if block.shape[1] != 1:
        raise ValueError(f"{block.shape[1]} channels do not go onto {channels}")
    return np.repeat(block, channels, axis=1)


def to_sends(block: NDArray[Sample], mode: ChannelMode) -> NDArray[Sample]:
    """What is played for a block of the stem, shape (frames, 1 or 2), on an insert of this mode."""
    sides = widen(block, 1 if mode == "mono" else 2)
    if mode != "mid-side":
        return sides
    half = sides / 2
    return np.stack((half[:, 0] + half[:, 1], half[:, 0] - half[:, 1]), axis=1)


def from_returns(block: Signal, mode: ChannelMode) -> Signal:
    """The print's channels from a block of returns, shape (frames, 1 or 2)."""
    if mode != "mid-side":
        return block
    return np.stack((block[:, 0] + block[:, 1], block[:, 0] - block[:, 1]), axis=1)
