"""Sample peak, true peak, RMS and mean of a signal that comes in blocks."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from printq.measure.blocks import PIECE_FRAMES, Block, CheckedBlock, EvenPieces
from printq.measure.spectra import energies

__all__ = ["LevelMeter", "LevelResult", "TruePeakMeter"]


LOWEST_OVERSAMPLED_HZ = 192_000
"""A reading may be called dBTP from here on; BS.1770-5, Annex 2."""
HALF_TAPS = 24
"""The interpolator looks at this many samples on either side: 48 taps a phase, where the example of BS.1770-5,
Annex 2 has 12."""
PAST = 2 * HALF_TAPS - 1
ROW = PIECE_FRAMES // 10
"""Frames whose squares are added up at once: so few that the linear algebra does not start threads for it."""
KAISER_BETA = 7.0
MOST_OVERSAMPLING = 24
"""That of 8 kHz. Below it 192 kHz mean nothing any more: a sine reads at most 0.02 dB low at 24 times its rate."""
SPAN = 16
"""Frames that are interpolated by one row of a product."""
SPANS = 16
CHUNK = SPANS * SPAN
"""Frames that are ruled out together. The product of one is (from 12 kHz on) too small for the linear algebra to start
threads for it, which take processor time from the audio."""
FIRST_CHUNKS = 4
"""Looked at before the others of a piece, which they mostly rule out."""
MOST_CHUNKS = 64
FEW_SPANS = 256
"""Interpolated together in single and in double precision: what stays in a processor's cache."""
TINY = 1e-37
"""Below this, single precision has no digits left."""


@dataclass(frozen=True)
class LevelResult:
    """One value for each channel, linear, full scale = 1.0."""

    sample_peak: tuple[float, ...]
    rms: tuple[float, ...]
    mean: tuple[float, ...]
    frames: int
    peak_frame: tuple[int, ...]
    """The first with the sample peak; 0 where all is silence."""


class LevelMeter:
    """Sample peak, RMS and mean of each channel."""

    def __init__(self, channels: int) -> None:
        self._pieces = EvenPieces(channels, PIECE_FRAMES)
        self._peaks = [(0.0, 0)] * channels
        self._start = 0
        self._largest = 0.0
        """No sample of the next piece is larger."""
        self._squares = np.zeros(channels)
        self._sum = np.zeros(channels)
        self._frames = 0

    def add(self, block: Block) -> None:
        """Add samples, shape (frames, channels).

        Raises
        ------
        ValueError
            The shape is another.
        UnmeasurableError
            A sample is not a finite number; nothing of the block is counted then.
        """
        self._largest = max(self._largest, block.peak if isinstance(block, CheckedBlock) else math.inf)
        for piece in self._pieces.add(block):
            if self._largest > min(peak for peak, _ in self._peaks):
                self._peaks = _sample_peaks(piece, self._start, self._peaks)
            self._start += PIECE_FRAMES
            self._squares += _squares(piece)
            self._sum += piece.sum(axis=1)
            # What is behind the piece is of this block as well.
            self._largest = block.peak if isinstance(block, CheckedBlock) else math.inf
        self._frames += len(block)

    def result(self) -> LevelResult:
        """The figures for all that has been added; zeros where nothing has."""
        rest = self._pieces.rest()
        frames = max(1, self._frames)
        peaks = _sample_peaks(rest, self._start, self._peaks)
        return LevelResult(
            sample_peak=tuple(peak for peak, _ in peaks),
            rms=tuple(map(float, np.sqrt((self._squares + _squares(rest)) / frames))),
            mean=tuple(map(float, (self._sum + rest.sum(axis=1)) / frames)),
            frames=self._frames,
            peak_frame=tuple(frame for _, frame in peaks),
        )


class TruePeakMeter:
    """True peak by BS.1770-5, Annex 2; the samples themselves count too.

    Exact, and cheap by ruling out. Between two samples the signal cannot exceed the larger by more than what the
    second differences around them allow, nor the samples around them times the magnitudes of their taps. Chunks that
    might hold a new maximum by that are interpolated in single precision, and what then still might is interpolated
    in double precision. The result is the same as if all were.

    Parameters
    ----------
    rate : int
        Hz; decides the oversampling: 4 times at 48 kHz, 5 at 44.1 kHz, 2 from 96 kHz on.
    channels : int
    """

    def __init__(self, rate: int, channels: int) -> None:
        factor = min(MOST_OVERSAMPLING, max(2, math.ceil(LOWEST_OVERSAMPLED_HZ / rate)))
        taps = _interpolator(factor)
        self._taps = _span_taps(taps)
        self._rough_taps = np.zeros((4 * SPAN, self._taps.shape[1]), np.float32)
        self._rough_taps[: len(self._taps)] = self._taps
        self._most = float(np.abs(taps).sum(axis=0).max())
        self._bent, self._tilted = _beyond_a_line(taps)
        # More than rounding to 24 bits can add up to in 64 products and their sum, or in the second differences.
        self._slack = 70.0 * 2.0**-24 * self._most
        self._pieces = EvenPieces(channels, PIECE_FRAMES)
        self._past = np.zeros((channels, PAST))
        self._start = 0
        self._peaks = [(0.0, 0)] * channels

    def add(self, block: Block) -> None:
        """Add samples, shape (frames, channels).

        Raises
        ------
        ValueError
            The shape is another.
        UnmeasurableError
            A sample is not a finite number; nothing of the block is counted then.
        """
        for piece in self._pieces.add(block):
            self._peaks = [self._look(*side) for side in zip(self._past, piece, self._peaks, strict=True)]
            self._past = piece[:, -PAST:].copy()
            self._start += PIECE_FRAMES

    def result(self) -> tuple[float, ...]:
        """Linear true peak of each channel, for all that has been added and the silence after it."""
        return tuple(peak for peak, _ in self._all())

    def peak_frames(self) -> tuple[int, ...]:
        """The frame at or before each channel's true peak; 0 where all is silence."""
        last = max(0, self._start + self._pieces.rest().shape[1] - 1)
        # What rings ahead of the first sample and after the last one belongs to them.
        return tuple(min(max(0, frame), last) for _, frame in self._all())

    def _all(self) -> list[tuple[float, int]]:
        rest = self._pieces.rest()
        chunks = -(-(rest.shape[1] + PAST) // CHUNK)
        silence = np.zeros((len(rest), chunks * CHUNK - rest.shape[1]))
        ended = np.concatenate((rest, silence), axis=1)
        return [self._look(*side) for side in zip(self._past, ended, self._peaks, strict=True)]

    def _look(
        self, past: NDArray[np.float64], piece: NDArray[np.float64], found: tuple[float, int]
    ) -> tuple[float, int]:
        """The larger of the peak that was found before and that of whole chunks, which the past precedes."""
        top = _largest(piece)
        # That of the past is known already, or was ruled out.
        if top > found[0]:
            found = (top, self._start + _place(piece, top))
        if max(top, _largest(past)) * self._most <= found[0]:
            return found
        single, bounds = self._bounds(past, piece, found[0])
        signal: NDArray[np.float64] | None = None
        chunks = np.flatnonzero(bounds > found[0])
        # The most promising first: what they hold rules out most of the others.
        chunks = chunks[np.argsort(-bounds[chunks], kind="stable")]
        windows = _windows(single, 4 * SPAN)[: len(bounds) * SPANS].reshape(len(bounds), SPANS, 4 * SPAN)
        for some in _batches(chunks, FIRST_CHUNKS, MOST_CHUNKS):
            some = some[bounds[some] > found[0]]
            if not len(some):
                break
            rough = (windows[some] @ self._rough_taps).reshape(len(some), -1)
            tops = np.abs(rough, out=rough).max(axis=1) + self._slack * bounds[some] + TINY
            best = np.flatnonzero(tops > found[0])
            if not len(best):
                continue
            tops = _largest_of_each(rough[best].ravel(), rough.shape[1] // SPANS)
            tops += np.repeat(self._slack * bounds[some[best]] + TINY, SPANS)
            spans = (some[best, np.newaxis] * SPANS + np.arange(SPANS)).ravel()
            best = np.flatnonzero(tops > found[0])
            best = best[np.argsort(-tops[best], kind="stable")]
            for few in _batches(best, SPANS, FEW_SPANS):
                signal = np.concatenate((past, piece)) if signal is None else signal
                found = self._look_closely(signal, spans[few[tops[few] > found[0]]], found)
        return found

    def _bounds(
        self, past: NDArray[np.float64], piece: NDArray[np.float64], least: float
    ) -> tuple[NDArray[np.float32], NDArray[np.float64]]:
        """Past and piece in single precision, and what no point between two samples of a chunk can exceed.

        Where the samples alone rule out that it is more than `least`, their differences are not looked at.
        """
        chunks = len(piece) // CHUNK
        # With a sample more at either end, for the differences.
        padded = np.zeros((chunks + 1) * CHUNK + 2, np.float32)
        padded[1 : PAST + 1] = past
        padded[PAST + 1 : PAST + 1 + len(piece)] = piece
        padded[0] = padded[1]
        single = padded[1:-1]
        rows = _largest_of_each(np.abs(single), CHUNK)
        tops = np.maximum(rows[:-1], rows[1:]).astype(np.float64)
        limits = self._most * tops
        rest = self._slack * tops + TINY
        likely = np.flatnonzero(limits + rest > least)
        if len(likely):
            near = _windows(padded, 2 * CHUNK + 2, CHUNK)[likely]
            slopes = near[:, 1:] - near[:, :-1]
            bent = slopes[:, 1:] - slopes[:, :-1]
            bends = self._bent * _largest_of_each(np.abs(bent, out=bent).ravel(), 2 * CHUNK).astype(np.float64)
            limits[likely] = np.minimum(limits[likely], (1.0 + self._tilted) * tops[likely] + bends)
        return single, limits + rest

    def _look_closely(
        self, signal: NDArray[np.float64], spans: NDArray[np.intp], found: tuple[float, int]
    ) -> tuple[float, int]:
        """The larger of the peak that was found before and that of some spans, in double precision."""
        if not len(spans):
            return found
        # In rows of one length, the last span again and again at the end.
        spans = np.concatenate((spans, np.repeat(spans[-1:], -len(spans) % SPANS))).reshape(-1, SPANS)
        between = _windows(signal, len(self._taps))[spans] @ self._taps
        top = _largest(between)
        if top <= found[0]:
            return found
        place = _place(between.ravel(), top)
        span, point = divmod(place, self._taps.shape[1])
        frame = int(spans.flat[span]) * SPAN + point * SPAN // self._taps.shape[1]
        return top, self._start - PAST + HALF_TAPS - 1 + frame


def _largest(values: NDArray[np.float64]) -> float:
    return max(float(values.max(initial=0.0)), -float(values.min(initial=0.0)))


def _largest_of_each(values: NDArray[np.float32], length: int) -> NDArray[np.float32]:
    """The largest of each `length` values in a row."""
    # Along the short rows of a matrix numpy's own maximum takes three times as long.
    return np.asarray(np.maximum.reduceat(values, np.arange(0, len(values), length)))


def _place(values: NDArray[np.float64], top: float) -> int:
    """Where a magnitude comes first."""
    return int((np.abs(values) == top).argmax())


def _batches(items: NDArray[np.intp], first: int, others: int) -> Iterator[NDArray[np.intp]]:
    if len(items):
        yield items[:first]
    for start in range(first, len(items), others):
        yield items[start : start + others]


def _windows(signal: NDArray[Any], length: int, step: int = SPAN) -> NDArray[Any]:
    """What each span looks at, shape (spans, length), without a copy; of a signal in one stretch."""
    # numpy's own view of sliding windows takes longer to make than many of them to look through.
    count, bytes_each = (len(signal) - length) // step + 1, signal.itemsize
    return np.ndarray((count, length), signal.dtype, signal, strides=(step * bytes_each, bytes_each))


def _sample_peaks(
    piece: NDArray[np.float64], start: int, found: Sequence[tuple[float, int]]
) -> list[tuple[float, int]]:
    """The larger of the peaks that were found before and those of a piece that begins at a frame."""
    peaks = []
    for samples, before in zip(piece, found, strict=True):
        top = _largest(samples)
        peaks.append((top, start + _place(samples, top)) if top > before[0] else before)
    return peaks


def _squares(piece: NDArray[np.float64]) -> NDArray[np.float64]:
    if piece.shape[1] % ROW:
        return np.asarray(np.einsum("cf,cf->c", piece, piece))
    return np.asarray(energies(piece.reshape(len(piece), -1, ROW)).sum(axis=1))


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


def _beyond_a_line(taps: NDArray[np.float64]) -> tuple[float, float]:
    """How much a point between two samples can lie above the larger of them.

    First for each unit of the largest second difference around it, then (next to nothing, where the taps are not
    quite symmetric) for each unit of the largest sample.
    """
    between = np.arange(1, taps.shape[1] + 1) / (taps.shape[1] + 1)
    beyond = taps.copy()
    beyond[HALF_TAPS - 1] -= 1.0 - between
    beyond[HALF_TAPS] -= between
    # These weights add up to 0, so that they weigh differences, and but for a little differences of differences.
    slopes = np.cumsum(beyond, axis=0)[:-1]
    bends = np.cumsum(slopes, axis=0)
    tilted = np.abs(bends[-1]) + np.abs(beyond.sum(axis=0))
    return float(np.abs(bends[:-1]).sum(axis=0).max()), 2.0 * float(tilted.max())
