"""Runs of samples at full scale, and flat tops below it.

A converter stops at full scale, so that a run there needs no witness. A stage that saturates abruptly stops at any
level. Its mark is where the samples near the top lie: a round crest, whatever its frequency and its size, holds at most
1/sqrt(8) = 0.35 of its upper 8 steps in the topmost one, since it falls with the square of time; a crest that is as
flat as a smooth one gets, falling with the fourth power, 0.59. Behind a hard limit most of them lie there. The
share does not depend on gain, rate or pitch, and noise can only lower it.
"""

from __future__ import annotations

import copy
import math
from collections.abc import Iterator
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from printq.errors import UnmeasurableError
from printq.measure.blocks import Block, CheckedBlock, checked_peak
from printq.measure.spectra import PairedPieces

__all__ = ["Ceiling", "ClipFinder", "ClipResult", "ClipRun", "FlatTopFinder"]

MIN_RUN = 3
MOST_KEPT = 10_000
NEAR_FULL_SCALE = 1.0 - 2.0**-23
"""Within one step of 24 bits below full scale; common practice."""

SPAN_S = 0.005
SPANS = 256
"""In a piece."""
ZONE = 0.85
"""A ceiling is looked for among spans that reach this share of the loudest: a converter's filter lets the corners of a
flat top overshoot."""
LOWEST_CEILING = 0.89
"""Of the loudest sample."""
LOWEST_COUNTED = 0.72
LOWEST_OF_OTHER = 0.3
"""Of the loudest sample on the other side: below that it is no top, but what a filter leaves between pulses."""
SWING = 0.5
"""A top is one only where the return falls to this share of it within 10 ms: an offset has none."""
STEPS = (0.003, 0.008, 0.02)
"""Heights of the topmost step, as shares of the ceiling. The smaller, the fewer other crests lie in it; the larger, the
less do noise and ripple matter."""
DEPTH = 8.0
"""How far below the ceiling the samples are counted, in steps, and half a step above it."""
NOISE_STEPS = 4.0
"""A step holds this many times the RMS of the noise."""
SHARE = 0.55
FEW_SHARE = 0.6
MANY_SPANS = 20
"""Of a hard limit where crests of several sizes end at one level; round ones cannot pass 0.35. Fewer spans than this
must be plainer."""
STEADY_SHARE = 0.65
"""Where the stem's crests are all of a size: beyond 0.59, what the flattest of smooth crests can have."""
STEM_FLAT = 0.4
"""From here on the stem's own tops are flatter than round ones."""
STEM_ROUND = 0.25
"""A steady stem whose crests are more pointed than this may get flat tops from a filter: a triangle by a high-pass."""
SPREAD_DB = 1.0
"""Crests of the stem that differ by this, as a standard deviation, are of several sizes."""
RUN = 4
"""Samples in a row that lie within a step of each other count as on top: of so few as three, a round crest that is fast
for its rate may hold none that are lower."""
COUNTED_AT_ONCE = 128
FEWEST_SAMPLES = 60
FEWEST_SPANS = 5
BIN_BITS = 10
"""1024 bins an octave."""
LOWEST_EXPONENT = -20
OCTAVES = 24


@dataclass(frozen=True)
class ClipRun:
    """A run of at least three samples at one end of the range."""

    channel: int
    start_frame: int
    length: int


@dataclass(frozen=True)
class ClipResult:
    """The runs found, by start; of each channel the first 10 000 are kept, all are counted."""

    count: int
    runs: tuple[ClipRun, ...]


class ClipFinder:
    """Finds runs of three or more consecutive samples at full scale, with one sign.

    Parameters
    ----------
    channels : int
    full_scale : float
        Linear; a sample of this magnitude or more is at full scale.
    """

    def __init__(self, channels: int, full_scale: float = NEAR_FULL_SCALE) -> None:
        self._full_scale = full_scale
        self._sides = [_Side(channel) for channel in range(channels)]
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
        quiet = checked_peak(block, len(self._sides)) < self._full_scale
        if quiet and len(block) and not any(side.in_run for side in self._sides):
            self._frames += len(block)
            return
        by_channel = block.by_channel if isinstance(block, CheckedBlock) else block.T
        for side in self._sides:
            samples = by_channel[side.channel]
            at_end = (samples >= self._full_scale).astype(np.int8) - (samples <= -self._full_scale)
            side.add(at_end, self._frames)
        self._frames += len(block)

    def result(self) -> ClipResult:
        """The runs in all that has been added."""
        found = [run for side in self._sides for run in side.so_far(self._frames)]
        count = sum(side.count_so_far(self._frames) for side in self._sides)
        return ClipResult(count, tuple(sorted(found, key=lambda run: (run.start_frame, run.channel))))


class _Side:
    """One channel: the runs that are over, and the one that the last block may have ended in."""

    def __init__(self, channel: int) -> None:
        self.channel = channel
        self._count = 0
        self._runs: list[ClipRun] = []
        self._sign = 0
        self._started = 0

    @property
    def in_run(self) -> bool:
        """Whether the last sample was at an end of the range."""
        return self._sign != 0

    def add(self, at_end: NDArray[np.int8], frames_before: int) -> None:
        """Follow the samples: 1 and -1 at either end of the range, 0 between."""
        if not self._sign and not at_end.any():
            return
        signs = np.concatenate((np.array([self._sign], dtype=np.int8), at_end))
        for place in np.flatnonzero(np.diff(signs)):
            frame = frames_before + int(place)
            if self._is_run(frame):
                self._count += 1
                if len(self._runs) < MOST_KEPT:
                    self._runs.append(ClipRun(self.channel, self._started, frame - self._started))
            self._sign, self._started = int(signs[place + 1]), frame

    def so_far(self, end: int) -> list[ClipRun]:
        """The runs kept, with the one that reaches the end."""
        if self._is_run(end) and len(self._runs) < MOST_KEPT:
            return [*self._runs, ClipRun(self.channel, self._started, end - self._started)]
        return self._runs

    def count_so_far(self, end: int) -> int:
        return self._count + self._is_run(end)

    def _is_run(self, end: int) -> bool:
        return self._sign != 0 and end - self._started >= MIN_RUN


@dataclass(frozen=True)
class Ceiling:
    """A level at which the tops of one side of a channel are cut off."""

    channel: int
    level: float
    """Linear, with its sign: tops or bottoms."""
    share: float
    """Of the samples near the ceiling those that lie on it."""
    spans: int
    """Stretches of 5 ms that reach it."""
    first_frame: int


class FlatTopFinder:
    """Finds a hard limit below full scale in what came back, with the stem as a witness.

    Not a ceiling: round crests, however steady or slow; soft saturation; a limiter, which turns crests down and leaves
    them round; the stem's own flat tops, tilted by an equaliser or brought to one level.

    Parameters
    ----------
    rate : int
        Hz.
    channels : int
    """

    def __init__(self, rate: int, channels: int) -> None:
        self._channels = channels
        self._span = max(16, round(SPAN_S * rate))
        self._pieces = PairedPieces(channels, SPANS * self._span)
        self._sides = [_Tops(channel, sign) for channel in range(channels) for sign in (1, -1)]
        self._frames = 0

    def add(self, sent: Block, returned: Block) -> None:
        """Add samples of the stem as sent and of what came back, lined up; shape (frames, channels) each.

        Raises
        ------
        ValueError
            A shape is another, or they are not equally long.
        UnmeasurableError
            A sample is not a finite number; nothing of the blocks is counted then.
        """
        for stem, piece in self._pieces.add(sent, returned):
            self._look(stem, piece)

    def result(self, noise: tuple[float, ...] = ()) -> tuple[Ceiling, ...]:
        """The ceilings found, by channel.

        Parameters
        ----------
        noise : tuple of float
            RMS of the return's noise in each channel, linear: a step must be larger. None given, none is assumed.
        """
        if noise and len(noise) != self._channels:
            raise ValueError(f"{self._channels} noise levels are needed, not {len(noise)}")
        if any(not math.isfinite(level) or level < 0.0 for level in noise):
            raise UnmeasurableError("a noise level is not a number")
        levels = noise or (0.0,) * self._channels
        ended = copy.deepcopy(self)
        stem, rest = ended._pieces.rest()
        whole = rest.shape[1] // self._span * self._span
        if whole:
            ended._look(stem[:, :whole], rest[:, :whole])
        found = []
        for tops, bottoms in zip(ended._sides[0::2], ended._sides[1::2], strict=True):
            found += [tops.judge(levels[tops.channel], bottoms.top), bottoms.judge(levels[tops.channel], tops.top)]
        return tuple(ceiling for ceiling in found if ceiling is not None)

    def _look(self, stem: NDArray[np.float64], piece: NDArray[np.float64]) -> None:
        shape = (self._channels, -1, self._span)
        sent, returned = stem.reshape(shape), piece.reshape(shape)
        # Along short rows numpy's maximum takes three times as long.
        starts = np.arange(0, piece.shape[1], self._span)
        highest, lowest = (
            np.stack([find.reduceat(side, starts) for side in piece]) for find in (np.maximum, np.minimum)
        )
        for side in self._sides:
            tops, troughs = (highest, lowest) if side.sign > 0 else (-lowest, -highest)
            places = tops[side.channel], troughs[side.channel]
            side.add(*places, returned[side.channel], sent[side.channel], self._frames, self._span)
        self._frames += piece.shape[1]


class _Spans(NamedTuple):
    """Spans that reach the top, shape (spans, frames), and what goes with each."""

    returned: NDArray[np.float64]
    """Turned so that what is looked at are tops."""
    sent: NDArray[np.float64]
    size_db: NDArray[np.float64]
    """Of the stem's crest there or next to it."""
    first: NDArray[np.intp]
    """Frame."""


class _Tops:
    """One side of one channel: how flat its spans are on top, by the level that they reach."""

    def __init__(self, channel: int, sign: int) -> None:
        self.channel = channel
        self.sign = sign
        bins = OCTAVES << BIN_BITS
        self.top = 0.0
        self._samples = np.zeros(bins, dtype=np.int64)
        self._level = np.zeros((len(STEPS), bins), dtype=np.int64)
        self._spans = np.zeros(bins, dtype=np.int64)
        self._first = np.full(bins, np.iinfo(np.int64).max)
        # Samples in the topmost step and around it, for each step; for the stem's tops and bottoms.
        self._returned = np.zeros((len(STEPS), 2, bins), dtype=np.int64)
        self._sent = np.zeros((len(STEPS), 2, 2, bins), dtype=np.int64)
        self._sizes = np.zeros((2, bins))
        # Spans that wait to be counted: one at a time they would cost more than all the rest.
        self._waiting: list[_Spans] = []
        self._count = 0
        """Of those."""

    def add(
        self,
        tops: NDArray[np.float64],
        troughs: NDArray[np.float64],
        returned: NDArray[np.float64],
        sent: NDArray[np.float64],
        frames_before: int,
        span: int,
    ) -> None:
        """Follow spans, shape (spans, frames); `tops` and `troughs` are the extremes of the return in each."""
        self.top = max(self.top, float(tops.max()))
        near = np.flatnonzero((tops >= ZONE * self.top) & (tops > 0.0))
        if not len(near):
            return
        # A slow note's crest, and what is below it, may lie in the next span.
        around = np.minimum(np.maximum(near + np.array([[-1], [0], [1]]), 0), len(tops) - 1)
        swings = troughs[around].min(axis=0) < SWING * tops[near]
        if not swings.any():
            return
        near, around = near[swings], around[:, swings]
        size_db = 20.0 * np.log10(np.maximum(np.abs(sent[around]).max(axis=(0, 2)), 1e-10))
        self._waiting.append(_Spans(self.sign * returned[near], sent[near], size_db, frames_before + near * span))
        self._count += len(near)
        if self._count >= COUNTED_AT_ONCE:
            self._count_waiting()

    def _count_waiting(self) -> None:
        if not self._waiting:
            return
        raw, stem, size_db, first = (np.concatenate(parts) for parts in zip(*self._waiting, strict=True))
        self._waiting, self._count = [], 0
        # Corners ring at half the rate behind a converter's filter; this takes that off, and noise with it.
        smooth = 0.25 * raw[:, :-2] + 0.5 * raw[:, 1:-1] + 0.25 * raw[:, 2:]
        smooth_tops = smooth.max(axis=1)
        places = _bins(smooth_tops)
        np.add.at(self._spans, places, 1)
        np.minimum.at(self._first, places, first)
        counted = smooth > LOWEST_COUNTED * self.top
        np.add.at(self._samples, _bins(smooth[counted]), 1)
        highest, lowest = stem.max(axis=1), -stem.min(axis=1)
        ranges = _ranges(smooth)
        for n, step in enumerate(STEPS):
            level = _in_runs(ranges <= (step * smooth_tops)[:, np.newaxis])
            np.add.at(self._level[n], _bins(smooth[counted & level]), 1)
            _count(self._returned[n], places, smooth, smooth_tops, step, level)
            _count(self._sent[n, 0], places, stem, highest, step)
            _count(self._sent[n, 1], places, -stem, lowest, step)
        np.add.at(self._sizes[0], places, size_db)
        np.add.at(self._sizes[1], places, size_db**2)

    def judge(self, noise: float, other_top: float) -> Ceiling | None:
        """The ceiling, if there is one; nothing can be added any more."""
        self._count_waiting()
        edges = _edges()
        filled = np.flatnonzero(self._spans)
        if not len(filled):
            return None
        found = [
            *self._on_one_level(edges, filled, noise),
            *self._flat_spans(edges, filled, noise),
        ]
        passed = [self._weigh(share, step, here, edges, other_top) for share, step, here in found if share >= SHARE]
        return max((each for each in passed if each is not None), key=lambda each: each.spans, default=None)

    def _weigh(
        self, share: float, step: float, here: slice, edges: NDArray[np.float64], other_top: float
    ) -> Ceiling | None:
        """What the stem says to spans that reach one level."""
        level = float(np.average(edges[:-1][here], weights=self._spans[here]))
        spans = int(self._spans[here].sum())
        if level < LOWEST_OF_OTHER * other_top or (spans < MANY_SPANS and share < FEW_SHARE):
            return None
        mean, square = self._sizes[:, here].sum(axis=1) / spans
        on_top, around_top = self._sent[STEPS.index(step)][:, :, here].sum(axis=2).T
        roundness = float((on_top / np.maximum(1, around_top)).max())
        if roundness > STEM_FLAT:
            return None
        if square - mean**2 < SPREAD_DB**2 and (share < STEADY_SHARE or roundness < STEM_ROUND):
            return None
        return Ceiling(self.channel, self.sign * level, share, spans, int(self._first[here].min()))

    def _on_one_level(
        self, edges: NDArray[np.float64], filled: NDArray[np.intp], noise: float
    ) -> Iterator[tuple[float, float, slice]]:
        """All samples, at the level where most of those around it lie: many tops, each of them rough."""
        top = float(edges[filled[-1] + 1])
        below = np.concatenate(([0], np.cumsum(self._samples)))
        levels = edges[np.searchsorted(edges, LOWEST_CEILING * top) : filled[-1] + 2]
        for step in _steps(top, noise):
            level = np.concatenate(([0], np.cumsum(self._level[STEPS.index(step)])))
            high, low = (np.interp(levels * (1.0 + half), edges, level) for half in (0.5 * step, -0.5 * step))
            on = high - low
            around = below[-1] - np.interp(levels * (1.0 - DEPTH * step), edges, below)
            shares = np.where(on >= FEWEST_SAMPLES, on / np.maximum(around, 1.0), 0.0)
            place = int(np.argmax(shares))
            here = slice(int(np.searchsorted(edges, levels[place] * (1.0 - step))), len(self._spans))
            if self._spans[here].sum() >= FEWEST_SPANS:
                yield float(shares[place]), step, here

    def _flat_spans(
        self, edges: NDArray[np.float64], filled: NDArray[np.intp], noise: float
    ) -> Iterator[tuple[float, float, slice]]:
        """Each span against its own top, where several reach one level: few tops among others that are whole."""
        top = float(edges[filled[-1] + 1])
        lowest = int(np.searchsorted(edges, LOWEST_CEILING * top))
        for step in _steps(top, noise):
            on, around = self._returned[STEPS.index(step)]
            for first in filled[filled >= lowest]:
                here = slice(int(first), int(np.searchsorted(edges, edges[first] * (1.0 + 2.0 * step))))
                if self._spans[here].sum() >= FEWEST_SPANS and on[here].sum() >= FEWEST_SAMPLES:
                    yield float(on[here].sum() / around[here].sum()), step, here


def _steps(top: float, noise: float) -> list[float]:
    """The steps that noise leaves."""
    return [step for step in STEPS if step * top >= NOISE_STEPS * noise]


def _ranges(spans: NDArray[np.float64]) -> NDArray[np.float64]:
    """Highest less lowest of every `RUN` samples in a row, shape (spans, frames - RUN + 1)."""
    high, low = spans, spans
    for distance in (1, 2):
        high = np.maximum(high[:, :-distance], high[:, distance:])
        low = np.minimum(low[:, :-distance], low[:, distance:])
    return np.asarray(high - low)


def _in_runs(level: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """The samples that belong to a level run, from where runs begin."""
    inside = np.zeros((len(level), level.shape[1] + RUN - 1), dtype=np.bool_)
    for place in range(RUN):
        inside[:, place : place + level.shape[1]] |= level
    return inside


def _count(
    kept: NDArray[np.int64],
    places: NDArray[np.int64],
    spans: NDArray[np.float64],
    tops: NDArray[np.float64],
    step: float,
    level: NDArray[np.bool_] | None = None,
) -> None:
    """Count each span's samples within a step of its top (those in level runs, if told), and within `DEPTH` of them."""
    on = spans >= (tops * (1.0 - step))[:, np.newaxis]
    around = spans >= (tops * (1.0 - DEPTH * step))[:, np.newaxis]
    for counts, inside in zip(kept, (on if level is None else on & level, around), strict=True):
        np.add.at(counts, places, np.where(tops > 0.0, inside.sum(axis=1), 0))


def _bins(values: NDArray[np.float64]) -> NDArray[np.int64]:
    """Logarithmic bins without a logarithm: exponent and leading bits of a single-precision number, positive."""
    bits = values.astype(np.float32).view(np.int32).astype(np.int64) >> (23 - BIN_BITS)
    return np.asarray(np.clip(bits - ((127 + LOWEST_EXPONENT) << BIN_BITS), 0, (OCTAVES << BIN_BITS) - 1))


def _edges() -> NDArray[np.float64]:
    """Lower edge of every bin, and the upper edge of the last."""
    octaves = 2.0 ** np.arange(LOWEST_EXPONENT, LOWEST_EXPONENT + OCTAVES)
    within = 1.0 + np.arange(1 << BIN_BITS) / (1 << BIN_BITS)
    return np.append(np.outer(octaves, within).ravel(), 2.0 ** (LOWEST_EXPONENT + OCTAVES))
