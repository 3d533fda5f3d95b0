"""A walk through a take, its source and its finished print: everything the checks need, in constant memory.

Dropouts are looked for in a second process, which walks through take and source by itself: they cost as much as all
the rest.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from printq.audio.channels import to_sends
from printq.errors import UnmeasurableError
from printq.files.soundfiles import SoundReader
from printq.files.stems import StemPart, StemReader
from printq.measure.blocks import Block, CheckedBlock
from printq.measure.channels import (
    PathNull,
    PathNullMeter,
    Sides,
    SignByBand,
    can_be_nulled,
    compare_sides,
    may_be_wire,
    signs_by_band,
)
from printq.measure.clip import Ceiling, ClipFinder, FlatTopFinder
from printq.measure.dropouts import DropoutFinder, DropoutResult
from printq.measure.noise import NoiseResult, measure_noise
from printq.measure.peaks import LevelMeter, TruePeakMeter
from printq.measure.plateaus import PlateauFinder
from printq.measure.spectra import CrossSpectra, PairedPieces, energies
from printq.models.delivery import Trim
from printq.models.passes import Pass
from printq.models.rig import Insert
from printq.models.take import TakeRecord
from printq.models.verdict import Level, Loudness, SourceFacts
from printq.recordings.beside import Beside, Handed
from printq.units import db_to_ratio
from printq.verify.finished import FinishedPrint
from printq.verify.source import BLOCK_FRAMES, SourceCheck, describe_level

__all__ = ["TakeFigures", "measure_take"]

Signal = NDArray[np.float64]

LEAD_GUARD_S = 0.02
"""Left out at both ends of the lead: what rings before the marker, and the end of what played before."""
ACTIVE_BELOW_PEAK_DB = 40.0
"""The stem counts as playing where it is within this of its loudest tenth of a second."""
ACTIVE_FLOOR_DBFS = -80.0
CLIP_NEIGHBOURHOOD_S = 0.005
"""A run at full scale is the stem's own where the stem has one this close."""
LAG_S = 0.0002
"""A trimmed return is off by less than a sample, and by what its two sides differ."""
OWN_LAG_S = 0.02
"""The same where a unit's own delay is left in."""


@dataclass(frozen=True)
class TakeFigures:
    """What was found."""

    noise: tuple[NoiseResult, ...]
    """Per channel, from the lead."""
    returned: Level
    """The raw return over stem and tail."""
    finished: Level
    """The finished print."""
    loudness: Loudness
    """Of the finished print."""
    dc_difference: float
    """Mean of the return less the stem's as sent, of the channel where it is largest; linear."""
    clip_runs: int
    """Runs at full scale that the stem does not have."""
    first_clip_s: float | None
    ceilings: tuple[Ceiling, ...]
    """Flat tops that the stem does not have, at any level."""
    signs: tuple[SignByBand | None, ...]
    """Per channel; None where stem and return have too little in common."""
    sides: Sides | None
    """What each return carries; None for a mono insert."""
    nulls: tuple[PathNull | None, ...]
    """Per channel, where the path may do nothing at all; None where it does something, or where nobody can tell."""
    nulls_known: tuple[bool, ...]
    """Per channel: whether stem and return are loud enough above noise to tell."""
    dropouts: DropoutResult
    """Gaps, jumps, repeats and ticks, and how the delay went on."""
    above_noise_db: tuple[float | None, ...]
    """Per channel: return against its noise while the stem plays there; None where the stem is silent."""
    print_frames: int
    print_sha256: str
    missing_frames: int
    """Frames of stem and tail that the take is too short for."""
    source_unchanged: bool
    """What was played is still what was measured before it."""


class _Activity:
    """Energy of stem and return in tenths of a second, to tell a dead return from a rest in the music.

    The stem's level decides which tenths count, and its loudest is only known in the end: so their energies are kept
    by that level, in steps of a hundredth of a decibel.
    """

    STEPS_A_DB = 100
    LOWEST_DB = -200
    HIGHEST_DB = 100
    TOGETHER = 32

    def __init__(self, rate: int, channels: int) -> None:
        self._span = rate // 10
        self._channels = channels
        self._pieces = PairedPieces(channels, self._span)
        steps = (self.HIGHEST_DB - self.LOWEST_DB) * self.STEPS_A_DB + 1
        self._counts = np.zeros((channels, steps), dtype=np.int64)
        self._heard = np.zeros((channels, steps))
        self._waiting: list[Signal] = []
        """Powers of stem and return that are not counted yet, shape (2, channels, tenths)."""

    def add(self, sent: Block, heard: Block) -> None:
        for run, back in self._pieces.runs(sent, heard):
            self._note(run, back)

    def above_noise_db(self, noise_power: Sequence[float]) -> tuple[float | None, ...]:
        """Of the whole tenths of a second in what has been added."""
        self._count()
        counts, heard = self._counts, self._heard
        found: list[float | None] = []
        for channel in range(self._channels):
            played = np.flatnonzero(counts[channel])
            loudest = int(played[-1]) if len(played) else 0
            floor = max(loudest - round(ACTIVE_BELOW_PEAK_DB * self.STEPS_A_DB), int(self._step(ACTIVE_FLOOR_DBFS)))
            active = int(counts[channel, floor + 1 :].sum())
            if not active:
                found.append(None)
                continue
            power = float(heard[channel, floor + 1 :].sum()) / active
            quiet = max(noise_power[channel], 1e-20)
            found.append(float(10 * np.log10(max(power, 1e-20) / quiet)))
        return tuple(found)

    def _step(self, level_db: float | NDArray[np.float64]) -> NDArray[np.int64]:
        place = np.floor((np.asarray(level_db) - self.LOWEST_DB) * self.STEPS_A_DB)
        return np.asarray(np.clip(place, 0, self._counts.shape[1] - 1).astype(np.int64))

    def _note(self, sent: Signal, heard: Signal) -> None:
        powers = [energies(signal.reshape(self._channels, -1, self._span)) / self._span for signal in (sent, heard)]
        self._waiting.append(np.array(powers))
        if len(self._waiting) == self.TOGETHER:
            self._count()

    def _count(self) -> None:
        """Count what waits: a few tenths at a time, the steps cost more than what is in them."""
        if not self._waiting:
            return
        sent, heard = np.concatenate(self._waiting, axis=2)
        self._waiting.clear()
        places = self._step(10.0 * np.log10(np.maximum(sent, 1e-30)))
        for channel in range(self._channels):
            np.add.at(self._counts[channel], places[channel], 1)
            np.add.at(self._heard[channel], places[channel], heard[channel])


def measure_take(
    each: Pass,
    insert: Insert,
    take: TakeRecord,
    take_path: Path,
    trim: Trim,
    parts: Sequence[StemPart],
    staged: Path,
    source: SourceFacts,
    mains_hz: int,
    own_delay_frames: int = 0,
    written_sha256: str | None = None,
) -> TakeFigures:
    """Measure a take and the print made of it, and see that its source is what it was.

    `own_delay_frames` is the unit's own delay, where it is not trimmed away. `written_sha256` is the checksum of the
    return that the print was made of, where no sample of it was to be changed.

    Raises
    ------
    FileError
        One of the files cannot be read.
    """
    channels, rate = take.channels, take.rate
    levels = LevelMeter(channels)
    sent_sum, walked = np.zeros(channels), 0
    true_peaks = TruePeakMeter(rate, channels)
    sent_clips, clips = ClipFinder(channels), ClipFinder(channels)
    flat_tops, plateaus = FlatTopFinder(rate, channels), PlateauFinder(rate, channels)
    spectra = CrossSpectra(rate, channels, each.print_frames)
    activity = _Activity(rate, channels)
    walk = _Walk(each, insert, take, take_path, trim, tuple(parts))
    handed = Handed(2 * channels, BLOCK_FRAMES, walk.rows)
    with Beside(_find_dropouts, rate, own_delay_frames, handed=handed) as beside:
        with (
            walk.opened() as (reader, stem),
            FinishedPrint(staged, levels, true_peaks, rate, channels, written_sha256) as finished,
            SourceCheck(each, parts, source) as source_check,
        ):
            lead = _read_lead(reader, take, trim)
            for played, came in walk.blocks(reader, stem):
                sent, heard = CheckedBlock(played), CheckedBlock(came)
                beside.hand((sent.by_channel, heard.by_channel))
                source_check.go_on()
                activity.add(sent, heard)
                sent_sum += sent.by_channel.sum(axis=1)
                walked += len(sent)
                finished.follow(came, heard)
                for meter in (levels, true_peaks, clips):
                    meter.add(heard)
                sent_clips.add(sent)
                for comparison in (flat_tops, plateaus, spectra):
                    comparison.add(sent, heard)
            beside.no_more()
            finished.finish()
            noise = tuple(measure_noise(lead[:, channel], rate, mains_hz) for channel in range(channels))
            noise_power = [10 ** (_power_db(one) / 10) for one in noise]
            noise_rms = tuple(math.sqrt(power) for power in noise_power)
            matrix = spectra.result()
            reach = LAG_S * rate if insert.trim == "path" else OWN_LAG_S * rate
            lags = [may_be_wire(matrix, channel, noise_power[channel], reach) for channel in range(channels)]
            nulls = _null_path(walk, reader, stem, lags, noise_power)
            unchanged = source_check.is_unchanged()
        own_clips = _own_clips(clips, sent_clips, round(CLIP_NEIGHBOURHOOD_S * rate))
        return TakeFigures(
            noise=noise,
            returned=describe_level(levels.result(), true_peaks.result()),
            finished=finished.level,
            loudness=finished.loudness,
            dc_difference=_dc_difference(levels, sent_sum / max(1, walked)),
            clip_runs=len(own_clips),
            first_clip_s=own_clips[0] / rate if own_clips else None,
            ceilings=_both(flat_tops.result(noise_rms), plateaus.result(noise_rms)),
            signs=tuple(signs_by_band(matrix, channel, reach) for channel in range(channels)),
            sides=compare_sides(matrix, (noise_power[0], noise_power[1])) if channels == 2 else None,
            nulls=nulls,
            nulls_known=tuple(can_be_nulled(matrix, channel, noise_power[channel]) for channel in range(channels)),
            above_noise_db=activity.above_noise_db(noise_power),
            print_frames=finished.frames,
            print_sha256=finished.sha256,
            missing_frames=max(0, take.layout.material_at + trim.frames + each.print_frames - take.frames),
            source_unchanged=unchanged,
            # What may have to be waited for comes last.
            dropouts=beside.result(),
        )


@dataclass(frozen=True)
class _Walk:
    """Through stem and tail: what was sent, and what came back, lined up."""

    each: Pass
    insert: Insert
    take: TakeRecord
    take_path: Path
    trim: Trim
    parts: tuple[StemPart, ...]

    @contextmanager
    def opened(self) -> Iterator[tuple[SoundReader, StemReader]]:
        """The take and its stem."""
        with (
            SoundReader(self.take_path) as reader,
            StemReader(self.parts, self.each.source_channels, self.each.source_frames) as stem,
        ):
            yield reader, stem

    def blocks(
        self, reader: SoundReader, stem: StemReader
    ) -> Iterator[tuple[NDArray[np.floating], NDArray[np.float32]]]:
        """Each of the shape (frames, channels)."""
        take = self.take
        gain = db_to_ratio(self.each.send_db)
        computed = gain != 1.0 or self.insert.mode == "mid-side"
        stem.seek(0)
        reader.seek(min(max(0, take.layout.material_at + self.trim.frames), take.frames))
        left = self.each.print_frames
        while left > 0:
            # Takes hold no more digits.
            heard = reader.read_float32(min(BLOCK_FRAMES, left))[:, : take.channels]
            if not len(heard):
                break
            left -= len(heard)
            dry = stem.read_exact(len(heard))
            if computed:
                dry = dry.astype(np.float64)
            sent = to_sends(dry, self.insert.mode)
            if gain != 1.0:
                sent = sent * gain
            if len(sent) < len(heard):
                sent = np.concatenate((sent, np.zeros((len(heard) - len(sent), take.channels))))
            yield sent, heard

    def rows(self) -> Iterator[NDArray[np.float32]]:
        """Blocks of the same in single precision, the channels of what was sent above those of what came back."""
        with self.opened() as (reader, stem):
            for sent, heard in self.blocks(reader, stem):
                yield np.concatenate((sent.T, heard.T), dtype=np.float32, casting="same_kind")


def _find_dropouts(blocks: Iterator[NDArray[np.float32]], rate: int, own_delay_frames: int) -> DropoutResult:
    """What the stem does not explain; it is heard as late as the unit itself makes it, where that is not trimmed.

    `blocks` have the stem's channels above those of the return.
    """
    finder: DropoutFinder | None = None
    for block in blocks:
        channels = len(block) // 2
        if finder is None:
            finder, waiting = DropoutFinder(rate, channels), np.zeros((channels, own_delay_frames), dtype=np.float32)
        sent, heard = block[:channels], block[channels:]
        if own_delay_frames:
            together = np.concatenate((waiting, sent), axis=1)
            sent, waiting = together[:, : sent.shape[1]], together[:, sent.shape[1] :]
        finder.add(sent.T, heard.T)
    return (finder or DropoutFinder(rate, 1)).finish()


def _null_path(
    walk: _Walk, reader: SoundReader, stem: StemReader, lags: Sequence[float | None], noise_power: Sequence[float]
) -> tuple[PathNull | None, ...]:
    """A second walk, only where a path may do nothing at all: there its spectra are not exact enough."""
    meters = {channel: PathNullMeter(walk.take.rate, lag) for channel, lag in enumerate(lags) if lag is not None}
    if meters:
        for sent, heard in walk.blocks(reader, stem):
            for channel, meter in meters.items():
                meter.add(sent[:, channel : channel + 1], heard[:, channel : channel + 1])
    found: list[PathNull | None] = [None] * len(lags)
    for channel, meter in meters.items():
        with suppress(UnmeasurableError):  # too short for a single frame
            found[channel] = meter.result(noise_power[channel])
    return tuple(found)


def _read_lead(reader: SoundReader, take: TakeRecord, trim: Trim) -> Signal:
    guard = round(LEAD_GUARD_S * take.rate)
    start = max(0, trim.frames) + guard
    reader.seek(min(start, take.frames))
    return reader.read(max(1, take.layout.lead - 2 * guard))[:, : take.channels]


def _power_db(noise: NoiseResult) -> float:
    """Noise and hum together, dBFS."""
    return float(10 * np.log10(10 ** (noise.rms_dbfs / 10) + 10 ** (noise.hum_dbfs / 10) + 1e-40))


def _both(found: tuple[Ceiling, ...], others: tuple[Ceiling, ...]) -> tuple[Ceiling, ...]:
    """Ceilings that were found in two ways, each side of a channel once."""
    sides = {(each.channel, each.level > 0.0) for each in found}
    return (*found, *(each for each in others if (each.channel, each.level > 0.0) not in sides))


def _dc_difference(levels: LevelMeter, sent_mean: Signal) -> float:
    # Both means are over stem and tail, so an offset of the stem's own cancels whatever the tail's length.
    return float(max(np.array(levels.result().mean) - sent_mean, key=abs))


def _own_clips(clips: ClipFinder, sent: ClipFinder, near: int) -> list[int]:
    """First frames of runs at full scale that the stem has nothing to do with."""
    stem_runs = np.array(sorted(run.start_frame for run in sent.result().runs), dtype=np.int64)
    own = []
    for run in clips.result().runs:
        if len(stem_runs):
            place = int(np.searchsorted(stem_runs, run.start_frame))
            neighbours = stem_runs[max(0, place - 1) : place + 1]
            if np.abs(neighbours - run.start_frame).min() <= near:
                continue
        own.append(run.start_frame)
    return sorted(own)
