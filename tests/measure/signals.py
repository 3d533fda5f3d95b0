"""Signals whose figures are known beforehand, ways to cut them, and ways to feed a meter."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import Any

import numpy as np
from hypothesis import strategies as st
from numpy.typing import NDArray

Signal = NDArray[np.float64]

RATE = 48_000
BLOCK_FRAMES = 65_536


def steps(*pieces: tuple[float, float | None], rate: int = RATE, hz: float = 1000.0) -> Signal:
    """A sine that goes through (seconds, peak level in dBFS), shape (frames,); None is silence."""
    level = np.concatenate([np.full(round(s * rate), 0.0 if db is None else 10.0 ** (db / 20.0)) for s, db in pieces])
    return np.asarray(level * np.sin(2.0 * np.pi * hz * np.arange(len(level)) / rate))


def stereo(signal: Signal) -> Signal:
    """The same in both channels, shape (frames, 2)."""
    return np.stack([signal, signal], axis=1)


def band_limited_noise(seed: int, frames: int, highest: float) -> Signal:
    """White noise up to `highest` of the rate, periodic in `frames`, its RMS 1; shape (frames,)."""
    spectrum = np.fft.rfft(np.random.default_rng(seed).standard_normal(frames))
    spectrum[np.fft.rfftfreq(frames) > highest] = 0.0
    noise = np.fft.irfft(spectrum, frames)
    return np.asarray(noise / np.sqrt(np.mean(noise**2)))


def delayed(signal: Signal, delay: float, frames: int, gain: float = 1.0) -> Signal:
    """`frames` frames in which a signal arrives `delay` samples late: exact, by the phase of its spectrum."""
    transform = 1 << (len(signal) + frames + 256).bit_length()
    spectrum = np.fft.rfft(signal, transform)
    turn = 2.0 * np.pi * np.arange(len(spectrum)) / transform
    return np.asarray(gain * np.fft.irfft(spectrum * np.exp(-1j * turn * delay), transform)[:frames])


def feed(meter: Any, signal: NDArray[np.floating]) -> Any:
    """The result of a meter that is given a signal, shape (frames, channels), in blocks."""
    for start in range(0, len(signal), BLOCK_FRAMES):
        meter.add(signal[start : start + BLOCK_FRAMES])
    return meter.result()


def cuts(frames: int) -> st.SearchStrategy[list[int]]:
    """Places, in order, at which to cut a signal; the same place twice leaves an empty block."""
    return st.lists(st.integers(0, frames), max_size=8).map(sorted)


def blocks(signal: NDArray[np.floating], places: Sequence[int]) -> Iterator[NDArray[np.floating]]:
    """The signal, cut at those frames."""
    yield from np.split(signal, list(places))


def cut(signal: NDArray[np.floating], lengths: Sequence[int]) -> Iterator[NDArray[np.floating]]:
    """The signal in blocks of these lengths, over and over; 0 gives an empty block."""
    at, turn = 0, 0
    while at < len(signal):
        length = lengths[turn % len(lengths)]
        yield signal[at : at + length]
        at += length
        turn += 1
