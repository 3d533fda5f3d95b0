"""Loudness against ITU-R BS.1770-5, a float64 implementation of it, and a plain loop.

The signals of EBU Tech 3341 and 3342 are in `test_ebu_signals.py`, other programs in `test_references.py`.
"""

from __future__ import annotations

import itertools
import math

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.signal import sosfilt, sosfreqz

from printq.errors import UnmeasurableError
from printq.measure.loudness import PIECE_FRAMES, LoudnessMeter, LoudnessResult, k_weighting
from tests.measure.signals import RATE, feed, steps, stereo

# BS.1770-5, Annex 1, Tables 1 and 2: b0 b1 b2 a0 a1 a2 at 48 kHz.
SHELF = [1.53512485958697, -2.69169618940638, 1.19839281085285, 1.0, -1.69065929318241, 0.73248077421585]
HIGH_PASS = [1.0, -2.0, 1.0, 1.0, -1.99004745483398, 0.99007225036621]


def measure(signal: NDArray[np.floating], rate: int = RATE) -> LoudnessResult:
    found = feed(LoudnessMeter(rate, signal.shape[1]), signal)
    assert isinstance(found, LoudnessResult)
    return found


def tone(*pieces: tuple[float, float | None], rate: int = RATE) -> LoudnessResult:
    """What a stereo tone of 1 kHz reads that goes through (seconds, dBFS)."""
    return measure(stereo(steps(*pieces, rate=rate)), rate)


def test_the_filters_at_48_khz_are_those_of_the_tables() -> None:
    np.testing.assert_array_equal(k_weighting(48_000), [SHELF, HIGH_PASS])


@pytest.mark.parametrize(
    ("rate", "db"),
    [
        (8_000, 0.03),
        (11_025, 0.01),
        (16_000, 0.003),
        (22_050, 0.001),
        (32_000, 1e-4),
        (44_100, 1e-4),
        (88_200, 1e-4),
        (96_000, 1e-4),
        (192_000, 1e-4),
        (384_000, 1e-4),
    ],
)
def test_the_response_at_every_rate_is_that_of_the_tables(rate: int, db: float) -> None:
    """BS.1770-5, Annex 1: other rates need coefficients that "provide the same frequency response"."""
    hz = np.geomspace(5.0, 0.4999 * min(rate, 48_000), 2000)
    table = np.array([SHELF, HIGH_PASS])
    wanted = 20.0 * np.log10(np.abs(sosfreqz(table, worN=hz, fs=48_000)[1]))
    found = 20.0 * np.log10(np.abs(sosfreqz(k_weighting(rate), worN=hz, fs=rate)[1]))
    assert np.abs(found - wanted).max() < db


@pytest.mark.parametrize("rate", [8_000, 11_025, 12_345, 44_100, 48_000, 192_000, 768_000])
def test_the_filters_are_stable_and_fall_to_nothing(rate: int) -> None:
    for section in k_weighting(rate):
        assert np.abs(np.roots(section[3:])).max() < 1.0
    noise = np.random.default_rng(rate).standard_normal((rate, 1)) * 0.1
    found = measure(np.concatenate((noise, np.zeros((2 * rate, 1)))), rate)
    # What rings on falls by 2000 dB a second: the last whole second is the quietest.
    assert found.quietest_at_s == pytest.approx(2.0)


def test_rates_below_8_khz_are_refused() -> None:
    with pytest.raises(ValueError, match="8000 Hz"):
        LoudnessMeter(7_999, 1)


@pytest.mark.parametrize("rate", [8_000, 11_025, 12_345, 22_050, 44_100, 48_000, 192_000])
def test_hops_and_filters_are_those_of_a_plain_loop(rate: int) -> None:
    """scipy's filter sample by sample, and hops that end at the sample nearest to a multiple of 10 ms."""
    rng = np.random.default_rng(rate)
    frames = round(4.3217 * rate)
    swell = 10.0 ** (rng.uniform(-3.0, 0.0, frames // 1000 + 1).repeat(1000)[:frames])
    signal = (0.2 + rng.standard_normal(frames) * 0.3) * swell
    power = sosfilt(k_weighting(rate), signal) ** 2
    ends = [math.floor(hop * rate / 100 + 0.5) for hop in range(frames * 100 // rate + 2)]
    hops = [power[a:b].sum() * 100 / rate for a, b in itertools.pairwise(ends) if b <= frames]
    found = measure(signal[:, np.newaxis], rate)
    for width, loudest in ((40, found.momentary_max_lufs), (300, found.short_term_max_lufs)):
        windows = [float(np.mean(hops[start : start + width])) for start in range(len(hops) - width + 1)]
        assert loudest == pytest.approx(-0.691 + 10.0 * math.log10(max(windows)), abs=1e-9)
    place = int(np.argmax([np.mean(hops[start : start + 300]) for start in range(len(hops) - 299)]))
    assert found.short_term_max_at_s == pytest.approx(place / 100)


def test_an_offset_leaves_nothing_behind() -> None:
    """The high-pass has a double zero at 0 Hz: after two seconds nothing is left but rounding, even at 192 kHz."""
    meter = LoudnessMeter(192_000, 1)
    meter.add(np.ones((2 * 192_000, 1)))
    # Where the machine has no wider floats, the matrices have fewer digits.
    allowed = 1e-11 if np.finfo(np.longdouble).eps < 1e-18 else 1e-7
    assert np.abs(meter._filter.run(np.ones(PIECE_FRAMES), meter._states[0])).max() < allowed


def test_the_loudest_and_the_quietest_stretch_are_found_where_they_are() -> None:
    found = tone((5.0, -30.0), (3.0, -20.0), (4.0, -30.0), (1.0, -60.0), (3.0, -30.0))
    assert found.short_term_max_at_s == pytest.approx(5.0, abs=0.01)
    assert found.momentary_max_at_s is not None
    assert 5.0 <= found.momentary_max_at_s <= 7.61
    # The filters ring a little into it, and the 30 dB louder tone at its end would count at once.
    assert found.quietest_at_s == pytest.approx(12.0, abs=0.021)


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
    assert 20.0 * math.log10(abs(response[0])) == pytest.approx(db, abs=2e-4)


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
    quietest = 0.0 if frames == RATE else None
    assert measure(np.zeros((frames, 2))) == LoudnessResult(None, None, None, None, quietest_at_s=quietest)


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
    # 1 kHz is 0.0067 dB above 997 Hz, where the weighting has the gain that the formula cancels.
    assert tone((4, -23), rate=rate).integrated_lufs == pytest.approx(-22.9933, abs=0.03 if rate < 11_025 else 0.01)


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
