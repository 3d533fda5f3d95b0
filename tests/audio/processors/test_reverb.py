"""Spring reverb and echo: times, levels and the chirp."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.signal import butter, sosfilt, sosfiltfilt

from .signals import RATE, impulse, noise, play


def decay_time(heard, rate):
    """Reverberation time by backward integration, from -5 to -35 dB (T30 of ISO 3382-1)."""
    energy = np.cumsum(heard[::-1] ** 2)[::-1]
    fallen = 10.0 * np.log10(energy / energy[0] + 1e-30)
    start, end = np.argmax(fallen <= -5.0), np.argmax(fallen <= -35.0)
    return 2.0 * (end - start) / rate


@pytest.mark.parametrize("decay_s", [0.5, 1.0, 2.0, 5.0])
@pytest.mark.parametrize("rate", [16_000, 44_100, 48_000, 96_000])
def test_the_springs_decay_in_their_time(decay_s, rate):
    heard = play("spring-reverb", impulse(1.5 * decay_s + 0.5, rate), rate=rate, decay_s=decay_s, mix=1.0)
    assert decay_time(heard, rate) == pytest.approx(decay_s, rel=0.2)


def first_arrival(hz, dispersion):
    """Seconds until half the energy of the first 50 ms of a band has arrived."""
    heard = play("spring-reverb", impulse(0.2), mix=1.0, dispersion=dispersion, decay_s=1.0)
    band = butter(2, (0.8 * hz, 1.25 * hz), "bandpass", fs=RATE, output="sos")
    energy = np.cumsum(sosfiltfilt(band, heard[: round(0.07 * RATE)]) ** 2)
    return np.argmax(energy > 0.5 * energy[-1]) / RATE


def test_dispersion_delays_treble_against_bass():
    """(c + z^-5) / (1 + c z^-5) eighty times at c = 0.5: group delay 3.0 ms at 500 Hz, 12.7 ms at 3.5 kHz."""
    assert first_arrival(3500.0, 0.8) - first_arrival(500.0, 0.8) > 0.004
    assert abs(first_arrival(3500.0, 0.0) - first_arrival(500.0, 0.0)) < 0.002


def test_the_springs_are_heard_no_earlier_than_half_a_trip():
    heard = play("spring-reverb", impulse(0.2), mix=1.0)
    assert np.abs(heard[: round(0.0235 * RATE)]).max() < 1e-4 * np.abs(heard).max()


def test_springs_carry_neither_bass_nor_treble():
    spectrum = np.abs(np.fft.rfft(play("spring-reverb", impulse(4.0), mix=1.0))) ** 2
    band = {hz: 10.0 * np.log10(spectrum[int(4 * 0.7 * hz) : int(4 * 1.4 * hz)].mean()) for hz in (25, 800, 12_000)}
    assert band[25] < band[800] - 15.0
    assert band[12_000] < band[800] - 30.0


@pytest.mark.parametrize("decay_s", [0.5, 4.0])
def test_springs_are_about_as_loud_as_what_drives_them(decay_s):
    band = butter(2, (200.0, 3000.0), "bandpass", fs=RATE, output="sos")
    driving = sosfilt(band, noise(8 * RATE)[:, 0])
    heard = play("spring-reverb", driving, mix=1.0, decay_s=decay_s)
    assert 20.0 * np.log10(heard[4 * RATE :].std() / driving.std()) == pytest.approx(0.0, abs=3.0)


@pytest.mark.parametrize("mix", [0.25, 0.7])
def test_mix_fades_from_dry_to_springs(mix):
    signal = noise(RATE)[:, 0]
    springs = play("spring-reverb", signal, mix=1.0)
    assert play("spring-reverb", signal, mix=mix) == pytest.approx((1.0 - mix) * signal + mix * springs, abs=1e-12)


@pytest.mark.parametrize("time_ms", [5.0, 20.0, 42.7, 350.0, 2000.0])
@pytest.mark.parametrize("rate", [44_100, 48_000])
def test_the_first_repeat_comes_after_its_time(time_ms, rate):
    heard = play("echo", impulse(2.5, rate), rate=rate, time_ms=time_ms, feedback=0.0, mix=1.0)
    assert np.flatnonzero(heard)[0] == round(time_ms * rate / 1000.0)


@pytest.mark.parametrize("time_ms", [7.0, 120.0])
def test_each_repeat_is_the_last_one_times_the_feedback(time_ms):
    """The sum of a repeat is its level at 0 Hz, which the roll-off leaves alone."""
    delay = round(time_ms * RATE / 1000.0)
    heard = play("echo", impulse(1.0), time_ms=time_ms, feedback=0.6, mix=1.0, tone_hz=16_000.0)
    sums = [heard[n * delay : (n + 1) * delay].sum() for n in range(1, 6)]
    assert sums == pytest.approx([0.6**n for n in range(5)], rel=1e-6)


def test_repeats_get_darker():
    delay = round(0.1 * RATE)
    heard = play("echo", impulse(1.0), time_ms=100.0, feedback=0.8, mix=1.0, tone_hz=3000.0)
    at_6k = [20.0 * np.log10(abs(np.fft.rfft(heard[n * delay : (n + 1) * delay])[600])) for n in (1, 2, 3)]
    # A first-order roll-off an octave above its corner: 10 log10(1 + 2²) = 7 dB, a little more by the bilinear
    # transform; and the feedback's own 1.9 dB.
    assert np.diff(at_6k) == pytest.approx(-7.0 - 1.94, abs=0.5)


def test_echo_mix_fades_from_dry_to_repeats():
    heard = play("echo", impulse(0.5), time_ms=100.0, feedback=0.0, mix=0.3)
    assert heard[0] == pytest.approx(0.7)
    assert heard[1:].sum() == pytest.approx(0.3, rel=1e-6)
