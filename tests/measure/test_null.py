"""Nulls: as deep as the noise allows, by the published tables, in every third octave and over time."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from printq.errors import UnmeasurableError
from printq.measure.bands import NOMINAL_HZ, ThirdOctaves
from printq.measure.null import (
    DelayCourse,
    NullFit,
    NullFitter,
    NullMeter,
    NullResult,
    NullWindow,
    band_powers,
    delay_course,
    null_floor_db,
)
from tests.measure.signals import RATE, Signal, band_limited_noise, blocks, cut, cuts

SECONDS = 4
EDGE = 6_000


def column(signal: Signal) -> Signal:
    return signal[:, np.newaxis]


def copies(
    delay: float, gain_db: float, polarity: int, noise_db: float, seed: int, *, rms: float = 0.1, highest: float = 0.45
) -> tuple[Signal, Signal, int]:
    """A, and B cut so that whole samples of its delay are gone; noise in both, in dB re the signal."""
    frames = SECONDS * RATE + 2 * EDGE
    clean = rms * band_limited_noise(seed, frames, highest)
    turn = 2.0 * np.pi * np.arange(frames // 2 + 1) / frames
    later = np.fft.irfft(np.fft.rfft(clean) * np.exp(-1j * turn * delay), frames)
    rng = np.random.default_rng([seed, 1])
    noise = rms * 10.0 ** (noise_db / 20.0)
    a = clean + noise * rng.standard_normal(frames)
    b = polarity * 10.0 ** (gain_db / 20.0) * later + noise * rng.standard_normal(frames)
    whole = math.floor(delay + 0.5)
    return column(a[EDGE:-EDGE]), column(b[EDGE + whole : frames - EDGE + whole]), whole


def fit(a: Signal, b: Signal, start: float = 0.0) -> NullFit:
    """As the files are fitted: again from where the last fit ended."""
    found = NullFit(start, 1.0, 1)
    for _ in range(3):
        fitter = NullFitter(RATE, a.shape[1], found.delay_samples)
        fitter.add(a, b)
        found = fitter.result()
    return found


def null(a: Signal, b: Signal, found: NullFit, shift: int = 0) -> NullResult:
    meter = NullMeter(RATE, a.shape[1], found, shift=shift)
    meter.add(a, b)
    return meter.result()


@pytest.mark.slow
@pytest.mark.parametrize("noise_db", [-20.0, -60.0, -90.0, -110.0])
@settings(max_examples=12, deadline=None)
@given(
    delay=st.floats(0.0, 5_000.0),
    gain_db=st.floats(-3.0, 3.0),
    polarity=st.sampled_from([1, -1]),
    seed=st.integers(0, 1000),
)
def test_two_copies_null_as_deep_as_their_noise_allows(
    noise_db: float, delay: float, gain_db: float, polarity: int, seed: int
) -> None:
    a, b, whole = copies(delay, gain_db, polarity, noise_db, seed)
    found = fit(a, b, start=float(np.clip(delay - whole + 0.02, -0.5, 0.5)))
    depth = null(a, b, found).depth_db
    # Independent noises add in power, so two equal passes at N dB null to N + 3.
    allowed = noise_db + 10.0 * math.log10(1.0 + 10.0 ** (-gain_db / 10.0))
    assert depth == pytest.approx(allowed, abs=0.3)
    assert found.polarity == polarity
    assert found.delay_samples + whole == pytest.approx(delay, abs=10.0 ** (noise_db / 20.0) * 0.01 + 1e-7)
    # Noise in the reference draws a least-squares gain down by its share of the power.
    drawn_down = 20.0 * math.log10(1.0 / (1.0 + 10.0 ** (noise_db / 10.0)))
    assert 20.0 * math.log10(found.gain) == pytest.approx(
        gain_db + drawn_down, abs=10.0 ** (noise_db / 20.0) * 0.1 + 1e-6
    )


GAIN_TABLE = [(0.001, -78.78), (0.01, -58.77), (0.1, -38.73), (0.5, -24.55), (1.0, -18.27), (3.0, -7.69), (6.0, -0.04)]


@pytest.mark.parametrize(("gain_db", "depth_db"), GAIN_TABLE)
def test_a_gain_error_alone_leaves_what_the_formula_says(gain_db: float, depth_db: float) -> None:
    # 20 log10 |1 - 10^(g/20)|.
    a = column(0.1 * band_limited_noise(1, RATE, 0.4))
    b = 10.0 ** (gain_db / 20.0) * a
    assert null(a, b, NullFit(0.0, 1.0, 1)).depth_db == pytest.approx(depth_db, abs=0.006)


OFFSET_TABLE = [
    (0.001, 1_000, -77.66),
    (0.01, 10_000, -37.66),
    (0.1, 100, -57.66),
    (0.25, 5_000, -15.73),
    (0.5, 20_000, 1.71),
    (1.0, 1_000, -17.67),
    (1.0, 50, -43.68),
]


@pytest.mark.parametrize(("offset", "hz", "depth_db"), OFFSET_TABLE)
def test_an_offset_in_time_alone_leaves_what_the_formula_says(offset: float, hz: int, depth_db: float) -> None:
    # A sine: 20 log10 (2 |sin(pi f dt)|), at 48 kHz.
    time = np.arange(2 * RATE)
    a = column(0.5 * np.sin(2.0 * np.pi * hz * time / RATE))
    b = column(0.5 * np.sin(2.0 * np.pi * hz * (time - offset) / RATE))
    assert null(a, b, NullFit(0.0, 1.0, 1)).depth_db == pytest.approx(depth_db, abs=0.006)


@pytest.mark.parametrize(("offset", "depth_db"), [(0.01, -34.83), (0.1, -14.85), (0.5, -1.39), (1.0, 3.01)])
def test_white_noise_nulls_by_the_table(offset: float, depth_db: float) -> None:
    # The whole band to half the rate: 10 log10 (2 - 2 sinc(dt)).
    frames = 4 * RATE
    a = band_limited_noise(3, frames, 0.5)
    turn = 2.0 * np.pi * np.arange(frames // 2 + 1) / frames
    b = np.fft.irfft(np.fft.rfft(a) * np.exp(-1j * turn * offset), frames)
    assert null(column(a), column(b), NullFit(0.0, 1.0, 1)).depth_db == pytest.approx(depth_db, abs=0.03)


@pytest.mark.parametrize(
    ("degrees", "depth_db"), [(0.1, -55.16), (1.0, -35.16), (10.0, -15.17), (60.0, 0.0), (90.0, 3.01)]
)
def test_a_phase_error_leaves_what_the_formula_says(degrees: float, depth_db: float) -> None:
    time = np.arange(RATE)
    a = column(0.5 * np.sin(2.0 * np.pi * 997.0 * time / RATE))
    b = column(0.5 * np.sin(2.0 * np.pi * 997.0 * time / RATE + math.radians(degrees)))
    assert null(a, b, NullFit(0.0, 1.0, 1)).depth_db == pytest.approx(depth_db, abs=0.006)


def test_polarity_unfitted_adds_six_decibels() -> None:
    a = column(0.1 * band_limited_noise(4, RATE, 0.4))
    assert null(a, -a, NullFit(0.0, 1.0, 1)).depth_db == pytest.approx(6.02, abs=0.003)


def test_two_identical_signals_leave_nothing_at_all() -> None:
    a = column(0.3 * band_limited_noise(5, 3 * RATE, 0.5))
    found = fit(a, a)
    assert (found.delay_samples, found.gain, found.polarity) == (0.0, 1.0, 1)
    result = null(a, a, found)
    assert result.depth_db == -math.inf
    assert all(band.depth_db == -math.inf for band in result.bands)


def test_third_octaves_say_where_a_filter_moved_and_by_how_much() -> None:
    # A band of 10 % of gain at 800 to 1250 Hz: 20 log10 0.1 in there, a gain of 0.83 dB, and nothing elsewhere.
    frames = 8 * RATE
    a = 0.2 * band_limited_noise(6, frames, 0.45)
    spectrum = np.fft.rfft(a)
    hz = np.fft.rfftfreq(frames, 1.0 / RATE)
    inside = (hz > 1000.0 * 10.0**-0.05) & (hz < 1000.0 * 10.0**0.05)
    spectrum[inside] *= 1.1
    result = null(column(a), column(np.fft.irfft(spectrum, frames)), NullFit(0.0, 1.0, 1))
    by_hz = {band.hz: band for band in result.bands}
    assert by_hz[1000.0].depth_db == pytest.approx(-20.0, abs=0.1)
    assert by_hz[1000.0].gain_db == pytest.approx(20.0 * math.log10(1.1), abs=0.02)
    for other in (100.0, 500.0, 2000.0, 10_000.0):
        depth, gain = by_hz[other].depth_db, by_hz[other].gain_db
        assert depth is not None
        assert depth < -80.0
        assert gain == pytest.approx(0.0, abs=0.001)


def test_bands_and_whole_agree_on_power() -> None:
    # Parseval: noise between 20 Hz and 20 kHz has as much power in its third octaves as in its samples.
    frames = 10 * RATE
    spectrum = np.fft.rfft(np.random.default_rng(7).standard_normal(frames))
    hz = np.fft.rfftfreq(frames, 1.0 / RATE)
    spectrum[(hz < 20.0) | (hz > 20_000.0)] = 0.0
    signal = column(np.fft.irfft(spectrum, frames))
    assert sum(band_powers(signal, RATE).values()) == pytest.approx(float(np.mean(signal**2)), rel=0.01)


def test_nominal_frequencies_are_those_of_the_standard() -> None:
    # IEC 61260-1: exact mid-bands are 1 kHz times 10^(n/10); the nominal ones lie within 1.3 % of them.
    bands = ThirdOctaves(192_000, 192_000)
    exact = 1000.0 * 10.0 ** (np.arange(-17, -17 + len(NOMINAL_HZ)) / 10.0)
    assert np.abs(np.array(NOMINAL_HZ) / exact - 1.0).max() < 0.013
    assert bands.hz == NOMINAL_HZ
    assert ThirdOctaves(8_000, 8_000).hz[-1] == 3150.0  # the band at 4 kHz would reach over half the rate


def test_over_time_tells_a_slip_from_a_drift_and_where() -> None:
    frames = 20 * RATE
    a = 0.1 * band_limited_noise(8, frames, 0.4)
    slipped = np.concatenate((a[: 12 * RATE], a[12 * RATE + 64 :], np.zeros(64)))
    seen = null(column(a), column(slipped), fit(column(a), column(slipped))).over_time
    assert [round(window.delay_samples or 0.0, 2) for window in seen[:11]] == [0.0] * 11
    assert [round(window.delay_samples or 0.0, 2) for window in seen[13:19]] == [-64.0] * 6
    course = delay_course(seen, RATE)
    assert course.drift_ppm is None
    ((second, samples),) = course.jumps
    assert (samples, second) == (-64, pytest.approx(12.0, abs=1.0))
    # A clock 2 ppm fast: 0.096 samples a second at 48 kHz.
    time = np.arange(frames)
    spectrum = np.fft.rfft(a)
    wandering = np.zeros(frames)
    turn = 2.0 * np.pi * np.arange(frames // 2 + 1) / frames
    for second in range(20):
        part = slice(second * RATE, (second + 1) * RATE)
        wandering[part] = np.fft.irfft(spectrum * np.exp(-1j * turn * 2e-6 * time[part].mean()), frames)[part]
    seen = null(column(a), column(wandering), fit(column(a), column(wandering))).over_time
    assert delay_course(seen, RATE).drift_ppm == pytest.approx(2.0, rel=0.01)
    assert delay_course(seen, RATE).jumps == ()
    delays = np.array([window.delay_samples for window in seen[1:-1]], dtype=float)
    assert np.polyfit(np.arange(len(delays)), delays, 1)[0] == pytest.approx(0.096, rel=0.01)


def test_a_gain_that_follows_takes_a_slow_fade_out_of_the_null() -> None:
    frames = 20 * RATE
    a = 0.1 * band_limited_noise(9, frames, 0.4)
    b = a * np.interp(np.arange(frames), [0, frames], [1.0, 0.5])
    steady = NullFitter(RATE, 1)
    following = NullFitter(RATE, 1, follow_gain=True)
    for fitter in (steady, following):
        fitter.add(column(a), column(b))
    assert null(column(a), column(b), steady.result()).depth_db > -20.0
    assert null(column(a), column(b), following.result()).depth_db < -40.0


def test_a_dropout_in_one_second_does_not_pull_the_fit() -> None:
    a, b, _ = copies(0.3, -1.0, 1, -90.0, 10)
    spoilt = b.copy()
    spoilt[RATE : RATE + 4_000] = 0.0
    found = fit(a, spoilt)
    assert found.delay_samples == pytest.approx(0.3, abs=1e-3)
    result = null(a, spoilt, found)
    depths = [window.depth_db for window in result.over_time]
    assert max(range(len(depths)), key=lambda n: depths[n] or -999.0) == 1


@settings(max_examples=20, deadline=None)
@given(places=cuts(3 * RATE))
def test_the_result_does_not_depend_on_how_the_signal_is_cut(places: list[int]) -> None:
    a, b = stereo_pair()
    whole_fitter, cut_fitter = NullFitter(RATE, 2, 0.25), NullFitter(RATE, 2, 0.25)
    whole_fitter.add(a, b)
    for piece_a, piece_b in zip(blocks(a, places), blocks(b, places), strict=True):
        cut_fitter.add(piece_a, piece_b)
    assert whole_fitter.result() == cut_fitter.result()
    whole, in_pieces = NullMeter(RATE, 2, whole_fitter.result()), NullMeter(RATE, 2, whole_fitter.result())
    whole.add(a, b)
    for piece_a, piece_b in zip(cut(a, [1000, 77, 0]), cut(b, [1000, 77, 0]), strict=True):
        in_pieces.add(piece_a, piece_b)
    assert whole.result() == in_pieces.result()


def stereo_pair() -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    a = np.stack([0.1 * band_limited_noise(11 + n, 3 * RATE, 0.4) for n in range(2)], axis=1)
    return a, 0.9 * a + 1e-4 * np.random.default_rng(2).standard_normal(a.shape)


def test_asking_for_a_result_changes_nothing() -> None:
    a, b = stereo_pair()
    fitter = NullFitter(RATE, 2)
    fitter.add(a[: RATE + 100], b[: RATE + 100])
    fitter.result()
    fitter.add(a[RATE + 100 :], b[RATE + 100 :])
    other = NullFitter(RATE, 2)
    other.add(a, b)
    assert fitter.result() == other.result()


def windows(delays: list[float | None]) -> list[NullWindow]:
    return [NullWindow(float(second), -60.0, 0.0, delay, 1e-9) for second, delay in enumerate(delays)]


def test_delays_that_stand_still_are_no_drift_and_no_jump() -> None:
    wobble = np.random.default_rng(1).normal(0.0, 0.01, 60)
    assert delay_course(windows(list(wobble)), RATE) == DelayCourse(None, ())
    assert delay_course(windows([0.0, None, None, 0.0, 0.0, 0.0]), RATE) == DelayCourse(None, ())


def test_one_second_astray_is_no_jump() -> None:
    delays: list[float | None] = [0.0] * 20
    delays[7] = 300.0
    assert delay_course(windows(delays), RATE).jumps == ()


def test_drift_and_jumps_are_told_apart() -> None:
    # 20 ppm of 48 000 samples a second are 0.96 samples a second.
    delays = [
        0.96 * second + (-1.0 if second >= 21 else 0.0) + (256.0 if second >= 40 else 0.0) for second in range(60)
    ]
    course = delay_course(windows(list(delays)), RATE)
    assert course.jumps == ((21.0, -1), (40.0, 256))
    assert course.drift_ppm == pytest.approx(20.0, abs=0.01)


def test_noise_adds_in_power() -> None:
    # Two passes with noise at -90 dB each null to -86.99.
    assert null_floor_db(1.0, 1e-9, 1e-9, 1.0) == pytest.approx(-86.99, abs=0.005)
    assert null_floor_db(1.0, 0.0, 0.0, 1.0) is None


@pytest.mark.parametrize("frames", [0, 1, 100, RATE])
def test_silence_and_next_to_nothing_have_no_null(frames: int) -> None:
    silence = np.zeros((frames, 1))
    fitter = NullFitter(RATE, 1)
    fitter.add(silence, silence)
    with pytest.raises(UnmeasurableError, match="silent"):
        fitter.result()
    meter = NullMeter(RATE, 1, NullFit(0.0, 1.0, 1))
    meter.add(silence, silence)
    with pytest.raises(UnmeasurableError, match="silent"):
        meter.result()


def test_what_is_no_number_is_refused() -> None:
    good, bad = np.ones((10, 1)), np.full((10, 1), np.nan)
    with pytest.raises(UnmeasurableError, match="finite"):
        NullFitter(RATE, 1).add(good, bad)
    with pytest.raises(ValueError, match="one shape"):
        NullFitter(RATE, 1).add(good, good[:5])
