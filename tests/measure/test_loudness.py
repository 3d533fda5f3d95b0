"""Loudness against ITU-R BS.1770-5, a float64 implementation of it, pyloudnorm and ffmpeg.

The signals of EBU Tech 3341 and 3342 are in `test_ebu_signals.py`, but for those that are for live meters.
"""

from __future__ import annotations

import math
import os
import re
import shutil
import subprocess

import numpy as np
import pyloudnorm
import pytest
from numpy.typing import NDArray
from scipy.signal import sosfreqz

from printq.errors import UnmeasurableError
from printq.measure.loudness import LoudnessMeter, LoudnessResult, k_weighting
from tests.measure.signals import RATE, feed, steps, stereo


def measure(signal: NDArray[np.floating], rate: int = RATE) -> LoudnessResult:
    found = feed(LoudnessMeter(rate, signal.shape[1]), signal)
    assert isinstance(found, LoudnessResult)
    return found


def tone(*pieces: tuple[float, float | None], rate: int = RATE) -> LoudnessResult:
    """What a stereo tone of 1 kHz reads that goes through (seconds, dBFS)."""
    return measure(stereo(steps(*pieces, rate=rate)), rate)


def test_the_filters_at_48_khz_are_those_of_the_tables() -> None:
    # BS.1770-5, Annex 1, Tables 1 and 2: b0 b1 b2 a0 a1 a2.
    shelf = [1.53512485958697, -2.69169619940638, 1.19839281085285, 1.0, -1.69065929318241, 0.73248077421585]
    high_pass = [1.0, -2.0, 1.0, 1.0, -1.99004745483398, 0.99007225036621]
    np.testing.assert_allclose(k_weighting(48_000), [shelf, high_pass], atol=1e-8)


@pytest.mark.parametrize("rate", [8_000, 11_025, 22_050, 44_100, 88_200, 96_000, 192_000])
def test_the_filters_follow_the_analogue_prototype_at_every_rate(rate: int) -> None:
    # What the bilinear transform, with K = tan(pi f / rate), makes of the prototype behind the tables, whose constants
    # regenerate these to 1e-13; the rounding of the high-pass's numerator to 1, -2, 1 is kept as a gain.
    hz = np.array([0.002, 0.01, 0.05, 0.1, 0.2, 0.3, 0.4, 0.45]) * rate
    bent = 1j * np.tan(np.pi * hz / rate)
    s = bent / math.tan(math.pi * 1681.974450955533 / rate)
    high = 10.0 ** (3.999843853973347 / 20.0)
    q = 0.7071752369554196
    shelf = (high * s**2 + high**0.4996667741545416 / q * s + 1.0) / (s**2 + s / q + 1.0)
    s = bent / math.tan(math.pi * 38.13547087602444 / rate)
    high_pass = s**2 / (s**2 + s / 0.5003270373238773 + 1.0)
    rounding = 4.0 / (1.0 + 1.99004745483398 + 0.99007225036621)
    _, response = sosfreqz(k_weighting(rate), worN=hz, fs=rate)
    np.testing.assert_allclose(response, shelf * high_pass * rounding, rtol=1e-6)


@pytest.mark.parametrize("rate", [44_100, 48_000, 96_000, 192_000])
@pytest.mark.parametrize(
    ("hz", "db"),
    # Gain of the tables' filters at 48 kHz, computed from them; BS.1770-5 asks for the same response at other rates.
    [
        (20, -13.2754),
        (50, -3.9341),
        (60, -2.8992),
        (100, -1.1335),
        (500, 0.0425),
        (997, 0.6910),
        (1000, 0.6977),
        (2000, 3.0713),
        (5000, 4.0134),
        (10_000, 4.0419),
        (20_000, 4.0431),
    ],
)
def test_the_weighting_is_the_same_at_every_rate(rate: int, hz: float, db: float) -> None:
    _, response = sosfreqz(k_weighting(rate), worN=[hz], fs=rate)
    # The bilinear transform bends the shelf, between 1 and 3 kHz, a little differently at each rate.
    tolerance = 1e-4 if rate == 48_000 else 0.02
    assert 20.0 * math.log10(abs(response[0])) == pytest.approx(db, abs=tolerance)


def test_a_full_scale_sine_of_997_hz_on_one_channel_reads_minus_3_01() -> None:
    # BS.1770-5, Annex 1, after equation (7).
    signal = np.zeros((RATE * 5, 2))
    signal[:, 0] = steps((5, 0.0), hz=997.0)
    assert measure(signal).integrated_lufs == pytest.approx(-3.01, abs=0.005)


@pytest.mark.parametrize(
    ("pieces", "reading"),
    # What a separate float64 implementation of BS.1770 reads for Tech 3341's signals 1 to 5.
    [
        pytest.param([(20, -23)], -22.993, id="1"),
        pytest.param([(20, -33)], -32.993, id="2"),
        pytest.param([(10, -36), (60, -23), (10, -36)], -23.014, id="3"),
        pytest.param([(10, -72), (10, -36), (60, -23), (10, -36), (10, -72)], -23.014, id="4"),
        pytest.param([(20, -26), (20.1, -20), (20, -26)], -22.979, id="5"),
    ],
)
def test_integrated_loudness_is_another_implementations(pieces: list[tuple[float, float]], reading: float) -> None:
    assert tone(*pieces).integrated_lufs == pytest.approx(reading, abs=0.005)


def test_surround_channels_weigh_more() -> None:
    # Tech 3341 v4, Table 1, signal 6; the same implementation with a weight of 1.41.
    assert measure(surround(20)).integrated_lufs == pytest.approx(-23.016, abs=0.005)


def test_the_low_frequency_channel_of_six_is_left_out() -> None:
    # BS.1770-5, Annex 1.
    five = surround(5)
    six = np.insert(five, 3, steps((5, -3), hz=60.0), axis=1)
    assert measure(six) == measure(five)


def surround(seconds: float) -> NDArray[np.float64]:
    """L, R -28; C -24; Ls, Rs -30 dBFS."""
    return np.stack([steps((seconds, level)) for level in (-28, -28, -24, -30, -30)], axis=1)


@pytest.mark.parametrize("i", range(20))
def test_live_short_term_maximum_wherever_the_tone_begins(i: int) -> None:
    # Tech 3341 v4, Table 1, signal 11, the meter reset before each part.
    found = tone((i * 0.15, None), (3, -38 + i), (3 - i * 0.15, None))
    assert found.short_term_max_lufs == pytest.approx(-38 + i, abs=0.1)


@pytest.mark.parametrize("i", range(20))
def test_live_momentary_maximum_wherever_the_tone_begins(i: int) -> None:
    # Tech 3341 v4, Table 1, signal 14, the meter reset before each part.
    found = tone((i * 0.02, None), (0.4, -38 + i), (0.4 - i * 0.02, None))
    assert found.momentary_max_lufs == pytest.approx(-38 + i, abs=0.1)


@pytest.mark.parametrize("rate", [44_100, 48_000, 96_000])
def test_agrees_with_pyloudnorm_on_music_like_noise(rate: int) -> None:
    noise = wandering_noise(rate, 12.0)
    theirs = pyloudnorm.Meter(rate, filter_class="DeMan").integrated_loudness(noise)
    # Its high-pass has the numerator of the 48 kHz table at every rate: 0.022 dB at 96 kHz, where ours has the gain
    # of 48 kHz.
    tolerance = 0.005 if rate <= 48_000 else 0.03
    assert measure(noise, rate).integrated_lufs == pytest.approx(theirs, abs=tolerance)


def test_agrees_with_ffmpeg_on_music_like_noise() -> None:
    if shutil.which("ffmpeg") is None and not os.environ.get("CI"):
        pytest.skip("ffmpeg is not installed")
    noise = wandering_noise(RATE, 20.0).astype("<f4")
    command = ["ffmpeg", "-v", "error", "-f", "f32le", "-ar", str(RATE), "-ac", "2", "-i", "pipe:0"]
    command += ["-af", "ebur128=metadata=1,ametadata=mode=print:file=-", "-f", "null", "-"]
    text = subprocess.run(command, input=noise.tobytes(), capture_output=True, check=True).stdout.decode()

    theirs = float(re.findall(r"lavfi\.r128\.I=(-?[\d.]+)", text)[-1])
    assert measure(noise).integrated_lufs == pytest.approx(theirs, abs=0.02)


def wandering_noise(rate: int, seconds: float) -> NDArray[np.float64]:
    """Two channels of noise whose level wanders by 20 dB, with a pause that the gate leaves out."""
    frames = round(seconds * rate)
    time = np.arange(frames) / rate
    level = 10.0 ** ((-30.0 + 10.0 * np.sin(2.0 * np.pi * 0.13 * time)) / 20.0)
    level[(time > 4.0) & (time < 6.0)] = 1e-5
    return np.asarray(np.random.default_rng(1770).standard_normal((frames, 2)) * level[:, np.newaxis])


@pytest.mark.parametrize(
    "frames", [pytest.param(0, id="nothing"), pytest.param(1, id="one sample"), pytest.param(RATE, id="a second")]
)
def test_silence_has_no_loudness(frames: int) -> None:
    assert measure(np.zeros((frames, 2))) == LoudnessResult(None, None, None, None)


def test_what_is_shorter_than_a_window_has_no_figure_for_it() -> None:
    found = tone((0.399, -20))
    assert found == LoudnessResult(None, None, None, None)
    found = tone((0.4, -20))
    assert found.momentary_max_lufs is not None
    assert found.integrated_lufs == found.momentary_max_lufs
    assert found.short_term_max_lufs is None
    found = tone((3.0, -20))
    assert found.short_term_max_lufs == pytest.approx(-20.0, abs=0.1)


def test_what_stays_under_the_absolute_gate_has_no_integrated_loudness() -> None:
    # BS.1770-5, equation (5): -70 LKFS.
    found = tone((5, -72))
    assert found.integrated_lufs is None
    assert found.range_lu is None
    assert found.momentary_max_lufs == pytest.approx(-72.0, abs=0.1)


@pytest.mark.parametrize("rate", [8_000, 11_025, 22_050, 44_100, 88_200, 96_000, 192_000])
def test_a_tone_reads_the_same_at_every_rate(rate: int) -> None:
    # Where half the rate comes near the shelf, the bilinear transform moves it: 0.2 dB at 1 kHz and a rate of 8 kHz.
    tolerance = 0.05 if rate >= 22_050 else 0.2
    assert tone((4, -23), rate=rate).integrated_lufs == pytest.approx(-23.0, abs=tolerance)


def test_an_asked_for_result_changes_nothing() -> None:
    signal = wandering_noise(RATE, 5.0)
    meter = LoudnessMeter(RATE, 2)
    for start in range(0, len(signal), 30_000):
        meter.add(signal[start : start + 30_000])
        meter.result()
    assert meter.result() == measure(signal)


@pytest.mark.parametrize("bad", [math.nan, math.inf, -math.inf])
def test_what_is_not_a_number_is_refused_and_leaves_no_trace(bad: float) -> None:
    signal = stereo(steps((4, -23)))
    meter = LoudnessMeter(RATE, 2)
    meter.add(signal[:RATE])
    spoilt = signal[RATE : 2 * RATE].copy()
    spoilt[77, 1] = bad
    with pytest.raises(UnmeasurableError, match="not finite"):
        meter.add(spoilt)
    meter.add(signal[RATE:])
    assert meter.result() == measure(signal)


def test_weights_must_match_the_channels() -> None:
    with pytest.raises(ValueError, match="2 channels need 2 weights"):
        LoudnessMeter(RATE, 2, weights=[1.0])
