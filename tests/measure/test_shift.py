"""Moving a signal by part of a sample, against a phase ramp on its spectrum."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from printq.errors import UnmeasurableError
from printq.measure.shift import FractionalShift

from .signals import band_limited_noise, blocks, cuts

FRAMES = 4096
NOISE = band_limited_noise(11, FRAMES, 0.45)
PAIR = np.stack((NOISE, band_limited_noise(12, FRAMES, 0.45)), axis=1)


def turned(signal, samples):
    """Advance a periodic signal: exact by the shift theorem."""
    turn = 2.0 * np.pi * np.fft.rfftfreq(len(signal))
    return np.fft.irfft(np.fft.rfft(signal) * np.exp(1j * turn * samples), len(signal))


@settings(max_examples=40, deadline=None)
@given(st.floats(-3.0, 3.0))
@example(0.5)
@example(-0.5)
def test_up_to_0_45_of_the_rate_the_error_is_under_minus_100_db(amount):
    shift = FractionalShift(amount, 1)
    found = shift.process(NOISE[:, np.newaxis])[:, 0]
    expected = turned(NOISE, amount)[shift.lead_frames :][: len(found)]
    error = np.sqrt(np.mean((found - expected) ** 2) / np.mean(expected**2))
    assert 20.0 * np.log10(max(error, 1e-30)) < -100.0


@given(st.floats(-50.0, 50.0), st.integers(0, 500))
@settings(deadline=None)
def test_so_many_frames_more_go_in_than_come_out(amount, frames):
    shift = FractionalShift(amount, 2)
    assert len(shift.process(np.zeros((frames + shift.lead_frames + shift.trail_frames, 2)))) == frames


@given(st.floats(-300.0, 300.0), cuts(FRAMES))
@settings(max_examples=30, deadline=None)
def test_from_silence_as_many_frames_come_out_as_go_in(amount, places):
    shift = FractionalShift(amount, 2, from_silence=True)
    parts = [shift.process(block) for block in blocks(PAIR, places)]
    found = np.concatenate((*parts, shift.flush()))
    assert found.shape == PAIR.shape
    surrounded = np.concatenate((np.zeros((600, 2)), PAIR, np.zeros((600, 2))))
    between = FractionalShift(amount, 2)
    whole = between.process(surrounded)
    np.testing.assert_allclose(found, whole[600 - between.lead_frames :][: len(PAIR)], atol=1e-12)


@given(st.floats(-3.0, 3.0), cuts(FRAMES))
@settings(max_examples=30, deadline=None)
def test_the_shift_does_not_depend_on_how_the_signal_is_cut(amount, places):
    whole = FractionalShift(amount, 2).process(PAIR)
    shift = FractionalShift(amount, 2)
    cut = np.concatenate([shift.process(block) for block in blocks(PAIR, places)])
    np.testing.assert_array_equal(cut, whole)


@given(st.integers(-200, 200))
@settings(deadline=None)
def test_whole_samples_pass_bit_for_bit(amount):
    found = FractionalShift(float(amount), 2, from_silence=True)
    shifted = np.concatenate((found.process(PAIR), found.flush()))
    expected = np.zeros_like(PAIR)
    if amount >= 0:
        expected[: FRAMES - amount] = PAIR[amount:]
    else:
        expected[-amount:] = PAIR[:amount]
    np.testing.assert_array_equal(shifted, expected)


def test_a_constant_stays_what_it_is():
    """The taps add up to one."""
    shifted = FractionalShift(0.3, 1).process(np.full((1000, 1), 0.7))
    assert shifted == pytest.approx(0.7, abs=1e-12)


def test_a_sample_that_is_no_number_is_refused():
    with pytest.raises(UnmeasurableError, match="not finite"):
        FractionalShift(0.5, 1).process(np.full((300, 1), np.nan))
