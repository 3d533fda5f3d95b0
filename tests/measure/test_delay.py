"""Delay, polarity and gain: exact for wires, at the Cramer-Rao bound in noise, and no answer where there is none."""

from __future__ import annotations

import doctest
import math
from collections.abc import Callable

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.signal import butter, lfilter, sosfilt

from printq.errors import UnmeasurableError
from printq.measure import delay as module
from printq.measure.delay import find_delay, match_material
from printq.measure.stimuli import make_marker
from tests.measure.signals import RATE, Signal, delayed

MARKER = make_marker(RATE, 0.0316)


def noise(frames: int, rms: float, seed: int = 1) -> Signal:
    return rms * np.random.default_rng(seed).standard_normal(frames)


@settings(max_examples=60, deadline=None)
@given(
    delay=st.floats(0.0, 24_000.0),
    gain=st.floats(0.01, 4.0),
    polarity=st.sampled_from([1, -1]),
    rate=st.sampled_from([8_000, 44_100, 48_000, 96_000]),
)
def test_a_wire_is_measured_exactly(delay: float, gain: float, polarity: int, rate: int) -> None:
    marker = make_marker(rate, 0.0316)
    found = find_delay(marker, delayed(marker, delay, len(marker) + 24_050, polarity * gain), rate)
    # Without noise nothing but rounding is left; 0.02 samples are what a print needs.
    assert found.samples == pytest.approx(delay, abs=1e-6)
    assert found.polarity == polarity
    assert found.gain == pytest.approx(gain, rel=1e-6)


@pytest.mark.parametrize("rate", [44_100, 48_000, 96_000])
def test_converter_noise_and_hum_leave_a_wire_within_a_hundredth_of_a_sample(rate: int) -> None:
    marker = make_marker(rate, 0.0316)
    rng = np.random.default_rng(rate)
    for delay in rng.uniform(0.0, 5_000.0, 20):
        returned = delayed(marker, delay, len(marker) + 24_000)
        # -90 dBFS of noise and -50 dBFS of hum under a marker of -30 dBFS.
        returned += noise(len(returned), 10 ** (-90 / 20), int(delay))
        returned += 10 ** (-50 / 20) * np.sin(2 * np.pi * 50.0 * np.arange(len(returned)) / rate)
        assert find_delay(marker, returned, rate).samples == pytest.approx(delay, abs=0.01)


@pytest.mark.slow
@pytest.mark.parametrize("snr_db", [0, 10, 20, 30, 40])
def test_the_error_in_noise_is_the_cramer_rao_bound(snr_db: float) -> None:
    # var >= noise variance / sum of (ds/dt)^2 for a known signal in white noise (Kay 1993, vol. I, ch. 3). The SNR is
    # that of a sample, counting the noise in the marker's band alone: 500 Hz to 12 kHz of 24 kHz.
    turn = 2.0 * np.pi * np.fft.rfftfreq(1 << 14)
    slope = np.fft.irfft(1j * turn * np.fft.rfft(MARKER, 1 << 14))
    in_band = (12_000.0 - 500.0) / (RATE / 2)
    rms = math.sqrt(float(np.mean(MARKER**2)) / in_band) * 10 ** (-snr_db / 20)
    bound = rms / math.sqrt(float(np.sum(slope**2)))
    rng = np.random.default_rng(snr_db)
    errors, turned, claimed = [], [], []
    for delay in rng.uniform(0.0, 1_200.0, 500):
        returned = delayed(MARKER, delay, len(MARKER) + 1_200)
        chance = rms * rng.standard_normal(len(returned))
        found = find_delay(MARKER, returned + chance, RATE)
        errors.append(found.samples - delay)
        claimed.append(found.standard_error)
        turned.append(find_delay(MARKER, returned - chance, RATE).samples - delay)
    # 500 trials leave the ratio itself uncertain by 3.2 %.
    assert math.sqrt(np.mean(np.square(errors))) <= 1.12 * bound
    # Noise and the same noise turned over err to opposite sides: what is left of their mean is bias.
    assert abs(np.mean(errors) + np.mean(turned)) / 2.0 < 0.001
    assert np.mean(claimed) == pytest.approx(bound, rel=0.05)


def test_whole_samples_do_not_attract() -> None:
    # A parabola through the samples would pull towards them by up to 0.12 samples on a full-band peak.
    full_band = noise(4096, 0.1)
    for delay in np.linspace(100.0, 101.0, 21):
        found = find_delay(full_band, delayed(full_band, delay, 4500), RATE)
        # Content at half the rate cannot be delayed by a fraction, so a little is left.
        assert found.samples == pytest.approx(delay, abs=0.005)


def equaliser(signal: Signal) -> Signal:
    """Less bass, less treble."""
    return np.asarray(sosfilt(butter(2, [150.0, 7_000.0], "band", fs=RATE, output="sos"), signal))


def compressor(signal: Signal) -> Signal:
    """4:1 above -50 dBFS with an attack of 5 ms."""
    slow = math.exp(-1.0 / (0.005 * RATE))
    power = lfilter([1.0 - slow], [1.0, -slow], signal**2) + 1e-12
    return np.asarray(signal * np.minimum(1.0, (np.sqrt(power) / 10 ** (-50 / 20)) ** -0.75))


def saturation(signal: Signal) -> Signal:
    """Well into the bend, and not the same on both sides."""
    return np.asarray(0.01 * (np.tanh(signal / 0.01 + 0.3) - math.tanh(0.3)))


def echo(signal: Signal) -> Signal:
    """A slap of 70 % after 31 ms."""
    late = round(0.031 * RATE)
    return signal + 0.7 * np.concatenate((np.zeros(late), signal[:-late]))


@pytest.mark.parametrize("unit", [equaliser, compressor, saturation, echo], ids=lambda unit: unit.__name__)
def test_a_unit_adds_its_own_delay_and_nothing_else(unit: Callable[[Signal], Signal]) -> None:
    # The truth for a unit is the place of the maximum of its own response to the marker.
    padding = np.zeros(4_000)
    alone = find_delay(MARKER, unit(np.concatenate((MARKER, padding))), RATE).samples
    for delay in (0.0, 812.37, 4_999.5, 20_000.25):
        returned = unit(delayed(MARKER, delay, len(MARKER) + 24_000)) + noise(len(MARKER) + 24_000, 1e-5)
        assert find_delay(MARKER, returned, RATE).samples == pytest.approx(delay + alone, abs=0.05)


@pytest.mark.parametrize("delay", [-700.3, -0.4, 0.0])
def test_what_comes_early_is_found_where_it_is_asked_for(delay: float) -> None:
    material = noise(20_000, 0.1)
    late = delayed(material, 1_000.0, 24_000)
    shifted = delayed(material, 1_000.0 + delay, 24_000)
    found = find_delay(late[500:], shifted[500:], RATE, lowest=-2_000.0, highest=2_000.0)
    assert found.samples == pytest.approx(delay, abs=0.01)


def test_the_search_stays_between_the_delays_asked_for() -> None:
    returned = delayed(MARKER, 300.0, 12_000) + delayed(MARKER, 5_000.0, 12_000, 0.5)
    assert find_delay(MARKER, returned, RATE, lowest=2_000.0).samples == pytest.approx(5_000.0, abs=0.02)
    assert find_delay(MARKER, returned, RATE, highest=2_000.0).samples == pytest.approx(300.0, abs=0.02)


@pytest.mark.parametrize("seed", range(20))
@pytest.mark.parametrize("highest", [30.0, 2_000.0, 24_000.0])
def test_noise_alone_has_no_delay(highest: float, seed: int) -> None:
    with pytest.raises(UnmeasurableError, match="no clear peak"):
        find_delay(MARKER, noise(len(MARKER) + 24_000, 0.01, seed), RATE, highest=highest)


@pytest.mark.parametrize(
    ("sent", "returned", "message"),
    [
        pytest.param(MARKER, np.zeros(9_000), "nothing but digital silence", id="dead return"),
        pytest.param(np.zeros(100), MARKER, "what was sent is silent", id="dead send"),
        pytest.param(MARKER, np.zeros(0), "nothing but digital silence", id="nothing"),
        pytest.param(MARKER, np.eye(1, 24_000, 7_000)[0], "no clear peak", id="a click"),
        pytest.param(MARKER, np.sin(np.arange(24_000) / 8.0), "no clear peak", id="another tone"),
        pytest.param(np.sin(np.arange(9_600) / 8.0), np.sin(np.arange(24_000) / 8.0), "no clear peak", id="a tone"),
        pytest.param(
            MARKER, delayed(MARKER, 900.0, 12_000) + delayed(MARKER, 4_000.0, 12_000), "a second one", id="two alike"
        ),
    ],
)
def test_there_is_no_guess(sent: Signal, returned: Signal, message: str) -> None:
    with pytest.raises(UnmeasurableError, match=message):
        find_delay(sent, returned, RATE)


@pytest.mark.parametrize("find", [find_delay, match_material])
def test_what_is_no_signal_is_refused(find: Callable[..., object]) -> None:
    spoilt = MARKER.copy()
    spoilt[7] = math.nan
    with pytest.raises(ValueError, match="returned holds samples that are not finite"):
        find(MARKER, spoilt, RATE)
    with pytest.raises(ValueError, match="sent must be one-dimensional"):
        find(MARKER[:, np.newaxis], MARKER, RATE)
    with pytest.raises(ValueError, match="there is no delay between"):
        find(MARKER, MARKER, RATE, lowest=10.0, highest=5.0)


def plucked(seconds: float, seed: int) -> Signal:
    """A phrase of decaying harmonic notes, one each 0.3 s, that repeats itself every 2.4 s, over a little noise."""
    scale = 220.0 * 2.0 ** (np.array([0, 2, 3, 5, 7, 8, 10, 12]) / 12.0)
    rng = np.random.default_rng(seed)
    phrase = rng.permutation(scale)
    frames = round(seconds * RATE)
    music = noise(frames + RATE, 1e-4, seed)
    time = np.arange(RATE) / RATE
    for number, start in enumerate(range(0, frames, round(0.3 * RATE))):
        hz = phrase[number % len(phrase)]
        # No two strings of a player's begin with the same phases.
        phases = rng.uniform(0.0, 2.0 * np.pi, 9)
        note = sum(
            np.sin(2 * np.pi * hz * k * time + phases[k]) * np.exp(-time * (3.0 + 2.0 * k)) / k for k in range(1, 9)
        )
        music[start : start + RATE] += 0.1 * rng.uniform(0.7, 1.0) * note
    return music[:frames]


@pytest.mark.parametrize("unit", [None, equaliser, compressor, saturation], ids=["wire", "eq", "comp", "saturation"])
@pytest.mark.parametrize("delay", [0.0, 1_234.567, 19_000.25])
def test_music_itself_gives_the_delay(unit: Callable[[Signal], Signal] | None, delay: float) -> None:
    stem = plucked(8.0, 3)
    returned = delayed(stem, delay, len(stem) + 24_000, -0.5)
    tolerance = 0.02
    if unit is not None:
        # Which part of the band counts how much depends on the unit, and with it the delay of an equaliser.
        returned, tolerance = unit(returned), 4.0 if unit is equaliser else 0.5
    returned = returned + noise(len(returned), 1e-5)
    found = match_material(stem, returned, RATE, highest=24_000.0)
    assert found.samples == pytest.approx(delay, abs=tolerance)
    assert found.polarity == -1
    if unit is None:
        assert found.gain == pytest.approx(0.5, rel=1e-3)


def test_other_music_in_the_same_key_and_time_is_not_taken_for_the_stem() -> None:
    for seed in range(4, 10):
        with pytest.raises(UnmeasurableError, match="no clear peak"):
            match_material(plucked(8.0, 3), plucked(8.5, seed), RATE, highest=24_000.0)


def test_the_examples_are_true() -> None:
    assert doctest.testmod(module).failed == 0
