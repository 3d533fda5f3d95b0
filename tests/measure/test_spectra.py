"""Averaged spectra: powers and phases by formula, bounded work, no dependence on blocks."""

from __future__ import annotations

import math
from dataclasses import fields

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from printq.errors import UnmeasurableError
from printq.measure.spectra import MOST_FRAMES, CrossSpectra, PairedPieces, SpectralMatrix
from tests.measure.signals import RATE, cut

Signal = NDArray[np.float64]


def average(sent: Signal, returned: Signal, rate: int = RATE) -> SpectralMatrix:
    spectra = CrossSpectra(rate, sent.shape[1], len(sent))
    spectra.add(sent, returned)
    return spectra.result()


def noise(frames: int, channels: int = 2, seed: int = 1) -> Signal:
    return np.asarray(np.random.default_rng(seed).standard_normal((frames, channels)))


@pytest.mark.parametrize("rate", [44_100, 48_000, 96_000, 192_000])
def test_the_diagonal_sums_to_the_mean_square_of_each_channel(rate: int) -> None:
    # Parseval's theorem, of windowed frames; white noise over N samples has a mean square of 1 within 5 / sqrt(N).
    sent = noise(4 * rate) * np.array([0.1, 0.2])
    found = average(sent, 3.0 * sent, rate)
    for place, power in enumerate((0.01, 0.04, 0.09, 0.36)):
        assert found.products[place, place].real.sum() == pytest.approx(power, rel=0.02)


def test_a_sine_counts_half_the_square_of_its_peak() -> None:
    sine = 0.5 * np.sin(2.0 * np.pi * 997.0 * np.arange(5 * RATE) / RATE)[:, np.newaxis]
    assert average(sine, sine).sent(0, 0).real.sum() == pytest.approx(0.125, rel=1e-4)


def test_the_phase_across_is_that_of_the_path() -> None:
    sent = noise(5 * RATE, 1)
    returned = -0.5 * np.roll(sent, 3, axis=0)
    found = average(sent, returned)
    band = found.band(100.0, 10_000.0)
    expected = -0.5 * np.exp(-2j * np.pi * found.hz * 3.0 / RATE)
    path = found.across(0, 0)[band] / found.sent(0, 0)[band]
    # Three samples of 4096 lie outside the window that the stem was seen through.
    assert np.abs(path - expected[band]).max() < 0.01


def test_products_are_found_under_their_channels() -> None:
    sent, returned = noise(5 * RATE, 2, 1), noise(5 * RATE, 2, 2)
    returned[:, 1] += 2.0 * sent[:, 0]
    found = average(sent, returned)
    whole = slice(None)
    assert found.across(1, 0)[whole].real.sum() == pytest.approx(2.0, rel=0.02)
    assert abs(found.across(0, 0)[whole].real.sum()) < 0.02
    assert found.returned(1, 1).real.sum() == pytest.approx(5.0, rel=0.02)
    assert np.array_equal(found.sent(0, 1), np.conj(found.sent(1, 0)))


def test_a_long_stem_costs_no_more_frames_than_a_shorter_one() -> None:
    frames = [average(noise(n * RATE, 1), noise(n * RATE, 1)).frames for n in (10, 60, 120)]
    assert frames[0] < MOST_FRAMES
    assert all(0.8 * MOST_FRAMES < count <= MOST_FRAMES for count in frames[1:])


def test_of_a_long_stem_the_moments_that_sound_are_taken() -> None:
    # A tenth of a second in each second, on one side or the other.
    sent = np.zeros((120 * RATE, 2))
    for second in range(120):
        start = second * RATE + 7000
        sent[start : start + RATE // 10, second % 2] = noise(RATE // 10, 1, second)[:, 0]
    found = average(sent, sent)
    evenly = 0.05  # what frames at any place would hold: a tenth of the time, half of that for each side
    for side in (0, 1):
        assert found.sent(side, side).real.sum() > 1.5 * evenly


@settings(max_examples=20, deadline=None)
@given(lengths=st.lists(st.integers(0, 50_000), min_size=1, max_size=5).filter(lambda each: max(each) > 300))
@pytest.mark.parametrize("frames", [70_000, 3_000_000], ids=["every frame", "the loudest"])
def test_averages_do_not_depend_on_how_the_signals_are_cut(frames: int, lengths: list[int]) -> None:
    sent, returned = noise(70_000, 2, 1), noise(70_000, 2, 2)
    at_once, in_blocks = CrossSpectra(8_000, 2, frames), CrossSpectra(8_000, 2, frames)
    at_once.add(sent, returned)
    for one, other in zip(cut(sent, lengths), cut(returned, lengths), strict=True):
        in_blocks.add(one, other)
    first, second, again = at_once.result(), in_blocks.result(), in_blocks.result()
    for field in fields(SpectralMatrix):
        for each in (second, again):
            assert np.array_equal(getattr(first, field.name), getattr(each, field.name)), field.name


@pytest.mark.parametrize("frames", [0, 1, 4095])
def test_less_than_a_frame_averages_nothing(frames: int) -> None:
    found = average(noise(frames), noise(frames))
    assert found.frames == 0
    assert not found.products.any()


def test_silence_is_averaged_as_nought() -> None:
    found = average(np.zeros((RATE, 2)), np.zeros((RATE, 2)))
    assert found.frames > 8
    assert not found.products.any()


def test_the_bins_of_a_band_begin_at_its_lower_edge_and_end_before_its_upper_one() -> None:
    found = average(np.zeros((RATE, 1)), np.zeros((RATE, 1)))
    bins = found.hz[found.band(100.0, 200.0)]
    step = RATE / found.frame
    assert 100.0 <= bins[0] < 100.0 + step
    assert 200.0 - step <= bins[-1] < 200.0


@pytest.mark.parametrize("bad", [math.nan, math.inf])
def test_what_cannot_be_compared_is_refused_and_leaves_nothing_behind(bad: float) -> None:
    good, spoilt = noise(9000), noise(9000)
    spoilt[5000, 1] = bad
    spectra, untouched = CrossSpectra(RATE, 2, RATE), CrossSpectra(RATE, 2, RATE)
    for pair in ((spoilt, good), (good, spoilt)):
        with pytest.raises(UnmeasurableError, match="not finite"):
            spectra.add(*pair)
    with pytest.raises(ValueError, match="no pair"):
        spectra.add(good, good[1:])
    for pair in ((good[:, :1], good), (good, good[:, 0])):
        with pytest.raises(ValueError, match=r"shape \(frames, 2\)"):
            spectra.add(*pair)
    for each in (spectra, untouched):
        each.add(good, good)
    assert np.array_equal(spectra.result().products, untouched.result().products)


def test_pieces_of_stem_and_return_stay_in_step() -> None:
    pieces = PairedPieces(2, 5)
    signal = np.arange(24.0).reshape(12, 2)
    got = [(a.copy(), b.copy()) for part in (signal[:3], signal[3:]) for a, b in pieces.add(part, -part)]
    assert len(got) == 2
    assert all(np.array_equal(one, -other) for one, other in got)
    rest, back = pieces.rest()
    assert np.array_equal(rest, signal[10:].T)
    assert np.array_equal(back, -rest)
