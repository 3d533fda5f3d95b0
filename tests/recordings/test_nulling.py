"""Two files, lined up and subtracted: wherever they begin, whatever they are, or a clear word why not."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
import soundfile
from numpy.typing import NDArray

from printq.errors import FileError, UnlikeError, UnmeasurableError
from printq.recordings.nulling import Recording, null_recordings
from tests.measure.signals import RATE, band_limited_noise
from tests.sessions import make_music

Signal = NDArray[np.float64]


def write(path: Path, signal: Signal, rate: int = RATE, subtype: str = "DOUBLE") -> Recording:
    soundfile.write(path, signal, rate, subtype=subtype)
    return Recording(path)


def later(signal: Signal, delay: float) -> Signal:
    """A signal that begins and ends in silence, delayed by the phase of its spectrum."""
    room = max(1000, round(abs(delay)) + 1000)
    padded = np.concatenate((np.zeros(room), signal, np.zeros(room)))
    turn = 2.0 * np.pi * np.arange(len(padded) // 2 + 1) / len(padded)
    return np.fft.irfft(np.fft.rfft(padded) * np.exp(-1j * turn * delay), len(padded))[room:]


def music(seconds: float = 6.0) -> Signal:
    """With nothing above 0.45 of the rate, as a converter leaves it: near half the rate no filter can follow."""
    played = make_music(seconds, 1)[:, 0]
    spectrum = np.fft.rfft(played)
    spectrum[np.fft.rfftfreq(len(played)) > 0.45] = 0.0
    return np.fft.irfft(spectrum, len(played))


@pytest.mark.parametrize("delay", [0.0, 0.5, 187.37, 4_999.81, -250.25, 96_000.2, -96_000.2])
def test_a_copy_is_lined_up_wherever_it_begins(tmp_path: Path, delay: float) -> None:
    dry = music()
    noise = 1e-5 * np.random.default_rng(1).standard_normal(len(dry))
    returned = -0.7 * later(dry + noise, delay)
    found = null_recordings(write(tmp_path / "a.wav", dry), write(tmp_path / "b.wav", returned))
    assert found.delay_samples == pytest.approx(delay, abs=0.001)
    assert found.polarity == -1
    assert found.gain_db == pytest.approx(-3.098, abs=0.001)
    power = float(np.mean(dry**2))
    assert found.depth_db is not None
    assert found.depth_db < 10.0 * np.log10(1e-10 / power) + 1.0


def test_delays_are_those_of_b_against_a(tmp_path: Path) -> None:
    dry = music()
    a, b = write(tmp_path / "a.wav", dry), write(tmp_path / "b.wav", np.concatenate((np.zeros(100), dry)))
    assert null_recordings(a, b).delay_samples == pytest.approx(100.0, abs=1e-6)
    assert null_recordings(b, a).delay_samples == pytest.approx(-100.0, abs=1e-6)


def test_a_file_and_itself_leave_nothing(tmp_path: Path) -> None:
    a = write(tmp_path / "a.wav", music(), subtype="PCM_24")
    found = null_recordings(a, a)
    assert (found.delay_samples, found.gain_db, found.polarity, found.depth_db) == (0.0, 0.0, 1, None)


def test_as_they_are_nothing_is_fitted(tmp_path: Path) -> None:
    dry = music()
    a, b = write(tmp_path / "a.wav", dry), write(tmp_path / "b.wav", 0.5 * dry)
    found = null_recordings(a, b, fit=False)
    assert (found.delay_samples, found.gain_db, found.fitted) == (0.0, 0.0, False)
    assert found.depth_db == pytest.approx(-6.02, abs=0.001)


def test_a_steady_tone_is_lined_up_at_the_nearest_of_many_delays(tmp_path: Path) -> None:
    time = np.arange(3 * RATE) / RATE
    a = write(tmp_path / "a.wav", 0.5 * np.sin(2 * np.pi * 1000.0 * time))
    b = write(tmp_path / "b.wav", 0.5 * np.sin(2 * np.pi * 1000.0 * (time - 3.25 / RATE)))
    found = null_recordings(a, b)
    assert found.delay_samples == pytest.approx(3.25, abs=1e-3)
    assert found.depth_db is None or found.depth_db < -100.0


def test_mono_is_compared_with_both_sides(tmp_path: Path) -> None:
    dry = music()
    a, b = write(tmp_path / "a.wav", dry), write(tmp_path / "b.wav", np.stack([dry, 0.9 * dry], axis=1))
    left, right = null_recordings(a, b).channel_depth_db
    assert left is not None
    assert right is not None
    # The one gain that fits both best lies between 1 and 0.9.
    assert left == pytest.approx(20 * np.log10(0.05 / 0.95), abs=0.1)
    assert right == pytest.approx(left, abs=0.1)


def test_the_lead_says_how_deep_it_can_be(tmp_path: Path) -> None:
    rng = np.random.default_rng(3)
    dry = np.concatenate((np.zeros(RATE), music()))
    passes = [dry + 1e-4 * rng.standard_normal(len(dry)) for _ in range(2)]
    a, b = (
        Recording(write(tmp_path / f"{n}.wav", each).path, start=RATE, lead=(0, RATE)) for n, each in enumerate(passes)
    )
    found = null_recordings(a, b)
    allowed = 10.0 * np.log10(2e-8 / np.mean(dry[RATE:] ** 2))
    assert found.noise_allows_db == pytest.approx(allowed, abs=0.2)
    assert found.depth_db == pytest.approx(allowed, abs=0.2)
    for band in found.bands:
        if band.hz > 100.0:
            assert band.depth_db == pytest.approx(band.noise_allows_db, abs=2.0)


def test_without_a_lead_the_quietest_moments_do(tmp_path: Path) -> None:
    rng = np.random.default_rng(4)
    dry = np.concatenate((music(3.0), np.zeros(RATE), music(3.0)))
    a, b = (write(tmp_path / f"{n}.wav", dry + 1e-4 * rng.standard_normal(len(dry))) for n in range(2))
    found = null_recordings(a, b)
    assert found.depth_db is not None
    assert found.noise_allows_db == pytest.approx(found.depth_db, abs=0.5)


def test_two_things_that_have_nothing_in_common_are_not_lined_up(tmp_path: Path) -> None:
    a = write(tmp_path / "a.wav", 0.1 * band_limited_noise(1, 5 * RATE, 0.4))
    b = write(tmp_path / "b.wav", 0.1 * band_limited_noise(2, 5 * RATE, 0.4))
    with pytest.raises(UnlikeError, match=r"a\.wav|lined up"):
        null_recordings(a, b)


@pytest.mark.parametrize("which", [0, 1])
def test_silence_is_said(tmp_path: Path, which: int) -> None:
    signals = [music(), music()]
    signals[which] = np.zeros(len(signals[which]))
    a, b = (write(tmp_path / f"{n}.wav", signal) for n, signal in enumerate(signals))
    with pytest.raises(UnmeasurableError, match=r"silent|silence"):
        null_recordings(a, b)


def test_other_rates_and_other_channels_are_refused(tmp_path: Path) -> None:
    dry = music()
    a = write(tmp_path / "a.wav", dry)
    with pytest.raises(FileError, match=r"48000 Hz .* 44100"):
        null_recordings(a, write(tmp_path / "b.wav", dry, 44_100))
    two, three = (write(tmp_path / f"{n}.wav", np.stack([dry] * n, axis=1)) for n in (2, 3))
    with pytest.raises(FileError, match=r"2 channels .* 3"):
        null_recordings(two, three)


@pytest.mark.parametrize("frames", [1, 100, 2_000])
def test_next_to_nothing_is_a_clear_error_or_a_right_answer(tmp_path: Path, frames: int) -> None:
    a = write(tmp_path / "a.wav", 0.1 * np.random.default_rng(5).standard_normal(frames))
    try:
        found = null_recordings(a, a)
    except UnmeasurableError:
        return
    assert found.depth_db is None
    assert found.delay_samples == 0.0


def test_what_is_no_number_is_refused(tmp_path: Path) -> None:
    dry = music(1.0)
    bad = dry.copy()
    bad[1000] = np.nan
    a, b = write(tmp_path / "a.wav", dry), write(tmp_path / "b.wav", bad)
    for pair in ((a, b), (b, a)):
        with pytest.raises((UnmeasurableError, FileError), match="finite"):
            null_recordings(*pair)
