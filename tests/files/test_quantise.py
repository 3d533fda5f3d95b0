"""Rounding and dither against the figures of Lipshitz, Wannamaker and Vanderkooy, JAES 40(5), 1992.

Non-subtractive TPDF dither of 2 LSB peak to peak: the whole error has a mean of zero and a power of LSB^2/4,
whatever the signal. (The power is from memory; a simulation apart from this program gave 0.2501, 0.2502 and 0.2499
for three signals.)
"""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from printq.files.quantise import Dither, fits, to_integers

FRAMES = 200_000
LSB = 2.0**-15


def error_of(signal, seed=b"seed"):
    """Error in LSB of 16 bits."""
    found = to_integers(signal, 16, Dither(seed, signal.shape[1]))
    assert found.clipped == 0
    return found.samples - signal * 2**15


@pytest.mark.parametrize("place", [0.0, 0.25, 0.37, 0.5, 0.77])
def test_dithered_error_has_no_mean_and_a_quarter_of_a_step_squared_at_every_level(place):
    error = error_of(np.full((FRAMES, 1), (100 + place) * LSB))
    # Of n values of variance 1/4 the mean is known to 0.5 / sqrt(n), which is 0.0011; the power about as well.
    assert error.mean() == pytest.approx(0.0, abs=0.005)
    assert np.mean(error**2) == pytest.approx(0.25, abs=0.005)


def test_dithered_error_has_the_same_figures_under_a_sine_and_does_not_follow_it():
    sine = 0.5 * np.sin(2.0 * np.pi * 0.0123 * np.arange(FRAMES))[:, np.newaxis]
    error = error_of(sine)
    assert np.mean(error**2) == pytest.approx(0.25, abs=0.005)
    assert np.corrcoef(error[:, 0], sine[:, 0])[0, 1] == pytest.approx(0.0, abs=0.01)
    assert np.corrcoef(error[:, 0] ** 2, sine[:, 0] ** 2)[0, 1] == pytest.approx(0.0, abs=0.01)


def test_a_tone_under_half_a_step_survives_dither_and_not_rounding():
    tone = 0.4 * LSB * np.sin(2.0 * np.pi * 0.01 * np.arange(FRAMES))[:, np.newaxis]
    assert not to_integers(tone, 16, None).samples.any()
    dithered = to_integers(tone, 16, Dither(b"seed", 1)).samples[:, 0]
    assert 2.0 * np.mean(dithered * np.sin(2.0 * np.pi * 0.01 * np.arange(FRAMES))) == pytest.approx(0.4, abs=0.01)


def test_dither_is_triangular_from_minus_one_to_one_and_white():
    """Variance of the sum of two even distributions one step wide: 2/12."""
    drawn = Dither(b"seed", 1).draw(FRAMES)[:, 0]
    assert -1.0 <= drawn.min() < -0.98
    assert 0.98 < drawn.max() <= 1.0
    assert drawn.var() == pytest.approx(1.0 / 6.0, abs=0.002)
    assert np.mean(np.abs(drawn) < 0.5) == pytest.approx(0.75, abs=0.005)
    assert np.corrcoef(drawn[1:], drawn[:-1])[0, 1] == pytest.approx(0.0, abs=0.01)


def test_dither_is_the_same_with_every_release_of_numpy():
    """numpy promises the bits of PCG64 and not what its `Generator` makes of them (NEP 19).

    Values of numpy 2; 53 bits of each draw make a number from 0 to 1, as `Generator.random` does today.
    """
    raw = np.random.PCG64(7).random_raw(2 * 4096) >> 11
    expected = (raw[:4096] * 2.0**-53 - raw[4096:] * 2.0**-53)[:100]
    np.testing.assert_array_equal(Dither(7, 1).draw(100)[:, 0], expected)
    today = np.random.default_rng(7).random((2, 4096))
    np.testing.assert_array_equal(Dither(7, 1).draw(100)[:, 0], (today[0] - today[1])[:100])


def test_channels_have_dither_of_their_own():
    drawn = Dither(b"seed", 2).draw(FRAMES)
    assert np.corrcoef(drawn.T)[0, 1] == pytest.approx(0.0, abs=0.01)


@given(st.lists(st.integers(0, 9000), max_size=8))
@settings(max_examples=30, deadline=None)
def test_dither_does_not_depend_on_block_sizes(sizes):
    at_once = Dither(b"take", 2).draw(sum(sizes))
    dither = Dither(b"take", 2)
    np.testing.assert_array_equal(np.concatenate([np.zeros((0, 2)), *map(dither.draw, sizes)]), at_once)


def test_the_same_seed_gives_the_same_dither_and_another_gives_another():
    first = Dither(b"one", 1).draw(100)
    np.testing.assert_array_equal(Dither(b"one", 1).draw(100), first)
    assert not np.array_equal(Dither(b"two", 1).draw(100), first)


@pytest.mark.parametrize("bit_depth", [16, 24])
def test_samples_of_the_word_length_fit_and_others_do_not(bit_depth):
    step = 2.0 ** -(bit_depth - 1)
    assert fits(np.array([[-1.0], [1.0 - step], [0.0], [-0.0], [step]]), bit_depth)
    for sample in (1.0, -1.0 - step, 0.5 * step, 0.3, np.nan, np.inf):
        assert not fits(np.array([[0.0], [sample]]), bit_depth)


def test_float_holds_every_sample_of_24_bits_and_not_every_double():
    """A float has a significand of 24 bits."""
    samples = np.random.default_rng(4).integers(-(2**23), 2**23, (10_000, 1)) / 2**23
    assert fits(samples, 32)
    assert fits(np.array([[1.5], [-100.0]]), 32)
    assert not fits(np.array([[0.1]]), 32)
    assert not fits(np.array([[1.0 + 2.0**-24]]), 32)


@given(st.integers(-(2**23), 2**23 - 1))
def test_integers_of_24_bits_are_kept_exactly(step):
    found = to_integers(np.array([[step / 2**23]]), 24, None)
    assert (int(found.samples[0, 0]), found.clipped) == (step, 0)


def test_what_dither_pushes_over_the_top_is_limited():
    found = to_integers(np.full((10_000, 1), 1.0 - LSB), 16, Dither(b"seed", 1))
    assert found.samples.max() == 2**15 - 1
    assert 0 < found.clipped < 2000


@pytest.mark.parametrize("bit_depth", [16, 24])
def test_what_is_no_number_becomes_silence_and_counts_as_clipped(bit_depth):
    """As an integer it could be a click at full scale."""
    found = to_integers(np.array([[np.nan], [np.inf], [-np.inf], [0.5]]), bit_depth, None)
    top = 1 << (bit_depth - 1)
    assert found.samples[:, 0].tolist() == [0, top - 1, -top, top // 2]
    assert found.clipped == 3


@pytest.mark.parametrize("sample", [np.nan, np.inf, 1e300])
def test_what_a_float_file_cannot_say_does_not_fit_it(sample):
    assert not fits(np.array([[sample]]), 32)
