"""Signals whose figures are known beforehand."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

import numpy as np
from numpy.typing import NDArray

Signal = NDArray[np.float64]


def sine(seconds: float, dbfs: float, rate: int, hz: float = 1000.0, phase: float = 0.0) -> Signal:
    """A sine of that peak level, shape (frames,)."""
    time = np.arange(round(seconds * rate)) / rate
    return np.asarray(10.0 ** (dbfs / 20.0) * np.sin(2.0 * np.pi * hz * time + phase))


def steps(parts: Sequence[tuple[float, float]], rate: int, hz: float = 1000.0) -> Signal:
    """A stereo sine, the same in both channels, that goes through (seconds, dBFS) levels; -inf is silence."""
    level = np.concatenate([np.full(round(s * rate), 10.0 ** (db / 20.0)) for s, db in parts])
    mono = level * np.sin(2.0 * np.pi * hz * np.arange(len(level)) / rate)
    return np.stack([mono, mono], axis=1)


def delayed(signal: Signal, delay: float, frames: int, gain: float = 1.0) -> Signal:
    """`frames` frames in which a signal arrives `delay` samples late: exact, by the phase of its spectrum."""
    transform = 1 << (len(signal) + frames + 256).bit_length()
    spectrum = np.fft.rfft(signal, transform)
    turn = 2.0 * np.pi * np.arange(len(spectrum)) / transform
    return np.asarray(gain * np.fft.irfft(spectrum * np.exp(-1j * turn * delay), transform)[:frames])


def cut(signal: NDArray[np.floating], lengths: Sequence[int]) -> Iterator[NDArray[np.floating]]:
    """The signal in blocks of these lengths, over and over; 0 gives an empty block."""
    at, turn = 0, 0
    while at < len(signal):
        length = lengths[turn % len(lengths)]
        yield signal[at : at + length]
        at += length
        turn += 1
