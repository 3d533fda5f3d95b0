"""Figures of files: those of the formulas, null where there are none, an error where it is no audio."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest
import soundfile
from numpy.typing import NDArray

from printq.errors import FileError
from printq.measure.loudness import LoudnessMeter
from printq.measure.peaks import TruePeakMeter
from printq.models.figures import FileFigures
from printq.recordings.figures import BLOCK_SAMPLES, measure_file
from tests.measure.signals import RATE, feed, steps, stereo
from tests.sessions import make_music, write_wav

Signal = NDArray[np.float64]

MUSIC = make_music(4.0, 2)


def measured(path: Path, signal: Signal, rate: int = RATE, **more: str) -> FileFigures:
    soundfile.write(path, signal, rate, **more)
    return measure_file(path)


def test_a_full_scale_sine_has_the_figures_of_the_formulas(tmp_path: Path) -> None:
    """997 Hz on one channel: RMS 1 / sqrt(2) of the peak; -3.01 LUFS, BS.1770-5, Annex 1, after equation (7)."""
    found = measured(tmp_path / "sine.wav", steps((5.0, 0.0), hz=997.0)[:, np.newaxis], subtype="DOUBLE")
    assert (found.frames, found.rate, found.channels) == (5 * RATE, RATE, 1)
    assert found.sample_peak_dbfs == pytest.approx(0.0, abs=1e-4)
    assert found.true_peak_dbtp == pytest.approx(0.0, abs=0.02)
    assert found.rms_dbfs == pytest.approx(-3.0103, abs=1e-4)
    assert found.crest_db == pytest.approx(3.0103, abs=2e-4)
    assert found.integrated_lufs == pytest.approx(-3.01, abs=0.005)
    assert found.momentary_max_lufs == pytest.approx(-3.01, abs=0.02)
    assert found.short_term_max_lufs == pytest.approx(-3.01, abs=0.01)
    assert found.dc_dbfs is None, "997 whole periods have no mean"


def test_levels_are_those_of_the_loudest_channel_and_each_channel_has_its_own(tmp_path: Path) -> None:
    signal = np.stack([np.zeros(RATE), 0.5 + 0.25 * steps((1.0, 0.0), hz=100.0), np.full(RATE, -0.125)], axis=1)
    found = measured(tmp_path / "three.wav", signal, subtype="FLOAT")
    silent, _, offset = found.per_channel
    assert found.sample_peak_dbfs == pytest.approx(20.0 * np.log10(0.75), abs=1e-3)
    assert found.dc_dbfs == pytest.approx(20.0 * np.log10(0.5), abs=1e-6)
    assert found.rms_dbfs == pytest.approx(10.0 * np.log10(0.25 + 0.25**2 / 2.0), abs=1e-6)
    assert set(silent.model_dump().values()) == {None}
    assert (offset.sample_peak_dbfs, offset.rms_dbfs, offset.crest_db) == pytest.approx((-18.0618, -18.0618, 0.0))
    assert offset.sample_peak_at_s == 0.0


@pytest.mark.parametrize(
    ("name", "subtype", "rate", "channels"),
    [
        ("a.wav", "PCM_24", 48_000, 2),
        ("a.wav", "PCM_16", 44_100, 1),
        ("a.wav", "PCM_32", 48_000, 2),
        ("a.wav", "PCM_U8", 8_000, 2),
        ("a.wav", "FLOAT", 96_000, 6),
        ("a.wav", "DOUBLE", 192_000, 2),
        ("a.flac", "PCM_24", 88_200, 5),
        ("a.flac", "PCM_16", 11_025, 1),
        ("a.aiff", "PCM_24", 22_050, 3),
        ("a.rf64", "PCM_24", 48_000, 9),
        ("a.ogg", "VORBIS", 48_000, 2),
    ],
)
def test_every_format_has_the_figures_of_its_samples(
    tmp_path: Path, name: str, subtype: str, rate: int, channels: int
) -> None:
    path = tmp_path / name
    signal = np.random.default_rng(rate).standard_normal((2 * rate, channels)) * 0.1
    soundfile.write(path, signal, rate, subtype=subtype)
    samples = soundfile.read(path, dtype="float64", always_2d=True)[0]
    found = measure_file(path)
    loudness = feed(LoudnessMeter(rate, channels), samples)
    assert (found.frames, found.rate, found.channels) == (len(samples), rate, channels)
    assert found.integrated_lufs == loudness.integrated_lufs
    assert found.momentary_max_lufs == loudness.momentary_max_lufs
    assert found.sample_peak_dbfs == pytest.approx(20.0 * np.log10(np.abs(samples).max()), abs=1e-9)
    assert found.true_peak_dbtp == pytest.approx(
        20.0 * np.log10(max(feed(TruePeakMeter(rate, channels), samples))), abs=1e-9
    )
    assert found.rms_dbfs == pytest.approx(10.0 * np.log10(np.mean(samples**2, axis=0).max()), abs=1e-9)


def test_floats_over_full_scale_read_what_they_are(tmp_path: Path) -> None:
    found = measured(tmp_path / "hot.wav", stereo(steps((4.0, 12.0), hz=997.0)), subtype="FLOAT")
    assert found.sample_peak_dbfs == pytest.approx(12.0, abs=1e-3)
    assert found.integrated_lufs == pytest.approx(12.0, abs=0.01)


def test_threads_and_blocks_leave_the_figures_alone(tmp_path: Path) -> None:
    """Longer than some blocks, measured again: the same to the last bit."""
    path = tmp_path / "long.wav"
    write_wav(path, np.tile(MUSIC, (8, 1)))
    assert 8 * MUSIC.size > 4 * BLOCK_SAMPLES
    assert measure_file(path) == measure_file(path)


@pytest.mark.parametrize("frames", [1, 100, RATE, 4 * RATE])
def test_silence_has_no_levels_and_no_loudness(tmp_path: Path, frames: int) -> None:
    found = measured(tmp_path / "silence.wav", np.zeros((frames, 2)), subtype="PCM_24")
    assert found.frames == frames
    figures = found.model_dump(exclude={"frames", "rate", "channels", "format", "encoding", "per_channel", "quietest"})
    assert set(figures.values()) == {None}
    assert (found.quietest is None) == (frames < RATE)
    if found.quietest is not None:
        assert (found.quietest.start_s, found.quietest.rms_dbfs, found.quietest.a_weighted_dbfs) == (0.0, None, None)


def test_a_single_sample_has_levels_and_no_loudness(tmp_path: Path) -> None:
    found = measured(tmp_path / "one.wav", np.array([[0.5]]), subtype="FLOAT")
    assert found.sample_peak_dbfs == found.rms_dbfs == found.dc_dbfs == pytest.approx(-6.0206, abs=1e-4)
    assert found.crest_db == pytest.approx(0.0)
    assert found.integrated_lufs is None
    assert found.loudness_range_lu is None


@pytest.mark.parametrize("rate", [1, 100, 4_000])
def test_below_8_khz_there_are_levels_and_no_loudness(tmp_path: Path, rate: int) -> None:
    found = measured(tmp_path / "slow.wav", np.full((3 * rate, 1), 0.25), rate, subtype="FLOAT")
    assert found.sample_peak_dbfs == pytest.approx(-12.0412, abs=1e-4)
    assert (found.integrated_lufs, found.momentary_max_lufs, found.quietest) == (None, None, None)


def test_the_quietest_second_is_found_and_weighted(tmp_path: Path) -> None:
    """A sine of 100 Hz, which IEC 61672-1, Table 3, weighs with -19.1 dB, between seconds of music; offset left out."""
    quiet = 0.01 + steps((1.2, -60.0), hz=100.0)
    signal = np.concatenate((MUSIC[:, 0], quiet, MUSIC[:, 1]))
    found = measured(tmp_path / "quiet.wav", signal, subtype="DOUBLE").quietest
    assert found is not None
    assert found.start_s == pytest.approx(4.1, abs=0.1)
    assert found.rms_dbfs == pytest.approx(-63.01, abs=0.05)
    assert found.a_weighted_dbfs == pytest.approx(-63.01 - 19.1, abs=0.3)
    assert found.hum_dbfs is None


@pytest.mark.parametrize("mains", [50, 60])
def test_hum_is_looked_for_when_the_mains_is_named(tmp_path: Path, mains: int) -> None:
    path = tmp_path / "hum.wav"
    noise = np.random.default_rng(50).standard_normal(2 * RATE) * 1e-5
    hum = steps((2.0, -60.0), hz=float(mains)) + steps((2.0, -70.0), hz=3.0 * mains)
    soundfile.write(path, noise + hum, RATE, subtype="DOUBLE")
    assert measure_file(path).quietest.hum_dbfs is None  # type: ignore[union-attr]
    found = measure_file(path, mains).quietest
    assert found is not None
    assert [(round(line.hz), round(line.dbfs, 1)) for line in found.lines] == [(mains, -63.0), (3 * mains, -73.0)]
    assert found.hum_dbfs == pytest.approx(10.0 * np.log10(0.5e-6 + 0.5e-7), abs=0.05)


@pytest.mark.parametrize("bad", [np.nan, np.inf, -np.inf, 1e35])
@pytest.mark.parametrize("frame", [0, 70_000, 3 * RATE - 1])
def test_a_sample_that_is_no_number_is_named_with_its_time(tmp_path: Path, bad: float, frame: int) -> None:
    signal = np.zeros((3 * RATE, 2))
    signal[frame, 1] = bad
    signal[-1, 1] = bad
    with pytest.raises(FileError) as caught:
        measured(tmp_path / "bad.wav", signal, subtype="FLOAT")
    assert str(caught.value) == (
        f"{tmp_path / 'bad.wav'} holds a sample that is not a finite number, at {frame / RATE:.6f} s in channel 2; "
        "export it again"
    )


def cut_off(path: Path, name: str, subtype: str) -> Path:
    soundfile.write(path / name, MUSIC, RATE, subtype=subtype)
    whole = (path / name).read_bytes()
    (path / name).write_bytes(whole[: len(whole) // 2])
    return path / name


@pytest.mark.parametrize("make", [
    pytest.param(lambda path: path / "none.wav", id="missing"),
    pytest.param(lambda path: path, id="a folder"),
    pytest.param(lambda path: text(path / "text.wav", "hello"), id="text"),
    pytest.param(lambda path: text(path / "notes.txt", "hello " * 1000), id="much text"),
    pytest.param(lambda path: text(path / "empty.wav", ""), id="an empty file"),
    pytest.param(lambda path: cut_off(path, "cut.wav", "PCM_24"), id="half a WAV"),
    pytest.param(lambda path: cut_off(path, "cut.flac", "PCM_24"), id="half a FLAC"),
    pytest.param(lambda path: cut_off(path, "cut.aiff", "PCM_16"), id="half an AIFF"),
])  # fmt: skip
def test_what_is_no_whole_audio_file_is_an_error_in_one_sentence(tmp_path: Path, make: object) -> None:
    path = make(tmp_path)  # type: ignore[operator]
    with pytest.raises(FileError) as caught:
        measure_file(path)
    assert str(caught.value).startswith(str(path))
    assert "\n" not in str(caught.value)


def text(path: Path, words: str) -> Path:
    path.write_text(words)
    return path


PEAK = """
import sys
from pathlib import Path
from printq.cli.app import run_command_line
sys.argv = ["printq", "measure", sys.argv[1], "--json"]
assert run_command_line() == 0
assert "scipy" not in sys.modules, "scipy costs more to import than a minute to measure"
(peak,) = [line for line in Path("/proc/self/status").read_text().splitlines() if line.startswith("VmHWM:")]
print("PEAK", peak.split()[1])
"""


@pytest.mark.slow
@pytest.mark.skipif(sys.platform != "linux", reason="peak memory is read from /proc")
def test_memory_does_not_grow_with_the_length(tmp_path: Path) -> None:
    block = np.rint(np.random.default_rng(1).uniform(-0.5, 0.5, (60 * RATE, 2)) * 2**23).astype(np.int32) << 8
    peaks = []
    for minutes in (1, 12):
        path = tmp_path / f"{minutes}.wav"
        with soundfile.SoundFile(path, "w", RATE, 2, subtype="PCM_24") as file:
            for _ in range(minutes):
                file.write(block)
        words = [sys.executable, "-c", PEAK, str(path)]
        done = subprocess.run(words, capture_output=True, text=True, check=True, timeout=300)
        peaks.append(int(done.stdout.rsplit("PEAK", 1)[1]) / 1024)
        path.unlink()
    assert peaks[1] - peaks[0] < 8.0, peaks
    assert peaks[1] < 150.0, peaks
