"""Sample peak, true peak, RMS and mean."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.signal import firwin, resample, upfirdn

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


WORST = {
    "full-scale white noise": lambda rng: rng.uniform(-1.0, 1.0, 100_000),
    "clipped noise": lambda rng: np.clip(rng.standard_normal(100_000), -1.0, 1.0),
    "the largest samples alone": lambda rng: np.sign(rng.standard_normal(100_000)),
    "dense music": lambda rng: np.tanh(np.cumsum(rng.standard_normal(100_000)) / 50.0),
    "a sine at a quarter of the rate": lambda rng: np.sin(0.5 * np.pi * np.arange(100_000) + 0.8),
    "a sine of 997 Hz": lambda rng: np.sin(2.0 * np.pi * 997.0 / RATE * np.arange(100_000)),
    "a rising tone": lambda rng: np.linspace(0.0, 1.0, 100_000) * np.sin(np.arange(100_000)),
    "every sample as high as the last": lambda rng: np.ones(100_000),
}


@pytest.mark.parametrize("scale", [1.0, 1e-30, 1e-36, 1e-200, 1e25])
@pytest.mark.parametrize("make", WORST.values(), ids=WORST)
def test_ruling_out_in_single_precision_changes_nothing_where_peaks_crowd(make, scale):
    signal = make(np.random.default_rng(192)) * scale
    (peak,) = feed(TruePeakMeter(RATE, 1), signal[:, np.newaxis])
    assert peak == pytest.approx(interpolated_peak(signal, 4), rel=1e-12)


def test_peaks_are_found_where_they_are():
    """Two equal samples alone have their crest between them; the higher channel's comes in another piece."""
    signal = np.zeros((200_000, 2))
    signal[[1_234, 1_235], 0] = 0.5
    signal[150_000, 1] = -0.75
    signal[150_001, 1] = 0.75
    signal[190_000, 1] = 0.75
    levels, true_peaks = LevelMeter(2), TruePeakMeter(RATE, 2)
    assert feed(levels, signal).peak_frame == (1_234, 150_000)
    feed(true_peaks, signal)
    assert true_peaks.peak_frames()[0] == 1_234
    assert true_peaks.peak_frames()[1] in (149_998, 149_999, 150_001)


def test_a_crest_beyond_either_end_belongs_to_the_end():
    """What rings ahead of the first sample or after the last is no frame of the signal."""
    for signal in (np.array([1.0, 1.0, -1.0, 1.0]), np.array([1.0, -1.0, 1.0, 1.0])):
        meter = TruePeakMeter(RATE, 1)
        (peak,) = feed(meter, signal[:, np.newaxis])
        assert peak > 1.0
        assert 0 <= meter.peak_frames()[0] <= 3


def test_below_8_khz_the_rate_is_multiplied_by_24():
    """A sine that the samples miss reads at most 20 log10(cos(pi f / F)) too little: 0.012 dB at 0.4 of the rate."""
    sine = np.sin(2.0 * np.pi * 0.4 * np.arange(2000) + 0.3) * np.hanning(2000)
    (peak,) = feed(TruePeakMeter(100, 1), sine[:, np.newaxis])
    assert 0.997 <= peak <= 1.002


def test_the_signal_that_the_filter_answers_most_is_not_ruled_out():
    """Every sample with the sign of its tap; a lone sample nearly as high as what lies between them comes first."""
    taps = _interpolator(4)[:, 1]
    crest = 0.2 * np.abs(taps).sum()
    signal = np.zeros(1000)
    signal[100] = 0.95 * crest
    signal[500 : 500 + len(taps)] = 0.2 * np.sign(taps)
    (peak,) = feed(TruePeakMeter(RATE, 1), signal[:, np.newaxis])
    assert peak == pytest.approx(crest, rel=1e-12)


@pytest.mark.parametrize("rate", [8000, 22_050, 44_100, 48_000, 88_200, 96_000])
def test_the_oversampled_rate_is_at_least_192_khz(rate):
    """BS.1770-5, recommends 5: only then may the reading be called dBTP. A sine whose samples miss its crest reads at
    most 20 log10(cos(pi f / F)) too little at the oversampled rate F (Attachment 1 to Annex 2)."""
    hz = 0.4 * rate
    sine = np.sin(2.0 * np.pi * hz * np.arange(rate // 2) / rate) * np.hanning(rate // 2)
    (peak,) = feed(TruePeakMeter(rate, 1), sine[:, np.newaxis])
    assert np.cos(np.pi * hz / 192_000) - 0.002 <= peak <= 1.002


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


@pytest.mark.parametrize(("rate", "factor"), [(8_000, 24), (44_100, 5), (48_000, 4), (96_000, 2), (192_000, 2)])
def test_no_peak_on_the_oversampled_grid_is_missed_and_none_is_invented(rate, factor):
    """Against the transform's own, exact interpolation, with noise below 0.42 of the rate; 0.005 dB for our filter."""
    rng = np.random.default_rng(rate)
    taps = firwin(401, 2 * 0.42, window=("kaiser", 10.0))
    for _ in range(10):
        noise = np.zeros(8192)
        noise[1000:7000] = rng.standard_normal(6000) * rng.uniform(0.0, 1.0, 6000) ** 4
        noise = np.convolve(noise, taps, mode="same")
        on_grid = np.abs(resample(noise, factor * len(noise))).max()
        finest = np.abs(resample(noise, 48 * len(noise))).max()
        (peak,) = feed(TruePeakMeter(rate, 1), noise[:, np.newaxis])
        assert on_grid * 10.0 ** (-0.005 / 20.0) <= peak <= finest * 10.0 ** (0.005 / 20.0)


def test_a_minute_of_the_quietest_sample_of_24_bits_reads_its_level():
    """Sums of squares must not lose it."""
    step = np.full((48_000, 1), 2.0**-23, dtype=np.float32)
    meter = LevelMeter(1)
    for _ in range(60):
        meter.add(step)
    assert meter.result().rms[0] == pytest.approx(2.0**-23, rel=1e-12)
    assert meter.result().mean[0] == pytest.approx(2.0**-23, rel=1e-12)


@pytest.mark.parametrize("bad", [math.nan, math.inf])
@pytest.mark.parametrize("make", [lambda: LevelMeter(2), lambda: TruePeakMeter(RATE, 2)], ids=["level", "true peak"])
def test_what_is_not_a_number_is_refused_and_leaves_no_trace(make, bad):
    good = np.random.default_rng(6).standard_normal((20_000, 2))
    spoilt = good.copy()
    spoilt[19_999, 0] = bad
    meter, other = make(), make()
    with pytest.raises(UnmeasurableError, match="not finite"):
        meter.add(spoilt)
    meter.add(good)
    other.add(good)
    assert meter.result() == other.result()
