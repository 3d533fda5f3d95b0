"""One walk through a take, its source and its finished print: everything the checks need, in constant memory."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from printq.audio.channels import to_sends
from printq.files.checksums import AudioHasher
from printq.files.soundfiles import SoundReader
from printq.files.stems import StemPart, StemReader
from printq.measure.clip import ClipFinder
from printq.measure.loudness import LoudnessMeter
from printq.measure.noise import NoiseResult, measure_noise
from printq.measure.peaks import LevelMeter, TruePeakMeter
from printq.models.delivery import Trim
from printq.models.passes import Pass
from printq.models.rig import Insert
from printq.models.take import TakeRecord
from printq.models.verdict import Level, Loudness
from printq.units import db_to_ratio
from printq.verify.source import BLOCK_FRAMES, describe_level, describe_loudness

__all__ = ["TakeFigures", "measure_take"]

Signal = NDArray[np.float64]

LEAD_GUARD_S = 0.02
"""Left out at both ends of the lead: what rings before the marker, and the end of what played before."""
ACTIVE_BELOW_PEAK_DB = 40.0
"""The stem counts as playing where it is within this of its loudest tenth of a second."""
ACTIVE_FLOOR_DBFS = -80.0
CLIP_NEIGHBOURHOOD_S = 0.005
"""A run at full scale is the stem's own where the stem has one this close."""


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
    above_noise_db: tuple[float | None, ...]
    """Per channel: return against its noise while the stem plays there; None where the stem is silent."""
    print_frames: int
    print_sha256: str
    source_sha256: str
    """Of the source as it was read here, after the pass: the dry file is sacred."""
    missing_frames: int
    """Frames of stem and tail that the take is too short for."""


class _Activity:
    """Energy of stem and return in tenths of a second, to tell a dead return from a rest in the music."""

    def __init__(self, rate: int, channels: int) -> None:
        self._span = rate // 10
        self._channels = channels
        self._left_sent = np.zeros((0, channels))
        self._left_heard = np.zeros((0, channels))
        self._sent: list[Signal] = []
        self._heard: list[Signal] = []

    def add(self, sent: Signal, heard: Signal) -> None:
        sent = np.concatenate((self._left_sent, sent))
        heard = np.concatenate((self._left_heard, heard))
        whole = len(sent) // self._span * self._span
        self._left_sent, self._left_heard = sent[whole:], heard[whole:]
        for kept, signal in ((self._sent, sent), (self._heard, heard)):
            spans = signal[:whole].reshape(-1, self._span, self._channels)
            kept.append(np.einsum("nsc,nsc->nc", spans, spans) / self._span)

    def above_noise_db(self, noise_power: Sequence[float]) -> tuple[float | None, ...]:
        sent, heard = np.concatenate(self._sent), np.concatenate(self._heard)
        found: list[float | None] = []
        for channel in range(self._channels):
            loudest = sent[:, channel].max(initial=0.0)
            floor = max(loudest * 10 ** (-ACTIVE_BELOW_PEAK_DB / 10), 10 ** (ACTIVE_FLOOR_DBFS / 10))
            active = heard[sent[:, channel] > floor, channel]
            if not len(active):
                found.append(None)
                continue
            power = float(active.mean())
            quiet = max(noise_power[channel], 1e-20)
            found.append(float(10 * np.log10(max(power, 1e-20) / quiet)))
        return tuple(found)


def measure_take(
    each: Pass,
    insert: Insert,
    take: TakeRecord,
    take_path: Path,
    trim: Trim,
    parts: Sequence[StemPart],
    staged: Path,
    mains_hz: int,
) -> TakeFigures:
    """Measure a take and the print made of it.

    Raises
    ------
    FileError
        One of the files cannot be read.
    """
    layout = take.layout
    channels = take.channels
    gain = db_to_ratio(each.send_db)
    sent_levels, levels = LevelMeter(channels), LevelMeter(channels)
    true_peaks = TruePeakMeter(take.rate, channels)
    sent_clips, clips = ClipFinder(channels), ClipFinder(channels)
    activity = _Activity(take.rate, channels)
    hasher = AudioHasher(each.rate, each.source_channels)
    with SoundReader(take_path) as reader, StemReader(parts, each.source_channels, each.source_frames) as stem:
        lead = _read_lead(reader, take, trim)
        start = layout.material_at + trim.frames
        reader.seek(min(max(0, start), take.frames))
        left = each.print_frames
        missing = max(0, start + left - take.frames)
        while left > 0:
            heard = reader.read(min(BLOCK_FRAMES, left))[:, :channels]
            if not len(heard):
                break
            left -= len(heard)
            dry = stem.read(len(heard))
            hasher.add(dry)
            sent = to_sends(dry, insert.mode) * gain
            padded = np.zeros((len(heard), channels))
            padded[: len(sent)] = sent
            activity.add(padded, heard)
            sent_levels.add(padded)
            levels.add(heard)
            true_peaks.add(heard)
            sent_clips.add(padded)
            clips.add(heard)
        for dry in stem.blocks(BLOCK_FRAMES):  # what a take that is too short did not reach
            hasher.add(dry)
    noise = tuple(measure_noise(lead[:, channel], take.rate, mains_hz) for channel in range(channels))
    level = levels.result()
    own_clips = _own_clips(clips, sent_clips, round(CLIP_NEIGHBOURHOOD_S * take.rate))
    finished, loudness, frames, checksum = _measure_print(staged)
    return TakeFigures(
        noise=noise,
        returned=describe_level(level, true_peaks.result()),
        finished=finished,
        loudness=loudness,
        dc_difference=_dc_difference(levels, sent_levels),
        clip_runs=len(own_clips),
        first_clip_s=own_clips[0] / take.rate if own_clips else None,
        above_noise_db=activity.above_noise_db([10 ** (_power_db(each_noise) / 10) for each_noise in noise]),
        print_frames=frames,
        print_sha256=checksum,
        source_sha256=hasher.hexdigest(),
        missing_frames=missing,
    )


def _read_lead(reader: SoundReader, take: TakeRecord, trim: Trim) -> Signal:
    guard = round(LEAD_GUARD_S * take.rate)
    start = max(0, trim.frames) + guard
    reader.seek(min(start, take.frames))
    return reader.read(max(1, take.layout.lead - 2 * guard))[:, : take.channels]


def _power_db(noise: NoiseResult) -> float:
    """Noise and hum together, dBFS."""
    return float(10 * np.log10(10 ** (noise.rms_dbfs / 10) + 10 ** (noise.hum_dbfs / 10) + 1e-40))


def _dc_difference(levels: LevelMeter, sent: LevelMeter) -> float:
    # Both means are over stem and tail, so an offset of the stem's own cancels whatever the tail's length.
    differences = [a - b for a, b in zip(levels.result().mean, sent.result().mean, strict=True)]
    return max(differences, key=abs)


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


def _measure_print(staged: Path) -> tuple[Level, Loudness, int, str]:
    with SoundReader(staged) as reader:
        facts = reader.facts
        hasher = AudioHasher(facts.rate, facts.channels)
        levels = LevelMeter(facts.channels)
        true_peaks = TruePeakMeter(facts.rate, facts.channels)
        loudness = LoudnessMeter(facts.rate, facts.channels)
        frames = 0
        for block in reader.blocks(BLOCK_FRAMES):
            hasher.add(block)
            levels.add(block)
            true_peaks.add(block)
            loudness.add(block)
            frames += len(block)
    return (
        describe_level(levels.result(), true_peaks.result()),
        describe_loudness(loudness.result()),
        frames,
        hasher.hexdigest(),
    )
