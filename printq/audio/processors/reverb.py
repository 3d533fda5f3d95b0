"""Spring reverb and echo: delay lines with feedback."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping

import numpy as np
from numpy.typing import NDArray

from printq.audio.processors.base import QUANTUM, Signal
from printq.audio.processors.equaliser import Filter, high_pass, low_pass

__all__ = ["Echo", "SpringReverb"]


class Echo:
    """Repeats that go round through a low-pass."""

    def __init__(self, rate: int, channels: int, parameters: Mapping[str, float]) -> None:
        self._delay = max(1, round(parameters["time_ms"] / 1000.0 * rate))
        self._line = _Line(self._delay, channels)
        self._damping = Filter([low_pass(rate, parameters["tone_hz"])], channels)
        self._feedback = parameters["feedback"]
        self._mix = parameters["mix"]

    def process(self, block: Signal) -> Signal:
        if self._mix == 0.0:
            return block
        repeats = np.empty_like(block)
        for piece in _pieces(self._delay):
            heard = self._damping.process(self._line.read(self._delay, piece.stop - piece.start))
            self._line.write(block[piece] + self._feedback * heard)
            repeats[piece] = heard
        return (1.0 - self._mix) * block + self._mix * repeats


class SpringReverb:
    """Two springs side by side, without bass.

    A spring is a loop: what has travelled to its far end and back travels again. One trip is a chain of
    all-passes that delays treble more than bass (the chirp), a low-pass, and for each frequency the loss that
    makes it decay at its due rate; after "Parametric spring reverberation effect", JAES 58(7/8), 547-562 (2010).
    All of that is linear, so a trip is worked out beforehand as an impulse response, and applied by FFT.
    """

    TRIPS_S = (0.0470, 0.0613)
    """Bulk delay of a trip there and back on each spring."""
    BASS_HZ = 100.0

    def __init__(self, rate: int, channels: int, parameters: Mapping[str, float]) -> None:
        self._mix = parameters["mix"]
        self._bass_cut = Filter([high_pass(rate, self.BASS_HZ)], channels)
        trips = [_trip(rate, trip_s, parameters) for trip_s in self.TRIPS_S]
        self._springs = [
            _Spring(round(trip_s * rate), trip, channels) for trip_s, trip in zip(self.TRIPS_S, trips, strict=True)
        ]
        # As loud as the dry signal, for a signal within the springs' range.
        self._level = 1.0 / math.sqrt(sum(_loop_power(trip) for trip in trips))

    def process(self, block: Signal) -> Signal:
        if self._mix == 0.0:
            return block
        driven = self._bass_cut.process(block)
        wet = sum((spring.process(driven) for spring in self._springs), np.zeros_like(block))
        return np.asarray((1.0 - self._mix) * block + (self._mix * self._level) * wet)


ALL_PASSES = 80
MOST_DISPERSION = 0.62
"""Coefficient of the all-passes at full dispersion."""
CHIRP_HZ = 4_800.0
"""Frequency that arrives last."""
TRIP_LENGTH = 5
"""Length of a trip's response: its delay at full dispersion is 4.3 times that without."""


def _trip(rate: int, trip_s: float, parameters: Mapping[str, float]) -> NDArray[np.float64]:
    """Impulse response of one trip without its bulk delay, which still counts for the loss."""
    from scipy import fft, signal

    stretch = max(1, round(rate / (2.0 * CHIRP_HZ)))
    coefficient = MOST_DISPERSION * parameters["dispersion"]
    taps = TRIP_LENGTH * ALL_PASSES * stretch
    grid = fft.next_fast_len(4 * taps, real=True)
    hz = fft.rfftfreq(grid, 1.0 / rate)

    # The chain ((c + z^-s) / (1 + c z^-s))^n, and its group delay.
    turn = np.exp(-2j * np.pi * hz / rate * stretch)
    chain = ((coefficient + turn) / (1.0 + coefficient * turn)) ** ALL_PASSES
    chain_s = ALL_PASSES * stretch / rate * (1.0 - coefficient**2) / np.abs(1.0 + coefficient * turn) ** 2

    decay_s = parameters["decay_s"] / (1.0 + (hz / CHIRP_HZ) ** 2)
    loss = 10.0 ** (-3.0 * (trip_s + chain_s) / decay_s)
    section = signal.butter(4, min(parameters["tone_hz"], 0.45 * rate), output="sos", fs=rate)
    _, treble_cut = signal.sosfreqz(section, worN=hz, fs=rate)
    return np.asarray(fft.irfft(chain * loss * treble_cut, grid)[:taps])


def _loop_power(trip: NDArray[np.float64]) -> float:
    """Power gain of a loop of such trips, for noise in its pass-band."""
    from scipy import fft

    power = np.abs(fft.rfft(trip)) ** 2
    carried = power > 0.25 * power.max()
    return float(np.mean(power[carried] / (1.0 - power[carried])))


class _Spring:
    """A loop of trips, heard at the far end, half a trip late."""

    def __init__(self, delay: int, trip: NDArray[np.float64], channels: int) -> None:
        from scipy import fft

        self._fft = fft
        self._delay = delay
        self._memory = len(trip) - 1
        self._size = fft.next_fast_len(self._memory + min(QUANTUM, delay), real=True)
        self._spectrum = fft.rfft(trip, self._size)[:, np.newaxis]
        self._sent = _Line(self._memory, channels)
        self._returned = _Line(delay, channels)

    def process(self, block: Signal) -> Signal:
        heard = np.empty_like(block)
        for piece in _pieces(self._delay):
            frames = piece.stop - piece.start
            sent = block[piece] + self._returned.read(self._delay, frames)
            # Overlap-save: what wraps around falls into the frames of the past, which are thrown away.
            known = np.concatenate((self._sent.read(self._memory, self._memory), sent))
            spectrum = self._fft.rfft(known, self._size, axis=0) * self._spectrum
            self._sent.write(sent)
            self._returned.write(self._fft.irfft(spectrum, self._size, axis=0)[self._memory : len(known)])
            heard[piece] = self._returned.read(self._delay // 2 + frames, frames)
        return heard


class _Line:
    """A delay line: remembers at least the last `longest` frames that were written."""

    def __init__(self, longest: int, channels: int) -> None:
        self._longest = longest + QUANTUM
        self._frames = np.zeros((self._longest + 4 * QUANTUM, channels))
        self._end = self._longest

    def write(self, piece: Signal) -> None:
        """Append at most a quantum."""
        if self._end + len(piece) > len(self._frames):
            self._frames[: self._longest] = self._frames[self._end - self._longest : self._end]
            self._end = self._longest
        self._frames[self._end : self._end + len(piece)] = piece
        self._end += len(piece)

    def read(self, delay: int, frames: int) -> Signal:
        """`frames` frames, the first of them `delay` frames before the next to be written."""
        start = self._end - delay
        return self._frames[start : start + frames]


def _pieces(delay: int) -> Iterator[slice]:
    """A quantum in pieces no longer than a delay: for so long, all that comes back is known."""
    for start in range(0, QUANTUM, delay):
        yield slice(start, min(start + delay, QUANTUM))
