"""Moves a signal by part of a sample: a windowed sinc, linear in phase.

From DC to 0.45 of the rate the error is under -100 dB; above that the filter falls off.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

__all__ = ["FractionalShift"]

Signal = NDArray[np.float64]

HALF_TAPS = 96
KAISER_BETA = 11.0


class FractionalShift:
    """Advances a signal by `amount` samples, block by block.

    The n frames of output that begin at some frame need the input from `lead_frames` before it to
    `trail_frames` behind its end: feed n + lead_frames + trail_frames frames and n come out.

    Parameters
    ----------
    amount : float
        In samples, positive: what comes out is earlier. Small; whole samples are cheaper to leave out.
    channels : int
    """

    def __init__(self, amount: float, channels: int) -> None:
        whole = math.floor(amount)
        fraction = amount - whole
        self.lead_frames = HALF_TAPS - 1 - whole
        self.trail_frames = HALF_TAPS + whole
        places = np.arange(-HALF_TAPS + 1, HALF_TAPS + 1) - fraction
        window = np.i0(KAISER_BETA * np.sqrt(np.maximum(0.0, 1.0 - (places / HALF_TAPS) ** 2)))
        taps = np.sinc(places) * window
        self._taps = (taps / taps.sum())[::-1]
        self._past = np.zeros((0, channels))

    def process(self, block: Signal) -> Signal:
        """The output that has become known, shape (n, channels); empty at first."""
        from scipy.signal import oaconvolve

        together = np.concatenate((self._past, block))
        keep = len(self._taps) - 1
        self._past = together[max(0, len(together) - keep) :]
        if len(together) <= keep:
            return np.zeros((0, together.shape[1]))
        shifted: Signal = oaconvolve(together, self._taps[:, np.newaxis], mode="valid", axes=0)
        return shifted
