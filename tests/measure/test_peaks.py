"""Sample peak, true peak, RMS and mean."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.signal import upfirdn

from printq.errors import UnmeasurableError
from printq.measure.peaks import HALF_TAPS, LevelMeter, TruePeakMeter, _interpolator

from .signals import RATE, band_limited_noise, blocks, cuts, feed, steps

NOISE = np.random.default_rng(5).standard_normal((40_000, 2)) * [0.1, 0.5]


def interpolated_peak(signal, factor):
    """The largest magnitude of all points: no bounding, and zeros between the samples instead of phases."""
    filters = np.zeros((2 * HALF_TAPS, factor))
    filters[:, 1:] = _interpolator(factor)[::-1]
    filters[HALF_TAPS, 0] = 1.0
    return float(np.abs(upfirdn(filters.ravel(), signal, up=factor)).max())


@settings(max_examples=40, deadline=None)
@given(
    seed=st.integers(0, 2**32),
    frames=st.integers(1, 3000),
    highest=st.floats(0.01, 0.5),
    rate_and_factor=st.sampled_from([(44_100, 5), (48_000, 4), (88_200, 3), (96_000, 2)]),
)
def test_ruling_stretches_out_gives_the_same_as_interpolating_all(seed, frames, highest, rate_and_factor):
    rate, factor = rate_and_factor
    rng = np.random.default_rng(seed)
    swell = np.repeat(rng.uniform(0.0, 1.0, frames // 100 + 1), 100)[:frames]
    signal = band_limited_noise(seed, 4096, highest)[:frames] * swell
    (peak,) = feed(TruePeakMeter(rate, 1), signal[:, np.newaxis])
    assert peak == pytest.approx(interpolated_peak(signal, factor), rel=1e-12)


@pytest.mark.parametrize("rate", [8000, 22_050, 44_100, 48_000, 88_200, 96_000])
def test_the_oversampled_rate_is_at_least_192_khz(rate):
    """BS.1770-5, recommends 5: only then may the reading be called dBTP. A sine whose samples miss its crest reads at
    most 20 log10(cos(pi f / F)) too little at the oversampled rate F (Attachment 1 to Annex 2)."""
    hz = 0.4 * rate
    sine = np.sin(2.0 * np.pi * hz * np.arange(rate // 2) / rate) * np.hanning(rate // 2)
    (peak,) = feed(TruePeakMeter(rate, 1), sine[:, np.newaxis])
    assert np.cos(np.pi * hz / 192_000) - 0.002 <= peak <= 1.002


@given(st.integers(0, 2**32))
@settings(max_examples=20, deadline=None)
def test_true_peak_lies_within_what_four_times_oversampling_can_miss(seed):
    """BS.1770-5, Attachment 1 to Annex 2: at most 0.554 dB at 0.45 of the rate; the filter's ripple adds 0.02 dB."""
    noise = np.zeros(4096)
    noise[1024:3072] = band_limited_noise(seed, 2048, 0.42) * np.hanning(2048)
    spectrum = np.fft.rfft(noise)
    exact = np.abs(np.fft.irfft(spectrum, 32 * 4096) * 32).max()
    (peak,) = feed(TruePeakMeter(RATE, 1), noise[:, np.newaxis])
    assert -0.574 <= 20.0 * np.log10(peak / exact) <= 0.02


@settings(max_examples=30, deadline=None)
@given(cuts(len(NOISE)))
def test_levels_do_not_depend_on_how_the_signal_is_cut(places):
    for make in (lambda: LevelMeter(2), lambda: TruePeakMeter(RATE, 2)):
        whole, cut = make(), make()
        whole.add(NOISE)
        for block in blocks(NOISE, places):
            cut.add(block)
            cut.result()
        assert cut.result() == whole.result()


def test_a_peak_in_the_very_last_sample_counts_with_what_rings_on_after_it():
    signal = np.zeros((1000, 1))
    signal[-2:] = 0.5
    (peak,) = feed(TruePeakMeter(RATE, 1), signal)
    # Half way between two equal samples alone, a sinc at half a sample from either: 2 * 0.5 * 2 / pi.
    assert peak == pytest.approx(2.0 / np.pi, abs=0.01)


def test_true_peak_is_never_under_the_sample_peak():
    signal = np.zeros((100, 2))
    signal[50] = [1.0, -0.25]
    assert feed(TruePeakMeter(RATE, 2), signal) == (1.0, 0.25)


def test_a_sine_has_its_levels():
    """RMS of a sine is its peak over the square root of 2; 997 Hz goes 997 times into a second."""
    sine = steps((1.0, -6.0), hz=997.0) + 0.125
    found = feed(LevelMeter(1), sine[:, np.newaxis])
    peak = 10.0 ** (-6.0 / 20.0)
    assert found.frames == RATE
    assert found.sample_peak == pytest.approx((peak + 0.125,), abs=1e-5)
    assert found.mean == pytest.approx((0.125,), abs=1e-9)
    assert found.rms == pytest.approx((np.sqrt(peak**2 / 2.0 + 0.125**2),), abs=1e-9)


def test_each_channel_has_its_own_figures():
    found = feed(LevelMeter(2), np.tile([0.5, -0.25], (10, 1)))
    assert (found.sample_peak, found.rms, found.mean) == ((0.5, 0.25), (0.5, 0.25), (0.5, -0.25))


def test_nothing_and_silence_are_zero():
    for frames in (0, 100):
        found = feed(LevelMeter(2), np.zeros((frames, 2)))
        assert (found.sample_peak, found.rms, found.mean, found.frames) == ((0, 0), (0, 0), (0, 0), frames)
        assert feed(TruePeakMeter(RATE, 2), np.zeros((frames, 2))) == (0.0, 0.0)


@pytest.mark.parametrize("bad", [np.nan, np.inf, -np.inf])
@pytest.mark.parametrize("meter", [LevelMeter(2), TruePeakMeter(RATE, 2)], ids=["level", "true peak"])
def test_a_sample_that_is_no_number_is_refused(meter, bad):
    signal = NOISE.copy()
    signal[777, 1] = bad
    with pytest.raises(UnmeasurableError, match="not finite"):
        meter.add(signal)
