"""A finished print beside its return: the figures are those of the print alone, whatever the two have in common."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
import soundfile
from numpy.typing import NDArray

from printq.files.checksums import AudioHasher
from printq.measure.blocks import CheckedBlock
from printq.measure.loudness import LoudnessMeter
from printq.measure.peaks import LevelMeter, TruePeakMeter
from printq.verify.finished import FinishedPrint
from printq.verify.source import BLOCK_FRAMES, describe_level, describe_loudness
from tests.sessions import make_music

RATE = 48_000
Signal = NDArray[np.float64]


def measured(path: Path, returned: Signal, written_sha256: str | None = None) -> FinishedPrint:
    """A print that was followed beside a return to its end."""
    levels, true_peaks = LevelMeter(returned.shape[1]), TruePeakMeter(RATE, returned.shape[1])
    with FinishedPrint(path, levels, true_peaks, RATE, returned.shape[1], written_sha256) as finished:
        for start in range(0, len(returned), BLOCK_FRAMES):
            block = returned[start : start + BLOCK_FRAMES]
            heard = CheckedBlock(block)
            finished.follow(block, heard)
            levels.add(heard)
            true_peaks.add(heard)
        finished.finish()
    return finished


def returned_music(channels: int = 2) -> Signal:
    """Of 6 s, as 24 bits hold it."""
    return np.asarray(np.round(make_music(6.0, channels, seed=5) * 2.0**23) / 2.0**23)


def the_same(signal: Signal) -> Signal:
    return signal


def turned_down(signal: Signal) -> Signal:
    return 0.5 * signal


def with_a_click(signal: Signal) -> Signal:
    other = signal.copy()
    other[200_000, -1] = 0.9375
    return other


def without_its_peak(signal: Signal) -> Signal:
    other = signal.copy()
    place = int(np.abs(other).max(axis=1).argmax())
    other[place - 200 : place + 200] = 0.0
    return other


def cut_short(signal: Signal) -> Signal:
    return signal[:150_000]


def longer(signal: Signal) -> Signal:
    return np.concatenate((signal, 0.75 * signal[::-1] / np.abs(signal).max()))


def on_one_channel(signal: Signal) -> Signal:
    return signal[:, :1]


@pytest.mark.parametrize("encoding", ["PCM_24", "FLOAT", "DOUBLE"])
@pytest.mark.parametrize(
    "change", [the_same, turned_down, with_a_click, without_its_peak, cut_short, longer, on_one_channel]
)
@pytest.mark.parametrize("written_sha256", [None, "that of the return"])
def test_a_print_has_the_figures_that_it_has_alone(
    change: Callable[[Signal], Signal], encoding: str, written_sha256: str | None, tmp_path: Path
) -> None:
    returned = returned_music()
    signal = change(returned)
    soundfile.write(tmp_path / "print.wav", signal, RATE, encoding)
    kept, _ = soundfile.read(tmp_path / "print.wav", always_2d=True)
    levels, true_peaks = LevelMeter(kept.shape[1]), TruePeakMeter(RATE, kept.shape[1])
    loudness, hasher = LoudnessMeter(RATE, kept.shape[1]), AudioHasher(RATE, kept.shape[1])
    for meter in (levels, true_peaks, loudness, hasher):
        meter.add(kept)
    finished = measured(tmp_path / "print.wav", returned, written_sha256)
    assert finished.frames == len(kept)
    assert finished.level == describe_level(levels.result(), true_peaks.result())
    assert finished.loudness == describe_loudness(loudness.result())
    # What was found when the print was written counts only if not one sample is another.
    is_the_return = change is the_same and written_sha256 is not None
    assert finished.sha256 == (written_sha256 if is_the_return else hasher.hexdigest())


def test_what_differs_in_the_last_bit_is_measured_by_itself(tmp_path: Path) -> None:
    returned = returned_music(1)
    signal = returned.copy()
    place = int(np.abs(signal).argmax())
    signal[place] += np.copysign(2.0**-23, signal[place])
    soundfile.write(tmp_path / "print.wav", signal, RATE, "PCM_24")
    levels = LevelMeter(1)
    levels.add(signal)
    finished = measured(tmp_path / "print.wav", returned)
    assert finished.level.sample_peak_dbfs == describe_level(levels.result(), (1.0,)).sample_peak_dbfs
