"""Sample peak, true peak, RMS and mean of a signal that comes in blocks."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from printq.errors import UnmeasurableError

__all__ = ["LevelMeter", "LevelResult", "TruePeakMeter"]

Signal = NDArray[np.floating]

HALF_TAPS = 24
"""The interpolator looks at this many samples on either side: 48 taps a phase, where the example of BS.1770-5,
Annex 2 has 12."""
KAISER_BETA = 7.0
SPAN = 64
"""Samples that are ruled out together: no fewer than the interpolator is long."""
BATCH = 16
"""Spans that are interpolated together."""


@dataclass(frozen=True)
class LevelResult:
    """One value for each channel, linear, full scale = 1.0."""

    sample_peak: tuple[float, ...]
    rms: tuple[float, ...]
    mean: tuple[float, ...]
    frames: int


class LevelMeter:
    """Sample peak, RMS and mean."""

    def __init__(self, channels: int) -> None:
        self._peak = np.zeros(channels)
        self._squares = np.zeros(channels)
        self._sum = np.zeros(channels)
        self._frames = 0

    def add(self, block: Signal) -> None:
        """Add samples, shape (frames, channels). Raises UnmeasurableError for NaN or infinity."""
        if not len(block):
            return
        # Channel by channel: along the short axis numpy is several times slower.
        sides = np.ascontiguousarray(block.T, dtype=np.float64)
        squares = np.einsum("cf,cf->c", sides, sides)
        if not np.all(np.isfinite(squares)):
            raise UnmeasurableError("the signal holds samples that are not finite numbers")
        self._peak = np.maximum(self._peak, np.maximum(sides.max(axis=1), -sides.min(axis=1)))
        self._squares += squares
        self._sum += sides.sum(axis=1)
        self._frames += len(block)

    def result(self) -> LevelResult:
        """The figures for all that has been added; zeros where nothing has."""
        frames = max(1, self._frames)
        return LevelResult(
            sample_peak=tuple(float(x) for x in self._peak),
            rms=tuple(float(x) for x in np.sqrt(self._squares / frames)),
            mean=tuple(float(x) for x in self._sum / frames),
            frames=self._frames,
        )


class TruePeakMeter:
    """True peak by BS.1770-5, Annex 2: oversampled to at least 192 kHz; the samples themselves count too.

    Cheap by bounding: between samples no value can exceed the largest sample around it times the sum of the
    filter's magnitudes, so that only stretches which might hold a new maximum are interpolated. The result is the
    same as if all were.

    Parameters
    ----------
    rate : int
        Hz; decides the oversampling: 4 below 96 kHz, 2 below 192 kHz, none from there on.
    channels : int
    """

    def __init__(self, rate: int, channels: int) -> None:
        factor = 4 if rate < 96_000 else 2 if rate < 192_000 else 1
        self._phases = _interpolator(factor)
        self._bound = float(np.abs(self._phases).sum(axis=0).max()) if factor > 1 else 1.0
        self._peaks = np.zeros(channels)
        self._past = np.zeros((2 * HALF_TAPS, channels))

    def add(self, block: Signal) -> None:
        """Add samples, shape (frames, channels). Raises UnmeasurableError for NaN or infinity."""
        if not len(block):
            return
        together = np.concatenate((self._past, np.asarray(block, dtype=np.float64)))
        self._past = together[len(together) - 2 * HALF_TAPS :].copy()
        for channel, peak in enumerate(self._peaks):
            self._peaks[channel] = self._look(np.ascontiguousarray(together[:, channel]), float(peak))

    def result(self) -> tuple[float, ...]:
        """Linear true peak of each channel, for all that has been added and the silence after it."""
        ends = np.concatenate((self._past, np.zeros((2 * HALF_TAPS, self._past.shape[1]))))
        return tuple(self._look(ends[:, channel], float(peak)) for channel, peak in enumerate(self._peaks))

    def _look(self, signal: NDArray[np.float64], peak: float) -> float:
        magnitude = np.abs(signal)
        top = float(magnitude.max())
        if not np.isfinite(top):
            raise UnmeasurableError("the signal holds samples that are not finite numbers")
        peak = max(peak, top)
        if self._phases.shape[1] == 0 or top * self._bound <= peak:
            return peak
        # Window n spans samples n to n + 47; what is interpolated lies between samples n + 23 and n + 24.
        windows = np.lib.stride_tricks.sliding_window_view(signal, 2 * HALF_TAPS)
        spans = len(windows) // SPAN
        padded = np.zeros((spans + 2) * SPAN)
        padded[: len(signal)] = magnitude
        tops = padded.reshape(-1, SPAN).max(axis=1)
        # A window that starts in a span reaches into the next one at most.
        bounds = np.maximum(tops[:-1], tops[1:])[: spans + 1] * self._bound
        promising = np.flatnonzero(bounds > peak)
        # The most promising first: what they hold rules most of the others out.
        promising = promising[np.argsort(bounds[promising])[::-1]]
        for start in range(0, len(promising), BATCH):
            batch = promising[start : start + BATCH]
            batch = batch[bounds[batch] > peak]
            if not len(batch):
                break
            firsts = (batch[:, np.newaxis] * SPAN + np.arange(SPAN)).ravel()
            found = windows[firsts[firsts < len(windows)]] @ self._phases
            peak = max(peak, float(np.max(found)), -float(np.min(found)))
        return peak


def _interpolator(factor: int) -> NDArray[np.float64]:
    """Taps for the points between two samples, shape (2 * HALF_TAPS, factor - 1)."""
    between = np.arange(1, factor) / factor
    places = np.arange(-HALF_TAPS + 1, HALF_TAPS + 1)[:, np.newaxis] - between[np.newaxis, :]
    window = np.i0(KAISER_BETA * np.sqrt(np.maximum(0.0, 1.0 - (places / HALF_TAPS) ** 2)))
    taps = np.sinc(places) * window
    return np.asarray(taps / taps.sum(axis=0, keepdims=True)) if factor > 1 else np.zeros((2 * HALF_TAPS, 0))
