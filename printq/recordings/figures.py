"""Figures of any audio file, in one walk through it."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from printq.errors import FileError, UnmeasurableError
from printq.files.soundfiles import SoundReader
from printq.measure.blocks import PIECE_FRAMES, CheckedBlock, first_bad_sample
from printq.measure.loudness import LOWEST_RATE, LoudnessMeter, LoudnessResult
from printq.measure.noise import a_weighting, measure_noise
from printq.measure.peaks import LevelMeter, TruePeakMeter
from printq.models.figures import ChannelFigures, FileFigures, MainsLine, Quietest
from printq.recordings.feeding import feed
from printq.units import level_or_none, power_to_db, ratio_to_db, seconds_to_frames

__all__ = ["measure_file"]

BLOCK_SAMPLES = 4 * PIECE_FRAMES
"""Of all channels together."""
ROUNDING = 1e-13
"""A mean that is smaller than this against the peak is what adding up leaves behind."""


def measure_file(path: Path, mains_hz: int | None = None) -> FileFigures:
    """Levels, true peak, loudness and the quietest second of a file.

    Parameters
    ----------
    path : Path
        Anything that libsndfile reads.
    mains_hz : int, optional
        50 or 60: the quietest second is searched for hum.

    Raises
    ------
    FileError
        It is missing, no audio, cut off, or holds a sample that is not a finite number.
    """
    with SoundReader(path) as reader:
        rate, channels = reader.facts.rate, reader.facts.channels
        levels = LevelMeter(channels)
        true_peaks = [TruePeakMeter(rate, 1) for _ in range(channels)]
        loudness = LoudnessMeter(rate, channels) if rate >= LOWEST_RATE else None
        takers: list[Callable[[CheckedBlock], None]] = [
            _channel_taker(meter, at) for at, meter in enumerate(true_peaks)
        ]
        if loudness is not None:
            takers.insert(0, loudness.add)
        takers.append(levels.add)
        feed(_finite_blocks(reader), takers)
        level = levels.result()
        found = loudness.result() if loudness is not None else LoudnessResult(None, None, None, None)
        per_channel = tuple(
            _describe_channel(peak, frame / rate, rms, mean, meter.result()[0], meter.peak_frames()[0] / rate)
            for peak, frame, rms, mean, meter in zip(
                level.sample_peak, level.peak_frame, level.rms, level.mean, true_peaks, strict=True
            )
        )
        quiet = None if found.quietest_at_s is None else _describe_quietest(reader, found.quietest_at_s, mains_hz)
        facts = reader.facts
    sample_peak = _loudest([each.sample_peak_dbfs for each in per_channel])
    rms = _loudest([each.rms_dbfs for each in per_channel])
    return FileFigures(
        frames=facts.frames,
        rate=rate,
        channels=channels,
        format=facts.format,
        encoding=facts.encoding,
        sample_peak_dbfs=sample_peak,
        true_peak_dbtp=_loudest([each.true_peak_dbtp for each in per_channel]),
        integrated_lufs=found.integrated_lufs,
        loudness_range_lu=found.range_lu,
        momentary_max_lufs=found.momentary_max_lufs,
        short_term_max_lufs=found.short_term_max_lufs,
        rms_dbfs=rms,
        dc_dbfs=_loudest([each.dc_dbfs for each in per_channel]),
        crest_db=_difference(sample_peak, rms),
        momentary_max_at_s=found.momentary_max_at_s,
        short_term_max_at_s=found.short_term_max_at_s,
        per_channel=per_channel,
        quietest=quiet,
    )


def _channel_taker(meter: TruePeakMeter, channel: int) -> Callable[[CheckedBlock], None]:
    return lambda block: meter.add(block.channel(channel))


def _finite_blocks(reader: SoundReader) -> Iterator[CheckedBlock]:
    """The file from its beginning, each block new; raises FileError at the first sample that is no number."""
    facts = reader.facts
    frames = max(1, BLOCK_SAMPLES // facts.channels)
    done = 0
    while len(block := reader.read_exact(frames)):
        try:
            checked = CheckedBlock(block)
        except UnmeasurableError as error:
            frame, channel = first_bad_sample(block) or (0, 0)
            raise FileError(
                f"{reader.path} holds a sample that is not a finite number, at {(done + frame) / facts.rate:.6f} s in "
                f"channel {channel + 1}; export it again"
            ) from error
        done += len(block)
        yield checked
    if done < facts.frames:
        raise FileError(f"{reader.path} ends {facts.frames - done} frames before its header says so; copy it again")


def _describe_channel(
    peak: float, peak_s: float, rms: float, mean: float, true_peak: float, true_peak_s: float
) -> ChannelFigures:
    sounds = peak > 0.0
    return ChannelFigures(
        sample_peak_dbfs=level_or_none(ratio_to_db(peak)),
        sample_peak_at_s=peak_s if sounds else None,
        true_peak_dbtp=level_or_none(ratio_to_db(true_peak)),
        true_peak_at_s=true_peak_s if sounds else None,
        rms_dbfs=level_or_none(ratio_to_db(rms)),
        dc_dbfs=ratio_to_db(mean) if abs(mean) > ROUNDING * peak else None,
        crest_db=_difference(level_or_none(ratio_to_db(peak)), level_or_none(ratio_to_db(rms))),
    )


def _describe_quietest(reader: SoundReader, start_s: float, mains_hz: int | None) -> Quietest:
    rate = reader.facts.rate
    reader.seek(seconds_to_frames(start_s, rate))
    second = reader.read(rate)
    second -= second.mean(axis=0)
    noises = [] if mains_hz is None else [measure_noise(side, rate, float(mains_hz)) for side in second.T]
    most_hum = max(noises, key=lambda noise: noise.hum_dbfs, default=None)
    return Quietest(
        start_s=start_s,
        seconds=len(second) / rate,
        rms_dbfs=level_or_none(power_to_db(max(float(np.mean(side**2)) for side in second.T))),
        a_weighted_dbfs=level_or_none(power_to_db(max(_a_weighted_power(side, rate) for side in second.T))),
        mains_hz=mains_hz,
        hum_dbfs=level_or_none(most_hum.hum_dbfs) if most_hum else None,
        lines=tuple(MainsLine(hz=hz, dbfs=dbfs) for hz, dbfs in most_hum.lines) if most_hum else (),
    )


def _a_weighted_power(signal: NDArray[np.float64], rate: int) -> float:
    places = np.asarray(np.fft.rfftfreq(len(signal), 1.0 / rate), dtype=np.float64)
    spectrum = np.abs(np.fft.rfft(signal)) ** 2 * a_weighting(places) ** 2
    # Every bin stands for two, but for the first, which is empty, and that of half the rate.
    spectrum[1 : (len(signal) + 1) // 2] *= 2.0
    return float(spectrum.sum()) / len(signal) ** 2


def _loudest(levels: list[float | None]) -> float | None:
    return max((level for level in levels if level is not None), default=None)


def _difference(high: float | None, low: float | None) -> float | None:
    return high - low if high is not None and low is not None else None
