"""Moving a signal by part of a sample."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.signal import firwin

from printq.errors import UnmeasurableError
from printq.measure.shift import FractionalShift
from tests.measure.signals import Signal, cut, delayed


def advance(signal: Signal, amount: float, lengths: tuple[int, ...] = (4096,)) -> Signal:
    """As many frames as went in, silence around them."""
    shift = FractionalShift(amount, signal.shape[1], from_silence=True)
    blocks = [shift.process(block) for block in cut(signal, lengths)]
    return np.concatenate((*blocks, shift.flush()))


@pytest.mark.parametrize("fraction", [0.02, 0.25, 0.5, 0.75, 0.98, -0.3, 7.4, -250.6])
def test_error_is_under_minus_100_db_up_to_0_45_of_the_rate(fraction: float) -> None:
    time = np.arange(6000.0)
    middle = slice(1000, 5000)
    for share in (0.001, 0.01, 0.1, 0.2, 0.3, 0.4, 0.42, 0.45):
        turn = 2.0 * np.pi * share
        tone = np.exp(1j * turn * time)
        moved = advance(np.stack([tone.real, tone.imag], axis=1), fraction)
        error = moved[:, 0] + 1j * moved[:, 1] - np.exp(1j * turn * (time + fraction))
        assert 20.0 * math.log10(np.abs(error[middle]).max()) < -100.0


@given(
    amount=st.integers(-300, 300),
    frames=st.integers(0, 200),
    lengths=st.lists(st.integers(0, 50), min_size=1, max_size=4).filter(any),
)
def test_whole_samples_pass_bit_for_bit(amount: int, frames: int, lengths: list[int]) -> None:
    signal = np.random.default_rng(frames).standard_normal((frames, 2))
    moved = advance(signal, amount, tuple(lengths))
    expected = np.zeros_like(signal)
    kept = max(0, frames - abs(amount))
    if amount >= 0:
        expected[:kept] = signal[amount : amount + kept]
    else:
        expected[frames - kept :] = signal[:kept]
    assert moved.tobytes() == expected.tobytes()


@given(
    amount=st.floats(-400.0, 400.0),
    frames=st.integers(0, 700),
    lengths=st.lists(st.integers(0, 300), min_size=1, max_size=4).filter(any),
)
def test_as_many_frames_come_out_and_the_cuts_do_not_matter(amount: float, frames: int, lengths: list[int]) -> None:
    signal = np.random.default_rng(frames).standard_normal((frames, 2))
    moved = advance(signal, amount, tuple(lengths))
    assert moved.shape == signal.shape
    assert np.array_equal(moved, advance(signal, amount))


@pytest.mark.parametrize("amount", [0.37, -0.37, 0.0, 3.0, -2.5, 200.25])
def test_context_around_a_stretch_gives_exactly_that_stretch(amount: float) -> None:
    whole = np.random.default_rng(8).standard_normal((3000, 1))
    shift = FractionalShift(amount, 1)
    start, frames = 1000, 500
    read = whole[start - shift.lead_frames : start + frames + shift.trail_frames]
    assert len(read) == frames + shift.lead_frames + shift.trail_frames
    stretch = np.concatenate([shift.process(block) for block in cut(read, (64, 1, 300))])
    np.testing.assert_array_equal(stretch, advance(whole, amount)[start : start + frames])


def test_a_late_signal_is_lined_up() -> None:
    rng = np.random.default_rng(9)
    early = np.zeros(5000)
    # Nothing above 0.45 of the rate, where the filter falls off.
    early[1000:4000] = rng.standard_normal(3000)
    early = np.convolve(early, firwin(401, 2 * 0.42, window=("kaiser", 12.0)), mode="same")
    late = delayed(early, 0.613, 5000)
    lined_up = advance(late[:, np.newaxis], 0.613)[:, 0]
    residual = np.sqrt(np.mean((lined_up - early) ** 2) / np.mean(early**2))
    assert 20.0 * math.log10(residual) < -100.0


def test_a_constant_stays_what_it_is() -> None:
    moved = advance(np.full((1000, 1), 0.25), 0.5)
    np.testing.assert_allclose(moved[200:800], 0.25, rtol=1e-12)


def test_what_is_not_a_number_is_refused() -> None:
    with pytest.raises(UnmeasurableError, match="not finite"):
        FractionalShift(0.5, 1).process(np.array([[math.inf]]))
