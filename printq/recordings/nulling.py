"""Two recordings on disk, lined up and subtracted.

The delay is found by correlation on a loud stretch, then improved by least squares over the whole, and only then is
anything subtracted. Nothing is held in memory but the stretch.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from contextlib import ExitStack
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from printq.errors import FileError, UnlikeError, UnmeasurableError
from printq.files.soundfiles import SoundReader
from printq.files.stems import SummedFiles, SummedReader
from printq.measure.delay import likely_delays
from printq.measure.null import NullFit, NullFitter, NullMeter, NullResult, band_powers, delay_course, null_floor_db
from printq.models.null import DelayJump, Null, NullBand, NullMoment
from printq.units import level_or_none, power_to_db, ratio_to_db

__all__ = ["SEARCH_S", "Recording", "null_recordings"]

Signal = NDArray[np.float64]

BLOCK_FRAMES = 1 << 16
SEARCH_S = 10.0
"""How far apart the two may lie."""
STRETCH_S = 10.0
STRETCHES = 3
GLANCES = 64
GLANCE_S = 0.2
LIKELY = 6
GOOD_DEPTH_DB = -6.0
"""Where this much cancels, no other stretch need be tried."""
ALIKE_DB = 0.5
DEEPEST_TOLD_DB = -100.0
TRIAL_S = 3.0
MOST_FITS = 6
CLOSE_ENOUGH = 1e-5
"""Samples: another fit would not move the delay by more than it has moved by the last, squared."""
WORST_DEPTH_DB = 10.0
"""Less than a tenth of B is A: what was fitted means nothing."""
QUIET_BELOW_DB = 30.0
"""The quietest tenth of a second is taken for noise if it lies this far below the whole."""


@dataclass(frozen=True)
class Recording:
    """A stretch of an audio file."""

    path: Path
    start: int = 0
    frames: int | None = None
    """None: to its end."""
    channels: int | None = None
    """Only the first so many; None: all."""
    lead: tuple[int, int] | None = None
    """First frame and frames of a stretch of nothing but noise."""
    summed: SummedFiles | None = None
    """Several files summed, instead of the one; `path` is then only what it is called."""

    def open(self) -> SoundReader | SummedReader:
        """What its frames are read from. Raises FileError."""
        return SoundReader(self.path) if self.summed is None else SummedReader(self.summed)


def null_recordings(
    a: Recording,
    b: Recording,
    *,
    fit: bool = True,
    follow_gain: bool = False,
    search_s: float = SEARCH_S,
) -> Null:
    """Line B up with A and subtract.

    Parameters
    ----------
    a, b : Recording
        Of one rate, with as many channels; a mono one is compared with every channel of the other.
    fit : bool
        False: neither gain nor delay nor polarity is touched.
    follow_gain : bool
        Let the gain follow slowly, so that what a compressor does is not counted.
    search_s : float
        How far apart they may lie, in seconds.

    Raises
    ------
    FileError
        One of them cannot be read, or they do not go together.
    UnmeasurableError
        One is silent, or they do not overlap.
    UnlikeError
        Nothing of one is in the other.
    """
    with ExitStack() as opened:
        pair = _Pair(opened, a, b)
        found = _fit(pair, search_s, follow_gain) if fit else (0, NullFit(0.0, 1.0, 1))
        shift, fitted = found
        meter = NullMeter(pair.rate, pair.channels, fitted, shift=shift)
        frames = 0
        for block_a, block_b in pair.blocks(shift):
            meter.add(block_a, block_b)
            frames += len(block_a)
        if not frames:
            raise UnmeasurableError(f"{b.path} and {a.path} do not overlap")
        result = meter.result()
        if fit and result.depth_db > WORST_DEPTH_DB:
            raise UnlikeError(
                f"{b.path} has hardly anything of {a.path} in it: nothing cancels at any delay within {search_s:g} s"
            )
        return _describe(result, fitted, shift, pair, frames, fitted=fit)


class _Pair:
    """Both files, open; read in step, B moved by whole samples."""

    def __init__(self, opened: ExitStack, a: Recording, b: Recording) -> None:
        self._of = (a, b)
        self._readers: list[SoundReader | SummedReader] = []
        for each in (a, b):
            self._readers.append(each.open())
            opened.callback(self._readers[-1].close)
        facts = [reader.facts for reader in self._readers]
        if facts[0].rate != facts[1].rate:
            raise FileError(
                f"{a.path} has {facts[0].rate} Hz and {b.path} {facts[1].rate} Hz; nothing is resampled here: "
                "export both at one rate"
            )
        self.rate = facts[0].rate
        self._at = [0, 0]
        self._sides = [each.channels or fact.channels for each, fact in zip(self._of, facts, strict=True)]
        if self._sides[0] != self._sides[1] and 1 not in self._sides:
            raise FileError(
                f"{a.path} has {self._sides[0]} channels and {b.path} {self._sides[1]}: they cannot be subtracted"
            )
        self.channels = max(self._sides)
        self.frames = [
            max(0, min(fact.frames - each.start, fact.frames if each.frames is None else each.frames))
            for each, fact in zip(self._of, facts, strict=True)
        ]

    def read(self, which: int, start: int, frames: int) -> Signal:
        """Frames of one of them, silence beyond its ends, shape (frames, channels)."""
        each, reader, length = self._of[which], self._readers[which], self.frames[which]
        first, end = max(0, start), min(length, start + frames)
        block = np.zeros((frames, self.channels))
        if end > first:
            # A seek costs as much as reading, where the file is compressed.
            if self._at[which] != each.start + first:
                reader.seek(each.start + first)
            self._at[which] = each.start + end
            samples = reader.read(end - first)[:, : self._sides[which]]
            if not np.all(np.isfinite(samples)):
                raise FileError(f"{each.path} holds samples that are not finite numbers; export it again")
            block[first - start : first - start + len(samples)] = samples
        return block

    def overlap(self, shift: int) -> tuple[int, int]:
        """First frame of A that both have, and the one behind the last."""
        return max(0, -shift), min(self.frames[0], self.frames[1] - shift)

    def blocks(self, shift: int, start: int = 0, frames: int | None = None) -> Iterator[tuple[Signal, Signal]]:
        """What both have: frame n of A beside frame n + shift of B; all of it, or a stretch of A."""
        first, end = self.overlap(shift)
        first = max(first, start)
        end = end if frames is None else min(end, start + frames)
        for start in range(first, end, BLOCK_FRAMES):
            size = min(BLOCK_FRAMES, end - start)
            yield self.read(0, start, size), self.read(1, start + shift, size)

    def loud_places(self, search: int) -> list[int]:
        """First frames of loud stretches of A that B may have in it, the loudest first, apart from each other.

        Those come first that both have if neither is moved.
        """
        stretch = round(STRETCH_S * self.rate)
        both = self._loud_places(min(self.frames), stretch)
        return both + [
            place
            for place in self._loud_places(min(self.frames[0], self.frames[1] + search), stretch)
            if all(abs(place - other) >= stretch // 2 for other in both)
        ]

    def _loud_places(self, length: int, stretch: int) -> list[int]:
        if length <= stretch:
            return [0]
        glance = round(GLANCE_S * self.rate)
        places = np.unique(np.linspace(0, length - glance, GLANCES).astype(int))
        powers = np.array([np.mean(self.read(0, int(place), glance) ** 2) for place in places])
        chosen: list[int] = []
        for place in places[np.argsort(-powers, kind="stable")]:
            start = int(np.clip(place - stretch // 2, 0, length - stretch))
            if all(abs(start - other) >= stretch // 2 for other in chosen):
                chosen.append(start)
            if len(chosen) == STRETCHES:
                break
        return chosen

    def noise(self) -> tuple[tuple[float, dict[float, float]], ...] | None:
        """Of each: mean power of its noise and its third octaves; None where there is no lead."""
        found = []
        for which, each in enumerate(self._of):
            if each.lead is None:
                return None
            self._at[which] = -1
            self._readers[which].seek(min(each.lead[0], self._readers[which].facts.frames))
            noise = self._readers[which].read(each.lead[1])[:, : self._sides[which]]
            if len(noise) < self.rate // 10:
                return None
            noise = noise - noise.mean(axis=0)
            found.append((float(np.mean(np.sum(noise**2, axis=1))), band_powers(noise, self.rate)))
        return tuple(found)


def _fit(pair: _Pair, search_s: float, follow_gain: bool) -> tuple[int, NullFit]:
    """Whole samples by which B is to be moved, and the fit that then remains."""
    start, delay = _find_place(pair, round(search_s * pair.rate))
    shift, between = _split(delay)
    for _ in range(MOST_FITS):
        fitter = NullFitter(pair.rate, pair.channels, between)
        for block_a, block_b in pair.blocks(shift, start, round(STRETCH_S * pair.rate)):
            fitter.add(block_a, block_b)
        moved = fitter.result().delay_samples - between
        shift, between = _split(shift + between + moved)
        if abs(moved) < CLOSE_ENOUGH:
            break
    for _ in range(MOST_FITS):
        fitter = NullFitter(pair.rate, pair.channels, between, follow_gain=follow_gain)
        for block_a, block_b in pair.blocks(shift):
            fitter.add(block_a, block_b)
        fit = fitter.result()
        # Close enough already: the step to the end is so small that it is exact.
        if abs(fit.delay_samples - between) < 1e-3:
            return shift, fit
        shift, between = _split(shift + fit.delay_samples)
    return shift, fit


def _split(delay: float) -> tuple[int, float]:
    whole = math.floor(delay + 0.5)
    return whole, delay - whole


def _find_place(pair: _Pair, search: int) -> tuple[int, float]:
    """A stretch of A, and how late it is in B: of the likely delays the one at which most cancels."""
    stretch = min(round(STRETCH_S * pair.rate), pair.frames[0])
    tried: list[tuple[float, int, float]] = []
    silent: UnmeasurableError | None = None
    for start in pair.loud_places(search):
        a = pair.read(0, start, stretch)
        b = pair.read(1, start - search, stretch + 2 * search)
        # The side that both have most of: one may be dead in the other.
        side = int(np.argmax(np.einsum("fc,fc->c", a, a) * np.einsum("fc,fc->c", b, b)))
        try:
            likely = likely_delays(a[:, side], b[:, side], lowest=0.0, highest=2.0 * search, count=LIKELY)
        except UnmeasurableError as error:
            silent = silent or error
            continue
        trial = min(stretch, round(TRIAL_S * pair.rate))
        found = [(_depth(pair, start, trial, delay - search), start, delay - search) for delay in likely]
        tried += found
        if min(found, default=(0.0, 0, 0.0))[0] < GOOD_DEPTH_DB:
            break
    if not tried and silent is not None:
        raise silent
    if not tried:
        raise UnlikeError("the two cannot be lined up: nothing of one is in the other")
    deepest = min(tried)[0]
    # A tone or a loop cancels at many delays alike: the nearest is meant.
    _, start, delay = min((each for each in tried if each[0] <= deepest + ALIKE_DB), key=lambda each: abs(each[2]))
    return start, delay


def _depth(pair: _Pair, start: int, frames: int, delay: float) -> float:
    """About how deep a stretch of A nulls at about this delay, in dB."""
    shift, between = _split(delay)
    depth = 0.0
    for _ in range(2):
        fitter = NullFitter(pair.rate, pair.channels, between)
        for block_a, block_b in pair.blocks(shift, start, frames):
            fitter.add(block_a, block_b)
        try:
            fit = fitter.result()
        except UnmeasurableError:
            return 0.0
        between, depth = fit.delay_samples, fit.depth_db
    return max(depth, DEEPEST_TOLD_DB)


def _describe(
    result: NullResult,
    fit: NullFit,
    shift: int,
    pair: _Pair,
    frames: int,
    *,
    fitted: bool,
) -> Null:
    noise = pair.noise()
    course = delay_course(result.over_time, pair.rate)
    begins_s = pair.overlap(shift)[0] / pair.rate
    band_floors: dict[float, float | None] = {}
    if noise is not None:
        (power_a, bands_a), (power_b, bands_b) = noise
        floor = null_floor_db(fit.gain, power_a, power_b, result.reference_power)
        for band in result.bands:
            if band.hz in bands_a and band.hz in bands_b:
                band_floors[band.hz] = null_floor_db(fit.gain, bands_a[band.hz], bands_b[band.hz], band.reference_power)
    else:
        floor = _floor_of_quietest(result, fit)
    return Null(
        delay_samples=shift + fit.delay_samples,
        gain_db=ratio_to_db(fit.gain),
        polarity=fit.polarity,
        depth_db=level_or_none(result.depth_db),
        reference_dbfs=level_or_none(power_to_db(result.reference_power / pair.channels)),
        residual_dbfs=level_or_none(power_to_db(result.residual_power / pair.channels)),
        bands=tuple(
            NullBand(
                hz=band.hz,
                depth_db=level_or_none(band.depth_db),
                gain_db=level_or_none(band.gain_db),
                noise_allows_db=band_floors.get(band.hz),
                residual_dbfs=level_or_none(power_to_db(band.residual_power / pair.channels)),
            )
            for band in result.bands
        ),
        over_time=tuple(
            NullMoment(
                start_s=begins_s + moment.start_s,
                depth_db=level_or_none(moment.depth_db),
                gain_db=level_or_none(moment.gain_db),
                delay_samples=moment.delay_samples,
                residual_dbfs=level_or_none(power_to_db(moment.residual_power / pair.channels)),
            )
            for moment in result.over_time
        ),
        noise_allows_db=floor,
        drift_ppm=course.drift_ppm,
        jumps=tuple(DelayJump(at_s=begins_s + at_s, samples=samples) for at_s, samples in course.jumps),
        channel_depth_db=tuple(level_or_none(depth) for depth in result.channel_depth_db),
        rate=pair.rate,
        compared_s=frames / pair.rate,
        fitted=fitted,
    )


def _floor_of_quietest(result: NullResult, fit: NullFit) -> float | None:
    """What noise allows if the quietest moments of both are noise; None where they evidently are not."""
    quiet_a, quiet_b = result.quietest_power
    whole = result.reference_power
    if not (math.isfinite(quiet_a) and math.isfinite(quiet_b)):
        return None
    floor = null_floor_db(fit.gain, quiet_a, quiet_b, whole)
    if floor is None or floor > -QUIET_BELOW_DB or result.depth_db < floor - 1.0:
        return None
    return floor
