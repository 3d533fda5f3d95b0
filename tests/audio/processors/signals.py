"""Signals to send through a processor, and what to read off its output."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from printq.audio.processors import make_processor
from printq.audio.processors.base import QUANTUM

RATE = 48_000

Signal = NDArray[np.float64]


def play(kind: str, signal: Signal, *, rate: int = RATE, **parameters: float) -> Signal:
    """Output of a new processor for a whole signal, shape (frames,) or (frames, channels)."""
    sent = signal.reshape(len(signal), -1)
    padded = np.concatenate((sent, np.zeros((-len(sent) % QUANTUM, sent.shape[1]))))
    unit = make_processor(kind, rate, sent.shape[1], parameters)
    heard = [unit.process(padded[start : start + QUANTUM]) for start in range(0, len(padded), QUANTUM)]
    return np.concatenate(heard)[: len(sent)].reshape(signal.shape)


def tone(hz: float, seconds: float, peak: float = 1.0, rate: int = RATE) -> Signal:
    return peak * np.sin(2.0 * np.pi * hz * np.arange(round(seconds * rate)) / rate)


def noise(frames: int, channels: int = 1, seed: int = 5) -> Signal:
    return 0.2 * np.random.default_rng(seed).standard_normal((frames, channels))


def impulse(seconds: float, rate: int = RATE) -> Signal:
    signal = np.zeros(round(seconds * rate))
    signal[0] = 1.0
    return signal


def peak_db(signal: Signal) -> float:
    return float(20.0 * np.log10(np.abs(signal).max()))


def response_db(kind: str, hz: NDArray[np.float64] | list[float], **parameters: float) -> Signal:
    """Magnitude response of a linear setting in dB, from an impulse response of four seconds."""
    heard = play(kind, impulse(4.0), **parameters)
    bins = np.rint(np.asarray(hz) * 4.0).astype(int)
    return np.asarray(20.0 * np.log10(np.abs(np.fft.rfft(heard))[bins]))


def harmonics_db(second: Signal, hz: int, count: int) -> list[float]:
    """Levels of the first `count` harmonics in one second of a steady signal, dB re peak 1."""
    spectrum = 2.0 * np.abs(np.fft.rfft(second)) / len(second)
    return [float(20.0 * np.log10(spectrum[hz * n] + 1e-15)) for n in range(1, count + 1)]
