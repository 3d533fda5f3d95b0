"""Gates that open within a tenth of a millisecond, and what only seems like one, from signals made by hand."""

from __future__ import annotations

import numpy as np
import pytest

from printq.measure.opening import AROUND, opens
from tests.measure.signals import Signal

CELL = 16
LOW = AROUND * CELL
"""Where something stands out, for one cell."""
FRAMES = (2 * AROUND + 1) * CELL
NOISE = 0.001
TAPS = np.array([0.1, -0.6, 1.0, -0.6, 0.1]) / (np.sqrt(1.74) * NOISE)
"""The treble counts more than the bass, and the noise has a power of 1."""


def music(seed: int = 3) -> Signal:
    """Noise that falls by 6 dB an octave above 200 Hz, as music does, with a mean square of 1."""
    rng = np.random.default_rng(seed)
    spectrum = np.fft.rfft(rng.standard_normal(FRAMES))
    spectrum /= np.hypot(1.0, np.arange(len(spectrum)) * 48_000.0 / FRAMES / 200.0)
    made = np.fft.irfft(spectrum, FRAMES)
    return np.asarray(made / made.std())


def opening(constant_ms: float, at: int = LOW + 3, closed: float = 0.01) -> Signal:
    """The gain of a gate, with the time constant of its attack."""
    since = np.maximum(np.arange(FRAMES) - at, 0) / (48.0 * constant_ms)
    return closed + (1.0 - closed) * (1.0 - np.exp(-since))


def is_opening(heard: Signal, expected: Signal, seed: int = 4) -> bool:
    noise = NOISE * np.random.default_rng(seed).standard_normal(FRAMES)
    return opens(heard + noise, expected, TAPS, LOW, LOW + CELL, CELL)


@pytest.mark.parametrize("constant_ms", [0.1, 0.2, 0.5, 2.0])
@pytest.mark.parametrize("seed", range(4))
def test_a_gate_that_opens_explains_what_stands_out(constant_ms: float, seed: int) -> None:
    expected = music(seed)
    assert is_opening(opening(constant_ms) * expected, expected, seed + 9)


def test_music_that_goes_on_is_no_gate() -> None:
    expected = music()
    assert not is_opening(expected, expected)


@pytest.mark.parametrize("samples", [1, 3])
def test_a_wrong_sample_beside_an_opening_gate_stays_a_fault(samples: int) -> None:
    expected = music()
    heard = opening(0.1) * expected
    heard[LOW + 7 : LOW + 7 + samples] += 0.3
    assert not is_opening(heard, expected)


def test_a_gap_in_what_is_open_stays_a_fault() -> None:
    expected = music()
    heard = expected.copy()
    heard[LOW - 40 : LOW + 8] = 0.0
    assert not is_opening(heard, expected)
    # Nor is it forgiven because it is louder behind it than before.
    assert not is_opening(np.linspace(0.3, 1.0, FRAMES) * heard, expected)


def test_other_music_that_is_louder_stays_a_fault() -> None:
    expected, other = music(), music(8)
    heard = 0.1 * expected
    heard[LOW:] = other[LOW:]
    assert not is_opening(heard, expected)


def test_where_all_is_back_at_once_a_gap_has_ended() -> None:
    expected = music()
    heard = expected.copy()
    heard[: LOW + 3] = 0.0
    assert not is_opening(heard, expected)
