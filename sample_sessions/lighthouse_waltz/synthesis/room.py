"""The lamp room: early reflections, a short decay, and what the place itself sounds like."""

from __future__ import annotations

import numpy as np
from scipy.signal import fftconvolve, lfilter

from .tools import RATE, Array, low_pass

__all__ = ["place_in_room", "room_tone", "round_peaks"]

_EARLY_MS = ((7.3, 0.42), (11.9, -0.34), (17.1, 0.29), (23.6, 0.22), (31.2, -0.18), (40.7, 0.13))


def place_in_room(dry: Array, rng: np.random.Generator, decay_s: float, wet_db: float) -> Array:
    """Add a room to a signal, shape (frames, channels); every channel has its own walls.

    `decay_s` is the time to -60 dB, `wet_db` the energy of the room's response against the direct sound.
    """
    out = dry.copy()
    for channel in range(dry.shape[1]):
        frames = round(decay_s * RATE)
        moments = np.arange(frames) / RATE
        diffuse = rng.standard_normal(frames) * 10.0 ** (-3.0 * moments / decay_s)
        # The air and the curtains take the top first: fade from bright to dark along the decay.
        bright, dark = low_pass(diffuse, 4_000.0, order=3), low_pass(diffuse, 1_400.0)
        dying = np.exp(-moments / (0.25 * decay_s))
        response = (dark + (bright - dark) * dying) * np.clip((moments - 0.012) / 0.02, 0.0, 1.0)
        for delay_ms, share in _EARLY_MS:
            moved = delay_ms * rng.uniform(0.9, 1.1)
            response[round(moved * RATE / 1000.0)] += 9.0 * share
        response *= 10.0 ** (wet_db / 20.0) / np.sqrt(np.sum(response**2))
        out[:, channel] += fftconvolve(dry[:, channel], response)[: len(dry)]
    return out


def room_tone(frames: int, channels: int, rng: np.random.Generator, level_dbfs: float) -> Array:
    """Noise of the place and the microphones, RMS in dBFS: mostly a low rumble, some hiss above."""
    white = rng.standard_normal((frames, channels))
    keep = np.exp(-2.0 * np.pi * 140.0 / RATE)
    rumble = np.asarray(lfilter([(1.0 - keep) ** 2], [1.0, -2.0 * keep, keep**2], white, axis=0))
    # Power of white noise behind two equal poles.
    rumble /= np.sqrt((1.0 - keep) * (1.0 + keep**2) / (1.0 + keep) ** 3)
    return np.asarray(10.0 ** (level_dbfs / 20.0) * (rumble + 0.04 * white))


def round_peaks(signal: Array, from_dbfs: float, below_dbfs: float) -> Array:
    """Bend what exceeds one level so that it stays below another, as a careful recordist's limiter would."""
    start, end = 10.0 ** (from_dbfs / 20.0), 10.0 ** (below_dbfs / 20.0)
    over = np.clip(np.abs(signal) - start, 0.0, None) / (end - start)
    return np.asarray(np.where(over > 0.0, np.sign(signal) * (start + (end - start) * np.tanh(over)), signal))
