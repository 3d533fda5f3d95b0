"""Sample peak, true peak, RMS and mean of a signal that comes in blocks."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from printq.measure.blocks import EvenPieces

__all__ = ["LevelMeter", "LevelResult", "TruePeakMeter"]

Signal = NDArray[np.floating]

PIECE_FRAMES = 1 << 14
LOWEST_OVERSAMPLED_HZ = 192_000
"""A reading may be called dBTP from here on; BS.1770-5, Annex 2."""
HALF_TAPS = 24
"""The interpolator looks at this many samples on either side: 48 taps a phase, where the example of BS.1770-5,
Annex 2 has 12."""
KAISER_BETA = 7.0
SPAN = 16
"""Frames that are ruled out, or interpolated, together."""
BATCH = 64
"""Spans that are interpolated at once: few, so that the first rule out the others soon, and so that the product stays
below the size from which the linear algebra starts threads, which take processor time from the audio."""


@dataclass(frozen=True)
class LevelResult:
    """One value for each channel, linear, full scale = 1.0."""

    sample_peak: tuple[float, ...]
    rms: tuple[float, ...]
    mean: tuple[float, ...]
    frames: int


class LevelMeter:
    """Sample peak, RMS and mean of each channel."""

    def __init__(self, channels: int) -> None:
        self._pieces = EvenPieces(channels, PIECE_FRAMES)
        self._peak = np.zeros(channels)
        self._squares = np.zeros(channels)
        self._sum = np.zeros(channels)
        self._frames = 0

    def add(self, block: Signal) -> None:
        """Add samples, shape (frames, channels).

        Raises
        ------
        ValueError
            The shape is another.
        UnmeasurableError
            A sample is not a finite number; nothing of the block is counted then.
        """
        for piece in self._pieces.add(block):
            self._peak = np.maximum(self._peak, _sample_peak(piece))
            self._squares += _squares(piece)
            self._sum += piece.sum(axis=1)
        self._frames += len(block)

    def result(self) -> LevelResult:
        """The figures for all that has been added; zeros where nothing has."""
        rest = self._pieces.rest()
        frames = max(1, self._frames)
        return LevelResult(
            sample_peak=tuple(map(float, np.maximum(self._peak, _sample_peak(rest)))),
            rms=tuple(map(float, np.sqrt((self._squares + _squares(rest)) / frames))),
            mean=tuple(map(float, (self._sum + rest.sum(axis=1)) / frames)),
            frames=self._frames,
        )


class TruePeakMeter:
    """True peak by BS.1770-5, Annex 2; the samples themselves count too.

    Cheap by bounding: between samples the signal cannot exceed the samples around it, each times the magnitude of
    its tap, so that only spans which might hold a new maximum are interpolated. The result is the same as if
    all were.

    Parameters
    ----------
    rate : int
        Hz; decides the oversampling: 4 times at 48 kHz, 5 at 44.1 kHz, 2 from 96 kHz on.
    channels : int
    """

    def __init__(self, rate: int, channels: int) -> None:
        factor = max(2, math.ceil(LOWEST_OVERSAMPLED_HZ / rate))
        self._taps = _span_taps(_interpolator(factor))
        self._reach = _span_reach(self._taps)
        self._most = float(self._reach.sum(axis=1).max())
        self._pieces = EvenPieces(channels, PIECE_FRAMES)
        self._past = np.zeros((channels, 2 * HALF_TAPS - 1))
        self._peaks = [0.0] * channels

    def add(self, block: Signal) -> None:
        """Add samples, shape (frames, channels).

        Raises
        ------
        ValueError
            The shape is another.
        UnmeasurableError
            A sample is not a finite number; nothing of the block is counted then.
        """
        for piece in self._pieces.add(block):
            together = np.concatenate((self._past, piece), axis=1)
            self._past = together[:, PIECE_FRAMES:]
            self._peaks = [self._look(side, peak) for side, peak in zip(together, self._peaks, strict=True)]

    def result(self) -> tuple[float, ...]:
        """Linear true peak of each channel, for all that has been added and the silence after it."""
        rest = self._pieces.rest()
        spans = -(-(rest.shape[1] + 2 * HALF_TAPS - 1) // SPAN)
        silence = np.zeros((len(rest), spans * SPAN - rest.shape[1]))
        together = np.concatenate((self._past, rest, silence), axis=1)
        return tuple(self._look(side, peak) for side, peak in zip(together, self._peaks, strict=True))

    def _look(self, signal: NDArray[np.float64], peak: float) -> float:
        """The larger of `peak` and the true peak of whole spans, which the filter's length less one precedes."""
        top = max(float(signal.max()), -float(signal.min()))
        peak = max(peak, top)
        if top * self._most <= peak:
            return peak
        spans = (len(signal) - 2 * HALF_TAPS + 1) // SPAN
        windows = np.lib.stride_tricks.sliding_window_view(signal, len(self._taps))[::SPAN]
        width = self._reach.shape[1]
        padded = np.zeros((spans + width - 1) * SPAN)
        padded[: len(signal)] = np.abs(signal)
        tops = padded.reshape(-1, SPAN).max(axis=1)
        near = np.stack([tops[k : k + spans] for k in range(width)])
        # A hair more than the bound, so that rounding never rules out what should be looked at.
        bounds = (self._reach @ near).max(axis=0) * (1.0 + 1e-9)
        promising = np.flatnonzero(bounds > peak)
        # The most promising first: what they hold rules out most of the others.
        promising = promising[np.argsort(-bounds[promising], kind="stable")]
        for start in range(0, len(promising), BATCH):
            batch = promising[start : start + BATCH]
            batch = batch[bounds[batch] > peak]
            if not len(batch):
                break
            between = windows[batch] @ self._taps
            peak = max(peak, float(between.max()), -float(between.min()))
        return peak


def _sample_peak(piece: NDArray[np.float64]) -> NDArray[np.float64]:
    return np.asarray(np.maximum(piece.max(axis=1, initial=0.0), -piece.min(axis=1, initial=0.0)))


def _squares(piece: NDArray[np.float64]) -> NDArray[np.float64]:
    return np.asarray(np.einsum("cf,cf->c", piece, piece))


def _interpolator(factor: int) -> NDArray[np.float64]:
    """Taps for the points between two samples, shape (2 * HALF_TAPS, factor - 1)."""
    between = np.arange(1, factor) / factor
    places = np.arange(-HALF_TAPS + 1, HALF_TAPS + 1)[:, np.newaxis] - between[np.newaxis, :]
    window = np.i0(KAISER_BETA * np.sqrt(np.maximum(0.0, 1.0 - (places / HALF_TAPS) ** 2)))
    taps = np.sinc(places) * window
    return np.asarray(taps / taps.sum(axis=0, keepdims=True))


def _span_taps(taps: NDArray[np.float64]) -> NDArray[np.float64]:
    """Takes the frames around a span to all points between them: one matrix product instead of many filters."""
    length, phases = taps.shape
    spread = np.zeros((SPAN + length - 1, SPAN, phases))
    for frame in range(SPAN):
        spread[frame : frame + length, frame] = taps
    return spread.reshape(SPAN + length - 1, SPAN * phases)


def _span_reach(span_taps: NDArray[np.float64]) -> NDArray[np.float64]:
    """How much the loudest sample of each of the spans around can add: shape (points between samples, spans)."""
    starts = np.arange(0, len(span_taps), SPAN)
    return np.ascontiguousarray(np.add.reduceat(np.abs(span_taps), starts, axis=0).T)
