"""Test signals that are played."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

__all__ = ["MARKER_S", "make_marker"]

Signal = NDArray[np.float64]

MARKER_S = 0.1
LOW_HZ = 500.0
HIGH_HZ = 12_000.0
RAMP_SHARE = 0.15


def make_marker(rate: int, peak: float) -> Signal:
    """A short swept sine, from 500 Hz to the lower of 12 kHz and a quarter of the rate.

    The sweep is linear, so its spectrum is level and its autocorrelation has one clear peak; raised-cosine ramps
    keep it from clicking.

    Parameters
    ----------
    rate : int
        Hz.
    peak : float
        Largest amplitude, linear.

    Returns
    -------
    ndarray, shape (round(0.1 * rate),)
    """
    frames = round(MARKER_S * rate)
    time = np.arange(frames) / rate
    high = min(HIGH_HZ, rate / 4)
    phase = 2.0 * np.pi * (LOW_HZ * time + 0.5 * (high - LOW_HZ) / MARKER_S * time**2)
    ramp = max(1, round(RAMP_SHARE * frames))
    envelope = np.ones(frames)
    rise = 0.5 - 0.5 * np.cos(np.pi * (np.arange(ramp) + 0.5) / ramp)
    envelope[:ramp] = rise
    envelope[frames - ramp :] = rise[::-1]
    sweep = envelope * np.sin(phase)
    return np.asarray(peak * sweep / np.abs(sweep).max())
